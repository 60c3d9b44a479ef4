"""Pictures of touches: a close-up strip of each touch or loss, and a chart of the whole set."""

from __future__ import annotations

from collections.abc import Sequence
from textwrap import wrap

import numpy as np

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
from shoegoal.pictures import svg
from shoegoal.pictures.marks import (
    INK,
    PAPER,
    SKY,
    Box,
    Window,
    draw_call,
    draw_ring,
    fitted_text,
    side_by_side,
    write_text,
)
from shoegoal.pictures.stills import StillPicture
from shoegoal.types import Call, Detection, EventKind, Shot

TILE = 300
LABEL_HEIGHT = 36
HEADER_HEIGHT = 84
GAP = 8
ROUND_DIAMETERS = 8.0  # side of what is shown: both feet and the shins
SAME_FRAME_S = 0.02
CHART_WIDTH, CHART_AXIS, CHART_EDGE = 1100.0, 260.0, 40.0  # of the drawing, in its own units
LINE_LETTERS = 105


def draw_touch_strip(event: Shot, stills: Sequence[StillPicture], *, start_s: float = 0.0) -> U8:
    """Draw the strip of one event.

    Parameters
    ----------
    event : a touch or a loss.
    stills : in order of time.
    start_s : presentation time of the clip's first picture; the labels count from it.

    Returns
    -------
    (H, W, 3) uint8 blue-green-red.

    Raises
    ------
    ValueError
        There is no still.
    """
    if not stills:
        raise ValueError("a strip needs at least one still")
    box = _cut(event, stills[0])
    tiles = [_tile(event, still, box) for still in stills]
    strip = side_by_side(
        tiles, top=HEADER_HEIGHT, height=LABEL_HEIGHT + TILE, gap=GAP, least_width=5 * TILE
    )
    _write_header(strip, event, start_s)
    return strip


def _write_header(strip: U8, event: Shot, start_s: float) -> None:
    draw_call(strip, (GAP + 24, 28.0), shown_call(event.kind, event.call), 32)
    left = GAP + 54.0
    for text in (
        event_name(event.kind, event.number).capitalize(),
        call_word(event.kind, event.call).upper(),
        f"at {clock_text(event.kick_time_s - start_s)}",
        f"{chance_words(event.kind)} {chance_text(event.p_make)}",
    ):
        left += write_text(
            strip, (left, 28.0), text, 28, colour=PAPER, rim=None, anchor="left middle"
        ) + 24  # fmt: skip
    reason = fitted_text(event.reason, 24, strip.shape[1] - 2 * GAP)
    write_text(strip, (GAP + 4, 50), reason, 24, rim=None)


def _cut(event: Shot, still: StillPicture) -> Box:
    """Square round the ball at the event, inside the picture where that is possible."""
    width, height = still.native_size_px
    near = min(event.path, key=lambda s: abs(s.time_s - event.kick_time_s), default=None)
    if near is None:
        return Box(0.0, 0.0, width, height)
    side = min(ROUND_DIAMETERS * near.diameter_px, width, height)
    left = float(np.clip(near.x_px - side / 2, 0.0, width - side))
    # The ball lies low in the cut: the feet and shins above it show most.
    top = float(np.clip(near.y_px - 0.72 * side, 0.0, height - side))
    return Box(left, top, side, side)


def _tile(event: Shot, still: StillPicture, box: Box) -> U8:
    window = Window.onto(still, box, TILE)
    ball = _ball_at(event.path, still.time_s)
    if ball is not None:
        spot = window.spot(ball.x_px, ball.y_px)
        draw_ring(window.canvas, spot, ball.diameter_px / 2 * window.zoom + 2, SKY)
    tile = np.full(
        (LABEL_HEIGHT + window.canvas.shape[0], window.canvas.shape[1], 3), INK, np.uint8
    )
    tile[LABEL_HEIGHT:] = window.canvas
    off_s = still.time_s - event.kick_time_s
    side = (
        "at it" if abs(off_s) < 0.04 else f"{abs(off_s):.2f} s {'after' if off_s > 0 else 'before'}"
    )
    write_text(tile, (4, 5), side, 24, rim=None)
    return tile


def _ball_at(path: Sequence[Detection], time_s: float) -> Detection | None:
    near = min(path, key=lambda s: abs(s.time_s - time_s), default=None)
    return near if near is not None and abs(near.time_s - time_s) <= SAME_FRAME_S else None


def draw_touch_chart(analysis: Analysis) -> bytes:
    """Draw the set over time.

    Parameters
    ----------
    analysis : of a dribble stage.

    Returns
    -------
    An SVG document in UTF-8.
    """
    start_s = analysis.clip.start_s
    length_s = max(1.0, analysis.clip.end_s - start_s)
    lines = [(analysis.stage.heading, "bold"), (analysis.tally.sentence, "normal")]
    lines += [(line, "normal") for line in wrap(analysis.verdict.sentence, LINE_LETTERS)[:2]]
    parts = [
        svg.text(CHART_EDGE, 34 + 24 * k, words, anchor="start", weight=weight)
        for k, (words, weight) in enumerate(lines)
    ]

    def x_of(time_s: float) -> float:
        return CHART_EDGE + (CHART_WIDTH - 2 * CHART_EDGE) * time_s / length_s

    parts.append(svg.line("line", x_of(0.0), CHART_AXIS, x_of(length_s), CHART_AXIS, 2))
    step_s = next(step for step in (1, 2, 5, 10, 20, 60, 600) if length_s / step <= 20)
    for second in range(0, int(length_s) + 1, step_s):
        x = x_of(second)
        parts.append(svg.line("tick", x, CHART_AXIS, x, CHART_AXIS + 6, 2))
        parts.append(svg.text(x, CHART_AXIS + 24, str(second), size=13))
    parts.append(svg.text(CHART_WIDTH / 2, CHART_AXIS + 46, "seconds from the start of the clip"))
    row = 0
    for event in analysis.shots:
        x, y = x_of(event.kick_time_s - start_s), CHART_AXIS - 40
        unsure = event.call is Call.UNSURE
        if event.kind is EventKind.LOSS:
            if event.call is not Call.MISS:
                css, colour = (
                    "way" if unsure else "lost",
                    svg.colour_of(Call.MISS),
                )  # a way is dashed
                parts.append(svg.line(css, x, CHART_AXIS, x, y - 20, 2, colour))
                parts.append(svg.text(x, y - 28, "lost?" if unsure else "lost", colour=colour))
                row = row if unsure else 0
            continue
        if event.call is Call.MISS:
            parts.append(svg.dot(x, y, Call.MISS, is_open=True))
            continue
        row += 0 if unsure else 1
        parts.append(svg.dot(x, y, event.call))
        parts.append(svg.text(x, y + 28, "?" if unsure else str(row), size=13))
    return svg.document(CHART_WIDTH, CHART_AXIS + 60, analysis.stage.heading, "".join(parts))
