"""The set's form on one sheet, as a picture to print or send on."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np

from shoegoal.analysis.form_model import SetForm
from shoegoal.analysis.form_picture import ANSWER_COLOURS, ROWS
from shoegoal.analysis.marks import INK, PAPER, draw_disc, draw_line, wrapped_text, write_text
from shoegoal.analysis.stills import U8
from shoegoal.clip.clock import clock_text
from shoegoal.cues.reading import Answer

WIDTH, HEIGHT = 1240, 1754  # A4 at 150 dots per inch (ISO 216)
EDGE, LINE, TEXT = 60, 40, 28
PICTURE_ROWS = 520
MOST_SHOTS = 24  # columns of the table; a longer set shows its first ones and says so
NAMES = 470  # width of the table's first column


def draw_sheet(form: SetForm, pictures: Mapping[int, bytes]) -> U8:
    """Draw the sheet: in words, two kicks in pictures, then all cues of all shots.

    Parameters
    ----------
    form : the set's form.
    pictures : by shot number, as `draw_form` made them, coded.

    Returns
    -------
    (HEIGHT, WIDTH, 3) uint8 blue-green-red.
    """
    sheet = np.full((HEIGHT, WIDTH, 3), PAPER, np.uint8)
    y = _heading(sheet, f"Form in {form.clip_name}", EDGE, 44)
    y = _words(sheet, ["Prompts to look at, not a grade and no medical advice."], y)
    y = _heading(sheet, "What went well", y + 16, 32)
    y = _words(sheet, form.advice.went_well or ["Nothing could be told for sure; that says nothing "
                                                "of the kicks."], y)  # fmt: skip
    y = _heading(sheet, "To try", y + 16, 32)
    y = _words(sheet, form.advice.to_try or ["Nothing that this clip shows for sure."], y)
    y = _pictures(sheet, form, pictures, y + 20)
    _table(sheet, form, y + 20)
    foot = "Warm up, clear the space, use light markers, film only with consent. A coach decides."
    write_text(sheet, (EDGE, HEIGHT - EDGE), foot, 24, colour=INK, rim=None)
    return sheet


def _heading(sheet: U8, words: str, y: float, size: float) -> float:
    write_text(sheet, (EDGE, y), words, size, colour=INK, rim=None, bold=True)
    return y + 1.5 * size


def _words(sheet: U8, sentences: tuple[str, ...] | list[str], y: float) -> float:
    for sentence in sentences:
        for line in wrapped_text(sentence, TEXT, WIDTH - 2 * EDGE):
            write_text(sheet, (EDGE, y), line, TEXT, colour=INK, rim=None)
            y += LINE
    return y


def _pictures(sheet: U8, form: SetForm, pictures: Mapping[int, bytes], y: float) -> float:
    """Contact of the first shots, without the values beside, two in a row."""
    side = min(PICTURE_ROWS, (WIDTH - 2 * EDGE - 20) // 2)
    shown = [shot for shot in form.shots if shot.number in pictures][:2]
    for column, shot in enumerate(shown):
        whole = cv2.imdecode(np.frombuffer(pictures[shot.number], np.uint8), cv2.IMREAD_COLOR)
        assert whole is not None
        small = cv2.resize(whole[:, :ROWS], (side, side), interpolation=cv2.INTER_AREA)
        left, top = EDGE + column * (side + 20), round(y)
        sheet[top : top + side, left : left + side] = small
        at = clock_text(shot.kick_time_s - form.start_s)
        write_text(sheet, (left + 10, top + 10), f"Shot {shot.number} at {at}", 26)
    return y + (side if shown else 0)


def _table(sheet: U8, form: SetForm, y: float) -> None:
    """One row a cue, one column a shot."""
    shots = form.shots[:MOST_SHOTS]
    if not shots:
        return
    step = min(60.0, (WIDTH - 2 * EDGE - NAMES) / len(shots))
    for column, shot in enumerate(shots):
        place = (EDGE + NAMES + (column + 0.5) * step, y)
        write_text(sheet, place, str(shot.number), 22, colour=INK, rim=None, anchor="middle top")
    y += LINE
    for row, first in enumerate(shots[0].readings):
        write_text(sheet, (EDGE, y), first.title, 24, colour=INK, rim=None)
        for column, shot in enumerate(shots):
            spot = (EDGE + NAMES + (column + 0.5) * step, y + 14)
            _mark(sheet, spot, shot.readings[row].answer)
        y += LINE
    y += 8
    x = float(EDGE)
    for answer in Answer:
        _mark(sheet, (x + 12, y + 14), answer)
        x += 34 + write_text(sheet, (x + 30, y), answer.value, 22, colour=INK, rim=None) + 30
    if len(form.shots) > len(shots):
        words = f"the first {len(shots)} of {len(form.shots)} shots"
        write_text(sheet, (x, y), words, 22, colour=INK, rim=None)


def _mark(sheet: U8, spot: tuple[float, float], answer: Answer) -> None:
    """Draw a disc, a triangle or a dash: told apart without colour too."""
    x, y = spot
    colour = ANSWER_COLOURS[answer]
    if answer is Answer.IN_BAND:
        draw_disc(sheet, spot, 11, INK)
        draw_disc(sheet, spot, 9, colour)
    elif answer is Answer.LOOK:
        corners = np.array([(x, y - 11), (x + 11, y + 9), (x - 11, y + 9), (x, y - 11)])
        draw_line(sheet, corners, colour, 4, 1)
    else:
        draw_line(sheet, np.array([(x - 8, y), (x + 8, y)]), colour, 3, 0)
