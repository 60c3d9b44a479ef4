"""The pose model: a person in, joints out; nothing on standard error, nothing on the network."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from no_network import LINUX, NO_SOCKETS, run
from shoegoal.clip.frame import Frame
from shoegoal.cues import pose
from shoegoal.cues.pose import OUTSIDE_GREY, Square, open_pose_model, quiet_standard_error
from shoegoal.errors import ShoegoalError

LOOK = """
import numpy as np
from shoegoal.cues.pose import Square, open_pose_model
with open_pose_model() as model:
    found = model.find(np.full((256, 256, 3), 128, np.uint8), Square(-20, 10, 256), 0.5)
print("nobody" if found is None else "somebody")
"""


@pytest.mark.skipif(not LINUX, reason="needs Linux's seccomp")
def test_pose_opens_no_socket_and_writes_nothing_to_standard_error() -> None:
    ran = run(NO_SOCKETS + LOOK)
    assert (ran.returncode, ran.stdout, ran.stderr) == (0, "nobody\n", "")


@pytest.mark.skipif(not LINUX, reason="needs Linux's seccomp")
def test_a_socket_would_have_been_noticed() -> None:
    assert run(NO_SOCKETS + "import socket; socket.socket()").returncode < 0


def test_standard_error_comes_back_whatever_happens(capfd: pytest.CaptureFixture[str]) -> None:
    def trouble() -> None:
        with quiet_standard_error():
            os.write(2, b"lost")
            raise KeyError

    with pytest.raises(KeyError):
        trouble()
    os.write(2, b"kept")
    assert capfd.readouterr().err == "kept"


def _frame(width: int, height: int) -> Frame:
    """A picture whose light changes from sample to sample and whose colour changes slowly."""
    luma = np.random.default_rng(4).integers(30, 220, (height, width), dtype=np.uint8)
    rows, columns = np.mgrid[: height // 2, : width // 2]
    return Frame(0.0, luma, (100 + 2 * columns).astype(np.uint8), (160 - 2 * rows).astype(np.uint8))


@pytest.mark.parametrize("corner", [(-3, 4), (2, 5), (31, 20), (7, -9)])
def test_a_square_shows_what_the_whole_picture_shows_and_grey_beyond_its_edge(
    corner: tuple[int, int],
) -> None:
    frame = _frame(46, 34)
    whole = np.full((34 + 40, 46 + 40, 3), OUTSIDE_GREY, np.uint8)
    whole[20:54, 20:66] = frame.bgr()
    wanted = whole[corner[1] + 20 : corner[1] + 40, corner[0] + 20 : corner[0] + 40]
    # Chroma is stretched between its samples, so the rim of a cut differs by a level or two.
    assert np.abs(Square(*corner, 20).cut(frame).astype(int) - wanted).max() <= 3


def test_a_square_wholly_outside_is_grey() -> None:
    assert (Square(50, 50, 4).cut(_frame(20, 20)) == OUTSIDE_GREY).all()


def test_a_damaged_model_file_is_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / pose.MODEL_NAME).write_bytes(b"no model")
    monkeypatch.setattr(pose, "files", lambda _: tmp_path)
    with pytest.raises(ShoegoalError, match="install shoegoal again"), open_pose_model():
        pass
    assert capfd.readouterr().err == ""
