"""The commands about one clip: ``fit``, ``count``, ``form`` and ``show``.

Each calls a public function of `shoegoal` and prints its result.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import TYPE_CHECKING

import click

import shoegoal
from shoegoal.cli.options import FilePath, GoalOptions, flag_of, meaning, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK, BadSettingsError, ClipNotJudgeableError
from shoegoal.scene.ball_size import BallSize

if TYPE_CHECKING:
    from shoegoal.analysis.form_file import SetForm
    from shoegoal.analysis.model import Analysis
    from shoegoal.filming_check.answer import FilmingCheck
    from shoegoal.ladder.rules import Stage

STILL_SUFFIX = ".fit.jpg"
DEFAULT_WIDTH_STEPS, DEFAULT_BACK_STEPS = 4.0, 10.0
_EXIT_CODES = {
    "yes": 0,
    "cannot tell": EXIT_NEEDS_A_LOOK,
    "no": ClipNotJudgeableError.exit_code,
}
_OWN_STAGE = ("make", "of", "in_a_row", "within_s", "width_steps", "back_steps")
_OF_A_GOAL = ("left", "right", "calibration", "save_calibration", "lens", "trace")


@dataclass(frozen=True, kw_only=True)
class FitOptions(GoalOptions):
    """Options of ``fit``."""

    width_steps: float | None = field(
        default=None, metadata=meaning("Goal width in the pupil's own steps; default 4.")
    )
    back_steps: float | None = field(
        default=None, metadata=meaning("Kick distance in the pupil's own steps; default 10.")
    )
    ball: BallSize | None = field(
        default=None, metadata=meaning("Size printed on the ball; default: unknown.")
    )
    out: Path | None = field(
        default=None,
        metadata=meaning(
            "The still to write (JPEG); default: beside the clip, with its name ending in .fit.jpg."
        ),
    )
    json: bool = False


@dataclass(frozen=True, kw_only=True)
class CountingOptions(GoalOptions):
    """Options of the commands that count a clip."""

    stage: str | None = None
    ladder: Path | None = None
    make: int | None = None
    of: int | None = None
    in_a_row: bool = False
    within_s: float | None = None
    width_steps: float | None = field(
        default=None, metadata=meaning("With --make: goal width in the pupil's own steps.")
    )
    back_steps: float | None = field(
        default=None, metadata=meaning("With --make: kick distance in the pupil's own steps.")
    )
    calibration: Path | None = None
    save_calibration: Path | None = None
    lens: Path | None = None
    confidence: float | None = None
    earlier: tuple[Path, ...] = ()
    out: Path | None = field(
        default=None,
        metadata=meaning(
            "The result folder; default: beside the clip, with its name ending in .shoegoal."
        ),
    )
    json: bool = False
    quiet: bool = False

    def __post_init__(self) -> None:
        super().__post_init__()
        own = [name for name in _OWN_STAGE if getattr(self, name)]
        if self.stage and own:
            raise click.UsageError(f"give either --stage or {flag_of(own[0])}, not both")
        if self.ladder and not self.stage:
            raise click.UsageError("--ladder needs --stage with the name of one of its stages")
        if self.calibration is not None and self.left is not None:
            raise click.UsageError("give either --calibration or --left and --right, not both")

    @property
    def reads_form(self) -> bool:
        """Whether form is read too."""
        return True

    def asked(self) -> Stage:
        """Return the stage that was named or made up; refuse options that do not fit it."""
        from shoegoal.ladder.ladders import load_ladder, stage_from_options
        from shoegoal.ladder.rules import DEFAULT_BALL_SIZE, TouchesInARow

        if self.stage:
            stage = load_ladder(self.ladder).stage_by_name(self.stage)
            if isinstance(stage.rule, TouchesInARow):
                self._refuse_goal_options(stage.name)
            return stage
        if self.make is None:
            raise click.UsageError(
                "say which stage: --stage NAME (shoegoal stages lists them), or --make 5 --of 10 "
                "--width-steps 5 --back-steps 10"
            )
        for name in ("width_steps", "back_steps"):
            if getattr(self, name) is None:
                raise click.UsageError(f"--make needs {flag_of(name)} too")
        sized = self.ball is not None and self.ball.value.isdigit()
        try:
            return stage_from_options(
                make=self.make,
                of=self.of,
                in_a_row=self.in_a_row,
                within_s=self.within_s,
                width_steps=self.width_steps,
                back_steps=self.back_steps,
                ball_size=int(self.ball.value) if self.ball and sized else DEFAULT_BALL_SIZE,
            )
        except BadSettingsError as error:
            raise click.UsageError(str(error)) from error

    def _refuse_goal_options(self, stage_name: str) -> None:
        """Refuse options that only make sense for shots at a goal."""
        if self.reads_form:
            raise click.UsageError(
                f"stage {stage_name} counts touches, but form needs shots at a goal"
            )
        for name in _OF_A_GOAL:
            if getattr(self, name, None) is not None:
                raise click.UsageError(
                    f"stage {stage_name} counts touches and has no goal: leave out {flag_of(name)}"
                )


@dataclass(frozen=True, kw_only=True)
class CountOptions(CountingOptions):
    """Options of ``count``."""

    trace: Path | None = None
    form: bool = False

    @property
    def reads_form(self) -> bool:
        """Whether the switch is given."""
        return self.form


@dataclass(frozen=True, kw_only=True)
class FormOptions(CountingOptions):
    """Options of ``form``, which counts first."""


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(FitOptions)
def fit(given: FitOptions, clip: Path) -> int:
    """Say whether CLIP can be counted, and what to change before filming more.

    Runs the count's own code on samples of the clip. Prints what to do and why, and writes a still
    that shows it. Exits 0 when the clip can be counted, 3 when only a count can tell, and 5 when it
    cannot be counted.
    """
    still = clip.with_name(clip.stem + STILL_SUFFIX) if given.out is None else given.out
    check = shoegoal.check(
        clip,
        width_steps=given.width_steps or DEFAULT_WIDTH_STEPS,
        back_steps=given.back_steps or DEFAULT_BACK_STEPS,
        left=given.left,
        right=given.right,
        ball=given.ball or "unknown",
        out=still,
    )
    if given.json:
        from shoegoal.filming_check.answer import check_to_json

        click.echo(check_to_json(check, still), nl=False)
    else:
        _print_check(check, still)
    return _EXIT_CODES[check.answer.value]


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(CountOptions)
def count(given: CountOptions, clip: Path) -> int:
    """Count the shots of CLIP for a stage, or on a dribble stage the touches.

    Prints the tally and the verdict, and writes a folder with analysis.json and the evidence
    pictures. Give --stage NAME, or a stage of your own: --make 5 --of 10 --width-steps 5
    --back-steps 10. Exits 0 with a verdict, 3 when a person needs to look at some shots first.
    """
    folder, analysis = _counted(given, clip, trace=given.trace)
    kicks = _formed(folder, clip, quiet=given.quiet) if given.form else None
    _print_count(analysis, folder, json=given.json)
    if kicks is not None and not given.json:
        from shoegoal.cli.report import print_form

        print_form(kicks, folder)
    return EXIT_NEEDS_A_LOOK if analysis.needs_a_look else 0


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(FormOptions)
def form(given: FormOptions, clip: Path) -> int:
    """Say what a coach would look at in each kick of CLIP.

    Plant foot, swing, contact, follow-through and eyes: each is in band, or a place to look, or
    cannot be judged from this view, with what to film instead. These are prompts to look, never a
    grade or medical advice. CLIP is counted first, with the options of count. Or give the folder
    that count wrote, with the clip still beside it. Writes the folder "form" with a picture of each
    shot and a summary page.
    """
    from shoegoal.analysis.repeats import RESULT_SUFFIX

    if clip.is_dir() or clip.suffix in (".json", RESULT_SUFFIX):
        for one in fields(given):
            if one.name not in ("json", "quiet") and getattr(given, one.name):
                flag = flag_of(one.name)
                raise click.UsageError(
                    f"{flag} is for counting, but {clip} is already counted; leave it out"
                )
        folder = clip if clip.is_dir() else clip.parent
        kicks = _formed(clip, None, quiet=given.quiet)
    else:
        folder, _ = _counted(given, clip)
        kicks = _formed(folder, clip, quiet=given.quiet)
    if given.json:
        from shoegoal.analysis.form_file import form_to_json

        click.echo(form_to_json(kicks), nl=False)
    else:
        from shoegoal.cli.report import print_form

        print_form(kicks, folder)
    return 0


@dataclass(frozen=True, kw_only=True)
class ShowOptions:
    """Options of ``show``."""

    json: bool = False


@click.command()
@click.argument("analysis", type=FilePath("ANALYSIS"))
@with_options(ShowOptions)
def show(given: ShowOptions, analysis: Path) -> int:
    """Print the table of an earlier count again.

    ANALYSIS is the folder that count wrote, or the analysis.json in it. Exits as count does: 0 with
    a verdict, 3 when a person needs to look.
    """
    counted = shoegoal.load(analysis)
    folder = analysis if analysis.is_dir() else analysis.parent
    _print_count(counted, folder, json=given.json)
    return EXIT_NEEDS_A_LOOK if counted.needs_a_look else 0


def _counted(
    given: CountingOptions, clip: Path, *, trace: Path | None = None
) -> tuple[Path, Analysis]:
    """Count a clip into its result folder."""
    from shoegoal.analysis.repeats import RESULT_SUFFIX
    from shoegoal.cli.terminal import shown_progress

    folder = clip.with_name(clip.stem + RESULT_SUFFIX) if given.out is None else given.out
    stage = given.asked()
    # A stage made up on the command line says nothing about the ball.
    ball = given.ball or (None if given.stage else "unknown")
    with shown_progress(f"counting {clip.name}", quiet=given.quiet) as on_progress:
        analysis = shoegoal.count(
            clip,
            stage=stage,
            left=given.left,
            right=given.right,
            ball=ball,
            lens=given.lens,
            calibration=given.calibration,
            confidence=given.confidence,
            out=folder,
            earlier=given.earlier,
            save_calibration=given.save_calibration,
            trace=trace,
            on_progress=on_progress,
        )
    return folder, analysis


def _formed(result: Path, clip: Path | None, *, quiet: bool) -> SetForm:
    """Read the form of a count and add it to its folder."""
    from shoegoal.cli.terminal import shown_progress

    name = result.name if clip is None else clip.name
    with shown_progress(f"reading form in {name}", quiet=quiet) as on_progress:
        return shoegoal.form(result, clip=clip, on_progress=on_progress)


def _print_count(analysis: Analysis, folder: Path, *, json: bool) -> None:
    if json:
        from shoegoal.analysis.file import analysis_to_json

        click.echo(analysis_to_json(analysis), nl=False)
    else:
        from shoegoal.cli.report import print_report
        from shoegoal.pictures.evidence import EVIDENCE_FOLDER_NAME

        evidence = folder / EVIDENCE_FOLDER_NAME
        print_report(analysis, evidence if evidence.is_dir() else None)


def _print_check(check: FilmingCheck, still: Path) -> None:
    click.echo(check.headline)
    for number, (_, finding) in enumerate(check.findings, start=1):
        click.echo(f"{number:2}. {finding.do}")
        click.echo(f"    Why: {finding.why}.")
    click.echo(f"Still: {still}")
