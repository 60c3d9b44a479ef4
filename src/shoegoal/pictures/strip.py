"""The strip of a shot: five stills side by side that let a person check the call."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from shoegoal.analysis.words import chance_text, chance_words
from shoegoal.clip.clock import clock_text
from shoegoal.clip.frame import U8
from shoegoal.pictures.marks import (
    CALL_COLOURS,
    CALL_WORDS,
    INK,
    PAPER,
    SKY,
    YELLOW,
    Box,
    Spot,
    Window,
    draw_call,
    draw_dots,
    draw_line,
    draw_marker,
    draw_ring,
    fitted_text,
    side_by_side,
    write_text,
)
from shoegoal.pictures.stills import F64, SceneView, StillPicture, strip_moments
from shoegoal.types import Call, Shot

TILE_HEIGHT = 440
LABEL_HEIGHT = 44
HEADER_HEIGHT = 92
GAP = 8
SMALL_BALL_SHARE = 0.07  # of the tile's height: below this a ball gets an inset
INSET_SHARE = 0.42
INSET_DIAMETERS = 8.0
INSET_LEAST_GAIN = 2.0  # an inset has to show more than the tile itself
KICKER_HEIGHT_M = 1.4  # keeps the kicker in the cut; common practice, no source
SAME_MOMENT_S = 0.12
SAME_FRAME_S = 0.002  # half a frame at 240 pictures per second
BRIDGED_S = 0.25  # a gap between sightings short enough to go straight across


def draw_strip(
    shot: Shot, stills: Sequence[StillPicture], view: SceneView, *, start_s: float = 0.0
) -> U8:
    """Draw a shot's strip.

    Parameters
    ----------
    shot : the judged shot.
    stills : in order of time; usually one for each of `strip_moments`.
    view : the scene to draw over them.
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
    box = shot_box(shot, stills[0].native_size_px, view)
    tiles = [_tile(shot, still, view, box, start_s) for still in stills]
    strip = _row(tiles, HEADER_HEIGHT)
    _write_header(strip, shot, start_s)
    return strip


def draw_blind_strip(
    shot: Shot, stills: Sequence[StillPicture], view: SceneView, *, start_s: float = 0.0
) -> U8:
    """Draw the same stills with their times, and nothing of how the shot was called.

    Parameters, result and errors are as for `draw_strip`.
    """
    if not stills:
        raise ValueError("a strip needs at least one still")
    box = shot_box(shot, stills[0].native_size_px, view)
    tiles = []
    for still in stills:
        tile = _on_tile(Window.onto(still, box, TILE_HEIGHT))
        write_text(tile, (4, 6), clock_text(still.time_s - start_s), 26, rim=None)
        tiles.append(tile)
    return _row(tiles, GAP)


def _row(tiles: Sequence[U8], top: int) -> U8:
    return side_by_side(tiles, top=top, height=TILE_HEIGHT + LABEL_HEIGHT, gap=GAP)


def _write_header(strip: U8, shot: Shot, start_s: float) -> None:
    room = strip.shape[1] - 2 * GAP
    middle = 30.0
    draw_call(strip, (GAP + 26, middle), shot.call, 36)
    left = GAP + 60.0
    for text, colour, bold in (
        (f"Shot {shot.number}", PAPER, True),
        (CALL_WORDS[shot.call], _bright(shot.call), True),
        (f"kicked at {clock_text(shot.kick_time_s - start_s)}", PAPER, False),
        (f"{chance_words(shot.kind)} {chance_text(shot.p_make)}", PAPER, False),
    ):
        left += write_text(
            strip, (left, middle), text, 32, colour=colour, rim=None, anchor="left middle",
            bold=bold,
        ) + 28  # fmt: skip
    reason = shot.reason
    if not reason.startswith(shot.outcome.value):
        reason = f"{shot.outcome.value}: {reason}"
    write_text(strip, (GAP + 4, 56), fitted_text(reason, 26, room), 26, rim=None)


def _bright(call: Call) -> tuple[int, int, int]:
    """Lighten a call's colour until it reads on the dark header."""
    blue, green, red = (round(part + (255 - part) * 0.35) for part in CALL_COLOURS[call])
    return blue, green, red


def plain_cut(
    shot: Shot,
    still: StillPicture,
    view: SceneView,
    height_px: int,
    least_aspect: float = 0.0,
) -> U8:
    """Cut a shot's part out of a still, with nothing drawn over it.

    Parameters
    ----------
    shot, still, view : whose part of which still, and the scene.
    height_px : of the cut.
    least_aspect : at least so wide for its height, as far as the picture goes.

    Returns
    -------
    (height_px, W, 3) uint8 blue-green-red.
    """
    width, _ = still.native_size_px
    box = shot_box(shot, still.native_size_px, view)
    wide = min(width, max(box.width, least_aspect * box.height))
    left = float(np.clip(box.left + (box.width - wide) / 2, 0.0, width - wide))
    return Window.onto(still, Box(left, box.top, wide, box.height), height_px).canvas


