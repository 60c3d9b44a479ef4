"""A 1080p clip of any length for the benchmark, made from a sample clip.

``python bench/make_clip.py OUT.mp4 SECONDS [--tiny]``
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from fractions import Fraction
from itertools import count
from pathlib import Path

import av
from av.packet import Packet
from av.video.stream import VideoStream

SAMPLE = Path(__file__).resolve().parents[1] / "sample_clips" / "behind_six.mp4"
RATE_HZ = 30
SIZE_PX, TINY_PX = (1920, 1080), (320, 180)
BIT_RATE = 8_000_000
# What a phone's encoder writes: a high-profile stream without B pictures, a key picture a second.
ENCODER = {"preset": "veryfast", "profile": "high", "bf": "0", "g": "30", "threads": "2"}


def make_clip(path: Path, seconds: float, size_px: tuple[int, int] = SIZE_PX) -> Path:
    """Write the sample clip enlarged and repeated until it lasts ``seconds``.

    Parameters
    ----------
    path : where to; written aside first, so that a clip that is there is a whole one.
    seconds : length.
    size_px : width and height.

    Notes
    -----
    The sample goes through the encoder once. Its packets, which begin with a key picture, are then
    written as often as needed with ever later times: one stream of one encoder, every picture of
    which costs a decoder the same work as if it had been encoded anew.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    aside = path.with_suffix(".part.mp4")
    tick = Fraction(1, RATE_HZ)
    frames_wanted = round(seconds * RATE_HZ)
    with av.open(str(aside), "w") as out:
        stream = out.add_stream("libx264", rate=RATE_HZ, options=ENCODER)
        assert isinstance(stream, VideoStream)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.bit_rate = BIT_RATE * size_px[0] * size_px[1] // (SIZE_PX[0] * SIZE_PX[1])
        stream.codec_context.time_base = tick
        once = list(_encoded(stream, frames_wanted))
        coded = [(bytes(packet), packet.is_keyframe) for packet in once]
        for index in range(frames_wanted):
            payload, is_key = coded[index % len(coded)]
            packet = Packet(payload)
            packet.stream, packet.time_base = stream, tick
            packet.pts = packet.dts = index
            packet.duration = 1
            packet.is_keyframe = is_key
            out.mux(packet)
    return aside.replace(path)


def _encoded(stream: VideoStream, at_most: int) -> Iterator[Packet[VideoStream]]:
    """Encode the sample clip once, or its start."""
    times = count()
    with av.open(str(SAMPLE)) as source:
        for frame in source.decode(video=0):
            index = next(times)
            if index >= at_most:
                break
            wide = frame.reformat(width=stream.width, height=stream.height, interpolation="BICUBIC")
            wide.pts, wide.time_base = index, Fraction(1, RATE_HZ)
            wide.pict_type = 0  # the encoder chooses anew
            yield from stream.encode(wide)
    yield from stream.encode(None)


if __name__ == "__main__":
    make_clip(
        Path(sys.argv[1]), float(sys.argv[2]), TINY_PX if "--tiny" in sys.argv[3:] else SIZE_PX
    )
