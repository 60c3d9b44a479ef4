"""Every option of every command in one table: its flag, what it takes, and what it is for.

A command says which of them it takes by a frozen dataclass: a field for each option, with its type.
The docs' table is made from both (`docs/conf.py`). Only click and the standard library are
imported here, so that ``--help`` answers at once.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import MISSING, dataclass, field, fields
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, ParamSpec, TypeVar

import click

from shoegoal.ladder.rules import (
    MAX_BACK_STEPS,
    MAX_COUNT,
    MAX_TIME_S,
    MAX_WIDTH_STEPS,
    MIN_BACK_STEPS,
    MIN_TIME_S,
    MIN_WIDTH_STEPS,
)
from shoegoal.scene.ball_size import BallSize
from shoegoal.types import ImagePoint

Given = TypeVar("Given")
Arguments = ParamSpec("Arguments")

MAX_PIXEL = 100_000.0
MAX_INVENTED = 500
MAX_DAYS = 36_500.0
MAX_WORKERS = 256
MAX_ID = 2**31 - 1  # numbers of sets and rounds are 32-bit in PostgreSQL


class PixelPoint(click.ParamType[ImagePoint]):
    """``X,Y`` in pixels of the displayed picture; parts may be negative or fractional."""

    name = "X,Y"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> ImagePoint:
        """Read the two numbers."""
        if isinstance(value, ImagePoint):
            return value
        parts = re.split(r"\s*[,;x ]\s*", str(value).strip())
        try:
            x_px, y_px = (float(part) for part in parts)
        except ValueError:
            self.fail(f"{value!r} is no place in the picture; give X,Y such as 412,388", param, ctx)
        if (
            not (math.isfinite(x_px) and math.isfinite(y_px))
            or max(abs(x_px), abs(y_px)) > MAX_PIXEL
        ):
            self.fail(f"{value!r} lies far outside any picture; give X,Y in pixels", param, ctx)
        return ImagePoint(x_px, y_px)


class BallWord(click.Choice[str]):
    """The size printed on a ball, or ``unknown``."""

    def __init__(self) -> None:
        super().__init__([size.value for size in BallSize])

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> BallSize:
        """Read the size."""
        return BallSize(super().convert(value, param, ctx))


class FilePath(click.ParamType[Path]):
    """A path; whether it can be used is for the command to find out and to say in its own words."""

    def __init__(self, name: str = "FILE") -> None:
        self.name = name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Make a path of it."""
        if not str(value).strip():
            self.fail("it is empty; name a file or folder", param, ctx)
        return Path(value)


class ClockTime(click.ParamType[float]):
    """A time on a player's clock: ``1:12.3``, or seconds from the clip's start."""

    name = "TIME"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """Read minutes and seconds."""
        found = re.fullmatch(r"(?:(\d+):)?(\d+(?:\.\d+)?)", str(value).strip())
        if found is None:
            self.fail(f"{value!r} is no time; give 1:12.3, or seconds", param, ctx)
        minutes, seconds = found.groups()
        if minutes is not None and float(seconds) >= 60:
            self.fail(f"{value!r} is no time; seconds go up to 59", param, ctx)
        return 60.0 * int(minutes or 0) + float(seconds)


@dataclass(frozen=True, slots=True)
class OptionRow:
    """One option.

    Attributes
    ----------
    flag : as typed.
    kind : click type; None for a switch.
    help : what it is for, its default included.
    many : it may be given several times.
    """

    flag: str
    kind: click.ParamType[Any] | None
    help: str
    many: bool = False


