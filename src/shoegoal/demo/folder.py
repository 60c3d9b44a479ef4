"""The demo's folder: made once, known again by its mark, and never anybody else's."""

from __future__ import annotations

from pathlib import Path

from shoegoal.analysis.folders import cannot_write
from shoegoal.errors import OutputError
from shoegoal.written import replace_file

SHIPPED = Path(__file__).parent / "clips"
LADDER_FILE = Path(__file__).with_name("short_ladder.toml")
MARK_FILE_NAME = "demo-of-shoegoal.txt"
MARK = (
    "shoegoal demo made this folder. Its pupils, class and teacher are invented, its clips are "
    "rendered.\nDelete the folder when you have seen enough.\n"
)


class DemoFolder:
    """Where everything of one demo lies.

    Parameters
    ----------
    place : the folder; `prepare` makes it.
    """

    def __init__(self, place: Path) -> None:
        self.place = place.absolute()
        self.clips = self.place / "clips"
        self.ladder = self.place / LADDER_FILE.name
        self.book = self.place / "book.sqlite3"
        self.page = self.place / "class.html"

    def prepare(self) -> None:
        """Make the folder with clips and ladder, or make an earlier one of a demo whole again.

        Raises
        ------
        OutputError
            Something that no demo made is there, or nothing can be written.
        """
        try:
            self._check_own()
            self.place.mkdir(exist_ok=True)
            _put(self.place / MARK_FILE_NAME, MARK.encode())  # first, so that a rest is known again
            self.clips.mkdir(exist_ok=True)
            _put(self.ladder, LADDER_FILE.read_bytes())
            for clip in sorted(SHIPPED.glob("*.mp4")):
                _put(self.clips / clip.name, clip.read_bytes())
        except OSError as error:
            raise cannot_write(self.place, error) from error

    def _check_own(self) -> None:
        if not self.place.parent.is_dir():
            raise OutputError(
                f"{self.place.parent} is no folder, so {self.place.name} cannot be made in it; "
                "make the folder or name another with --out"
            )
        if self.place.is_dir():
            if (self.place / MARK_FILE_NAME).is_file() or not any(self.place.iterdir()):
                return
        elif not self.place.exists() and not self.place.is_symlink():
            return
        raise OutputError(
            f"{self.place} exists and is no folder of a demo, so it is left alone; "
            "name another with --out"
        )


def _put(path: Path, content: bytes) -> None:
    """Write a file unless it is there already."""
    if not (path.is_file() and path.read_bytes() == content):
        replace_file(path, content)