def shot_box(shot: Shot, size_px: tuple[float, float], view: SceneView) -> Box:
    """Find the part of the picture that the whole shot happens in, the same for all its stills."""
    width, height = size_px
    points = [(p.x_px, p.y_px) for p in shot.fitted_path_px]
    points += [(s.x_px, s.y_px) for s in shot.path]
    points += [(view.left_px.x_px, view.left_px.y_px), (view.right_px.x_px, view.right_px.y_px)]
    if shot.kick_spot_m is not None:
        x_m, y_m = shot.kick_spot_m
        points += [(float(x), float(y)) for x, y in view.to_px([(x_m, y_m, KICKER_HEIGHT_M)])]
    spots = np.array(points)
    spots = spots[np.isfinite(spots).all(axis=1)]
    spots = np.clip(spots, 0.0, [width, height])
    low, high = spots.min(axis=0), spots.max(axis=0)
    margin = 0.06 * max(width, height)
    low, high = np.maximum(low - margin, 0.0), np.minimum(high + margin, [width, height])
    wide, tall = high - low
    tall = min(height, max(tall, wide / 1.5, 0.35 * height))
    wide = min(width, max(wide, 0.75 * tall))
    middle = (low + high) / 2
    left = float(np.clip(middle[0] - wide / 2, 0.0, width - wide))
    top = float(np.clip(middle[1] - tall / 2, 0.0, height - tall))
    return Box(left, top, float(wide), float(tall))


def _tile(shot: Shot, still: StillPicture, view: SceneView, box: Box, start_s: float) -> U8:
    window = Window.onto(still, box, TILE_HEIGHT)
    disc = _ball_at(shot, view, still.time_s)
    _draw_scene(window, shot, still.time_s, view, disc)
    if disc is not None and disc.diameter_px * window.zoom < SMALL_BALL_SHARE * TILE_HEIGHT:
        _add_inset(window, shot, still, view, disc)
    tile = _on_tile(window)
    _write_label(tile, shot, still.time_s, start_s)
    return tile


def _on_tile(window: Window) -> U8:
    """Put a window on a tile with room for its label above it."""
    tile = np.full((LABEL_HEIGHT + TILE_HEIGHT, window.canvas.shape[1], 3), INK, np.uint8)
    tile[LABEL_HEIGHT:] = window.canvas
    return tile


def _write_label(tile: U8, shot: Shot, time_s: float, start_s: float) -> None:
    moment = min(strip_moments(shot), key=lambda m: abs(m.time_s - time_s))
    since_s = time_s - shot.kick_time_s
    name = moment.name
    if abs(moment.time_s - time_s) > SAME_MOMENT_S:
        name = f"{abs(since_s):.1f} s {'after' if since_s >= 0 else 'before'} the kick"
    clock = clock_text(time_s - start_s)
    right = write_text(tile, (tile.shape[1] - 4, 6), clock, 26, rim=None, anchor="right top")
    write_text(tile, (4, 6), fitted_text(name, 26, tile.shape[1] - right - 20), 26, rim=None)


def _draw_scene(
    window: Window, shot: Shot, time_s: float, view: SceneView, disc: _Disc | None
) -> None:
    """Goal line, markers, ball, and the fitted path: a line so far, dots for what is to come."""
    draw_line(window.canvas, window.place(view.goal_line_px()), YELLOW, 2, 1)
    path = window.place([(p.x_px, p.y_px) for p in shot.fitted_path_px])
    gone = int(np.ceil(_points_gone(shot, time_s)))
    spot, radius = (np.nan, np.nan), 0.0
    if disc is not None:
        spot = window.spot(disc.x_px, disc.y_px)
        radius = disc.diameter_px / 2 * window.zoom + 2
        # Nothing is drawn over the ball itself, which a person has to see.
        path[np.hypot(*(path - spot).T) <= radius] = np.nan
    draw_dots(window.canvas, path[gone + 1 :: 2], SKY, 1.5)
    draw_line(window.canvas, path[: gone + 1], SKY, 2, 1)
    for letter, marker in (("L", view.left_px), ("R", view.right_px)):
        draw_marker(window.canvas, window.spot(marker.x_px, marker.y_px), letter, 18)
    if disc is not None:
        draw_ring(window.canvas, spot, radius, SKY, dashed=not disc.measured)


def _points_gone(shot: Shot, time_s: float) -> float:
    """How many steps of the fitted path, evenly spread from contact to the end, are behind."""
    length_s = max(1e-6, shot.end_time_s - shot.kick_time_s)
    share = np.clip((time_s - shot.kick_time_s) / length_s, 0.0, 1.0)
    return float(share * max(0, len(shot.fitted_path_px) - 1))


@dataclass(frozen=True, slots=True)
class _Disc:
    """The ball's outline, and whether it was measured or is expected by the fit."""

    x_px: float
    y_px: float
    diameter_px: float
    measured: bool


