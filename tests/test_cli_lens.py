"""``shoegoal board`` and ``shoegoal lens``: a printed board, filmed, gives the lens back."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest
from click.testing import CliRunner, Result

from clip_writer import ramp_pictures, write_clip
from shoegoal.cli.main import cli
from shoegoal.scene.lens import read_lens

U8 = npt.NDArray[np.uint8]
SIZE_PX = (1280, 960)
FOCAL_PX = 1120.0


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert "Traceback" not in result.output
    return result


def filmed(
    page: U8,
    page_m: tuple[float, float],
    turn_deg: tuple[float, float, float],
    place_m: tuple[float, float, float],
) -> U8:
    """A page seen by a pinhole camera: its plane's homography K [r1 r2 t] (Zhang 2000, eq. 2)."""
    turn, _ = cv2.Rodrigues(np.deg2rad(np.array(turn_deg)))
    middle = turn @ np.array([page_m[0] / 2, page_m[1] / 2, 0.0])
    shift = np.array(place_m) - middle
    camera = np.array([[FOCAL_PX, 0, 639.5], [0, FOCAL_PX, 479.5], [0, 0, 1]])
    per_px = np.diag([page_m[0] / page.shape[1], page_m[1] / page.shape[0], 1.0])
    seen = camera @ np.column_stack([turn[:, 0], turn[:, 1], shift]) @ per_px
    return np.asarray(
        cv2.warpPerspective(page, seen, SIZE_PX, flags=cv2.INTER_AREA, borderValue=(90,)), np.uint8
    )


def test_board_and_lens(tmp_path: Path) -> None:
    page_file = tmp_path / "board.png"
    assert run("board", "--out", page_file).exit_code == 0
    page = np.asarray(cv2.imread(str(page_file), cv2.IMREAD_GRAYSCALE), np.uint8)
    page = np.asarray(
        cv2.resize(page, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA), np.uint8
    )
    a4_m = (0.210, 0.297)  # ISO 216
    turns = [(x, y, z) for x in (-35, 0, 35) for y in (-30, 5, 30) for z in (0, 80)]
    # Held by hand: every view from another place.
    places = [(0.06 * (k % 3 - 1), 0.03 * (k % 4 - 1.5), 0.4 + 0.02 * (k % 5)) for k in range(18)]
    pictures = [filmed(page, a4_m, *view) for view in zip(turns, places, strict=True)]
    clip = write_clip(
        tmp_path / "board.mp4", pictures, pts=[300 * k for k in range(len(pictures))],
        options={"crf": "12"},
    )  # fmt: skip
    out = tmp_path / "phone.toml"
    result = run("lens", clip, "--out", out)
    assert result.exit_code == 0, result.output
    assert "focal length" in result.stdout and "1280x960" in result.stdout
    lens = read_lens(out)
    assert lens.focal_px == pytest.approx(FOCAL_PX, rel=0.01)
    assert lens.cx_px == pytest.approx(639.5, abs=12)
    assert lens.cy_px == pytest.approx(479.5, abs=12)
    assert "board.mp4" in lens.how_made


def test_board_as_pdf(tmp_path: Path) -> None:
    assert run("board", "--out", tmp_path / "board.pdf").exit_code == 0
    assert (tmp_path / "board.pdf").read_bytes().startswith(b"%PDF-1")


def test_refusals(tmp_path: Path) -> None:
    result = run("board", "--out", tmp_path / "board.doc")
    assert result.exit_code == 2 and "must end in .pdf or .png" in result.stderr
    assert run("board").exit_code == 2
    assert run("board", "--out", tmp_path / "nowhere" / "board.png").exit_code == 7
    clip = write_clip(tmp_path / "yard.mp4", ramp_pictures(12))
    result = run("lens", clip, "--out", tmp_path / "phone.toml")
    assert result.exit_code == 5 and "views of the board" in result.stderr
    assert run("lens", tmp_path / "none.mp4", "--out", tmp_path / "phone.toml").exit_code == 4
    assert run("lens", clip, "--out", tmp_path).exit_code == 7
    assert [p.name for p in tmp_path.iterdir()] == ["yard.mp4"]
    bad = tmp_path / "bad.toml"
    bad.write_text("focal_px = 'long'")
    own = ("--make", "4", "--width-steps", "4", "--back-steps", "10")
    for option in ("--lens", "--calibration"):
        result = run("count", clip, *own, option, bad)
        assert result.exit_code == 6, result.stderr
        assert "bad.toml" in result.stderr and len(result.stderr.splitlines()) == 1
