"""The whole set on one sheet: the goal from above, and every shot's crossing with its spread."""

from __future__ import annotations

from textwrap import wrap

from shoegoal.analysis.model import Analysis
from shoegoal.pictures import svg
from shoegoal.pictures.from_above import FromAbove, from_above
from shoegoal.pictures.marks import CALL_WORDS
from shoegoal.types import Shot

ROW, LINE = 30.0, 24.0
ASIDE = 90.0  # beside the drawing, for the rows' words
EDGE = 24.0


def draw_overview(analysis: Analysis) -> bytes:
    """Draw the set.

    Returns
    -------
    An SVG document in UTF-8, as tall as the number of shots needs.
    """
    above = from_above(analysis)
    width = above.width + 2 * ASIDE
    parts, y = [], EDGE
    for line, weight in _caption(analysis):
        parts.append(svg.text(EDGE, y, line, anchor="start", size=17, weight=weight))
        y += LINE
    parts.append(f'<g transform="translate({ASIDE} {y})">{above.body()}</g>')
    y += above.height + EDGE
    parts.append(_rows(analysis, above, y))
    y += ROW * max(1, len(analysis.shots)) + EDGE
    note = "the goal as the kicker sees it; bars: ± 1 sigma"
    parts.append(svg.text(width / 2, y, note))
    return svg.document(width, y + EDGE, analysis.stage.heading, "".join(parts))


def _rows(analysis: Analysis, above: FromAbove, top: float) -> str:
    """One row a shot below the plan, so that crossings on top of each other stay apart."""
    ((left, right),) = above.goals
    height = ROW * max(1, len(analysis.shots))
    parts = [
        f'<rect x="{ASIDE + left}" y="{top}" width="{right - left:.1f}" height="{height}"'
        f' fill="#e4ecf5" stroke="{svg.INK}"/>'
    ]
    for row, shot in enumerate(analysis.shots):
        y = top + ROW * (row + 0.5)
        parts.append(svg.text(ASIDE - 8, y + 5, f"shot {shot.number}", anchor="end"))
        word = CALL_WORDS[shot.call]
        x, colour = ASIDE + above.width + 8, svg.colour_of(shot.call)
        parts.append(svg.text(x, y + 5, word, anchor="start", weight="bold", colour=colour))
        parts.append(_crossing(shot, above, y))
    return "".join(parts)


def _crossing(shot: Shot, above: FromAbove, y: float) -> str:
    ((left, right),) = above.goals
    middle = ASIDE + above.width / 2
    if shot.crossing_x_m is None:
        return svg.text(middle, y + 5, shot.outcome.value)
    x, sigma = (above.metre * part for part in (shot.crossing_x_m.value, shot.crossing_x_m.sigma))
    if abs(x) > above.width / 2:
        side, sign = ("right", 1) if x > 0 else ("left", -1)
        words = f"{abs(shot.crossing_x_m.value):.1f} m {side} of the middle"
        edge = ASIDE + (right if sign > 0 else left) - 8 * sign
        return svg.text(edge, y + 5, words, anchor="end" if sign > 0 else "start")
    low, high = middle + x - sigma, middle + x + sigma
    return (
        f'<path d="M{low:.1f} {y} H{high:.1f} M{low:.1f} {y - 6} v12 M{high:.1f} {y - 6} v12"'
        f' fill="none" stroke="{svg.colour_of(shot.call)}" stroke-width="2"/>'
        f"{svg.dot(middle + x, y, shot.call)}"
    )


def _caption(analysis: Analysis) -> list[tuple[str, str]]:
    """Lines of the caption and the weight of their letters."""
    lines = [(line, "bold") for line in wrap(analysis.stage.heading, 80)]
    for sentence in (analysis.tally.sentence, analysis.verdict.sentence):
        lines += [(line, "normal") for line in wrap(sentence, 88)]
    return lines