def _ball_at(shot: Shot, view: SceneView, time_s: float) -> _Disc | None:
    """Where the ball was measured, else where it must have been by its neighbours or the fit."""
    before = max((s for s in shot.path if s.time_s <= time_s), key=lambda s: s.time_s, default=None)
    after = min((s for s in shot.path if s.time_s >= time_s), key=lambda s: s.time_s, default=None)
    for seen in (before, after):
        if seen is not None and abs(seen.time_s - time_s) <= SAME_FRAME_S:
            return _Disc(seen.x_px, seen.y_px, seen.diameter_px, measured=True)
    if time_s <= shot.kick_time_s and shot.kick_spot_m is not None:
        centre, diameter_px = view.ball_px(shot.kick_spot_m)
        if np.isfinite([centre.x_px, centre.y_px, diameter_px]).all():
            return _Disc(centre.x_px, centre.y_px, diameter_px, measured=False)
    if before is not None and after is not None and after.time_s - before.time_s <= BRIDGED_S:
        share = (time_s - before.time_s) / (after.time_s - before.time_s)
        ends = [(s.x_px, s.y_px, s.diameter_px) for s in (before, after)]
        x_px, y_px, diameter_px = (a + share * (b - a) for a, b in zip(*ends, strict=True))
        return _Disc(x_px, y_px, diameter_px, measured=False)
    if shot.kick_time_s <= time_s <= shot.end_time_s and shot.fitted_path_px and shot.path:
        steps = np.arange(len(shot.fitted_path_px))
        gone = _points_gone(shot, time_s)
        sizes = [s.diameter_px for s in shot.path]
        return _Disc(
            float(np.interp(gone, steps, [p.x_px for p in shot.fitted_path_px])),
            float(np.interp(gone, steps, [p.y_px for p in shot.fitted_path_px])),
            float(np.interp(time_s, [s.time_s for s in shot.path], sizes)),
            measured=False,
        )
    return None


def _add_inset(
    window: Window, shot: Shot, still: StillPicture, view: SceneView, disc: _Disc
) -> None:
    """Enlarge the ball, with the nearer marker where that fits, in the emptiest corner."""
    rows, columns = window.canvas.shape[:2]
    side = round(INSET_SHARE * min(rows, columns))
    source = _inset_box(view, disc, side / window.zoom / INSET_LEAST_GAIN)
    inset = Window.onto(still, source, side)
    _draw_scene(inset, shot, still.time_s, view, disc)
    busy = [(s.x_px, s.y_px) for s in shot.path]
    busy += [(p.x_px, p.y_px) for p in shot.fitted_path_px]
    busy += [(view.left_px.x_px, view.left_px.y_px), (view.right_px.x_px, view.right_px.y_px)]
    outline = _corners(window, source)
    left, top = _emptiest_corner(rows, columns, side, window.place(busy), outline)
    _frame(window.canvas, outline)
    piece = inset.canvas[:side, :side]
    window.canvas[top : top + piece.shape[0], left : left + piece.shape[1]] = piece
    right, bottom = left + side, top + side
    ends = np.array([(left, top), (right, top), (right, bottom), (left, bottom)], dtype=np.float64)
    _frame(window.canvas, ends)


def _inset_box(view: SceneView, disc: _Disc, most_px: float) -> Box:
    """Square round the ball, at most ``most_px`` wide."""
    near = min(
        (view.left_px, view.right_px),
        key=lambda m: np.hypot(m.x_px - disc.x_px, m.y_px - disc.y_px),
    )
    apart = float(np.hypot(near.x_px - disc.x_px, near.y_px - disc.y_px))
    side, x, y = min(INSET_DIAMETERS * disc.diameter_px, most_px), disc.x_px, disc.y_px
    with_marker = max(side, 1.6 * apart)
    if with_marker <= most_px:
        side = with_marker
        x, y = (disc.x_px + near.x_px) / 2, (disc.y_px + near.y_px) / 2
    return Box(x - side / 2, y - side / 2, side, side)


def _corners(window: Window, box: Box) -> F64:
    right, bottom = box.left + box.width, box.top + box.height
    ends = [(box.left, box.top), (right, box.top), (right, bottom), (box.left, bottom)]
    return window.place(ends)


def _frame(canvas: U8, corners: F64) -> None:
    draw_line(canvas, np.vstack([corners, corners[:1]]), PAPER, 1, 1)


def _emptiest_corner(rows: int, columns: int, side: int, busy: F64, source: F64) -> tuple[int, int]:
    """Upper left place of an inset that hides the fewest marks, the upper corners first."""
    edge = 4
    marks = np.vstack([busy, source, source.mean(axis=0, keepdims=True)])

    def hidden(place: tuple[int, int]) -> int:
        box = Box(place[0] - 6, place[1] - 6, side + 12, side + 12)
        return sum(box.holds(_pair(mark)) for mark in marks)

    right, bottom = columns - side - edge, rows - side - edge
    return min([(edge, edge), (right, edge), (edge, bottom), (right, bottom)], key=hidden)


def _pair(mark: F64) -> Spot:
    return float(mark[0]), float(mark[1])
