"""The set from above as points of a drawing: goal line, markers, kick spot and every crossing."""

from __future__ import annotations

from dataclasses import dataclass

from shoegoal.analysis.model import Analysis
from shoegoal.record.standing import Standing
from shoegoal.types import Call

WIDTH, HEIGHT = 640.0, 260.0  # of the drawing, in its own units
MARGIN = 40.0
LINE_Y = 80.0
SPOT_Y = 225.0
LABEL_STEP = 17.0  # numbers of crossings closer than this are set one above the other
BEYOND_SHARE = 1.3  # of half the goal: what lies further out is drawn at the edge


@dataclass(frozen=True, slots=True)
class Mark:
    """A crossing: where, its shot's number, and what it is called now."""

    x: float
    label_y: float
    number: int
    call: Call
    words: str


@dataclass(frozen=True, slots=True)
class Above:
    """The drawing.

    Attributes
    ----------
    left_x, right_x : markers.
    marks : shots that crossed the line, in order of time.
    unplaced : words for the shots that count and were not seen to cross it.
    """

    left_x: float
    right_x: float
    marks: tuple[Mark, ...]
    unplaced: tuple[str, ...]


def seen_from_above(analysis: Analysis, standing: Standing) -> Above:
    """Lay a set out for drawing; shots that do not count are left out."""
    half_m = analysis.goal_scene.goal_width_m.value / 2
    counting = [shot for shot in standing.shots if shot.counts]
    offs = [
        abs(shot.counted.crossing_x_m.value)
        for shot in counting
        if shot.counted is not None and shot.counted.crossing_x_m is not None
    ]
    reach_m = min(max([half_m * BEYOND_SHARE, *offs]), 3 * half_m)
    scale = (WIDTH / 2 - MARGIN) / reach_m

    def to_x(x_m: float) -> float:
        return round(WIDTH / 2 + max(-reach_m, min(reach_m, x_m)) * scale, 1)

    marks: list[Mark] = []
    unplaced = []
    for shot in counting:
        crossing = None if shot.counted is None else shot.counted.crossing_x_m
        if crossing is None:
            unplaced.append(f"shot {shot.number} ({shot.call.value})")
            continue
        x = to_x(crossing.value)
        above = sum(abs(mark.x - x) < LABEL_STEP for mark in marks)
        side = "right" if crossing.value >= 0 else "left"
        words = f"shot {shot.number}, {shot.call.value}, {abs(crossing.value):.2f} m {side}"
        marks.append(Mark(x, LINE_Y - 16 - LABEL_STEP * above, shot.number, shot.call, words))
    return Above(to_x(-half_m), to_x(half_m), tuple(marks), tuple(unplaced))
