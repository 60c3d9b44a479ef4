"""Every option of every command in one table: its flag, its type and its help.

A command lists its options in a frozen dataclass, with a typed field for each. The docs' table is
made from both (`docs/generated.py`). Only click and the standard library are imported here, so that
``--help`` answers at once.
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
MAX_SENTENCE = 1_000  # longer than any command's first sentence
MAX_ID = 2**31 - 1  # numbers of sets and rounds are 32-bit in PostgreSQL
# Where the parameter cannot have the option's own name, which Python or click uses.
_FLAGS = {"class_name": "--class", "as_list": "--list", "in_browser": "--open"}


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
            self.fail(
                f"{value!r} is not a place in the picture; give X,Y such as 412,388", param, ctx
            )
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
    """A path. The command itself checks whether it can be used."""

    def __init__(self, name: str = "FILE") -> None:
        self.name = name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Path:
        """Return the path."""
        if not str(value).strip():
            self.fail("it is empty; give a file or folder", param, ctx)
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
            self.fail(f"{value!r} is not a time; give 1:12.3, or seconds", param, ctx)
        minutes, seconds = found.groups()
        if minutes is not None and float(seconds) >= 60:
            self.fail(f"{value!r} is not a time; seconds go up to 59", param, ctx)
        return 60.0 * int(minutes or 0) + float(seconds)


class Commands(click.Group):
    """A group whose help says what each command does, in a whole sentence."""

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands; click would cut their sentences short."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [
                    (name, command.get_short_help_str(limit=MAX_SENTENCE))
                    for name, command in sorted(self.commands.items())
                ]
            )


@dataclass(frozen=True, slots=True)
class OptionRow:
    """One option.

    Attributes
    ----------
    flag : as typed.
    kind : click type; None for a switch.
    help : what it is for, with its default.
    many : whether it may be given several times.
    """

    flag: str
    kind: click.ParamType[Any] | None
    help: str
    many: bool = False


_ROWS = (
    OptionRow("--stage", click.STRING, "Name of a stage of the ladder (see `shoegoal stages`)."),
    OptionRow(
        "--ladder",
        FilePath(),
        "Ladder file (TOML); default: the shipped ladder.",
    ),
    OptionRow(
        "--make",
        click.IntRange(1, MAX_COUNT),
        "Instead of --stage: makes needed. On its own: with as many shots as it takes.",
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
        "Goal width in the pupil's own steps.",
    ),
    OptionRow(
        "--back-steps",
        click.FloatRange(MIN_BACK_STEPS, MAX_BACK_STEPS),
        "Kick distance in the pupil's own steps.",
    ),
    OptionRow(
        "--left",
        PixelPoint(),
        "Inner foot of the left marker as the kicker sees it, in pixels of the displayed picture; "
        "it may be outside the picture. Default: both markers are found.",
    ),
    OptionRow("--right", PixelPoint(), "The same for the right marker."),
    OptionRow(
        "--calibration", FilePath(), "Markers and camera saved from a clip of the same set-up."
    ),
    OptionRow(
        "--save-calibration", FilePath(), "Save markers and camera of this clip for later clips."
    ),
    OptionRow("--lens", FilePath(), "Lens file made by `shoegoal lens`, for more exact distances."),
    OptionRow(
        "--ball",
        BallWord(),
        "Size printed on the ball; default: the stage's, or unknown with --make.",
    ),
    OptionRow(
        "--confidence",
        click.FloatRange(0.5, 1.0, min_open=True),
        "Least probability for a verdict without review; default 0.99.",
    ),
    OptionRow(
        "--earlier",
        FilePath("FOLDER"),
        "Folder with results of earlier counts, to find a take that was sent twice; may be given "
        "several times. Results beside this one are always compared.",
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
        "or a file in your own folder.",
    ),
    OptionRow("--class", click.STRING, "Name of the class."),
    OptionRow("--pupil", click.STRING, "Name of the pupil in the book; a made-up one is best."),
    OptionRow("--invent", click.IntRange(0, MAX_INVENTED), "How many names to make up."),
    OptionRow("--size", click.IntRange(1, MAX_COUNT), "How many shots to draw; default 20."),
    OptionRow(
        "--seed",
        click.IntRange(0, 2**31 - 1),
        "Seed, to draw the same shots again; default: a random one, which is printed.",
    ),
    OptionRow(
        "--interval",
        click.FloatRange(0.01, 1.0),
        "Wanted width of the intervals, from lower to upper end; default 0.2.",
    ),
    OptionRow("--cues", None, "Check form, cue by cue, instead of makes and misses."),
    OptionRow("--head", click.STRING, "Hash that you noted earlier; it must still be in the book."),
    OptionRow(
        "--receipt",
        FilePath(),
        "Receipt whose entry must still be in the book, unchanged; may be given several times.",
        many=True,
    ),
    OptionRow(
        "--key",
        click.STRING,
        "Name of a key, as `record key` prints it: no other key may have sealed anything; may be "
        "given several times.",
        many=True,
    ),
    OptionRow("--restored", None, "An older copy was restored on purpose: note its head again."),
    OptionRow(
        "--take", FilePath(), "Key file from another computer, to use as this computer's key."
    ),
    OptionRow(
        "--older-than-days",
        click.FloatRange(0.0, MAX_DAYS),
        "Only what was added to the book longer ago than this.",
    ),
    OptionRow("--yes", None, "Do not ask."),
    OptionRow(
        "--role", click.Choice(["teacher", "coach", "student"]), "What the account may see and do."
    ),
    OptionRow("--list", None, "List the waiting sets, those without a certain verdict first."),
    OptionRow("--port", click.IntRange(1, 65535), "Port of the page; default: a free one."),
    OptionRow("--open", None, "Open the page in the browser."),
    OptionRow(
        "--host",
        click.STRING,
        "Address to listen on; default: this computer only. Any other needs --site.",
    ),
    OptionRow(
        "--site",
        click.STRING,
        "Serve other computers, to people with an account: the https:// address at which browsers "
        "reach the page.",
    ),
    OptionRow("--certificate", FilePath(), "With --site: certificate (PEM) for HTTPS."),
    OptionRow("--private-key", FilePath(), "With --certificate: its private key (PEM)."),
    OptionRow(
        "--behind-tls", None, "With --site: a reverse proxy in front of the page does HTTPS."
    ),
    OptionRow(
        "--proxy",
        click.STRING,
        "With --behind-tls: address of that proxy, which is trusted to name the client; default: "
        "127.0.0.1.",
    ),
    OptionRow("--note", click.STRING, "Remark to keep; no real names, please."),
    OptionRow("--by", click.STRING, "Your name, kept with what you say."),
    OptionRow(
        "--seen",
        click.IntRange(1),
        "Version of the set that you looked at; refused if it has changed since.",
    ),
    OptionRow(
        "--manifest",
        FilePath(),
        "CSV table with the columns clip, pupil and stage; default: from the clips' file names.",
    ),
    OptionRow(
        "--enrol", None, "Add pupils who are not in the book yet; otherwise they are refused."
    ),
    OptionRow(
        "--again",
        None,
        "Do it again.",
    ),
    OptionRow(
        "--workers",
        click.IntRange(1, MAX_WORKERS),
        "How many clips to count at a time; default: one for each core.",
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
    OptionRow("--until-empty", None, "End when nothing is waiting."),
    OptionRow(
        "--largest-mb", click.IntRange(1, 100_000), "Largest clip accepted; default 2000 MB."
    ),
    OptionRow(
        "--longest-min", click.IntRange(1, 600), "Longest clip accepted; default 20 minutes."
    ),
    OptionRow(
        "--a-day", click.IntRange(1, MAX_COUNT), "Clips that a pupil may send in a day; default 12."
    ),
    OptionRow("--form", None, "Read the kicker's form too; see `shoegoal form`."),
    OptionRow("--json", None, "Print JSON instead of the table."),
    OptionRow("--quiet", None, "Show no progress."),
)
OPTIONS = {row.flag: row for row in _ROWS}
_PLACE = {flag: place for place, flag in enumerate(OPTIONS)}


def flag_of(name: str) -> str:
    """Return the flag of a field."""
    return _FLAGS.get(name, "--" + name.replace("_", "-"))


def meaning(help: str) -> dict[str, str]:
    """Return the metadata of a field whose help differs from the table's."""
    return {"help": help}


def with_options(
    kind: type[Given],
) -> Callable[[Callable[Concatenate[Given, Arguments], int]], Callable[Arguments, int]]:
    """Decorate a command: it gets its options as one record, before its arguments.

    Parameters
    ----------
    kind : frozen dataclass whose fields are named after rows of the table. A field without a
        default is required. Help lists them in the table's order.
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
    """Options of commands that read the record book and print."""

    book: str | None = None
    json: bool = False


@dataclass(frozen=True, kw_only=True)
class ClassOptions(BookOptions):
    """Options of commands about a class and its ladder."""

    class_name: str
    ladder: Path | None = field(
        default=None,
        metadata=meaning(
            "Ladder file (TOML); default: the one that the book remembers for the class, or the "
            "shipped ladder."
        ),
    )


@dataclass(frozen=True, kw_only=True)
class GoalOptions:
    """What is known of goal and ball beforehand, for a filming check as for a count."""

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
        """Both markers, if they are given."""
        return None if self.left is None or self.right is None else (self.left, self.right)
