"""The pictures of form: a shot at contact with its values beside, and the set on one sheet."""

from __future__ import annotations

from collections.abc import Mapping

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.analysis.form_file import SetForm, ShotForm
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
from shoegoal.cues.kick import Kick
from shoegoal.cues.pose import BONES, Square
from shoegoal.cues.reading import Answer, KickForm, Reading
from shoegoal.cues.space import ShotSpace
from shoegoal.pictures.marks import (
    INK,
    PAPER,
    SKY,
    YELLOW,
    Colour,
    Spot,
    Window,
    draw_disc,
    draw_line,
    draw_ring,
    wrapped_text,
    write_text,
)
from shoegoal.pictures.stills import F64

ROWS, PANEL = 900, 760
EDGE, LINE = 18, 31
TITLE_SIZE, TEXT_SIZE = 30, 23
TARGET_M = 1.6  # how far the target line is drawn from the ball
ARROW_M = 0.45  # from the plant foot's heel on
# Okabe and Ito's palette, as for the calls.
KICKING: Colour = (0, 159, 230)
PLANTED: Colour = (115, 158, 0)
ANSWER_COLOURS: dict[Answer, Colour] = {
    Answer.IN_BAND: (233, 180, 86),
    Answer.LOOK: (60, 140, 240),
    Answer.CANNOT_TELL: (150, 150, 150),
}
ANSWER_WORDS: dict[Answer, str] = {
    Answer.IN_BAND: "in band",
    Answer.LOOK: "look",
    Answer.CANNOT_TELL: "can't tell",
}
WIDTH, HEIGHT = 1240, 1754  # A4 at 150 dots per inch (ISO 216)
SHEET_EDGE, SHEET_LINE, SHEET_TEXT = 60, 40, 28
PICTURE_ROWS = 520
MOST_SHOTS = 24  # columns of the table; a longer set shows its first ones and says so
NAMES = 470  # width of the table's first column


def draw_form(
    form: ShotForm,
    kick_form: KickForm,
    space: ShotSpace,
    piece: U8,
    square: Square,
    time_s: float,
    *,
    start_s: float = 0.0,
) -> U8:
    """Draw a shot's form.

    Parameters
    ----------
    form : what is said of the shot.
    kick_form : what was seen of it.
    space : the space round it.
    piece : (S, S, 3) what the square shows in the picture nearest to contact.
    square : where that lies in the displayed picture.
    time_s : presentation time of that picture.
    start_s : presentation time of the clip's first picture.

    Returns
    -------
    (H, W, 3) uint8 blue-green-red.
    """
    way = cv2.INTER_AREA if piece.shape[0] > ROWS else cv2.INTER_CUBIC
    canvas = np.ascontiguousarray(cv2.resize(piece, (ROWS, ROWS), interpolation=way), np.uint8)
    window = Window(canvas, ROWS / square.side_px, square.left_px, square.top_px)
    _draw_ground(window, space)
    if kick_form.kick is not None:
        _draw_body(window, kick_form.kick, time_s)
        given = {reading.cue for reading in form.readings if reading.value is not None}
        _draw_plant_foot(window, kick_form.kick, given)
    panel = np.full((ROWS, PANEL, 3), INK, np.uint8)
    _write_values(panel, form, start_s)
    return np.hstack([window.canvas, panel])


def _draw_ground(window: Window, space: ShotSpace) -> None:
    """Target line from the ball on, and the ball's outline."""
    reach_m = min(TARGET_M, float(np.hypot(*space.spot_m)))
    along = np.linspace(0.0, reach_m, 30)
    draw_arrow(window, space, np.column_stack([0 * along, along]), YELLOW)
    centre, diameter_px = space.ball_px
    draw_ring(
        window.canvas,
        window.spot(centre.x_px, centre.y_px),
        diameter_px / 2 * window.zoom,
        SKY,
        dashed=True,
    )


