"""``shoegoal count``: a clip in, a tally, a verdict and the evidence out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK, BadSettingsError

if TYPE_CHECKING:
    from shoegoal.analysis.counted import Counted
    from shoegoal.analysis.form_model import SetForm
    from shoegoal.analysis.model import Analysis
    from shoegoal.analysis.settings import CountSettings
    from shoegoal.ladder.rules import Stage
    from shoegoal.scene.ball_size import BallSize
    from shoegoal.scene.calibration import Calibration
    from shoegoal.scene.lens import Lens
    from shoegoal.types import ImagePoint

_OWN_STAGE = ("make", "of", "in_a_row", "within_s", "width_steps", "back_steps")


COUNTING = (
    "--stage",
    "--ladder",
    "--make",
    "--of",
    "--in-a-row",
    "--within-s",
    "--width-steps",
    "--back-steps",
    "--left",
    "--right",
    "--calibration",
    "--save-calibration",
    "--lens",
    "--ball",
    "--confidence",
    "--earlier",
)


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(*COUNTING, "--out", "--form", "--json", "--quiet")
def count(clip: Path, out: Path | None, form: bool, json: bool, quiet: bool, **given: Any) -> int:
    """Count the shots of CLIP for a stage, or on a dribble stage the touches.

    Prints the tally and the verdict, and writes a folder with analysis.json and the evidence
    pictures. Give --stage NAME, or a stage of your own: --make 5 --of 10 --width-steps 5
    --back-steps 10. Exits 0 with a verdict, 3 when a person needs to look at some shots first.
    """
    folder, analysis, set_form = count_clip(clip, out, given, with_form=form, quiet=quiet)

    from shoegoal.analysis.evidence import EVIDENCE_FOLDER_NAME
    from shoegoal.analysis.file import analysis_to_json

    if json:
        click.echo(analysis_to_json(analysis), nl=False)
    else:
        from shoegoal.cli.report import print_report

        print_report(analysis, folder / EVIDENCE_FOLDER_NAME)
        if set_form is not None:
            from shoegoal.cli.form_report import print_form

            print_form(set_form, folder)
    return EXIT_NEEDS_A_LOOK if analysis.needs_a_look else 0


def count_clip(
    clip: Path, out: Path | None, given: dict[str, Any], *, with_form: bool, quiet: bool
) -> tuple[Path, Analysis, SetForm | None]:
    """Count a clip, and read its form if asked, and write the result folder.

    Parameters
    ----------
    clip, out : the clip; where to write, by default beside it.
    given : the other options of counting, by name.
    with_form : whether form is read too.
    quiet : no progress.

    Returns
    -------
    The folder, the count, and the form.
    """
    _check_combinations(given)
    settings = _settings(given)
    if with_form and settings.stage.width_steps is None:
        raise click.UsageError(
            f"stage {settings.stage.name} counts touches: form is read from shots at a goal alone"
        )
    from shoegoal.analysis.repeats import RESULT_SUFFIX, earlier_results, with_repeats

    folder = clip.with_name(clip.stem + RESULT_SUFFIX) if out is None else out
    save_calibration: Path | None = given["save_calibration"]

    from shoegoal.analysis.folders import check_replaceable, check_writable_file

    # Said before the long work rather than after it; a missing clip comes first all the same.
    from shoegoal.clip.reader import open_clip

    open_clip(clip).close()
    check_replaceable(folder)
    earlier = earlier_results(folder, given["earlier"])
    if save_calibration is not None:
        check_writable_file(save_calibration)

    from shoegoal.analysis.run import analyse_clip
    from shoegoal.cli.progress import shown_progress

    with shown_progress(f"counting {clip.name}", quiet=quiet) as on_progress:
        counted = analyse_clip(clip, settings, on_progress)

    from shoegoal.analysis.evidence import write_result

    analysis = with_repeats(counted.analysis, earlier)
    seen = None
    if with_form:
        from shoegoal.analysis.form_run import read_form

        with shown_progress(f"reading form in {clip.name}", quiet=quiet) as on_progress:
            seen = read_form(clip, analysis, on_progress)
    write_result(folder, analysis, counted.stills, counted.goal_still, seen)
    if save_calibration is not None:
        _save_calibration(save_calibration, counted)
    return folder, analysis, None if seen is None else seen.form


def _check_combinations(given: dict[str, Any]) -> None:
    """Refuse what the command line alone shows to be wrong."""
    own = [name for name in _OWN_STAGE if given[name]]
    if given["stage"] and own:
        raise click.UsageError(f"give either --stage or {_flag(own[0])}, not both")
    if given["ladder"] and not given["stage"]:
        raise click.UsageError("--ladder needs --stage with the name of one of its stages")
    if not given["stage"] and given["make"] is None:
        raise click.UsageError(
            "say which stage: --stage NAME (shoegoal stages lists them), or --make 5 --of 10 "
            "--width-steps 5 --back-steps 10"
        )
    if not given["stage"]:
        for name in ("width_steps", "back_steps"):
            if given[name] is None:
                raise click.UsageError(f"--make needs {_flag(name)} too")
    if (given["left"] is None) != (given["right"] is None):
        raise click.UsageError("give both --left and --right, or neither")
    if given["calibration"] is not None and given["left"] is not None:
        raise click.UsageError("give either --calibration or --left and --right, not both")


def _flag(name: str) -> str:
    return "--" + name.replace("_", "-")


def _settings(given: dict[str, Any]) -> CountSettings:
    stage, ball = _stage_and_ball(given)

    from shoegoal.analysis.settings import CountSettings
    from shoegoal.ladder.verdict import DEFAULT_CONFIDENCE

    confidence: float | None = given["confidence"]
    return CountSettings(
        stage=stage,
        left_px=_point(given["left"]),
        right_px=_point(given["right"]),
        ball=ball,
        lens=_lens(given["lens"]),
        confidence=DEFAULT_CONFIDENCE if confidence is None else confidence,
        calibration=_calibration(given["calibration"]),
    )


def _stage_and_ball(given: dict[str, Any]) -> tuple[Stage, BallSize]:
    from shoegoal.ladder.ladders import load_ladder, stage_from_options
    from shoegoal.ladder.rules import DEFAULT_BALL_SIZE, TouchesInARow
    from shoegoal.scene.ball_size import BallSize

    said = None if given["ball"] is None else BallSize(given["ball"])
    if given["stage"]:
        stage = load_ladder(given["ladder"]).stage_by_name(given["stage"])
        if isinstance(stage.rule, TouchesInARow):
            _refuse_goal_options(given, stage.name)
        return stage, said or BallSize(str(stage.ball_size))
    size = DEFAULT_BALL_SIZE if said in (None, BallSize.UNKNOWN) else int(str(said))
    try:
        stage = stage_from_options(
            make=given["make"],
            of=given["of"],
            in_a_row=given["in_a_row"],
            within_s=given["within_s"],
            width_steps=given["width_steps"],
            back_steps=given["back_steps"],
            ball_size=size,
        )
    except BadSettingsError as error:
        raise click.UsageError(str(error)) from error
    return stage, said or BallSize.UNKNOWN


def _refuse_goal_options(given: dict[str, Any], stage_name: str) -> None:
    """Refuse what only a set of shots at a goal can use."""
    for name in ("left", "right", "calibration", "save_calibration", "lens"):
        if given[name] is not None:
            raise click.UsageError(
                f"stage {stage_name} counts touches and has no goal: leave out {_flag(name)}"
            )


def _lens(path: Path | None) -> Lens | None:
    if path is None:
        return None
    from shoegoal.scene.lens import read_lens

    return read_lens(path)


def _calibration(path: Path | None) -> Calibration | None:
    if path is None:
        return None
    from shoegoal.scene.calibration import read_calibration

    return read_calibration(path)


def _point(given: tuple[float, float] | None) -> ImagePoint | None:
    from shoegoal.types import ImagePoint

    return None if given is None else ImagePoint(*given)


def _save_calibration(path: Path, counted: Counted) -> None:
    from shoegoal.analysis.calibrate import calibration_of
    from shoegoal.scene.calibration import write_calibration

    write_calibration(path, calibration_of(counted.analysis, counted.goal_still))
