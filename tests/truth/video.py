"""Writes frames with given times to an mp4, and the display matrix of its track."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path
from types import TracebackType

import av
import av.video.reformatter
import numpy as np

from truth.arrays import Bytes

TIME_BASE = Fraction(1, 90000)


class ClipWriter:
    """An mp4 in the making.

    Parameters
    ----------
    width_px, height_px
        Stored size, before any display rotation.
    """

    def __init__(
        self,
        path: Path,
        width_px: int,
        height_px: int,
        fps: float,
        codec: str,
        crf: int,
        preset: str,
        bits: int = 8,
    ) -> None:
        self._box = av.open(str(path), "w", format="mp4", options={"fflags": "+bitexact"})
        options = {"crf": str(crf), "preset": preset}
        if codec == "libx264":
            # Macroblock-tree rate control reads past odd-sized pictures: same frames, other bytes.
            tree = int(width_px % 16 == 0 and height_px % 16 == 0)
            options |= {"x264-params": f"keyint=240:threads=1:mbtree={tree}"}
        else:
            options |= {"x265-params": "log-level=none:pools=1:frame-threads=1"}
        stream = self._box.add_stream(codec, rate=Fraction(fps).limit_denominator(1001))
        assert isinstance(stream, av.VideoStream)
        self._stream = stream
        stream.width, stream.height = width_px, height_px
        stream.pix_fmt = self._stored = "yuv420p" if bits == 8 else "yuv420p10le"
        stream.time_base = TIME_BASE
        stream.codec_context.time_base = TIME_BASE
        stream.codec_context.options = options
        stream.codec_context.thread_count = 1
        stream.codec_context.color_range = 1  # limited
        stream.codec_context.color_primaries = 1  # BT.709
        stream.codec_context.color_trc = 1
        stream.codec_context.colorspace = 1

    def add(self, planes: Bytes, pts: int) -> None:
        """Append one stacked 4:2:0 picture at pts x TIME_BASE."""
        frame = av.VideoFrame.from_ndarray(planes, format="yuv420p")
        if self._stored != "yuv420p":
            frame = frame.reformat(format=self._stored)
        frame.pts = pts
        frame.time_base = TIME_BASE
        frame.colorspace = av.video.reformatter.Colorspace.ITU709
        frame.color_range = av.video.reformatter.ColorRange.MPEG
        self._box.mux(self._stream.encode(frame))

    def __enter__(self) -> ClipWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if kind is None:
            self._box.mux(self._stream.encode(None))
        self._box.close()


def frame_pts(duration_s: float, fps: float, variable: bool, seed: int) -> list[int]:
    """Presentation times in units of TIME_BASE; a variable clip wobbles and skips frames."""
    step = 90000.0 / fps
    count = int(duration_s * fps)
    if not variable:
        return [round(i * step) for i in range(count)]
    rng = np.random.default_rng([seed, 3])
    at = 0.0
    out: list[int] = []
    # Slow drift as the light changes the exposure, jitter by the clock, now and then a lost frame.
    while at < duration_s * 90000.0:
        out.append(round(at))
        slow = 1.0 + 0.12 * np.sin(at / 90000.0 * 0.9)
        lost = 2.0 if rng.random() < 0.02 else 1.0
        at += step * slow * lost * float(rng.uniform(0.93, 1.07))
    return out


def set_rotation(path: Path, clockwise_deg: int) -> None:
    """Write the matrix of the movie's track header (ISO/IEC 14496-12, 8.3.2).

    Parameters
    ----------
    clockwise_deg
        How a player must turn the stored picture to show it: 0, 90, 180 or 270.
    """
    data = bytearray(path.read_bytes())
    at = _find_box(data, [b"moov", b"trak", b"tkhd"])
    version = data[at + 8]
    matrix = at + 8 + (4 + 32 + 16 if version == 1 else 4 + 20 + 16)
    width, height = struct.unpack(">II", data[matrix + 36 : matrix + 44])
    one = 1 << 16
    rows = {
        0: (one, 0, 0, one, 0, 0),
        90: (0, one, -one, 0, height, 0),
        180: (-one, 0, 0, -one, width, height),
        270: (0, -one, one, 0, 0, width),
    }[clockwise_deg]
    a, b, c, d, x, y = rows
    data[matrix : matrix + 36] = struct.pack(">9i", a, b, 0, c, d, 0, x, y, 1 << 30)
    path.write_bytes(data)


def _find_box(data: bytearray, names: list[bytes]) -> int:
    """Offset of a nested box by its path of four-letter names."""
    start, end = 0, len(data)
    for name in names:
        at = start
        while at < end:
            size = struct.unpack(">I", data[at : at + 4])[0]
            head = 8
            if size == 1:
                size = struct.unpack(">Q", data[at + 8 : at + 16])[0]
                head = 16
            if data[at + 4 : at + 8] == name:
                break
            at += size or end - at
        else:
            raise ValueError(f"no {name.decode()} box in the file")
        start, end = at + head, at + size
        found = at
    return found
