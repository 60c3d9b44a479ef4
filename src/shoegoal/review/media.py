"""Clip and pictures of a set. Requests hold numbers only; paths come from the book."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from shoegoal.clip.reader import clip_sha256
from shoegoal.pictures.evidence import EVIDENCE_FOLDER_NAME, STILLS_FOLDER_NAME
from shoegoal.record.history import SetHistory
from shoegoal.record.pictures import SetPictures

MOST_REMEMBERED = 300

CLIP_TYPES = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/mp4",  # browsers that can play it accept this type
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".avi": "video/x-msvideo",
}


class Clips:
    """Serves clips, after checking once that each is the one that was counted."""

    def __init__(self) -> None:
        self._known: dict[tuple[Path, int, int], str] = {}

    def answer(self, history: SetHistory) -> FileResponse:
        """Answer with a set's clip, or with the range that the browser asks for (RFC 9110, 14).

        Raises
        ------
        HTTPException
            404 where there is no clip, 409 where it is not the one that was counted.
        """
        clip = history.clip_path
        if clip is None or not clip.is_file():
            raise HTTPException(404, "the clip is not in its place any more")
        if self._hash(clip) != history.clip_sha256:
            raise HTTPException(409, "the clip was changed since it was counted")
        kind = CLIP_TYPES.get(clip.suffix.lower(), "application/octet-stream")
        return FileResponse(clip, media_type=kind)

    def is_as_counted(self, history: SetHistory) -> bool:
        """Whether a set's clip is in its place and is the one that was counted."""
        clip = history.clip_path
        return clip is not None and clip.is_file() and self._hash(clip) == history.clip_sha256

    def _hash(self, clip: Path) -> str:
        seen = clip.stat()
        key = (clip, seen.st_mtime_ns, seen.st_size)
        if key not in self._known:
            self._known[key] = clip_sha256(clip)
        return self._known[key]


class Pictures:
    """Serves pictures, and keeps the last ones drawn, because a page asks for them repeatedly."""

    def __init__(self) -> None:
        self._drawn: OrderedDict[tuple[str, str, int, int], bytes] = OrderedDict()

    def strip(self, history: SetHistory, number: int) -> Response:
        """Answer with a shot's strip; 404 where there is none."""
        return self._answer(history, "strip", number, lambda pictures: pictures.strip(number))

    def moment(self, history: SetHistory, kick_time_s: float, name: str) -> Response:
        """Answer with one moment of a shot, zoomed on the ball's way; 404 where none was kept."""
        key = round(1000 * kick_time_s)
        return self._answer(history, name, key, lambda pictures: pictures.moment(kick_time_s, name))

    def glance(self, history: SetHistory) -> Response:
        """Answer with a small still of every shot; 404 where none was kept."""
        return self._answer(history, "glance", 0, lambda pictures: pictures.glance())

    def plain_goal(self, history: SetHistory) -> Response:
        """Answer with a still to point at markers in; 404 where none was kept."""

        def draw(pictures: SetPictures) -> bytes | None:
            found = pictures.plain_goal()
            return None if found is None else found[0]

        return self._answer(history, "goal", 0, draw)

    def blind(self, history: SetHistory, place: int, kick_time_s: float) -> Response:
        """Answer with a shot's stills, with nothing drawn on them; 404 where there are none."""
        return self._answer(
            history, "blind", place, lambda pictures: pictures.blind_strip(kick_time_s)
        )

    def _answer(
        self,
        history: SetHistory,
        what: str,
        number: int,
        draw: Callable[[SetPictures], bytes | None],
    ) -> Response:
        # The key holds the folder's time of change, so that purged pictures are not shown from
        # memory.
        key = (what, history.count.sha256, number, _changed_ns(history.folder_path))
        content = self._drawn.get(key)
        if content is None:
            content = draw(SetPictures(history, history.count.analysis()))
        if content is None:
            raise HTTPException(404, "there is no such picture")
        self._drawn[key] = content
        while len(self._drawn) > MOST_REMEMBERED:
            self._drawn.popitem(last=False)
        return Response(content, media_type="image/jpeg")


def _changed_ns(folder: Path | None) -> int:
    """Return when pictures were last added to or removed from a result folder."""
    if folder is None:
        return 0
    times = [0]
    for name in (EVIDENCE_FOLDER_NAME, STILLS_FOLDER_NAME):
        with suppress(OSError):
            times.append((folder / name).stat().st_mtime_ns)
    return sum(times)
