"""The goal as shoegoal took it, drawn on a still for a person to confirm."""

from __future__ import annotations

import numpy as np

from shoegoal.analysis.model import Analysis, MarkersSource
from shoegoal.clip.frame import U8
from shoegoal.pictures.marks import (
    INK,
    PAPER,
    SKY,
    YELLOW,
    Box,
    Window,
    draw_line,
    draw_marker,
    draw_ring,
    wrapped_text,
    write_text,
)
from shoegoal.pictures.stills import SceneView, StillPicture

LONG_SIDE = 1600
TEXT_SIZE = 28
LINE_HEIGHT = 42
FOOT_SHARE = 0.09  # of the long side: what is shown round a marker's foot
GRID_M = 1.0
BEHIND_M = 1.0  # how far behind the goal line the ground grid goes
ASIDE_M = 2.0
_SOURCE_WORDS = {
    MarkersSource.GIVEN: "given by you",
    MarkersSource.FOUND: "found by shoegoal",
    MarkersSource.CALIBRATION_FILE: "from the calibration file",
}


def draw_goal_picture(analysis: Analysis, still: StillPicture, view: SceneView) -> U8:
    """Draw markers, goal line, 1 m ground grid and kick spots over a still.

    Returns
    -------
    (H, W, 3) uint8 blue-green-red.
    """
    width, height = still.native_size_px
    rows = round(height * LONG_SIDE / max(width, height))
    window = Window.onto(still, Box(0.0, 0.0, width, height), rows)
    spots = [shot.kick_spot_m for shot in analysis.shots if shot.kick_spot_m is not None]
    _draw_grid(window, view, max((y for _, y in spots), default=2.0))
    for spot_m in spots:
        centre, diameter_px = view.ball_px(spot_m)
        if np.isfinite([centre.x_px, centre.y_px, diameter_px]).all():
            place = window.spot(centre.x_px, centre.y_px)
            draw_ring(window.canvas, place, diameter_px / 2 * window.zoom, SKY, dashed=True)
    draw_line(window.canvas, window.place(view.goal_line_px()), YELLOW, 3, 2)
    for letter, marker in (("L", view.left_px), ("R", view.right_px)):
        draw_marker(window.canvas, window.spot(marker.x_px, marker.y_px), letter, 26)
    feet = _enlarged_feet(still, view, window.canvas.shape[1])
    return _with_header(analysis, np.vstack([window.canvas, feet]))


def _enlarged_feet(still: StillPicture, view: SceneView, columns: int) -> U8:
    """Both markers enlarged side by side: a foot a few pixels off is hard to see in the whole."""
    half, rows = columns // 2, columns // 4
    side_px = FOOT_SHARE * max(still.native_size_px)
    strip = np.full((rows, columns, 3), INK, np.uint8)
    for left, letter, marker in ((0, "L", view.left_px), (half, "R", view.right_px)):
        box = Box(marker.x_px - side_px, marker.y_px - side_px / 2, 2 * side_px, side_px)
        window = Window.onto(still, box, rows)
        draw_line(window.canvas, window.place(view.goal_line_px()), YELLOW, 1, 1)
        draw_marker(window.canvas, window.spot(marker.x_px, marker.y_px), letter, 26)
        piece = window.canvas[:, : half - 4]
        strip[4:, left : left + piece.shape[1]] = piece[4:]
    return strip


def _with_header(analysis: Analysis, canvas: U8) -> U8:
    scene = analysis.goal_scene
    width = scene.goal_width_m
    said = f"Goal {width.value:.2f} ± {width.sigma:.2f} m wide, markers "
    said += _SOURCE_WORDS[scene.markers_source]
    if scene.kick_distance_m is not None:
        back = scene.kick_distance_m
        said += f", kicked from {back.value:.1f} ± {back.sigma:.1f} m (grid: 1 m)"
    asked = (
        "Do the tips of L and R stand at the inner feet of your markers? If not, count again "
        "with --left and --right."
    )
    room = canvas.shape[1] - 24
    lines = [*wrapped_text(said, TEXT_SIZE, room), *wrapped_text(asked, TEXT_SIZE, room)]
    header = 20 + LINE_HEIGHT * len(lines)
    picture = np.full((header + canvas.shape[0], canvas.shape[1], 3), INK, np.uint8)
    picture[header:] = canvas
    for number, line in enumerate(lines):
        write_text(picture, (12, 10 + LINE_HEIGHT * number), line, TEXT_SIZE, rim=None)
    return picture


def _draw_grid(window: Window, view: SceneView, back_m: float) -> None:
    """Lines on the ground a metre apart, counted from the goal's middle."""
    side_m = np.ceil(view.goal.width_m / 2 + ASIDE_M)
    near_m = np.ceil(back_m + BEHIND_M)
    across = np.arange(-side_m, side_m + GRID_M / 2, GRID_M)
    back = np.arange(-BEHIND_M, near_m + GRID_M / 2, GRID_M)
    fine_back = np.linspace(back[0], back[-1], 80)
    fine_across = np.linspace(across[0], across[-1], 40)
    for x_m in across:
        line = np.column_stack([np.full_like(fine_back, x_m), fine_back, 0 * fine_back])
        draw_line(window.canvas, window.place(view.to_px(line)), PAPER, 1, 0)
    for y_m in back:
        line = np.column_stack([fine_across, np.full_like(fine_across, y_m), 0 * fine_across])
        draw_line(window.canvas, window.place(view.to_px(line)), PAPER, 1, 0)
