"""Small clips written with PyAV for the tests of the clip floor."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt

U8 = npt.NDArray[np.uint8]

MILLISECOND = Fraction(1, 1000)
NEAR_LOSSLESS = {"libx264": {"qp": "4", "preset": "ultrafast"}, "libx265": {"crf": "4"}}


def corner_picture(width_px: int = 128, height_px: int = 96, shade: int = 40) -> U8:
    """Grey with a bright block in the upper left and a middling one in the upper right corner."""
    picture = np.full((height_px, width_px), shade, np.uint8)
    picture[: height_px // 4, : width_px // 4] = 220
    picture[: height_px // 4, -width_px // 4 :] = 130
    return picture


def ramp_pictures(count: int, width_px: int = 128, height_px: int = 96) -> list[U8]:
    """Flat pictures, each 3 levels brighter than the one before: luma tells the order."""
    return [np.full((height_px, width_px), 30 + 3 * i, np.uint8) for i in range(count)]


def write_clip(
    path: Path,
    lumas: Iterable[U8],
    *,
    pts: Sequence[int] | None = None,
    time_base: Fraction = MILLISECOND,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    rotation_deg: float | None = None,
    pixel_aspect: Fraction | None = None,
    full_range: bool = False,
    chroma: tuple[int, int] = (128, 128),
) -> Path:
    """Write luma pictures (grey unless ``chroma`` says otherwise) at the given times."""
    lumas = list(lumas)
    pts = list(pts) if pts is not None else [40 * i for i in range(len(lumas))]
    height_px, width_px = lumas[0].shape
    with av.open(str(path), "w", options=container_options or {}) as container:
        every_option = {**NEAR_LOSSLESS.get(codec, {}), **(options or {})}
        stream = container.add_stream(codec, rate=25, options=every_option)
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = width_px, height_px, pixel_format
        stream.time_base = stream.codec_context.time_base = time_base
        if full_range:
            stream.codec_context.color_range = 2
        if pixel_aspect is not None:
            stream.codec_context.sample_aspect_ratio = pixel_aspect
        if rotation_deg is not None:
            stream.set_display_rotation(rotation_deg)
        for luma, ticks in zip(lumas, pts, strict=True):
            frame = _yuv_frame(luma, chroma, pixel_format, full_range)
            frame.pts, frame.time_base = ticks, time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def write_sound(path: Path, codec: str = "aac") -> Path:
    """Write a tenth of a second of silence."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream(codec, rate=44100)
        assert isinstance(stream, av.AudioStream)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 4410), np.float32), "fltp", "mono")
        frame.sample_rate, frame.pts = 44100, 0
        container.mux(stream.encode(frame))
        container.mux(stream.encode(None))
    return path


def _yuv_frame(
    luma: U8, chroma: tuple[int, int], pixel_format: str, full_range: bool
) -> av.VideoFrame:
    height_px, width_px = luma.shape
    u, v = (np.full((height_px // 2, width_px // 2), c, np.uint8) for c in chroma)
    planar = np.concatenate([luma.ravel(), u.ravel(), v.ravel()]).reshape(-1, width_px)
    frame = av.VideoFrame.from_ndarray(planar, "yuv420p")
    wide = 2 if full_range else 1
    frame.color_range = wide
    if pixel_format != "yuv420p":
        frame = frame.reformat(format=pixel_format, src_color_range=wide, dst_color_range=wide)
    return frame
