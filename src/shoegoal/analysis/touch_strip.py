"""The strip of a touch or a loss: stills of ball and feet round the moment, close up."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from shoegoal.analysis.marks import (
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
from shoegoal.analysis.stills import U8, StillPicture
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.clip.clock import clock_text
from shoegoal.types import Detection, Shot

TILE = 300
LABEL_HEIGHT = 36
HEADER_HEIGHT = 84
GAP = 8
ROUND_DIAMETERS = 8.0  # side of what is shown: both feet and the shins
SAME_FRAME_S = 0.02


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
    # The ball lies low in the cut: the feet and shins above it tell most.
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
