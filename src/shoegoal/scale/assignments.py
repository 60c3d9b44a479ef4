"""The pupil and stage of each clip, from a table or from the file names."""

from __future__ import annotations

import csv
import difflib
import io
import re
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.rules import Stage
from shoegoal.outside import read_outside

LONGEST_NAME = 80  # of a pupil, as in the record book
VIDEO_ENDINGS = frozenset((".mp4", ".mov", ".m4v", ".mkv", ".webm", ".avi", ".3gp"))
_BETWEEN_PARTS = re.compile(r"_+|\s+-\s+")
PATTERN = "PUPIL_STAGE.mp4"
COLUMNS = ("clip", "pupil", "stage")
MAX_PROBLEMS_SHOWN = 5
MAX_BYTES = 2_000_000  # about twenty thousand rows; a class has fewer
_DELIMITERS = ",;\t"


@dataclass(frozen=True, slots=True)
class Assignment:
    """One clip of a class.

    Attributes
    ----------
    clip : the file; it may be missing.
    pupil : name as in the record book.
    stage : what was filmed.
    source : where this was read, for messages: ``class.csv, line 7`` or the file's name.
    """

    clip: Path
    pupil: str
    stage: Stage
    source: str


@dataclass(frozen=True, slots=True)
class NotAssigned:
    """A clip whose pupil or stage is unknown, and why."""

    clip: Path
    reason: str


def suffix_of(file_name: str) -> str | None:
    """Return a video file's ending; None for other files."""
    ending = Path(file_name).suffix.casefold()
    return ending if ending in VIDEO_ENDINGS else None


def tidy_name(text: str) -> str:
    """Normalise a name: composed letters (Unicode NFC), single blanks, none around it."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def name_trouble(name: str) -> str | None:
    """Say what is wrong with a pupil's normalised name; None where it is good."""
    if not name:
        return "there is no pupil's name"
    if len(name) > LONGEST_NAME:
        return f"a pupil's name has at most {LONGEST_NAME} letters"
    if not name.isprintable():
        return "the pupil's name holds a character that cannot be printed"
    return None


def spelt_differently(names: Iterable[tuple[str, str]]) -> list[str]:
    """Find names that differ only by capitals: surely one pupil, spelt in two ways.

    Parameters
    ----------
    names : pairs of a normalised name and its place.

    Returns
    -------
    A sentence for each such pair.
    """
    first: dict[str, tuple[str, str]] = {}
    named: set[tuple[str, str]] = set()
    found = []
    for name, place in names:
        known, known_place = first.setdefault(name.casefold(), (name, place))
        if known != name and (known, name) not in named:
            named.add((known, name))
            found.append(
                f'{place}: the pupil "{name}" is "{known}" at {known_place}; '
                "spell the name in one way"
            )
    return found


def assignments_by_file_name(
    folder: Path, ladder: Ladder
) -> tuple[list[Assignment], list[NotAssigned]]:
    """Read pupil and stage of a folder's clips from the file names, in order of name.

    Parameters
    ----------
    folder : with the video files; folders in it are ignored.
    ladder : with the stages that the names use.

    Raises
    ------
    BadSettingsError
        It cannot be read, holds no clip, or one pupil's name is spelt in two ways.
    """
    clips = videos_in(folder)
    if not clips:
        raise BadSettingsError(
            f"{folder} holds no clips (files ending in {', '.join(sorted(VIDEO_ENDINGS))})"
        )
    assigned: list[Assignment] = []
    unassigned: list[NotAssigned] = []
    for clip in clips:
        found = _read_name(clip, ladder)
        if isinstance(found, Assignment):
            assigned.append(found)
        else:
            unassigned.append(NotAssigned(clip, found))
    twice = spelt_differently((one.pupil, one.source) for one in assigned)
    if twice:
        raise BadSettingsError("\n".join(["one pupil's name is spelt in two ways:", *twice]))
    return assigned, unassigned


def videos_in(folder: Path) -> list[Path]:
    """List a folder's video files by name; hidden ones are left out.

    Raises
    ------
    BadSettingsError
        The folder cannot be read.
    """
    try:
        files = [path for path in folder.iterdir() if path.suffix.casefold() in VIDEO_ENDINGS]
    except OSError as error:
        raise BadSettingsError(
            f"{folder} cannot be read ({error.strerror or error}); name the folder with the clips"
        ) from error
    return sorted(path for path in files if path.is_file() and not path.name.startswith("."))


