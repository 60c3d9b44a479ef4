"""A small pre-trained detector that finds people in a picture, whose heads an export covers.

The network is NanoDet (COCO classes), see models/README.md for its licence.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.networks import Network, load_network

INPUT_PX = 416
MEAN_BGR = (103.53, 116.28, 123.675)
STD_BGR = (57.375, 57.12, 58.395)
STRIDES = (8, 16, 32)
BINS = 11
PERSON, SPORTS_BALL = 0, 32

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Detected:
    """One detection: class, score 0..1 and box in the picture's pixels."""

    label: int
    score: float
    left_px: float
    top_px: float
    right_px: float
    bottom_px: float


def detect(
    bgr: U8,
    labels: tuple[int, ...] = (PERSON,),
    least: float = 0.1,
    input_px: int = INPUT_PX,
) -> list[Detected]:
    """Run the network on one picture.

    Parameters
    ----------
    bgr : (H, W, 3) uint8.
    labels : COCO class numbers wanted.
    least : lowest score to report.
    input_px : side of the square that the network looks at, a multiple of 32; the network was
        trained at ``INPUT_PX``.

    Returns
    -------
    Detections, best first; overlapping ones are not merged.
    """
    height, width = bgr.shape[:2]
    zoom = min(input_px / height, input_px / width)
    size = (max(1, round(width * zoom)), max(1, round(height * zoom)))
    canvas: F32 = np.zeros((input_px, input_px, 3), np.float32)
    canvas[: size[1], : size[0]] = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
    canvas -= np.array(MEAN_BGR, np.float32)
    canvas /= np.array(STD_BGR, np.float32)
    outputs = _network().run(np.ascontiguousarray(canvas.transpose(2, 0, 1)[None]))
    by_shape = {o.reshape(-1, o.shape[-1]).shape: o.reshape(-1, o.shape[-1]) for o in outputs}
    found: list[Detected] = []
    for stride in STRIDES:
        side = input_px // stride
        scores, boxes = by_shape[side * side, 80], by_shape[side * side, 4 * BINS]
        for label in labels:
            for cell in np.flatnonzero(scores[:, label] >= least):
                row, column = divmod(int(cell), side)
                reach = _expected_bins(boxes[cell]) * stride
                x, y = (column + 0.5) * stride, (row + 0.5) * stride
                left, top, right, bottom = (
                    float(v) / zoom
                    for v in (x - reach[0], y - reach[1], x + reach[2], y + reach[3])
                )
                found.append(Detected(label, float(scores[cell, label]), left, top, right, bottom))
    return sorted(found, key=lambda f: -f.score)


def _expected_bins(logits: F32) -> F32:
    """Mean of the distribution over the bins, one per side of the box, (4,)."""
    table = logits.reshape(4, BINS)
    weights = np.exp(table - table.max(axis=1, keepdims=True))
    weights /= weights.sum(axis=1, keepdims=True)
    return np.asarray(weights @ np.arange(BINS, dtype=np.float32), np.float32)


@cache
def _network() -> Network:
    return load_network("record", "nanodet_h.onnx")
