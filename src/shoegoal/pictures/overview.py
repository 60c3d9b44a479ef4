"""The whole set on one sheet: the goal from above, and every shot's crossing with its spread."""

from __future__ import annotations

from textwrap import wrap

from shoegoal.analysis.model import Analysis
from shoegoal.pictures import svg
from shoegoal.pictures.from_above import BESIDE_M, WIDEST, from_above
from shoegoal.pictures.marks import CALL_WORDS
from shoegoal.types import Shot

ROW, LINE = 30.0, 24.0
ASIDE, EDGE = 90.0, 24.0  # beside the rows, for their words; round the sheet
WIDTH = WIDEST + 2 * ASIDE
MIDDLE = WIDTH / 2


def draw_overview(analysis: Analysis) -> bytes:
    """Draw the set.

    Returns
    -------
    An SVG document in UTF-8, as tall as the number of shots needs.
    """
    above = from_above(analysis)
    parts, y = [], EDGE
    for line, weight in _caption(analysis):
        parts.append(svg.text(EDGE, y, line, anchor="start", size=17, weight=weight))
        y += LINE
    parts.append(f'<g transform="translate({MIDDLE - above.width / 2} {y})">{above.body()}</g>')
    y += above.height + EDGE
    parts.append(_rows(analysis, y))
    y += ROW * max(1, len(analysis.shots)) + EDGE
    parts.append(svg.text(MIDDLE, y, "the goal as the kicker sees it; bars: ± 1 sigma"))
    return svg.document(WIDTH, y + EDGE, analysis.stage.heading, "".join(parts))


def _rows(analysis: Analysis, top: float) -> str:
    """One row a shot below the plan, so that crossings on top of each other stay apart."""
    width_m = analysis.goal_scene.goal_width_m.value
    metre = WIDEST / (width_m + 2 * BESIDE_M)
    half, height = width_m / 2 * metre, ROW * max(1, len(analysis.shots))
    parts = [
        svg.rectangle("goal", MIDDLE - half, top, 2 * half, height, "#e4ecf5"),
        *(svg.line("post", x, top, x, top + height, 2) for x in (MIDDLE - half, MIDDLE + half)),
    ]
    for row, shot in enumerate(analysis.shots):
        y, word, colour = top + ROW * (row + 0.5), CALL_WORDS[shot.call], svg.colour_of(shot.call)
        parts += [
            svg.text(ASIDE - 8, y + 5, f"shot {shot.number}", anchor="end"),
            _crossing(shot, metre, half, y),
            svg.text(WIDTH - ASIDE + 8, y + 5, word, anchor="start", weight="bold", colour=colour),
        ]
    return "".join(parts)


def _crossing(shot: Shot, metre: float, half: float, y: float) -> str:
    if shot.crossing_x_m is None:
        return svg.text(MIDDLE, y + 5, shot.outcome.value)
    x, sigma = MIDDLE + metre * shot.crossing_x_m.value, metre * shot.crossing_x_m.sigma
    if abs(x - MIDDLE) > WIDEST / 2:
        side, anchor = ("right", "end") if x > MIDDLE else ("left", "start")
        words = f"{abs(shot.crossing_x_m.value):.1f} m {side} of the middle"
        edge = half - 8 if x > MIDDLE else 8 - half
        return svg.text(MIDDLE + edge, y + 5, words, anchor=anchor)
    ends = (x - sigma, x + sigma)
    colour = svg.colour_of(shot.call)
    bar = svg.line("sigma", ends[0], y, ends[1], y, 2, colour)
    caps = "".join(svg.line("cap", end, y - 8, end, y + 8, 2, colour) for end in ends)
    mark = svg.dot(0.0, 0.0, shot.call)
    return f'{bar}{caps}<g transform="translate({x:.1f} {y:.1f}) scale(0.6)">{mark}</g>'


def _caption(analysis: Analysis) -> list[tuple[str, str]]:
    """Lines of the caption and the weight of their letters."""
    lines = [(line, "bold") for line in wrap(analysis.stage.heading, 80)]
    for sentence in (analysis.tally.sentence, analysis.verdict.sentence):
        lines += [(line, "normal") for line in wrap(sentence, 88)]
    return lines