def _read_name(clip: Path, ladder: Ladder) -> Assignment | str:
    """Split a file name into pupil and stage, or say what is wrong with it."""
    parts = [part for raw in _BETWEEN_PARTS.split(clip.stem) if (part := tidy_name(raw))]
    stages = {stage.name.casefold(): stage for stage in ladder.all_stages}
    place = next((i for i, part in enumerate(parts) if i and part.casefold() in stages), None)
    if place is None:
        return (
            f"its name holds no stage{_closest(parts[1:], ladder.all_stages)}; call it {PATTERN} "
            "(shoegoal stages lists the stages), or give a --manifest"
        )
    pupil = " ".join(parts[:place])
    trouble = name_trouble(pupil)
    if trouble:
        return f"{trouble}; call it {PATTERN}"
    return Assignment(clip, pupil, stages[parts[place].casefold()], clip.name)


def _closest(parts: Sequence[str], stages: Sequence[Stage]) -> str:
    names = [stage.name for stage in stages]
    for part in parts:
        close = difflib.get_close_matches(part.casefold(), names, n=1, cutoff=0.7)
        if close:
            return f' of the ladder (did you mean "{close[0]}"?)'
    return " of the ladder"


@dataclass(frozen=True, slots=True)
class _Row:
    """A row of the table: the line it starts on, and its fields."""

    line: int
    fields: list[str]


def read_manifest(path: Path, folder: Path, ladder: Ladder) -> list[Assignment]:
    """Read a manifest.

    Parameters
    ----------
    path : the CSV file.
    folder : that holds the clips, perhaps in folders of its own; the files may be missing.
    ladder : with the stages that the table uses.

    Raises
    ------
    BadSettingsError
        The first mistakes, with line and column.
    """
    text = _text_of(path)
    delimiter = _delimiter_of(text)
    rows = list(_rows(text, delimiter, path.name))
    if not rows:
        raise BadSettingsError(f"{path.name} is empty; {_what_it_holds()}")
    reading = _Reading(path.name, text, delimiter, folder, ladder)
    columns = reading.columns(rows[0])
    assigned = [one for row in rows[1:] if (one := reading.assignment(row, columns)) is not None]
    reading.problems += spelt_differently((one.pupil, one.source) for one in assigned)
    reading.raise_problems()
    if not assigned:
        raise BadSettingsError(f"{path.name} names no clip; {_what_it_holds()}")
    return assigned


class _Reading:
    """The state of reading a table, with the mistakes found so far."""

    def __init__(self, name: str, text: str, delimiter: str, folder: Path, ladder: Ladder) -> None:
        self._name = name
        self._text = text
        self._delimiter = delimiter
        self._folder = folder
        self._ladder = ladder
        self._stages: dict[str, Stage] = {s.name.casefold(): s for s in ladder.all_stages}
        self._line_of_clip: dict[str, int] = {}
        self._found: dict[Path, dict[str, Path]] = {}
        self.problems: list[str] = []

    def columns(self, header: _Row) -> dict[str, int]:
        """Return the place of each column."""
        names = [tidy_name(field).casefold() for field in header.fields]
        for place, name in enumerate(names):
            if name not in COLUMNS:
                self._add(header, place, f'there is no column "{name}"; {_what_it_holds()}')
            elif name in names[:place]:
                self._add(header, place, f'the column "{name}" is here twice')
        for name in COLUMNS:
            if name not in names:
                self._add(header, 0, f'the column "{name}" is missing; {_what_it_holds()}')
        self.raise_problems()
        return {name: names.index(name) for name in COLUMNS}

    def assignment(self, row: _Row, columns: dict[str, int]) -> Assignment | None:
        """Read a row; None where it is blank or wrong."""
        fields = row.fields
        if not any(field.strip() for field in fields):
            return None
        if len(fields) != len(columns):
            place = min(len(fields), len(columns)) - (len(fields) < len(columns))
            self._add(row, place, f"{len(fields)} fields instead of {len(columns)}")
            return None
        before = len(self.problems)
        clip = self._clip(row, columns["clip"])
        pupil = tidy_name(fields[columns["pupil"]])
        trouble = name_trouble(pupil)
        if trouble:
            self._add(row, columns["pupil"], trouble)
        stage = self._stage(row, columns["stage"])
        if len(self.problems) > before or clip is None or stage is None:
            return None
        return Assignment(clip, pupil, stage, f"{self._name}, line {row.line}")

    def raise_problems(self) -> None:
        """Refuse the table if there were mistakes."""
        if not self.problems:
            return
        shown = self.problems[:MAX_PROBLEMS_SHOWN]
        more = len(self.problems) - len(shown)
        lines = [f"  {problem}" for problem in shown] + ([f"  and {more} more"] if more else [])
        raise BadSettingsError("\n".join([f"{self._name}: please correct this table:", *lines]))

    def _clip(self, row: _Row, place: int) -> Path | None:
        said = row.fields[place].strip()
        if not said or "\0" in said:
            self._add(row, place, "there is no clip's name")
            return None
        inside = PurePosixPath(said)
        if inside.is_absolute() or ".." in inside.parts:
            self._add(row, place, f'give the path of the clip in the folder, not "{said}"')
            return None
        key = unicodedata.normalize("NFC", str(inside))
        first = self._line_of_clip.setdefault(key, row.line)
        if first != row.line:
            self._add(row, place, f'the clip "{said}" is already on line {first}')
            return None
        return self._as_it_lies(self._folder / inside)

    def _as_it_lies(self, clip: Path) -> Path:
        """Find a file whose name has the same letters in another Unicode form (NFC, NFD)."""
        if clip.name.isascii():
            return clip
        names = self._found.get(clip.parent)
        if names is None:
            there = clip.parent.iterdir() if clip.parent.is_dir() else ()
            names = {unicodedata.normalize("NFC", path.name): path for path in there}
            self._found[clip.parent] = names
        return names.get(unicodedata.normalize("NFC", clip.name), clip)

    def _stage(self, row: _Row, place: int) -> Stage | None:
        said = tidy_name(row.fields[place])
        stage = self._stages.get(said.casefold())
        if stage is None and len(self.problems) >= MAX_PROBLEMS_SHOWN:
            self.problems.append("")  # only counted, because the search for a close name takes long
        elif stage is None:
            try:
                self._ladder.stage_by_name(said)
            except BadSettingsError as error:
                self._add(row, place, str(error) if said else "there is no stage's name")
        return stage

    def _add(self, row: _Row, place: int, trouble: str) -> None:
        if len(self.problems) >= MAX_PROBLEMS_SHOWN:
            self.problems.append("")  # only counted
            return
        line, column = _place_of_field(self._text, self._delimiter, row.line, place)
        self.problems.append(f"line {line}, column {column}: {trouble}")


