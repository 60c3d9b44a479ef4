"""The still with the answer: ball, markers, ground, problems and words."""

from __future__ import annotations

import cv2
import numpy as np

from shoegoal.clip.frame import U8
from shoegoal.filming_check.answer import FilmingCheck
from shoegoal.filming_check.checks import Level
from shoegoal.pictures.marks import (
    CALL_COLOURS,
    INK,
    PAPER,
    SKY,
    YELLOW,
    Box,
    Colour,
    Window,
    draw_disc,
    draw_line,
    draw_marker,
    draw_ring,
    wrapped_text,
    write_text,
)
from shoegoal.pictures.stills import F64
from shoegoal.scene.camera import Camera
from shoegoal.scene.markers import BELIEVED_AT
from shoegoal.types import Call, ImagePoint

LONG_SIDE = 1280
TEXT_SIZE, HEAD_SIZE = 24, 30
BOLD_SHARE = 0.87  # bold letters are wider than the ones that lines are measured with
LINE_HEIGHT = 34
MARGIN = 14
PANEL_SHARE = 0.95  # of a portrait's width: its words are beside it
GRID_M = 1.0
GRID_REACH_M = 14.0  # beyond, lines merge
GRID_ASIDE_M = 6.0
NEAREST_M = 0.5
BADGE = 15.0
JPEG_QUALITY = 90
LEVEL_COLOURS: dict[Level, Colour] = {
    Level.REFUSE: CALL_COLOURS[Call.MISS],
    Level.ADVISE: CALL_COLOURS[Call.MAKE],
    Level.ASK: CALL_COLOURS[Call.UNSURE],
}
LEVEL_WORDS = {Level.REFUSE: "film again", Level.ADVISE: "better", Level.ASK: "please check"}


def draw_check(check: FilmingCheck) -> U8:
    """Draw the answer.

    Returns
    -------
    (H, W, 3) uint8 blue-green-red.
    """
    window = _window(check)
    scene = check.facts.scene
    if scene.camera is not None:
        _draw_grid(window, scene.camera)
    _draw_scene(window, check)
    for number, (_, finding) in enumerate(check.findings, start=1):
        if finding.at_px is not None:
            _draw_trouble(window, finding.at_px, number, LEVEL_COLOURS[finding.level])
    return _with_words(check, window.canvas)


def draw_found(check: FilmingCheck) -> U8:
    """Draw goal and ball without words; the goal only where it is likely enough.

    Returns
    -------
    (H, W, 3) uint8 blue-green-red.
    """
    window = _window(check)
    _draw_scene(window, check)
    return window.canvas


def _window(check: FilmingCheck) -> Window:
    width, height = check.still.native_size_px
    rows = round(height * LONG_SIDE / max(width, height))
    return Window.onto(check.still, Box(0.0, 0.0, width, height), rows)


def _draw_scene(window: Window, check: FilmingCheck) -> None:
    """Draw goal and ball."""
    scene = check.facts.scene
    if scene.markers_px is not None and scene.in_view >= BELIEVED_AT:
        unsure = "" if scene.has_goal else "?"
        feet = window.place([(m.x_px, m.y_px) for m in scene.markers_px])
        draw_line(window.canvas, feet, YELLOW, 3, 2)
        for letter, (x, y) in zip("LR", feet, strict=True):
            draw_marker(window.canvas, (float(x), float(y)), letter + unsure, 24)
    if scene.ball is not None:
        ball = scene.ball
        place = window.spot(ball.x_px, ball.y_px)
        radius = ball.diameter_px / 2 * window.zoom
        draw_ring(window.canvas, place, 1.25 * radius, SKY)
        write_text(window.canvas, (place[0], place[1] + 1.4 * radius + 4), "ball", TEXT_SIZE,
                   anchor="middle top")  # fmt: skip


def encoded(picture: U8) -> bytes:
    """Return a picture as the bytes of a JPEG file."""
    _, coded = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return coded.tobytes()


def _draw_grid(window: Window, camera: Camera) -> None:
    """Ground squares of a metre, along and across the view."""
    ahead = np.arange(1.0, GRID_REACH_M + GRID_M / 2, GRID_M)
    aside = np.arange(-GRID_ASIDE_M, GRID_ASIDE_M + GRID_M / 2, GRID_M)
    fine_ahead = np.linspace(NEAREST_M, GRID_REACH_M, 120)
    fine_aside = np.linspace(-GRID_ASIDE_M, GRID_ASIDE_M, 60)
    for y_m in ahead:
        across = np.column_stack([fine_aside, np.full_like(fine_aside, y_m)])
        _draw_on_ground(window, camera, across)
    for x_m in aside:
        along = np.column_stack([np.full_like(fine_ahead, x_m), fine_ahead])
        _draw_on_ground(window, camera, along)


