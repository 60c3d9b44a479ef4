"""The set from above, to scale: goal line, markers, kick spots, and where every shot ended.

One drawing for the evidence, the page and the class. It is SVG with its own colours; its parts have
classes, so that a page's style sheet may give them others.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from markupsafe import Markup

from shoegoal.analysis.model import Analysis
from shoegoal.pictures import svg
from shoegoal.pictures.stills import SceneView
from shoegoal.types import Call, ImagePoint, Shot

WIDEST = 640.0  # of the drawing, in its own units; marks and letters have about 20 of them
SMALL = 280.0  # the same, for a drawing shown so small that marks have to be larger in it
MARGIN = 24.0
TALLEST_SHARE = 0.62  # of the width
NEAR_SHARE = 0.38
LABEL_STEP = 17.0  # numbers of marks closer than this are stacked
BESIDE_M = 1.3  # ground shown beside the markers, at least
BEHIND_M = 0.55  # ground shown behind the goal line
UNUSUAL_BACK_M = 6.0  # where no kick spot was seen
GROUND = "#eef3ea"

Spot = tuple[float, float]  # (x, y) in the goal frame, m


@dataclass(frozen=True, slots=True)
class End:
    """Where a shot ended.

    Attributes
    ----------
    number : of the shot.
    call : its present call.
    place_m : where it crossed the line, or was last seen before it.
    start_m : where it was kicked, if that was seen.
    sigma_m : standard deviation along the line; 0 where it did not cross.
    is_open : nobody has signed it yet; drawn hollow.
    """

    number: int
    call: Call
    place_m: Spot
    start_m: Spot | None = None
    sigma_m: float = 0.0
    is_open: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """An `End` as it is drawn, in the drawing's units, and in words."""

    x: float
    y: float
    start_x: float
    start_y: float
    sigma: float
    beyond: int  # the shot ended further left (-1) or right (1) than the drawing goes; else 0
    label_y: float
    number: int
    call: Call
    is_open: bool
    words: str


@dataclass(frozen=True, slots=True)
class FromAbove:
    """The drawing.

    Attributes
    ----------
    width, height : in its own units, at the same scale in both directions.
    line_y : of the goal line.
    goals : left and right marker of each goal width.
    metre : units.
    marks : shots whose end was seen.
    unplaced : in words, the shots that count and whose end was not seen.
    """

    width: float
    height: float
    line_y: float
    goals: tuple[tuple[float, float], ...]
    metre: float
    marks: tuple[Mark, ...]
    unplaced: tuple[str, ...]

    def element(self, title: str, key: str = "above", *, numbers: bool = True) -> Markup:
        """Write the drawing as an ``svg`` element.

        Parameters
        ----------
        title : what it shows, for whoever does not see it; the marks' words are added.
        key : unique on the page.
        numbers : write the shots' numbers, and a metre as the scale.
        """
        words = "; ".join([m.words for m in self.marks])
        if self.unplaced:
            words += f"; end not seen: {', '.join(self.unplaced)}"
        return Markup(
            f'<svg class="above" xmlns="http://www.w3.org/2000/svg" font-family="sans-serif"'
            f' viewBox="0 0 {self.width} {self.height}" role="img"'
            f' aria-labelledby="{key}-title"><title id="{key}-title">{escape(f"{title}: {words}")}'
            f"</title>{self.body(numbers=numbers)}</svg>"
        )

    def body(self, *, numbers: bool = True) -> str:
        """Write what is inside the element."""
        parts = [svg.rectangle("ground", 0, 0, self.width, self.height, GROUND)]
        for left, right in self.goals:
            parts.append(svg.line("line", left, self.line_y, right, self.line_y, 5))
        parts += [svg.line("way", m.start_x, m.start_y, m.x, m.y, 1, "#8a8a80") for m in self.marks]
        parts += [
            svg.rectangle("marker", x - 8, self.line_y - 13, 16, 26)
            for x in sorted({x for goal in self.goals for x in goal})
        ]
        for x, y in dict.fromkeys((m.start_x, m.start_y) for m in self.marks):
            parts.append(f'<circle class="spot" cx="{x}" cy="{y}" r="5" fill="{svg.INK}"/>')
        for m in self.marks:
            parts.append(_drawn(m))
            if numbers:
                parts.append(svg.text(m.x, m.label_y, str(m.number)))
        if numbers:
            end, y = self.width - MARGIN / 2, self.height - 10
            parts.append(svg.line("scale", end - self.metre, y, end, y, 2))
            parts.append(svg.text(end - self.metre / 2, y - 6, "1 m"))
        return "".join(parts)