_ROWS = (
    OptionRow("--stage", click.STRING, "Stage of the ladder, by name (see `shoegoal stages`)."),
    OptionRow(
        "--ladder",
        FilePath(),
        "Ladder file (TOML); default: the one shipped.",
    ),
    OptionRow(
        "--make",
        click.IntRange(1, MAX_COUNT),
        "In place of --stage: makes needed; alone it means as many shots as it takes.",
    ),
    OptionRow("--of", click.IntRange(1, MAX_COUNT), "With --make: only the first N shots count."),
    OptionRow("--in-a-row", None, "With --make: the makes must follow one another."),
    OptionRow(
        "--within-s",
        click.FloatRange(MIN_TIME_S, MAX_TIME_S),
        "With --make: seconds from the first kick.",
    ),
    OptionRow(
        "--width-steps",
        click.FloatRange(MIN_WIDTH_STEPS, MAX_WIDTH_STEPS),
        "Goal width in the student's own steps.",
    ),
    OptionRow(
        "--back-steps",
        click.FloatRange(MIN_BACK_STEPS, MAX_BACK_STEPS),
        "Kick distance in the student's own steps.",
    ),
    OptionRow(
        "--left",
        PixelPoint(),
        "Inner foot of the left marker as the kicker sees it, px of the displayed picture; may lie "
        "outside it. Default: both markers are found.",
    ),
    OptionRow("--right", PixelPoint(), "The same for the right marker."),
    OptionRow(
        "--calibration", FilePath(), "Markers and camera saved from a clip of the same set-up."
    ),
    OptionRow(
        "--save-calibration", FilePath(), "Save markers and camera of this clip for later ones."
    ),
    OptionRow("--lens", FilePath(), "Lens file made by `shoegoal lens`; narrows the distances."),
    OptionRow(
        "--ball",
        BallWord(),
        "Size printed on the ball; default: the stage's, unknown with --make.",
    ),
    OptionRow(
        "--confidence",
        click.FloatRange(0.5, 1.0, min_open=True),
        "Least probability for a verdict without review; default 0.99.",
    ),
    OptionRow(
        "--earlier",
        FilePath("FOLDER"),
        "Compare with results of earlier counts here too, to see a take sent twice; may be given "
        "several times. Those beside the result are always compared with.",
        many=True,
    ),
    OptionRow(
        "--trace",
        FilePath(),
        "Write every threshold and intermediate score behind the calls to this file (JSON).",
    ),
    OptionRow(
        "--out",
        FilePath("PATH"),
        "Where to write.",
    ),
    OptionRow(
        "--book",
        click.STRING,
        "Record book: a file, or postgresql://USER@HOST/NAME; default: the variable SHOEGOAL_BOOK, "
        "else a file of your own.",
    ),
    OptionRow("--class", click.STRING, "Class, by name."),
    OptionRow("--pupil", click.STRING, "Pupil, by the name in the book; best a made-up one."),
    OptionRow("--invent", click.IntRange(0, MAX_INVENTED), "How many names to make up."),
    OptionRow("--size", click.IntRange(1, MAX_COUNT), "How many shots to draw; default 20."),
    OptionRow(
        "--seed",
        click.IntRange(0, 2**31 - 1),
        "Seed of the draw, to draw the same again; default: a random one, which is printed.",
    ),
    OptionRow(
        "--interval",
        click.FloatRange(0.01, 1.0),
        "Wanted width of the intervals, from their lower to their upper end; default 0.2.",
    ),
    OptionRow("--cues", None, "Check form, cue by cue, in place of makes and misses."),
    OptionRow("--head", click.STRING, "Hash noted down earlier, which must still be in the book."),
    OptionRow(
        "--receipt",
        FilePath(),
        "Receipt whose entry must still be in the book as it was; may be given several times.",
        many=True,
    ),
    OptionRow(
        "--key",
        click.STRING,
        "Name of the key, as `record key` prints it: no other may have sealed anything; may be "
        "given several times.",
        many=True,
    ),
    OptionRow("--restored", None, "An older copy was put back on purpose: note its head anew."),
    OptionRow("--take", FilePath(), "Key file from another computer, to be this one's key."),
    OptionRow(
        "--older-than-days",
        click.FloatRange(0.0, MAX_DAYS),
        "Only what came into the book longer ago than this.",
    ),
    OptionRow("--yes", None, "Do not ask."),
    OptionRow(
        "--role", click.Choice(["teacher", "coach", "student"]), "What the account may see and do."
    ),
    OptionRow("--list", None, "List the sets that wait: those without a sure verdict first."),
    OptionRow("--port", click.IntRange(1, 65535), "Port of the page; default: one that is free."),
    OptionRow("--open", None, "Open the page in the browser."),
    OptionRow(
        "--host",
        click.STRING,
        "Address to listen at; default: this computer alone. Any other needs --site.",
    ),
    OptionRow(
        "--site",
        click.STRING,
        "Serve other computers, to whoever has an account: the https:// address by which browsers "
        "reach the page.",
    ),
    OptionRow("--certificate", FilePath(), "With --site: certificate (PEM) to speak HTTPS with."),
    OptionRow("--private-key", FilePath(), "With --certificate: its private key (PEM)."),
    OptionRow(
        "--behind-tls", None, "With --site: a reverse proxy before the page speaks HTTPS for it."
    ),
    OptionRow(
        "--proxy",
        click.STRING,
        "With --behind-tls: address of that proxy, which is believed about who asks; default: "
        "127.0.0.1.",
    ),
    OptionRow("--note", click.STRING, "Remark to write down; no real names, please."),
    OptionRow("--by", click.STRING, "Your name, written beside what you say."),
    OptionRow(
        "--seen",
        click.IntRange(1),
        "Version of the set that you looked at; refused when it has been changed since.",
    ),
    OptionRow(
        "--manifest",
        FilePath(),
        "CSV table with the columns clip, pupil and stage; default: by the clips' file names.",
    ),
    OptionRow("--enrol", None, "Enter pupils whom the book does not know; else they are refused."),
    OptionRow(
        "--again",
        None,
        "Do what was done before once more.",
    ),
    OptionRow(
        "--workers",
        click.IntRange(1, MAX_WORKERS),
        "How many clips to count at a time; default: one for every core.",
    ),
    OptionRow(
        "--dask",
        click.STRING,
        "Count on a Dask cluster: its scheduler's address, for instance tcp://127.0.0.1:8786.",
    ),
    OptionRow(
        "--only",
        click.Choice(["checks", "counts"]),
        "Only check how clips were filmed, or only count them; default: both, checks first.",
    ),
    OptionRow("--until-empty", None, "End when nothing waits any more."),
    OptionRow("--largest-mb", click.IntRange(1, 100_000), "Largest clip taken; default 2000 MB."),
    OptionRow("--longest-min", click.IntRange(1, 600), "Longest clip taken; default 20 minutes."),
    OptionRow(
        "--a-day", click.IntRange(1, MAX_COUNT), "Clips that a pupil may send a day; default 12."
    ),
    OptionRow("--form", None, "Read the kicker's form too; see `shoegoal form`."),
    OptionRow("--json", None, "Print JSON in place of the table."),
    OptionRow("--quiet", None, "No progress."),
)
OPTIONS = {row.flag: row for row in _ROWS}
_PLACE = {flag: place for place, flag in enumerate(OPTIONS)}
_FLAGS = {"class_name": "--class", "as_list": "--list", "in_browser": "--open"}  # words of Python