def _draw_on_ground(window: Window, camera: Camera, ground_m: F64) -> None:
    points = window.place(camera.project(np.column_stack([ground_m, 0 * ground_m[:, 0]])))
    far = np.abs(points).max(axis=1) > 4 * LONG_SIDE
    points[far] = np.nan
    draw_line(window.canvas, points, PAPER, 1, 0)


def _draw_trouble(window: Window, at_px: ImagePoint, number: int, colour: Colour) -> None:
    """Draw the finding's number where the problem is, or at the edge if that is out of view."""
    rows, columns = window.canvas.shape[:2]
    x, y = window.spot(at_px.x_px, at_px.y_px)
    spot = (
        float(np.clip(x, 1.5 * BADGE, columns - 1.5 * BADGE)),
        float(np.clip(y, 1.5 * BADGE, rows - 1.5 * BADGE)),
    )
    if spot == (x, y):
        spot = (spot[0] + 2.5 * BADGE, max(1.5 * BADGE, spot[1] - 2.5 * BADGE))
        draw_line(window.canvas, np.array([(x, y), spot]), colour, 3, 2)
    else:  # a bar along the edge
        along = (0.0, 60.0) if spot[0] != x else (60.0, 0.0)
        ends = [(spot[0] - along[0], spot[1] - along[1]), (spot[0] + along[0], spot[1] + along[1])]
        draw_line(window.canvas, np.array(ends), colour, 6, 2)
    _draw_badge(window.canvas, spot, number, colour)


def _draw_badge(canvas: U8, spot: tuple[float, float], number: int, colour: Colour) -> None:
    draw_disc(canvas, spot, BADGE + 2, PAPER)
    draw_disc(canvas, spot, BADGE, colour)
    write_text(canvas, spot, str(number), 20, rim=None, anchor="middle middle", bold=True)


def _with_words(check: FilmingCheck, canvas: U8) -> U8:
    """Put the words below a landscape picture, beside a portrait one."""
    rows, columns = canvas.shape[:2]
    beside = rows > columns
    room = round(columns * PANEL_SHARE) if beside else columns
    panel = _panel(check, room, rows if beside else 0)
    if not beside:
        return np.vstack([canvas, panel])
    short = panel.shape[0] - rows
    if short > 0:
        canvas = np.vstack([canvas, np.full((short, columns, 3), INK, np.uint8)])
    return np.hstack([canvas, panel])


def _panel(check: FilmingCheck, width: int, least_rows: int) -> U8:
    indent = round(MARGIN + 3 * BADGE)
    lines: list[tuple[str, int, bool, int]] = [  # text, indent, bold, number of the finding
        (text, MARGIN, True, 0)
        for text in wrapped_text(check.headline, HEAD_SIZE, BOLD_SHARE * (width - 2 * MARGIN))
    ]
    for number, (_, finding) in enumerate(check.findings, start=1):
        room = width - indent - MARGIN
        for index, text in enumerate(wrapped_text(finding.do, TEXT_SIZE, BOLD_SHARE * room)):
            lines.append((text, indent, True, number if index == 0 else 0))
        why = f"({LEVEL_WORDS[finding.level]}) {finding.why}"
        lines += [(text, indent, False, 0) for text in wrapped_text(why, TEXT_SIZE, room)]
    if check.facts.scene.camera is not None:
        lines.append(("Squares on the ground: about 1 m.", MARGIN, False, 0))
    rows = max(least_rows, 2 * MARGIN + LINE_HEIGHT * len(lines) + 8)
    panel: U8 = np.full((rows, width, 3), INK, np.uint8)
    for row, (text, left, bold, number) in enumerate(lines):
        top = MARGIN + row * LINE_HEIGHT
        size = HEAD_SIZE if left == MARGIN and bold else TEXT_SIZE
        write_text(panel, (left, top), text, size, rim=None, bold=bold)
        if number:
            colour = LEVEL_COLOURS[check.findings[number - 1][1].level]
            _draw_badge(panel, (MARGIN + BADGE, top + LINE_HEIGHT / 2), number, colour)
    return panel
