"""The page of a class, to print: its results with all shots drawn."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from contextlib import AbstractContextManager
from functools import cache
from itertools import groupby
from typing import TYPE_CHECKING

import numpy as np

from shoegoal.ladder.next_setup import Advice, NextSetUp
from shoegoal.pictures.from_above import End, lay_out
from shoegoal.pictures.svg import INK, colour_of
from shoegoal.scale.results import (
    ClassResults,
    PlacedShot,
    StageRow,
    share_text,
)
from shoegoal.types import Call

if TYPE_CHECKING:
    from jinja2 import Environment
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


AIM_WIDTH_IN, AIM_ROW_IN, AIM_REST_IN = 3.7, 0.3, 1.6
STAGES_WIDTH_IN, STAGES_ROW_IN, STAGES_REST_IN = 7.2, 0.32, 0.75
MOST_AIM_ROWS = 8  # newest sets
BESIDE_M = 1.0  # ground shown beside the goal, at least
_MARKS = {Call.MAKE: "o", Call.MISS: "X", Call.UNSURE: "D"}


def draw_map(shots: Sequence[PlacedShot], name: str) -> str:
    """Draw the ground from above: kick spots, and where shots crossed the line.

    Parameters
    ----------
    shots : of one pupil, not none; hollow marks are of unsigned sets.
    name : unique on the page.
    """
    ends = [
        End(s.number, s.call, (s.crossing_m, 0.0), s.spot_m, is_open=not s.verified)
        for s in shots
        if s.crossing_m is not None
    ]
    widths_m = {round(shot.goal_width_m, 2) for shot in shots}
    spots_m = [shot.spot_m for shot in shots if shot.spot_m is not None]
    drawing = lay_out(ends, sorted(widths_m), spots_m)
    return drawing.element("All sets from above", name, numbers=False)


def draw_aim(shots: Sequence[PlacedShot], advice: Advice, name: str) -> str:
    """Draw where shots crossed the line, a row for each set, and the fitted scatter.

    Parameters
    ----------
    shots : of one pupil.
    advice : that rests on the signed ones.
    name : unique on the page.
    """
    rows = [(key, list(own)) for key, own in groupby(shots, key=lambda shot: shot.set_id)]
    rows = rows[-MOST_AIM_ROWS:]
    figure, axes = _figure(AIM_WIDTH_IN, AIM_REST_IN + AIM_ROW_IN * len(rows))
    half_m = max((own[0].goal_width_m for _, own in rows), default=2.0) / 2
    limit_m = half_m + max(BESIDE_M, half_m)
    for row, (_, own) in enumerate(rows):
        width = own[0].goal_width_m
        axes.plot([-width / 2] * 2, [row - 0.42, row + 0.42], color=INK, lw=1.4)
        axes.plot([width / 2] * 2, [row - 0.42, row + 0.42], color=INK, lw=1.4)
        axes.axhline(row, color="#dddddd", lw=0.6, zorder=0)
        unseen = 0
        for shot in own:
            if shot.crossing_m is None:
                unseen += 1
                continue
            _mark(axes, float(np.clip(shot.crossing_m, -limit_m, limit_m)), row, shot)
        if unseen:
            axes.text(1.01, row, f"+{unseen}", transform=axes.get_yaxis_transform(), va="center")
    if isinstance(advice, NextSetUp) and rows:
        _draw_scatter(axes, advice, rows[-1][1], limit_m, len(rows))
    axes.set_yticks(range(len(rows)), [f"set {key}" for key, _ in rows])
    axes.set_xlim(-limit_m * 1.04, limit_m * 1.04)
    axes.set_ylim(len(rows) + 0.9, -0.7)
    axes.set_xlabel("m from the goal's middle; +n: not seen to cross")
    return _svg(figure, name)


def draw_stages(stages: Sequence[StageRow], name: str) -> str:
    """Draw every stage's share of makes with its interval, for signed sets only."""
    figure, axes = _figure(STAGES_WIDTH_IN, STAGES_REST_IN + STAGES_ROW_IN * len(stages))
    for row, stage in enumerate(stages):
        share = stage.verified.share
        if share is None:
            axes.text(0.01, row, "no signed set", va="center", style="italic", color="#555555")
            continue
        low, high = stage.verified.interval
        axes.plot([low, high], [row, row], color=INK, lw=1.6)
        axes.plot([share], [row], "o", ms=6, color=colour_of(Call.MAKE), mec=INK, clip_on=False)
    axes.set_yticks(range(len(stages)), [stage.stage for stage in stages])
    axes.set_ylim(len(stages) - 0.4, -0.6)
    axes.set_xlim(0, 1)
    axes.set_xticks(np.linspace(0, 1, 6), [f"{20 * k} %" for k in range(6)])
    axes.grid(axis="x", color="#dddddd", lw=0.6)
    axes.set_axisbelow(True)
    return _svg(figure, name)


