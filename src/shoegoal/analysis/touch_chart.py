"""A set of touches in one picture: every touch and loss over time, and how long each row was."""

from __future__ import annotations

import io
from textwrap import wrap

from shoegoal.analysis.model import Analysis
from shoegoal.types import Call, EventKind

WIDTH_IN = 10.0
HEIGHT_IN = 3.2
DOTS_PER_INCH = 110
LINE_LETTERS = 105
_BLUE, _ORANGE, _PURPLE = "#0072b2", "#d55e00", "#cc79a7"  # Okabe and Ito's palette


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

    figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN), dpi=DOTS_PER_INCH, facecolor="white")
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
