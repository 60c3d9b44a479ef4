"""The set from above, to scale: goal line, markers, kick spot, and where every shot ended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.model import Analysis
from shoegoal.pictures.overview import where_it_ended
from shoegoal.pictures.stills import SceneView
from shoegoal.record.status import SetStatus
from shoegoal.types import Call

WIDEST = 640.0  # of the drawing, in its own units
MARGIN = 30.0
TALLEST = 400.0
NEAR_HEIGHT = 240.0
LABEL_STEP = 17.0  # numbers of marks closer than this are stacked
BESIDE_M = 1.3  # ground shown beside the markers, at least
BEHIND_M = 0.55  # ground shown behind the goal line
UNUSUAL_BACK_M = 6.0  # where no kick spot was seen


@dataclass(frozen=True, slots=True)
class Mark:
    """Where a shot ended: its place, its number and its present call."""

    x: float
    y: float
    label_y: float
    number: int
    call: Call
    words: str


@dataclass(frozen=True, slots=True)
class Above:
    """The drawing.

    Attributes
    ----------
    width, height : in its own units, at the same scale in both directions.
    line_y : of the goal line.
    left_x, right_x : markers.
    spot_x, spot_y : usual kick spot; below the drawing where only the goal's surroundings are
        drawn.
    metre : units.
    marks : shots whose end was seen, in order of time.
    unplaced : in words, the shots that count and whose end was not seen.
    """

    width: float
    height: float
    line_y: float
    left_x: float
    right_x: float
    spot_x: float
    spot_y: float
    metre: float
    marks: tuple[Mark, ...]
    unplaced: tuple[str, ...]


def seen_from_above(analysis: Analysis, status: SetStatus, *, near: bool = False) -> Above:
    """Lay a set out for drawing; shots that do not count are left out.

    Parameters
    ----------
    analysis, status : the set.
    near : only the goal and its surroundings, wide and low; shots that ended farther off are drawn
        at the edge.
    """
    view = SceneView.of(analysis.goal_scene)
    half_m = analysis.goal_scene.goal_width_m.value / 2
    spots = [shot.kick_spot_m for shot in analysis.shots if shot.kick_spot_m is not None]
    spot_m = (
        (0.0, UNUSUAL_BACK_M)
        if not spots
        else (float(np.median([x for x, _ in spots])), float(np.median([y for _, y in spots])))
    )
    reach_m = half_m + BESIDE_M
    metre = (WIDEST - 2 * MARGIN) / (2 * reach_m)
    if not near:
        metre = min(metre, (TALLEST - 2 * MARGIN) / (spot_m[1] + BEHIND_M))
    line_y = MARGIN + BEHIND_M * metre
    height = NEAR_HEIGHT if near else line_y + spot_m[1] * metre + MARGIN
    width = 2 * (reach_m * metre + MARGIN)

    def place(x_m: float, y_m: float) -> tuple[float, float]:
        x = float(np.clip(width / 2 + x_m * metre, MARGIN / 2, width - MARGIN / 2))
        y = float(np.clip(line_y + y_m * metre, MARGIN / 2, height - MARGIN / 2))
        return round(x, 1), round(y, 1)

    marks: list[Mark] = []
    unplaced = []
    for shot in status.shots:
        if not shot.counts:
            continue
        end = None if shot.counted is None else where_it_ended(shot.counted, view)
        if end is None or not np.isfinite(end).all():
            unplaced.append(f"shot {shot.number} ({shot.call.value})")
            continue
        x, y = place(*end)
        above = sum(abs(mark.x - x) < LABEL_STEP and abs(mark.y - y) < 30 for mark in marks)
        side = "right" if end[0] >= 0 else "left"
        words = f"shot {shot.number}, {shot.call.value}, {abs(end[0]):.2f} m {side}"
        if shot.counted is not None and shot.counted.crossing_x_m is None:
            words += f", ended {max(0.0, end[1]):.1f} m before the line"
        marks.append(Mark(x, y, y - 16 - LABEL_STEP * above, shot.number, shot.call, words))
    left_x, right_x = (place(x_m, 0.0)[0] for x_m in (-half_m, half_m))
    spot_x, spot_y = width / 2 + spot_m[0] * metre, line_y + spot_m[1] * metre
    return Above(
        round(width, 1), round(height, 1), round(line_y, 1), left_x, right_x, round(spot_x, 1),
        round(spot_y, 1), metre, tuple(marks), tuple(unplaced),
    )  # fmt: skip
