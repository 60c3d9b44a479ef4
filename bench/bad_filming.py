"""Clips that are badly filmed, made from a sample: what a check must not promise to count."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path
from typing import Any, TypeAlias

import av
import cv2
import numpy as np
import numpy.typing as npt
from av.video.stream import VideoStream

from truth.shelf import Shelved

U8: TypeAlias = npt.NDArray[np.uint8]
SAMPLES = Path(__file__).resolve().parents[1] / "sample_clips"
NAMES = ("behind_six",)
LONGEST_S = 25.0
TILT_DEG = 20.0
SHAKE_PX = 40.0
MARKER_M = 0.45  # higher than any marker of the samples
# A change of one picture; the number of the picture moves the shaken one.
Change: TypeAlias = Callable[[U8, int], U8]


def bad_clips(folder: Path) -> Iterator[tuple[str, Shelved]]:
    """Make those that are not there yet; each with the truth of its sample."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in NAMES:
        truth = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
        for kind, change in changes(truth).items():
            stem = f"{name}-{kind.replace(' ', '_')}"
            place = Shelved(folder / f"{stem}.mp4", folder / f"{stem}.truth.json")
            if not place.is_there:
                rewrite(SAMPLES / f"{name}.mp4", place.clip, change)
                place.truth.write_text(json.dumps(truth | {"edited": kind}), encoding="utf-8")
            yield f"{name}: {kind}", place


def changes(truth: dict[str, Any]) -> dict[str, Change]:
    """What is done to the pictures, by name."""
    (left_x, _), (right_x, _) = truth["goal"]["inner_bases_px"]
    floor = max(y for _, y in truth["goal"]["inner_bases_px"])
    spot = max(y for y in (f["centre_px"][1] for f in truth["frames"][:1]))
    return {
        "right marker cut off": lambda p, n: (
            p[:, : int((left_x + 2 * right_x) / 3)]
            if right_x > left_x
            else p[:, int((left_x + 2 * right_x) / 3) :]
        ),
        "left marker cut off": lambda p, n: (
            p[:, int((2 * left_x + right_x) / 3) :]
            if right_x > left_x
            else p[:, : int((2 * left_x + right_x) / 3)]
        ),
        "a tenth of the light": lambda p, n: np.asarray(p * 0.1, np.uint8),
        "blurred": lambda p, n: np.asarray(cv2.GaussianBlur(p, (0, 0), 9.0), np.uint8),
        "320 x 180": lambda p, n: np.asarray(
            cv2.resize(p, smaller(p), interpolation=cv2.INTER_AREA), np.uint8
        ),
        "bottom cut off": lambda p, n: p[: int((floor + 2 * spot) / 3)],
        "no goal at all": partial(without_goal, truth),
        "tilted 20 degrees": lambda p, n: turned(p, TILT_DEG),
        "held in a shaking hand": lambda p, n: shaken(p, n),
    }


def smaller(picture: U8) -> tuple[int, int]:
    """Width and height within 320 x 180, or upright."""
    height, width = picture.shape[:2]
    scale = 320 / max(width, height)
    return round(width * scale), round(height * scale)


def without_goal(truth: dict[str, Any], picture: U8, number: int) -> U8:
    """Paint each marker over with what lies beside it."""
    out = picture.copy()
    matrix = np.array(truth["camera"]["projection_goal_to_px"])
    middle_x = truth["width_px"] / 2
    for x_m, y_m, _ in truth["goal"]["inner_bases_m"]:
        outer = x_m + np.sign(x_m) * 0.35
        corners = np.array(
            [[x, y_m, z, 1.0] for x in (x_m - np.sign(x_m) * 0.1, outer) for z in (-0.1, MARKER_M)]
        )
        image = corners @ matrix.T
        image = image[:, :2] / image[:, 2:]
        (x0, y0), (x1, y1) = image.min(axis=0).astype(int) - 6, image.max(axis=0).astype(int) + 6
        x0, y0 = max(0, x0), max(0, y0)
        width = x1 - x0
        shift = width + 4 if x0 < middle_x else -width - 4
        source = out[y0:y1, x0 + shift : x1 + shift]
        out[y0 : y0 + source.shape[0], x0 : x0 + source.shape[1]] = source
    return out


def turned(picture: U8, angle_deg: float) -> U8:
    """Turn a picture, and cut it so that no corner is empty."""
    height, width = picture.shape[:2]
    lean = np.radians(angle_deg)
    scale = max(
        np.cos(lean) + height / width * np.sin(lean), np.cos(lean) + width / height * np.sin(lean)
    )
    matrix = cv2.getRotationMatrix2D((width / 2, height / 2), angle_deg, float(scale))
    return np.asarray(cv2.warpAffine(picture, matrix, (width, height)), np.uint8)


def shaken(picture: U8, number: int) -> U8:
    """Move a picture as a hand does, and cut its edges."""
    margin = int(SHAKE_PX)
    x = int(SHAKE_PX * np.sin(number / 7.0) * np.cos(number / 31.0))
    y = int(SHAKE_PX * np.sin(number / 11.0))
    height, width = picture.shape[:2]
    return picture[margin + y : height - margin + y, margin + x : width - margin + x]


def rewrite(source: Path, target: Path, change: Change) -> None:
    """Write a clip anew, each picture changed, at the times it had; its first seconds."""
    aside = target.with_suffix(".part.mp4")
    with av.open(str(source)) as clip, av.open(str(aside), "w") as out:
        old = clip.streams.video[0]
        new: VideoStream | None = None
        for number, frame in enumerate(clip.decode(old)):
            if frame.time is None or frame.time > LONGEST_S:
                break
            upright = np.rot90(frame.to_ndarray(format="bgr24"), -round(frame.rotation / 90))
            picture = change(np.ascontiguousarray(upright), number)
            height, width = (side // 2 * 2 for side in picture.shape[:2])
            if new is None:
                options = {"crf": "20", "preset": "veryfast", "g": "30"}
                made = out.add_stream("libx264", rate=30, options=options)
                assert isinstance(made, VideoStream)
                new = made
                new.width, new.height, new.pix_fmt = width, height, "yuv420p"
                assert old.time_base is not None
                new.time_base = new.codec_context.time_base = old.time_base
            whole = np.ascontiguousarray(picture[:height, :width])
            shown = av.VideoFrame.from_ndarray(whole, format="bgr24")
            shown.pts, shown.time_base = frame.pts, frame.time_base
            out.mux(new.encode(shown))
        assert new is not None
        out.mux(new.encode(None))
    aside.replace(target)
