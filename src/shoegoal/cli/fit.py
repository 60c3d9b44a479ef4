"""``shoegoal fit``: whether a clip can be judged, and how to film the next one."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import ClipNotJudgeableError

if TYPE_CHECKING:
    from shoegoal.analysis.fitness import Fitness
    from shoegoal.types import ImagePoint

STILL_SUFFIX = ".fit.jpg"
DEFAULT_WIDTH_STEPS, DEFAULT_BACK_STEPS = 4.0, 10.0


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options("--left", "--right", "--width-steps", "--back-steps", "--ball", "--out", "--json")
def fit(
    clip: Path,
    left: tuple[float, float] | None,
    right: tuple[float, float] | None,
    width_steps: float | None,
    back_steps: float | None,
    ball: str | None,
    out: Path | None,
    json: bool,
) -> int:
    """Say whether CLIP can be judged, and what to change before filming on.

    A quick look at a few pictures. Prints what to do and why, and writes a still that shows it.
    Exits 0 when the clip can be counted, with advice or without, and 5 when it cannot.
    """
    if (left is None) != (right is None):
        raise click.UsageError("give both --left and --right, or neither")
    still = clip.with_name(clip.stem + STILL_SUFFIX) if out is None else out

    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.clip.reader import open_clip

    open_clip(clip).close()  # a missing clip is said first
    check_writable_file(still)

    from shoegoal.analysis.fitness import check_clip
    from shoegoal.analysis.fitness_picture import draw_fitness, encoded
    from shoegoal.analysis.quick_scene import FitSettings
    from shoegoal.scene.ball_size import BallSize
    from shoegoal.scene.written import replace_file

    fitness = check_clip(
        clip,
        FitSettings(
            ball=BallSize.UNKNOWN if ball is None else BallSize(ball),
            width_steps=width_steps or DEFAULT_WIDTH_STEPS,
            back_steps=back_steps or DEFAULT_BACK_STEPS,
            left_px=_point(left),
            right_px=_point(right),
        ),
    )
    replace_file(still, encoded(draw_fitness(fitness)))
    if json:
        from shoegoal.analysis.fitness_file import fitness_to_json

        click.echo(fitness_to_json(fitness, still), nl=False)
    else:
        _print(fitness, still)
    return 0 if fitness.is_fit else ClipNotJudgeableError.exit_code


def _print(fitness: Fitness, still: Path) -> None:
    click.echo(fitness.headline)
    for number, (_, finding) in enumerate(fitness.findings, start=1):
        click.echo(f"{number:2}. {finding.do}")
        click.echo(f"    Why: {finding.why}.")
    click.echo(f"Still: {still}")


def _point(given: tuple[float, float] | None) -> ImagePoint | None:
    from shoegoal.types import ImagePoint

    return None if given is None else ImagePoint(*given)
