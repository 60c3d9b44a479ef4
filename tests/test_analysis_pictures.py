"""The evidence pictures: marks lie where the things are, and need no colour to be told apart."""

from __future__ import annotations

from dataclasses import replace
from xml.etree import ElementTree

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from analysis_examples import (
    CAMERA,
    GOAL,
    START_S,
    example_analysis,
    example_shot,
    example_stills,
    example_view,
    goal_of_view,
    still_at,
)
from shoegoal.pictures.from_above import where_it_ended
from shoegoal.pictures.goal_picture import draw_goal_picture
from shoegoal.pictures.marks import CALL_WORDS, SKY, YELLOW, Box, Window, write_text
from shoegoal.pictures.overview import draw_overview
from shoegoal.pictures.stills import StillPicture, strip_moments
from shoegoal.pictures.strip import GAP, HEADER_HEIGHT, LABEL_HEIGHT, draw_strip
from shoegoal.types import Call, Estimate

U8 = npt.NDArray[np.uint8]
PAINT = (255, 0, 255)  # used by no mark
SVG = "{http://www.w3.org/2000/svg}"


def _near(picture: U8, colour: tuple[int, int, int], slack: int = 40) -> npt.NDArray[np.bool_]:
    off = np.abs(picture.astype(np.int16) - np.array(colour, np.int16)).max(axis=2)
    return np.asarray(off <= slack)


def _blobs(mask: npt.NDArray[np.bool_]) -> list[tuple[float, float, int]]:
    """Centre and area of each connected patch, largest first."""
    count, _, stats, centres = cv2.connectedComponentsWithStats(mask.astype(np.uint8))
    found = [
        (float(centres[k, 0]), float(centres[k, 1]), int(stats[k, cv2.CC_STAT_AREA]))
        for k in range(1, count)
    ]
    return sorted(found, key=lambda blob: -blob[2])


def _painted(still: StillPicture) -> StillPicture:
    """The same still with the ball in a colour of its own."""
    white = _near(still.bgr, (245, 245, 245), 8)
    picture = still.bgr.copy()
    picture[white] = PAINT
    return replace(still, bgr=picture)


def _tiles(strip: U8, count: int) -> list[U8]:
    body = strip[HEADER_HEIGHT + LABEL_HEIGHT : -GAP]
    width = (strip.shape[1] - GAP * (count + 1)) // count
    lefts = [GAP + k * (width + GAP) for k in range(count)]
    return [body[:, left : left + width] for left in lefts]


@pytest.mark.parametrize("scale", [1.0, 0.5, 1.7])
@pytest.mark.parametrize("number", [1, 2, 4])
def test_the_ring_lies_round_the_ball(number: int, scale: float) -> None:
    shot = example_shot(number)
    stills = [_painted(still) for still in example_stills(shot, scale)]
    tiles = _tiles(draw_strip(shot, stills, example_view(), start_s=START_S), 5)
    for tile in tiles[:4]:  # the ball is not known any more in the last one
        for x, y, area in _blobs(_near(tile, PAINT, 60)):
            if area < 12:
                continue
            radius = np.sqrt(area / np.pi)
            rows, columns = np.nonzero(_near(tile, SKY, 60))
            far = np.hypot(columns - x, rows - y)
            ring = (far > 0.7 * radius) & (far < radius + 9)
            assert ring.sum() > 12
            angles = np.arctan2(rows[ring] - y, columns[ring] - x)
            # All round, not only on one side.
            assert len(np.unique(np.floor(angles / (np.pi / 2)) % 4)) == 4
    assert not _near(tiles[4], PAINT, 60).sum() < 3


def test_a_small_ball_is_enlarged() -> None:
    shot = example_shot(1)
    tiles = _tiles(draw_strip(shot, [_painted(s) for s in example_stills(shot)], example_view()), 5)
    near = _blobs(_near(tiles[1], PAINT, 60))
    far = _blobs(_near(tiles[3], PAINT, 60))
    assert len([b for b in near if b[2] > 30]) == 1
    assert len([b for b in far if b[2] > 30]) == 2
    assert far[0][2] >= 3.5 * far[1][2]  # at least twice as long and as wide, less its ring


def test_the_tip_of_each_marker_sign_touches_its_foot() -> None:
    """The place of the foot comes from cv2.projectPoints, not from this project's camera."""
    view, still = example_view(), still_at(example_shot(1), START_S)
    picture = draw_goal_picture(example_analysis(), still, view)
    zoom = picture.shape[1] / still.bgr.shape[1]
    below = picture.shape[1] // 4  # the enlarged feet
    picture = picture[-round(still.bgr.shape[0] * zoom) - below : -below]  # without the words
    turn = CAMERA.rotation()
    shift = -turn @ np.array([0.0, 0.0, CAMERA.height_m])
    feet = np.array([[*GOAL.left_m, 0.0], [*GOAL.right_m, 0.0]])
    seen, _ = cv2.projectPoints(feet, cv2.Rodrigues(turn)[0], shift, CAMERA.matrix(), np.zeros(5))
    for x, y in (seen.reshape(-1, 2) + 0.5) * zoom - 0.5:
        below = picture[round(y + 4) : round(y + 26), round(x - 14) : round(x + 15)]
        widths = _near(below, YELLOW, 40).sum(axis=1)
        assert widths[-8:].mean() > widths[2:8].mean() > 0  # a triangle that widens downwards
        assert np.nonzero(_near(below, YELLOW, 40))[1].mean() == pytest.approx(14, abs=1.5)


