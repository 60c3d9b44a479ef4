"""The networks' runtime beside another one that reads the same files: OpenCV's."""

from __future__ import annotations

from importlib.resources import as_file, files
from pathlib import Path

import cv2
import numpy as np
import pytest

from shoegoal import networks
from shoegoal.errors import ShoegoalError
from shoegoal.networks import load_network


@pytest.mark.parametrize(
    ("floor", "name", "shape"),
    [
        ("ball", "ball_gauge.onnx", (5, 6, 48, 48)),
        ("record", "nanodet_h.onnx", (1, 3, 416, 416)),
        ("scene", "standing_things.onnx", (1, 3, 96, 320)),
    ],
)
def test_both_runtimes_answer_the_same(floor: str, name: str, shape: tuple[int, ...]) -> None:
    levels = np.random.default_rng(2).integers(0, 256, shape).astype(np.float32)
    if name == "nanodet_h.onnx":  # takes levels brought to scale
        levels = np.asarray((levels - 128) / 64, np.float32)
    with as_file(files(f"shoegoal.{floor}") / "models" / name) as path:
        reference = cv2.dnn.readNetFromONNX(str(path))
    reference.setInput(levels)
    expected = reference.forward(reference.getUnconnectedOutLayersNames())
    answers = load_network(floor, name).run(levels)
    assert len(answers) == len(expected)
    for answer, other in zip(answers, expected, strict=True):
        np.testing.assert_allclose(answer, other, atol=1e-4)  # measured: 3e-5


def test_a_damaged_file_is_said_in_one_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "models").mkdir()
    (tmp_path / "models" / "cut.onnx").write_bytes(b"cut")
    monkeypatch.setattr(networks, "files", lambda package: tmp_path)
    for name in ("cut.onnx", "missing.onnx"):
        with pytest.raises(ShoegoalError, match=r"cannot be read .*install shoegoal again"):
            load_network("ball", name)
