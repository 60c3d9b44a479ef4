"""shoegoal: a phone clip of a soccer shooting set in, a tally a teacher can verify out.

Everything that the command line does with one clip is one of five functions: `check` (was it filmed
so that it can be counted?), `count`, `form`, `load` (an earlier count) and `recount` (with the
markers elsewhere). Importing this module costs nothing: what a function needs, it loads itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from os import PathLike

    from shoegoal.analysis.form_file import SetForm
    from shoegoal.analysis.model import Analysis
    from shoegoal.filming_check.answer import FilmingCheck
    from shoegoal.ladder.rules import Stage
    from shoegoal.scene.ball_size import BallSize
    from shoegoal.types import ImagePoint

    AnyPath = str | PathLike[str]
    AnyPoint = ImagePoint | tuple[float, float]
    OnProgress = Callable[[float], None]

__all__ = ["check", "count", "form", "load", "recount"]
__version__ = "0.1.0"


def check(
    clip: AnyPath,
    *,
    width_steps: float = 4.0,
    back_steps: float = 10.0,
    left: AnyPoint | None = None,
    right: AnyPoint | None = None,
    ball: BallSize | str = "unknown",
    out: AnyPath | None = None,
) -> FilmingCheck:
    """Check the filming of a clip by samples: say whether it can be counted, and what to change.

    Parameters
    ----------
    clip : path
        Video file.
    width_steps, back_steps : float
        Goal width and kick distance that the stage asks for, in the student's steps.
    left, right : (x, y), optional
        Inner feet of the markers as the kicker sees them, px of the displayed picture; both or
        neither. Without them both are looked for.
    ball : str
        Size printed on the ball: "3", "4", "5" or "unknown".
    out : path, optional
        Where to write a still that shows the answer (JPEG).

    Returns
    -------
    FilmingCheck
        The ``answer`` (yes, no, or only a count can say), in a few words (``headline``), and
        the findings, gravest first.

    Raises
    ------
    ShoegoalError
        The clip cannot be read, or the still cannot be written.

    Examples
    --------
    >>> check = shoegoal.check("yard.mp4", width_steps=4, back_steps=10, ball="4")
    >>> check.answer.value
    'yes'
    >>> print(check.headline)
    This clip can be counted.
    """
    from pathlib import Path

    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.clip.reader import open_clip
    from shoegoal.filming_check.answer import check_clip
    from shoegoal.filming_check.picture import draw_check, encoded
    from shoegoal.ladder.rules import FirstMakes, Stage
    from shoegoal.pipeline.settings import CountSettings
    from shoegoal.written import replace_file

    path = Path(clip)
    if out is not None:
        open_clip(path).close()  # a missing clip is said first
        check_writable_file(Path(out))
    stage = Stage("check", "Check", FirstMakes(1), width_steps, back_steps)
    left_px, right_px = _both(left, right)
    checked = check_clip(path, CountSettings(stage, left_px, right_px, _ball(ball)))
    if out is not None:
        replace_file(Path(out), encoded(draw_check(checked)))
    return checked


def count(
    clip: AnyPath,
    *,
    stage: Stage | str,
    ladder: AnyPath | None = None,
    left: AnyPoint | None = None,
    right: AnyPoint | None = None,
    ball: BallSize | str | None = None,
    lens: AnyPath | None = None,
    calibration: AnyPath | None = None,
    confidence: float | None = None,
    out: AnyPath | None = None,
    earlier: Iterable[AnyPath] | None = None,
    save_calibration: AnyPath | None = None,
    trace: AnyPath | None = None,
    on_progress: OnProgress | None = None,
) -> Analysis:
    """Count the shots of a clip for a stage, or on a dribble stage the touches.

    Parameters
    ----------
    clip : path
        Video file.
    stage : str or Stage
        Name of a stage in the ladder, or a `shoegoal.ladder.rules.Stage` of your own.
    ladder : path, optional
        Ladder file (TOML) in which the name is looked up; the shipped one by default.
    left, right : (x, y), optional
        Inner feet of the markers as the kicker sees them, px of the displayed picture; both or
        neither. Without them both are found.
    ball : str, optional
        Size printed on the ball: "3", "4", "5" or "unknown"; the stage's by default.
    lens : path, optional
        Lens file that ``shoegoal lens`` wrote.
    calibration : path, optional
        Markers and camera saved from another clip of the same set-up.
    confidence : float, optional
        Least probability for a verdict without review, above 0.5; 0.99 by default.
    out : path, optional
        Folder to write, with the analysis file and the pictures, whole or not at all.
    earlier : paths, optional
        Folders with results of earlier counts, in which the same take is looked for; those beside
        ``out`` are looked through too. Without it nothing is compared.
    save_calibration : path, optional
        File to save markers and camera to.
    trace : path, optional
        JSON file to write with every threshold and intermediate score behind the calls.
    on_progress : function, optional
        Called with the share of the clip that has passed, 0..1.

    Returns
    -------
    Analysis
        Shots, tally, verdict and all that they rest on.

    Raises
    ------
    ClipUnreadableError
        The clip cannot be read.
    ClipNotJudgeableError
        The camera moves, no ball or no goal is found, or they do not fit together.
    BadSettingsError
        There is no such stage, or a file that was named cannot be used.
    OutputError
        The result cannot be written; nothing half-written is left.

    Examples
    --------
    >>> analysis = shoegoal.count(
    ...     "yard.mp4",
    ...     stage="two-in-a-row",
    ...     ladder="ladder.toml",
    ...     out="yard.shoegoal",
    ...     trace="trace.json",
    ... )
    >>> print(analysis.tally.sentence)
    2 makes, 0 misses
    >>> analysis.verdict.decision.value
    'advance'
    >>> [shot.call.value for shot in analysis.shots]
    ['make', 'make']
    """
    from pathlib import Path

    from shoegoal.analysis.folders import check_replaceable, check_writable_file
    from shoegoal.analysis.repeats import earlier_results, with_repeats
    from shoegoal.clip.reader import open_clip
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.ladder.verdict import DEFAULT_CONFIDENCE
    from shoegoal.pipeline.settings import CountSettings
    from shoegoal.scene.calibration import read_calibration, write_calibration
    from shoegoal.scene.lens import read_lens

    path = Path(clip)
    if isinstance(stage, str):
        asked = load_ladder(None if ladder is None else Path(ladder)).stage_by_name(stage)
    else:
        asked = stage
    left_px, right_px = _both(left, right)
    settings = CountSettings(
        stage=asked,
        left_px=left_px,
        right_px=right_px,
        ball=_ball(str(asked.ball_size) if ball is None else ball),
        lens=None if lens is None else read_lens(Path(lens)),
        confidence=DEFAULT_CONFIDENCE if confidence is None else confidence,
        calibration=None if calibration is None else read_calibration(Path(calibration)),
    )
    # Said before the long work rather than after it; a missing clip comes first all the same.
    open_clip(path).close()
    if out is not None:
        check_replaceable(Path(out))
    results: list[Path] = []
    if earlier is not None:
        results = earlier_results(None if out is None else Path(out), map(Path, earlier))
    for file in (save_calibration, trace):
        if file is not None:
            check_writable_file(Path(file))

    from shoegoal.pipeline.count import analyse_clip

    counted = analyse_clip(path, settings, on_progress)
    analysis = with_repeats(counted.analysis, results)
    if out is not None:
        from shoegoal.pictures.evidence import write_result

        write_result(Path(out), analysis, counted.stills, counted.goal_still)
    if save_calibration is not None:
        from shoegoal.pipeline.settings import calibration_of

        write_calibration(Path(save_calibration), calibration_of(analysis, counted.goal_still))
    if trace is not None:
        from shoegoal.pipeline.trace import write_trace

        write_trace(Path(trace), analysis)
    return analysis


def form(
    result: AnyPath, *, clip: AnyPath | None = None, on_progress: OnProgress | None = None
) -> SetForm:
    """Look at the form of every kick in a clip that was counted, and add it to the count's folder.

    Parameters
    ----------
    result : path
        Folder that a count wrote, or the analysis file in it.
    clip : path, optional
        The clip that was counted; by default the one of that name beside the folder.
    on_progress : function, optional
        Called with the share of the shots that are done, 0..1.

    Returns
    -------
    SetForm
        Of each shot its cues, each in band, to look at, or impossible to judge from this view.

    Raises
    ------
    ClipUnreadableError
        The clip is not there or cannot be read.
    BadSettingsError
        It is not the clip that was counted, or the count holds no shot at a goal.
    OutputError
        The folder cannot be written.

    Examples
    --------
    >>> kicks = shoegoal.form("yard.shoegoal", clip="yard.mp4")  # doctest: +SKIP
    >>> kicks.shots[0].readings[0].sentence  # doctest: +SKIP
    """
    from pathlib import Path

    from shoegoal.analysis.file import load_analysis
    from shoegoal.analysis.folders import check_replaceable
    from shoegoal.errors import BadSettingsError, ClipUnreadableError
    from shoegoal.pipeline.form import add_form, read_form

    place = Path(result)
    analysis = load_analysis(place)
    folder = (place if place.is_dir() else place.parent).absolute()
    check_replaceable(folder)
    path = folder.parent / Path(analysis.clip.name).name if clip is None else Path(clip)
    if not path.is_file():
        raise ClipUnreadableError(
            f"{path} is not there, and form needs the pictures: put the clip back beside the "
            "folder, or count it again with --form"
        )
    if analysis.scene is None:
        raise BadSettingsError(f"{place} counts touches: form is read from shots at a goal alone")
    if not analysis.shots:
        raise BadSettingsError(f"{place} holds no shot whose form could be read")
    seen = read_form(path, analysis, on_progress)
    add_form(folder, seen)
    return seen.form


def load(result: AnyPath) -> Analysis:
    """Load an earlier count.

    Parameters
    ----------
    result : path
        Folder that a count wrote, or the analysis file in it.

    Returns
    -------
    Analysis
        As `count` returned it.

    Raises
    ------
    BadSettingsError
        It is none, is damaged, or was written by a version whose files cannot be read any more.

    Examples
    --------
    >>> analysis = shoegoal.load("yard.shoegoal")
    >>> analysis.clip.name
    'yard.mp4'
    """
    from pathlib import Path

    from shoegoal.analysis.file import load_analysis

    return load_analysis(Path(result))


def recount(analysis: Analysis, left: AnyPoint, right: AnyPoint) -> Analysis:
    """Judge a count again with the markers elsewhere; the clip is not needed.

    Parameters
    ----------
    analysis : Analysis
        Of shots at a goal, with the evidence that a count keeps.
    left, right : (x, y)
        Inner feet of the markers as the kicker sees them, px of the displayed picture.

    Returns
    -------
    Analysis
        The same clip, with other calls where they depend on the markers.

    Raises
    ------
    ClipNotJudgeableError
        The count keeps no evidence, or no goal on its ground has these markers.

    Examples
    --------
    >>> analysis = shoegoal.load("yard.shoegoal")
    >>> scene = analysis.goal_scene
    >>> again = shoegoal.recount(analysis, scene.left_px, scene.right_px)
    >>> again.shots == analysis.shots
    True
    """
    from shoegoal.pipeline.judging import recount_with_markers

    return recount_with_markers(analysis, _point(left), _point(right))


def _ball(given: BallSize | str) -> BallSize:
    from shoegoal.errors import BadSettingsError
    from shoegoal.scene.ball_size import BallSize

    try:
        return BallSize(given)
    except ValueError as error:
        sizes = ", ".join(size.value for size in BallSize)
        raise BadSettingsError(f"{given!r} is not a size of a ball; give one of {sizes}") from error


def _point(given: AnyPoint) -> ImagePoint:
    from shoegoal.types import ImagePoint

    return given if isinstance(given, ImagePoint) else ImagePoint(*given)


def _both(
    left: AnyPoint | None, right: AnyPoint | None
) -> tuple[ImagePoint, ImagePoint] | tuple[None, None]:
    """Take both markers or neither."""
    if left is None and right is None:
        return None, None
    if left is None or right is None:
        from shoegoal.errors import BadSettingsError

        raise BadSettingsError("one marker alone makes no goal: give both, or neither")
    return _point(left), _point(right)