def test_both_feet_are_enlarged_below() -> None:
    still = still_at(example_shot(1), START_S)
    picture = draw_goal_picture(example_analysis(), still, example_view())
    rows, half = picture.shape[1] // 4, picture.shape[1] // 2
    for feet in (picture[-rows:, :half], picture[-rows:, half:]):
        x, y, area = _blobs(_near(np.ascontiguousarray(feet), (40, 40, 60), 30))[0]
        # The marker, a disc of 12 px about its foot, stands in the middle, 3.4 times as large.
        assert (x, y) == pytest.approx((half / 2, rows / 2), abs=14)
        assert area > 2 * np.pi * 12**2 / 2


def test_calls_differ_without_colour() -> None:
    heads = {}
    for call in Call:
        shot = replace(example_shot(1), call=call)
        strip = draw_strip(shot, example_stills(shot), example_view())
        grey = cv2.cvtColor(strip[:HEADER_HEIGHT], cv2.COLOR_BGR2GRAY)
        # Black and white: only shapes and words are left.
        heads[call] = np.where(grey > 100, 255, 0).astype(np.uint8)
    for a, b in ((Call.MAKE, Call.MISS), (Call.MISS, Call.UNSURE), (Call.MAKE, Call.UNSURE)):
        sign = np.abs(heads[a][:60, :60].astype(int) - heads[b][:60, :60]).mean()
        word = np.abs(heads[a][:60, 60:600].astype(int) - heads[b][:60, 60:600]).mean()
        assert sign > 5 and word > 5


def test_strip_of_a_shot_that_was_never_seen_again() -> None:
    shot = replace(
        example_shot(1), path=(), fitted_path_px=(), crossing_time_s=None, crossing_x_m=None,
        crossing_z_m=None, speed_mps=None, kick_spot_m=None,
    )  # fmt: skip
    strip = draw_strip(shot, example_stills(shot), example_view())
    assert len(_tiles(strip, 5)) == 5
    with pytest.raises(ValueError, match="at least one still"):
        draw_strip(shot, [], example_view())


def test_strip_with_the_markers_outside_the_picture() -> None:
    view, shot = example_view(), example_shot(1)
    far = replace(view, left_px=replace(view.left_px, x_px=-900.0))
    assert draw_strip(shot, example_stills(shot), far).shape[0] > 400


def test_moments_are_in_order_and_named_for_what_they_show() -> None:
    crossed, short = strip_moments(example_shot(1)), strip_moments(example_shot(4))
    for moments in (crossed, short):
        times = [moment.time_s for moment in moments]
        assert times == sorted(times) and len(times) == 5
    assert crossed[3].name == "at the line" and short[3].name == "last seen"


def test_window_agrees_with_opencv_resize() -> None:
    """A point of the still lands where cv2.resize puts its pixel (pixel-centre convention)."""
    picture = np.zeros((200, 300, 3), np.uint8)
    picture[80, 120] = 255
    window = Window.onto(StillPicture(0.0, picture, 0.5), Box(100.0, 100.0, 400.0, 240.0), 480)
    bright = window.canvas[..., 0].astype(float)
    rows, columns = np.mgrid[: bright.shape[0], : bright.shape[1]]
    seen = np.array([(columns * bright).sum(), (rows * bright).sum()]) / bright.sum()
    # Still pixel 120 covers displayed pixels 240 and 241: their middle is 240.5.
    assert window.place([(240.5, 160.5)])[0] == pytest.approx(seen, abs=0.25)


def test_text_stays_inside_and_beyond_the_edge() -> None:
    canvas = np.zeros((40, 60, 3), np.uint8)
    assert write_text(canvas, (5, 5), "± 3 cm", 14) > 20
    write_text(canvas, (-500, 900), "far away", 14)
    assert canvas.any()


def test_overview_shows_every_call_and_grows_with_the_set() -> None:
    analysis = example_analysis()
    sheet = draw_overview(analysis)
    root = ElementTree.fromstring(sheet)
    words = [one.text for one in root.iter(f"{SVG}text")]
    for shot in analysis.shots:
        assert f"shot {shot.number}" in words and CALL_WORDS[shot.call] in words
    assert draw_overview(analysis) == sheet
    fewer = ElementTree.fromstring(draw_overview(replace(analysis, shots=analysis.shots[:2])))
    assert height_of(fewer) < height_of(root)


def test_overview_says_how_far_out_a_miss_beyond_its_border_went() -> None:
    analysis = example_analysis()
    shot = replace(analysis.shots[1], crossing_x_m=Estimate(9.0, 0.05))
    sheet = draw_overview(replace(analysis, shots=(shot,))).decode()
    assert "9.0 m right of the middle" in sheet and sheet.count('class="beyond"') == 1


def test_overview_of_no_shots() -> None:
    root = ElementTree.fromstring(draw_overview(replace(example_analysis(), shots=())))
    assert height_of(root) > 300


def height_of(root: ElementTree.Element) -> float:
    return float(root.attrib["viewBox"].split()[3])


def test_where_a_short_shot_ended() -> None:
    """The ball of shot 4 stops 1.5 m before the line, a tenth of the way to the side."""
    where = where_it_ended(example_shot(4), example_view())
    assert where is not None
    assert where[1] == pytest.approx(1.5, abs=0.02)
    assert goal_of_view().width_m == pytest.approx(2.2, abs=1e-6)