def flag_of(name: str) -> str:
    """Return the flag behind a field's name."""
    return _FLAGS.get(name, "--" + name.replace("_", "-"))


def meaning(help: str) -> dict[str, str]:
    """Return a field's metadata where an option means something else here than the table says."""
    return {"help": help}


def with_options(
    kind: type[Given],
) -> Callable[[Callable[Concatenate[Given, Arguments], int]], Callable[Arguments, int]]:
    """Decorate a command: it gets its options, in one record of this kind, before its arguments.

    Parameters
    ----------
    kind : frozen dataclass whose fields are named after rows of the table; one without a default
        has to be given. Help lists them in the table's order.
    """

    def decorate(
        command: Callable[Concatenate[Given, Arguments], int],
    ) -> Callable[Arguments, int]:
        names = [one.name for one in fields(kind)]  # type: ignore[arg-type]

        @wraps(command)
        def called(*args: Arguments.args, **values: Arguments.kwargs) -> int:
            given = kind(**{name: values.pop(name) for name in names})
            return command(given, *args, **values)

        decorated: Callable[Arguments, int] = called
        ordered = sorted(
            fields(kind),  # type: ignore[arg-type]
            key=lambda one: _PLACE[flag_of(one.name)],
        )
        for one in reversed(ordered):
            row = OPTIONS[flag_of(one.name)]
            help_text = one.metadata.get("help", row.help)
            if row.kind is None:
                option = click.option(row.flag, one.name, is_flag=True, help=help_text)
            else:
                required = one.default is MISSING and one.default_factory is MISSING
                option = click.option(
                    row.flag,
                    one.name,
                    type=row.kind,
                    help=help_text,
                    required=required,
                    multiple=row.many,
                )
            decorated = option(decorated)
        return decorated

    return decorate


@dataclass(frozen=True, kw_only=True)
class BookOptions:
    """Of commands that read the record book and print."""

    book: str | None = None
    json: bool = False


@dataclass(frozen=True, kw_only=True)
class ClassOptions(BookOptions):
    """Of commands about a class and its ladder."""

    class_name: str
    ladder: Path | None = field(
        default=None,
        metadata=meaning(
            "Ladder file (TOML); default: the one that the book remembers for the class, else the "
            "one shipped."
        ),
    )


@dataclass(frozen=True, kw_only=True)
class GoalOptions:
    """What is known of goal and ball beforehand: of a filming check and a count alike."""

    width_steps: float | None = None
    back_steps: float | None = None
    left: ImagePoint | None = None
    right: ImagePoint | None = None
    ball: BallSize | None = None

    def __post_init__(self) -> None:
        if (self.left is None) != (self.right is None):
            raise click.UsageError("give both --left and --right, or neither")

    @property
    def markers(self) -> tuple[ImagePoint, ImagePoint] | None:
        """Both markers, where they are given."""
        return None if self.left is None or self.right is None else (self.left, self.right)