def _what_it_holds() -> str:
    return f"its first line is {','.join(COLUMNS)}, then one line a clip"


def _text_of(path: Path) -> str:
    try:
        content = read_outside(path, MAX_BYTES)
    except OSError as error:
        raise BadSettingsError(
            f"{path}: the manifest cannot be read ({error.strerror or error}); give a CSV file"
        ) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # A byte order mark is no part of the first column's name.
        line = content.count(b"\n", 0, error.start) + 1
        column = error.start - content.rfind(b"\n", 0, error.start)
        raise BadSettingsError(
            f"{path.name}, line {line}, column {column}: this is not UTF-8 text; save the table as "
            "CSV in UTF-8"
        ) from error


def _delimiter_of(text: str) -> str:
    first = text.lstrip("\r\n").split("\n", 1)[0]
    return max(_DELIMITERS, key=first.count)


def _rows(text: str, delimiter: str, name: str) -> Iterator[_Row]:
    """Yield every row that is not an empty line."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    line = 1
    while True:
        try:
            fields = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            words = str(error)
            if "end of data" in words:
                words = "a quotation mark is opened here and never closed"
                column = _place_of_last_quote(text, delimiter, line)
            else:
                line, column = reader.line_num, 1
            raise BadSettingsError(
                f"{name}, line {line}, column {column}: {words}; correct the table there"
            ) from error
        if fields:
            yield _Row(line, fields)
        line = reader.line_num + 1


def _field_starts(text: str, delimiter: str, line: int) -> Iterator[tuple[int, int]]:
    """Return the line and column (from 1) at which each field of a row starts."""
    lines = io.StringIO(text, newline="").readlines()  # split as the csv module splits lines
    column, quoted = 1, False
    yield line, column
    for number in range(line, len(lines) + 1):
        for column, letter in enumerate(lines[number - 1], start=1):
            if letter == '"':
                quoted = not quoted
            elif letter == delimiter and not quoted:
                yield number, column + 1
        if not quoted:
            return


def _place_of_field(text: str, delimiter: str, line: int, place: int) -> tuple[int, int]:
    starts = list(_field_starts(text, delimiter, line))
    return starts[min(place, len(starts) - 1)]


def _place_of_last_quote(text: str, delimiter: str, line: int) -> int:
    """Return the column of the field with the quotation mark that is never closed."""
    within = [column for number, column in _field_starts(text, delimiter, line) if number == line]
    return within[-1]