def draw_arrow(window: Window, space: ShotSpace, ground_m: F64, colour: Colour) -> None:
    """Draw an arrow along ground points (N, 2) right and ahead of the ball, m."""
    line = window.place(space.to_px(np.column_stack([ground_m, np.zeros(len(ground_m))])))
    draw_line(window.canvas, line, colour, 3, 2)
    fine = line[np.isfinite(line).all(axis=1)]
    if len(fine) < 2:
        return
    way = fine[-1] - fine[-2]
    way = way / max(1e-9, float(np.hypot(*way)))
    across = np.array([-way[1], way[0]])
    for side in (1, -1):
        barb = fine[-1] - 16 * way + side * 9 * across
        draw_line(window.canvas, np.array([barb, fine[-1]]), colour, 3, 2)


def _draw_plant_foot(window: Window, kick: Kick, given: set[str]) -> None:
    """Arrow along the plant foot, and its way from the ball: each only where it can be judged."""
    foot = kick.plant
    if foot is None:
        return
    middle = np.array([foot.right_m, foot.ahead_m])
    if given & {"plant_beside", "plant_fore_aft"}:
        way_px = _on_ground(window, kick.space, np.linspace((0, 0), middle, 8))
        draw_line(window.canvas, way_px, PAPER)
    if "plant_to_target" not in given:
        return
    way = np.array([np.sin(foot.turn_rad), np.cos(foot.turn_rad)])
    heel = middle - foot.length_m / 2 * way
    draw_arrow(window, kick.space, np.linspace(heel, heel + ARROW_M * way, 10), PLANTED)


def _on_ground(window: Window, space: ShotSpace, ground_m: npt.NDArray[np.float64]) -> F64:
    return window.place(space.to_px(np.column_stack([ground_m, np.zeros(len(ground_m))])))


def _draw_body(window: Window, kick: Kick, time_s: float) -> None:
    pose = min(kick.poses, key=lambda pose: abs(pose.time_s - time_s))
    spots = window.place(pose.points_px)
    for one, other in BONES:
        if one in kick.kicking.rows and other in kick.kicking.rows:
            colour, width = KICKING, 4
        elif one in kick.planted.rows and other in kick.planted.rows:
            colour, width = PLANTED, 4
        else:
            colour, width = PAPER, 2
        draw_line(window.canvas, spots[[one, other]], colour, width, 1)
    for rows, colour in ((kick.kicking.rows, KICKING), (kick.planted.rows, PLANTED)):
        for row in rows:
            spot: Spot = (float(spots[row][0]), float(spots[row][1]))
            draw_disc(window.canvas, spot, 5, INK)
            draw_disc(window.canvas, spot, 4, colour)


def _write_values(panel: U8, form: ShotForm, start_s: float) -> None:
    at = clock_text(form.kick_time_s - start_s)
    y = float(EDGE)
    write_text(panel, (EDGE, y), f"Shot {form.number}, contact at {at}", TITLE_SIZE, rim=None,
               bold=True)  # fmt: skip
    y += 1.5 * LINE
    where = f"filmed from: {form.view.value}" if form.view else "view unknown"
    foot = "kicking foot not clear" if form.side is None else f"{form.side.value} foot kicks"
    x = EDGE + write_text(panel, (EDGE, y), foot, TEXT_SIZE, colour=KICKING, rim=None)
    x += 20
    if form.side is not None:
        x += 20 + write_text(panel, (x, y), "the other stands", TEXT_SIZE, colour=PLANTED, rim=None)
    write_text(panel, (x, y), where, TEXT_SIZE, rim=None)
    y += 1.6 * LINE
    for reading in form.readings:
        y = _write_reading(panel, reading, y)
    note = "Prompts to look at, not a grade and no medical advice."
    write_text(panel, (EDGE, ROWS - EDGE - LINE), note, TEXT_SIZE, rim=None)


