"""The printable board and the lens measured from it, on pictures by cv2.warpPerspective."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt
import pytest

from clip_writer import write_clip
from shoegoal.clip.reader import open_clip
from shoegoal.errors import OutputError
from shoegoal.scene import lens as lens_module
from shoegoal.scene.lens import (
    BoardNotSeenError,
    Lens,
    LensFileError,
    LensMismatchError,
    board_picture,
    calibrate_from_frames,
    read_lens,
    stated_lens,
    write_lens,
)

U8 = npt.NDArray[np.uint8]
SIZE = (1280, 720)
FOCAL = 1010.0
K = np.array([[FOCAL, 0, 652.0], [0, FOCAL, 349.0], [0, 0, 1]])


def photograph(page: U8, turn_deg: tuple[float, float, float], shift_m: tuple[float, ...]) -> U8:
    """The flat page seen through K: the plane's homography K [r1 r2 t] (Zhang 2000, eq. 2)."""
    small = cv2.resize(page, None, fx=0.4, fy=0.4, interpolation=cv2.INTER_AREA)
    m_per_px = 0.210 / small.shape[1]
    rotation, _ = cv2.Rodrigues(np.deg2rad(turn_deg))
    centre = np.array([0.105, 0.1485, 0.0])
    shift = np.array(shift_m) - rotation @ centre
    plane = K @ np.column_stack([rotation[:, 0], rotation[:, 1], shift])
    # Pixel centres: page pixel p covers the metres (p + 0.5) * m_per_px.
    to_m = np.array([[m_per_px, 0, 0.5 * m_per_px], [0, m_per_px, 0.5 * m_per_px], [0, 0, 1]])
    seen = cv2.warpPerspective(small, plane @ to_m, SIZE, flags=cv2.INTER_AREA, borderValue=120)
    noise = np.random.default_rng(int(abs(turn_deg[0]) * 10)).normal(0, 3, seen.shape)
    blurred = np.asarray(cv2.GaussianBlur(seen, (0, 0), 0.7), dtype=np.float64)
    return np.clip(blurred + noise, 0, 255).astype(np.uint8)


POSES = [
    ((0, 0, 0), (0.0, 0.0, 0.50)),
    ((32, 0, 5), (0.04, 0.02, 0.55)),
    ((-30, 10, 0), (-0.10, 0.0, 0.55)),
    ((5, 35, 90), (0.10, 0.0, 0.50)),
    ((0, -35, 80), (-0.06, 0.02, 0.48)),
    ((25, 25, -85), (0.02, -0.03, 0.60)),
    ((-25, 28, 20), (0.12, 0.01, 0.62)),
    ((20, -28, -10), (-0.14, -0.01, 0.60)),
]


@pytest.fixture(scope="module")
def views() -> list[U8]:
    page = board_picture()
    return [photograph(page, turn, shift) for turn, shift in POSES]


def test_focal_length_is_recovered_within_one_percent(views: list[U8]) -> None:
    lens = calibrate_from_frames(views, "test")
    assert lens.focal_px == pytest.approx(FOCAL, rel=0.01)
    assert lens.cx_px == pytest.approx(652.0, abs=13)
    assert lens.cy_px == pytest.approx(349.0, abs=13)
    assert np.abs(lens.distortion[:2]).max() < 0.15
    assert (lens.width_px, lens.height_px) == SIZE
    assert lens.how_made.startswith("test; 8 views")


def test_a_still_board_is_one_view(views: list[U8]) -> None:
    with pytest.raises(BoardNotSeenError, match="Only 1 different views"):
        calibrate_from_frames([views[1]] * 20)


def test_flat_on_views_are_refused() -> None:
    page = board_picture()
    flat = [
        photograph(page, (0, 0, 12 * k), (0.03 * k - 0.1, 0.0, 0.45 + 0.03 * k)) for k in range(7)
    ]
    with pytest.raises(BoardNotSeenError, match="flat-on"):
        calibrate_from_frames(flat)


def test_pictures_without_a_board_or_of_two_sizes(views: list[U8]) -> None:
    with pytest.raises(BoardNotSeenError, match="Only 0 different views"):
        calibrate_from_frames([np.full((720, 1280), 90, np.uint8)])
    with pytest.raises(BoardNotSeenError, match="Only 0 different views"):
        calibrate_from_frames([])
    with pytest.raises(BoardNotSeenError, match="one size"):
        calibrate_from_frames([views[0], views[1][:600]])


def test_page_is_a4_at_true_scale() -> None:
    """ISO 216: A4 is 210 x 297 mm; 300 dots an inch. Squares are measured on the drawn page."""
    page = board_picture()
    assert page.shape == (3508, 2480)
    view = lens_module.find_board(page)
    assert view is not None
    assert len(view.names) == (lens_module.COLUMNS - 1) * (lens_module.ROWS - 1)
    mm = (view.pixels.max(axis=0) - view.pixels.min(axis=0)) * 25.4 / 300
    assert mm == pytest.approx([4 * lens_module.SQUARE_MM, 7 * lens_module.SQUARE_MM], abs=0.15)


