"""The whole set in one picture: the goal from above, and every shot's crossing with its spread."""

from __future__ import annotations

import io
from textwrap import wrap
from typing import TYPE_CHECKING

from shoegoal.analysis.model import Analysis
from shoegoal.pictures.marks import CALL_COLOURS, CALL_WORDS
from shoegoal.pictures.stills import SceneView
from shoegoal.types import Call, ImagePoint, Shot

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN = 7.2
DOTS_PER_INCH = 150
ROW_IN = 0.34
PLAN_IN = 5.6
CAPTION_LINE_IN = 0.235
BORDER_M = 1.0  # ground shown on either side of the goal, at least
BORDER_SHARE = 0.9  # of half the goal's width
_MARKS = {Call.MAKE: "o", Call.MISS: "X", Call.UNSURE: "D"}


def draw_overview(analysis: Analysis, view: SceneView) -> bytes:
    """Draw the set.

    Parameters
    ----------
    analysis : the counted clip.
    view : its scene.

    Returns
    -------
    A PNG picture, about 1080 px wide, as tall as the number of shots needs.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    rows = max(1, len(analysis.shots))
    rows_in = ROW_IN * (rows + 1.2)
    caption = _caption(analysis)
    height_in = 0.3 + CAPTION_LINE_IN * len(caption) + PLAN_IN + rows_in
    figure = Figure(figsize=(WIDTH_IN, height_in), dpi=DOTS_PER_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    left, width = 0.13, 0.70
    table = figure.add_axes((left, 0.45 / height_in, width, (rows_in - 0.5) / height_in))
    plan_bottom = (rows_in + 0.1) / height_in
    plan = figure.add_axes((left, plan_bottom, width, (PLAN_IN - 0.1) / height_in))
    limit_m = view.goal.width_m / 2 + max(BORDER_M, BORDER_SHARE * view.goal.width_m / 2)
    _draw_plan(plan, analysis, view, limit_m)
    _draw_rows(table, analysis, view, limit_m)
    for number, (line, weight) in enumerate(caption):
        top = 1 - (0.12 + CAPTION_LINE_IN * number) / height_in
        figure.text(0.04, top, line, va="top", fontsize=12, fontweight=weight)
    picture = io.BytesIO()
    # No software tag: the same analysis gives the same bytes.
    figure.savefig(picture, format="png", metadata={"Software": None})
    return picture.getvalue()


def where_it_ended(shot: Shot, view: SceneView) -> tuple[float, float] | None:
    """(x, y) in the goal frame where a shot crossed the line, or was last seen before it."""
    if shot.crossing_x_m is not None:
        return shot.crossing_x_m.value, 0.0
    if not shot.path:
        return None
    last = shot.path[-1]
    return view.spot_m(ImagePoint(last.x_px, last.y_px))


def _colour(call: Call) -> tuple[float, float, float]:
    blue, green, red = CALL_COLOURS[call]
    return red / 255, green / 255, blue / 255


def _draw_plan(axes: Axes, analysis: Analysis, view: SceneView, limit_m: float) -> None:
    """Goal line at the top, kicker at the bottom, metres alike in both directions."""
    spots = [shot.kick_spot_m for shot in analysis.shots if shot.kick_spot_m is not None]
    back_m = max((y for _, y in spots), default=3.0)
    half_m = view.goal.width_m / 2
    axes.set_facecolor("#eef3ea")
    axes.plot([-half_m, half_m], [0, 0], color="#202020", lw=2.5, zorder=2)
    for x_m, name in ((-half_m, "left\nmarker"), (half_m, "right\nmarker")):
        axes.plot([x_m], [0], marker="s", ms=11, color="#f0e442", mec="#202020", mew=1.5, zorder=3)
        axes.annotate(
            name, (x_m, 0), xytext=(0, 13), textcoords="offset points", ha="center", fontsize=9
        )
    for shot in analysis.shots:
        _draw_shot(axes, shot, view, limit_m)
    scale_y_m = back_m + 0.55
    axes.plot([-0.5, 0.5], [scale_y_m] * 2, color="#202020", lw=3, solid_capstyle="butt")
    axes.text(0, scale_y_m + 0.1, "1 m", ha="center", va="top", fontsize=10)
    axes.set_xlim(-limit_m, limit_m)
    axes.set_ylim(back_m + 1.1, -max(0.9, 0.12 * back_m))
    axes.set_aspect("equal", adjustable="box", anchor="N")
    axes.set_xticks([])
    axes.set_yticks([])


def _draw_shot(axes: Axes, shot: Shot, view: SceneView, limit_m: float) -> None:
    from matplotlib.patheffects import withStroke

    colour = _colour(shot.call)
    end = where_it_ended(shot, view)
    start = shot.kick_spot_m
    if start is not None:
        axes.plot([start[0]], [start[1]], "o", ms=9, mfc="white", mec="#202020", mew=1.2, zorder=3)
    if end is None:
        if start is not None:
            axes.text(start[0], start[1], f"  {shot.number}: not seen", fontsize=9, va="center")
        return
    shown = (min(limit_m * 0.97, max(-limit_m * 0.97, end[0])), end[1])
    outside = shown[0] != end[0]
    if start is not None:
        axes.plot([start[0], end[0]], [start[1], end[1]], "--", color=colour, lw=1, zorder=1)
    if outside:
        axes.annotate(
            "", xy=shown, xytext=(shown[0] * 0.86, shown[1]), zorder=5,
            arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 2},
        )  # fmt: skip
        shown = (shown[0] * 0.84, shown[1])
    elif shot.crossing_x_m is not None:
        axes.errorbar(
            [end[0]], [end[1]], xerr=[shot.crossing_x_m.sigma],
            color=colour, lw=2, capsize=4, zorder=4,
        )  # fmt: skip
    axes.plot([shown[0]], [shown[1]], _MARKS[shot.call], ms=17, mfc=colour, mec="#202020", zorder=6)
    axes.text(
        shown[0], shown[1], str(shot.number), fontsize=9, fontweight="bold", color="white",
        ha="center", va="center", zorder=7,
        path_effects=[withStroke(linewidth=2, foreground="#202020")],
    )  # fmt: skip


def _draw_rows(axes: Axes, analysis: Analysis, view: SceneView, limit_m: float) -> None:
    """One row a shot below the plan, so that crossings on top of each other stay apart."""
    half_m = view.goal.width_m / 2
    axes.axvspan(-half_m, half_m, color="#e4ecf5", zorder=0)
    for x_m in (-half_m, half_m):
        axes.axvline(x_m, color="#202020", lw=1.5, zorder=1)
    across = axes.get_yaxis_transform()
    for row, shot in enumerate(analysis.shots, start=1):
        colour = _colour(shot.call)
        crossing = shot.crossing_x_m
        if crossing is None:
            axes.text(0, row, shot.outcome.value, fontsize=9, ha="center", va="center")
        elif abs(crossing.value) > limit_m:
            side = 1 if crossing.value > 0 else -1
            axes.annotate(
                f"{abs(crossing.value):.1f} m {'right' if side > 0 else 'left'} of the middle",
                xy=(side * limit_m, row), xytext=(side * (half_m - 0.05), row), fontsize=9,
                ha="right" if side > 0 else "left", va="center",
                arrowprops={"arrowstyle": "-|>", "color": colour, "lw": 2},
            )  # fmt: skip
        else:
            axes.errorbar(
                [crossing.value], [row], xerr=[crossing.sigma], fmt=_MARKS[shot.call], ms=7,
                color=colour, mec="#202020", lw=2, capsize=6, zorder=4,
            )  # fmt: skip
        axes.text(
            -0.02, row, f"shot {shot.number}", transform=across, ha="right", va="center", fontsize=9
        )
        axes.text(
            1.02, row, CALL_WORDS[shot.call], transform=across, ha="left", va="center",
            fontsize=10, fontweight="bold", color=colour,
        )  # fmt: skip
    axes.set_xlim(-limit_m, limit_m)
    axes.set_ylim(max(1, len(analysis.shots)) + 0.7, 0.3)
    axes.set_yticks([])
    axes.set_xlabel("metres from the goal's middle, as the kicker sees it; bars: ± 1 sigma")


def _caption(analysis: Analysis) -> list[tuple[str, str]]:
    """Lines of the caption and the weight of their letters."""
    lines = [(line, "bold") for line in wrap(analysis.stage.heading, 58)]
    for sentence in (analysis.tally.sentence, analysis.verdict.sentence):
        lines += [(line, "normal") for line in wrap(sentence, 66)]
    return lines