def _write_reading(panel: U8, reading: Reading, y: float) -> float:
    colour = ANSWER_COLOURS[reading.answer]
    room = PANEL - 2 * EDGE
    write_text(panel, (EDGE, y), reading.title, TEXT_SIZE, colour=colour, rim=None, bold=True)
    words = ANSWER_WORDS[reading.answer]
    write_text(panel, (PANEL - EDGE, y), words, TEXT_SIZE, colour=colour, rim=None,
               anchor="right top", bold=True)  # fmt: skip
    y += LINE
    for line in wrapped_text(reading.sentence, TEXT_SIZE - 3, room)[:2]:
        write_text(panel, (EDGE, y), line, TEXT_SIZE - 3, rim=None)
        y += LINE - 4
    return y + 8


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
    y = _heading(sheet, f"Form in {form.clip_name}", SHEET_EDGE, 44)
    y = _words(sheet, ["Prompts to look at, not a grade and no medical advice."], y)
    y = _heading(sheet, "What went well", y + 16, 32)
    y = _words(sheet, form.advice.went_well or ["Nothing is sure enough to say; that says nothing "
                                                "of the kicks."], y)  # fmt: skip
    y = _heading(sheet, "To try", y + 16, 32)
    y = _words(sheet, form.advice.to_try or ["Nothing that this clip shows for sure."], y)
    y = _pictures(sheet, form, pictures, y + 20)
    _table(sheet, form, y + 20)
    foot = "Warm up, clear the space, use light markers, film only with consent. A coach decides."
    write_text(sheet, (SHEET_EDGE, HEIGHT - SHEET_EDGE), foot, 24, colour=INK, rim=None)
    return sheet


def _heading(sheet: U8, words: str, y: float, size: float) -> float:
    write_text(sheet, (SHEET_EDGE, y), words, size, colour=INK, rim=None, bold=True)
    return y + 1.5 * size


def _words(sheet: U8, sentences: tuple[str, ...] | list[str], y: float) -> float:
    for sentence in sentences:
        for line in wrapped_text(sentence, SHEET_TEXT, WIDTH - 2 * SHEET_EDGE):
            write_text(sheet, (SHEET_EDGE, y), line, SHEET_TEXT, colour=INK, rim=None)
            y += SHEET_LINE
    return y


def _pictures(sheet: U8, form: SetForm, pictures: Mapping[int, bytes], y: float) -> float:
    """Contact of the first shots, without the values beside, two in a row."""
    side = min(PICTURE_ROWS, (WIDTH - 2 * SHEET_EDGE - 20) // 2)
    shown = [shot for shot in form.shots if shot.number in pictures][:2]
    for column, shot in enumerate(shown):
        whole = cv2.imdecode(np.frombuffer(pictures[shot.number], np.uint8), cv2.IMREAD_COLOR)
        assert whole is not None
        small = cv2.resize(whole[:, :ROWS], (side, side), interpolation=cv2.INTER_AREA)
        left, top = SHEET_EDGE + column * (side + 20), round(y)
        sheet[top : top + side, left : left + side] = small
        at = clock_text(shot.kick_time_s - form.start_s)
        write_text(sheet, (left + 10, top + 10), f"Shot {shot.number} at {at}", 26)
    return y + (side if shown else 0)


def _table(sheet: U8, form: SetForm, y: float) -> None:
    """One row a cue, one column a shot."""
    shots = form.shots[:MOST_SHOTS]
    if not shots:
        return
    step = min(60.0, (WIDTH - 2 * SHEET_EDGE - NAMES) / len(shots))
    for column, shot in enumerate(shots):
        place = (SHEET_EDGE + NAMES + (column + 0.5) * step, y)
        write_text(sheet, place, str(shot.number), 22, colour=INK, rim=None, anchor="middle top")
    y += SHEET_LINE
    for row, first in enumerate(shots[0].readings):
        write_text(sheet, (SHEET_EDGE, y), first.title, 24, colour=INK, rim=None)
        for column, shot in enumerate(shots):
            spot = (SHEET_EDGE + NAMES + (column + 0.5) * step, y + 14)
            _answer_mark(sheet, spot, shot.readings[row].answer)
        y += SHEET_LINE
    y += 8
    x = float(SHEET_EDGE)
    for answer in Answer:
        _answer_mark(sheet, (x + 12, y + 14), answer)
        x += 34 + write_text(sheet, (x + 30, y), answer.value, 22, colour=INK, rim=None) + 30
    if len(form.shots) > len(shots):
        words = f"the first {len(shots)} of {len(form.shots)} shots"
        write_text(sheet, (x, y), words, 22, colour=INK, rim=None)


def _answer_mark(sheet: U8, spot: tuple[float, float], answer: Answer) -> None:
    """Draw a disc, a triangle or a dash, which differ in shape as well as in colour."""
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