def test_png_says_its_scale_and_pdf_its_page(tmp_path: Path) -> None:
    lens_module.write_board(tmp_path / "board.png")
    data = (tmp_path / "board.png").read_bytes()
    at = data.index(b"pHYs")
    # W3C PNG: pixels per metre, 300 / 0.0254 = 11811, unit 1.
    assert struct.unpack(">IIB", data[at + 4 : at + 13]) == (11811, 11811, 1)
    assert struct.unpack(">I", data[at + 13 : at + 17])[0] == zlib.crc32(data[at : at + 13])
    back = cv2.imread(str(tmp_path / "board.png"), cv2.IMREAD_GRAYSCALE)
    assert back is not None
    assert np.array_equal(back, board_picture())
    lens_module.write_board(tmp_path / "board.pdf")
    pdf = (tmp_path / "board.pdf").read_bytes()
    # ISO 32000-1: 72 points an inch, so A4 is 595.276 x 841.890 points.
    assert b"/MediaBox [0 0 595.276 841.890]" in pdf
    start = int(pdf.rsplit(b"startxref\n", 1)[1].split()[0])
    assert pdf[start:].startswith(b"xref")
    for number, line in enumerate(pdf[start:].split(b"\n")[3:8], start=1):
        assert pdf[int(line[:10]) :].startswith(b"%d 0 obj" % number)
    stream = pdf[pdf.index(b"/DeviceGray") :].split(b"stream\n", 1)[1]
    assert len(zlib.decompressobj().decompress(stream)) == 3508 * 2480
    with pytest.raises(OutputError, match=r"\.png or \.pdf"):
        lens_module.write_board(tmp_path / "board.doc")
    with pytest.raises(OutputError, match="choose another folder"):
        lens_module.write_board(tmp_path / "missing" / "board.png")
    assert sorted(p.name for p in tmp_path.iterdir()) == ["board.pdf", "board.png"]


def test_lens_at_another_resolution() -> None:
    lens = Lens(1920, 1080, 1500.0, 959.5, 539.5, (0.1, 0.0, 0.0, 0.0, 0.0))
    small = lens.scaled_to((1280, 720))
    assert small.focal_px == pytest.approx(1000.0)
    assert (small.cx_px, small.cy_px) == pytest.approx((639.5, 359.5))
    assert small.distortion == lens.distortion
    for other in ((1080, 1920), (640, 480)):
        with pytest.raises(LensMismatchError, match="same way up"):
            lens.scaled_to(other)


def test_lens_file_there_and_back(tmp_path: Path) -> None:
    lens = Lens(1280, 720, 1010.25, 640.5, 351.0, (0.1, -0.2, 1e-4, 0.0, 0.0), 0.02, 'a "b"\n\\c é')
    write_lens(tmp_path / "a.toml", lens)
    assert read_lens(tmp_path / "a.toml") == lens


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("focal_px = 1010.0", "focal_px = -5.0", "focal_px"),
        ("focal_px = 1010.0", "focal_px = nan", "focal_px"),
        ("version = 1", "version = 2", "version"),
        ("version = 1", "version = 1\ncolour = 3", "colour"),
        ("version = 1", "version = ", "not TOML"),
    ],
)
def test_bad_lens_files(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = tmp_path / "lens.toml"
    write_lens(path, Lens(1280, 720, 1010.0, 640.0, 351.0))
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(LensFileError, match=words):
        read_lens(path)
    with pytest.raises(LensFileError, match="check its name"):
        read_lens(tmp_path / "none.toml")


def test_example_lens_file() -> None:
    example = Path(__file__).parent.parent / "calibration" / "example_lens.toml"
    assert read_lens(example).width_px == 1920


@pytest.mark.parametrize("told", ["26", "0", "wide", None])
def test_a_file_may_state_its_focal_length(tmp_path: Path, told: str | None) -> None:
    """CIPA DCG-001 (from memory): by the diagonal; 26 mm on 36 x 24 mm sees 79.5 deg across it."""
    clip = write_clip(tmp_path / "plain.mp4", [np.zeros((90, 160), np.uint8)] * 4)
    if told is not None:
        tagged = tmp_path / "tagged.mp4"
        options = {"movflags": "use_metadata_tags"}
        with av.open(str(clip)) as read, av.open(str(tagged), "w", options=options) as write:
            write.metadata["com.apple.quicktime.camera.focal_length.35mm_equivalent"] = told
            stream = write.add_stream_from_template(read.streams.video[0])
            for packet in read.demux(video=0):
                if packet.dts is not None:
                    packet.stream = stream
                    write.mux(packet)
        clip = tagged
    with open_clip(clip) as opened:
        lens = stated_lens(opened.info.focal_35mm, SIZE)
    if told != "26":
        assert lens is None
        return
    assert lens is not None
    corner_deg = 2 * np.degrees(np.arctan(np.hypot(*SIZE) / 2 / lens.focal_px))
    assert corner_deg == pytest.approx(79.5, abs=0.1)
    assert lens.focal_sigma_rel > 0.03  # steadying crops the picture, nobody says how much