def _draw_scatter(
    axes: Axes, advice: NextSetUp, last: Sequence[PlacedShot], limit_m: float, below: int
) -> None:
    """Draw the fitted scatter at the goal line of the last set, from its kick distance."""
    backs_m = [shot.spot_m[1] for shot in last if shot.spot_m is not None]
    if not backs_m:
        return
    x_m = np.linspace(-limit_m, limit_m, 121)
    angle = np.arctan2(x_m, float(np.median(backs_m)))
    height = np.exp(-0.5 * ((angle - advice.fit.bias_rad) / advice.fit.spread_rad) ** 2)
    axes.fill_between(x_m, below + 0.8 - height, below + 0.8, color="#c9d8ea", lw=0)
    axes.plot(x_m, below + 0.8 - height, color=colour_of(Call.MAKE), lw=1)


def _mark(axes: Axes, x_m: float, y: float, shot: PlacedShot) -> None:
    colour = colour_of(shot.call)
    face = colour if shot.verified else "white"
    axes.plot(
        [x_m], [y], _MARKS[shot.call], ms=6, mfc=face, mec=colour, mew=1.1, zorder=5, clip_on=False
    )


def _settings() -> AbstractContextManager[None]:
    from matplotlib import rc_context

    return rc_context(
        {
            "font.family": "sans-serif",
            "font.size": 8.5,
            "svg.fonttype": "none",  # keep text as text
            "svg.hashsalt": "shoegoal",  # the same results give the same bytes
        }
    )


def _figure(width_in: float, height_in: float) -> tuple[Figure, Axes]:
    from matplotlib.figure import Figure

    with _settings():
        figure = Figure(figsize=(width_in, height_in), layout="constrained")
        axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    return figure, axes


def _svg(figure: Figure, name: str) -> str:
    """Write a figure as an ``svg`` element with ids that are unique on the page."""
    text = io.StringIO()
    with _settings():
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None})
    svg = text.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    return re.sub(r'(\bid="|href="#|url\(#)', rf"\g<1>{name}-", svg)


def class_page(results: ClassResults) -> str:
    """Lay the page out as one self-contained HTML file."""
    from markupsafe import Markup

    # The drawings are our own, and matplotlib escapes their text.
    drawn = [
        (
            row,
            Markup(draw_map(row.shots, f"map{place}")),
            Markup(draw_aim(row.shots, row.advice, f"aim{place}")),
        )
        for place, row in enumerate(results.pupils)
        if row.shots
    ]
    stages = Markup(draw_stages(results.stages, "stages")) if results.stages else None
    template = page_templates().get_template("class_page.html")
    return template.render(results=results, drawn=drawn, stages=stages)


@cache
def page_templates() -> Environment:
    """Return the templates of the pages to print."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("shoegoal.scale"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = share_text
    environment.tests["next_setup"] = lambda advice: isinstance(advice, NextSetUp)
    return environment