def from_above(
    analysis: Analysis,
    shots: Iterable[tuple[int, Call, Shot | None]] | None = None,
    *,
    near: bool = False,
    widest: float = WIDEST,
) -> FromAbove:
    """Lay a set out for drawing.

    Parameters
    ----------
    analysis : of the set.
    shots : number, present call and counted shot of each that counts; as counted by default.
    near : only the goal and its surroundings, wide and low; shots that ended further off are drawn
        at the edge.
    widest : width of the drawing in its own units, at most.
    """
    view = SceneView.of(analysis.goal_scene)
    if shots is None:
        shots = [(shot.number, shot.call, shot) for shot in analysis.shots]
    ends, unplaced = [], []
    for number, call, shot in shots:
        place_m = None if shot is None else where_it_ended(shot, view)
        if shot is None or place_m is None or not np.isfinite(place_m).all():
            unplaced.append(f"shot {number} ({call.value})")
            continue
        sigma_m = 0.0 if shot.crossing_x_m is None else shot.crossing_x_m.sigma
        ends.append(End(number, call, place_m, shot.kick_spot_m, sigma_m))
    spots = [shot.kick_spot_m for shot in analysis.shots if shot.kick_spot_m is not None]
    return lay_out(
        ends, [analysis.goal_scene.goal_width_m.value], spots, unplaced, near=near, widest=widest
    )


def lay_out(
    ends: Sequence[End],
    widths_m: Sequence[float],
    spots_m: Sequence[Spot],
    unplaced: Sequence[str] = (),
    *,
    near: bool = False,
    widest: float = WIDEST,
) -> FromAbove:
    """Lay ends of shots out for drawing; parameters as in `End`, `FromAbove` and `from_above`."""
    spot_m = (
        (float(np.median([x for x, _ in spots_m])), float(np.median([y for _, y in spots_m])))
        if spots_m
        else (0.0, UNUSUAL_BACK_M)
    )
    back_m = max([spot_m[1], *(y for _, y in spots_m)])
    reach_m = max(widths_m) / 2 + BESIDE_M
    metre = (widest - 2 * MARGIN) / (2 * reach_m)
    if not near:
        metre = min(metre, (TALLEST_SHARE * widest - 2 * MARGIN) / (back_m + BEHIND_M))
    line_y = MARGIN + BEHIND_M * metre
    height = NEAR_SHARE * widest if near else line_y + back_m * metre + MARGIN
    width = 2 * (reach_m * metre + MARGIN)

    def place(x_m: float, y_m: float) -> Spot:
        return round(width / 2 + x_m * metre, 1), round(line_y + y_m * metre, 1)

    marks: list[Mark] = []
    for end in ends:
        x, y = place(*end.place_m)
        shown_x = float(np.clip(x, MARGIN / 2, width - MARGIN / 2))
        shown_y = float(np.clip(y, MARGIN / 2, height - MARGIN / 2))
        above = sum(abs(m.x - shown_x) < LABEL_STEP and abs(m.y - shown_y) < 30 for m in marks)
        beyond = int(np.sign(x - shown_x))
        marks.append(
            Mark(
                shown_x, shown_y, *place(*(end.start_m or spot_m)),
                0.0 if beyond else round(end.sigma_m * metre, 1), beyond,
                shown_y - 16 - LABEL_STEP * above, end.number, end.call, end.is_open, _words(end),
            )
        )  # fmt: skip
    goals = tuple(
        (place(-width_m / 2, 0.0)[0], place(width_m / 2, 0.0)[0]) for width_m in sorted(widths_m)
    )
    return FromAbove(
        round(width, 1), round(height, 1), round(line_y, 1), goals, metre, tuple(marks),
        tuple(unplaced),
    )  # fmt: skip


def where_it_ended(shot: Shot, view: SceneView) -> Spot | None:
    """(x, y) in the goal frame where a shot crossed the line, or was last seen before it."""
    if shot.crossing_x_m is not None:
        return shot.crossing_x_m.value, 0.0
    if not shot.path:
        return None
    last = shot.path[-1]
    return view.spot_m(ImagePoint(last.x_px, last.y_px))


def _drawn(m: Mark) -> str:
    """Draw a mark with its spread; one beyond the drawing points outwards."""
    spread, beyond = "", ""
    if m.sigma:
        colour = svg.colour_of(m.call)
        spread = svg.line(
            f"sigma {m.call.value}", m.x - m.sigma, m.y, m.x + m.sigma, m.y, 2, colour
        )
    if m.beyond:
        x = m.x - 16 * m.beyond
        beyond = (
            f'<path class="beyond" d="M{x:.1f} {m.y - 6:.1f} l{6 * m.beyond} 6 l{-6 * m.beyond} 6"'
            f' fill="none" stroke="{svg.INK}" stroke-width="2"/>'
        )
    return spread + svg.dot(m.x, m.y, m.call, is_open=m.is_open) + beyond


def _words(end: End) -> str:
    side = "right" if end.place_m[0] >= 0 else "left"
    words = f"shot {end.number}, {end.call.value}, {abs(end.place_m[0]):.2f} m {side}"
    if end.place_m[1] != 0.0:
        words += f", ended {max(0.0, end.place_m[1]):.1f} m before the line"
    return words
