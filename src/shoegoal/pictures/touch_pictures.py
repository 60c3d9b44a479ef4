"""Pictures of touches: a close-up strip of each touch or loss, and a chart of the whole set."""

from __future__ import annotations

import io
from collections.abc import Sequence
from textwrap import wrap

import numpy as np

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.words import call_word, chance_text, chance_words, event_name, shown_call
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
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
CHART_WIDTH_IN = 10.0
CHART_HEIGHT_IN = 3.2
DOTS_PER_INCH = 110
LINE_LETTERS = 105
_BLUE, _ORANGE, _PURPLE = "#0072b2", "#d55e00", "#cc79a7"  # Okabe and Ito's palette


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
    """Draw the set.

    Parameters
    ----------
    analysis : of a dribble stage.

    Returns
    -------
    A PNG picture, 1100 px wide.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(CHART_WIDTH_IN, CHART_HEIGHT_IN), dpi=DOTS_PER_INCH, facecolor="white")
    FigureCanvasAgg(figure)
    axes = figure.add_axes((0.04, 0.2, 0.93, 0.42))
    start_s = analysis.clip.start_s
    row = 0
    for event in analysis.shots:
        at_s = event.kick_time_s - start_s
        unsure = event.call is Call.UNSURE
        if event.kind is EventKind.LOSS:
            if event.call is not Call.MISS:
                axes.axvline(
                    at_s, ymax=0.72, color=_ORANGE, linestyle=":" if unsure else "-", linewidth=2
                )
                word = "lost?" if unsure else "lost"
                axes.text(at_s, 1.5, word, color=_ORANGE, ha="center", fontsize=9)
                row = row if unsure else 0
            continue
        if event.call is Call.MISS:
            axes.plot(at_s, 0.5, "x", color="grey", markersize=6)
            continue
        row += 0 if unsure else 1
        mark, colour = ("D", _PURPLE) if unsure else ("o", _BLUE)
        axes.plot(at_s, 0.5, mark, color=colour, markersize=8)
        axes.text(at_s, 0.9, "?" if unsure else str(row), ha="center", fontsize=9, color=colour)
    axes.set_xlim(0.0, max(1.0, analysis.clip.end_s - start_s))
    axes.set_ylim(0.0, 1.9)
    axes.set_yticks([])
    axes.set_xlabel("seconds from the start of the clip")
    for side in ("left", "right", "top"):
        axes.spines[side].set_visible(False)
    lines = [(analysis.stage.heading, "bold"), (analysis.tally.sentence, "normal")]
    lines += [(line, "normal") for line in wrap(analysis.verdict.sentence, LINE_LETTERS)[:2]]
    for number, (line, weight) in enumerate(lines):
        figure.text(0.03, 0.96 - 0.085 * number, line, va="top", fontsize=11, fontweight=weight)
    picture = io.BytesIO()
    figure.savefig(picture, format="png", metadata={"Software": None})
    return picture.getvalue()
