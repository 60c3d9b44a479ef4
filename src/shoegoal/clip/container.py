"""Open a video file and pick its stream of pictures, or say in a line why that cannot be done."""

from __future__ import annotations

import math
from pathlib import Path

import av
from av.container import InputContainer
from av.stream import Disposition
from av.video.stream import VideoStream

from shoegoal.errors import ClipUnreadableError
from shoegoal.threads import allowed_threads

# Containers that phones and cameras write. Also keeps out playlists, which reach for other files.
_CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,h264,hevc,mp3,wav,ogg,flac,aac"
_OPEN_OPTIONS = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
# ISO/IEC 14496-12: what an mp4 or mov file starts with.
_MP4_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
MOST_PIXELS = 36_000_000  # 8K (7680 x 4320) has 33 million
WAY_OUT = "film or export the clip again as mp4 (H.264 or HEVC)"


def open_container(path: Path) -> InputContainer:
    """Open a file for reading.

    Raises
    ------
    ClipUnreadableError : it is no video of a kind that is read here, or it was cut off.
    """
    try:
        # The scheme keeps a name like "a:b.mp4" from being read as a protocol.
        container = av.open(f"file:{path}", options=_OPEN_OPTIONS, metadata_errors="replace")
    except av.error.FFmpegError as error:
        with path.open("rb") as file:
            first_box = file.read(8)[4:]
        if first_box in _MP4_BOXES:
            raise ClipUnreadableError(
                f"{path} was cut off while it was recorded or copied and its index is missing:"
                " copy it from the phone again"
            ) from error
        raise ClipUnreadableError(
            f"{path} is no video of a kind that can be read: name a video file (mp4, mov, mkv,"
            f" webm, avi), or {WAY_OUT}"
        ) from error
    return container


def video_stream(container: InputContainer, path: Path) -> VideoStream:
    """Pick the stream that holds the clip's pictures.

    Raises
    ------
    ClipUnreadableError : there is none, or no decoder for it.
    """
    streams = [
        stream
        for stream in container.streams.video
        if not stream.disposition & Disposition.attached_pic
    ]
    if not streams:
        raise ClipUnreadableError(
            f"{path} holds no moving pictures, only sound or a cover: name a video file"
        )
    known = [stream for stream in streams if stream.codec_context is not None]
    if not known:
        raise ClipUnreadableError(f"{path} is coded in a way that is not known here: {WAY_OUT}")
    # Phones may add a second, smaller stream (depth, preview).
    best = max(known, key=lambda stream: (stream.width or 0) * (stream.height or 0))
    best.codec_context.options = {"max_pixels": str(MOST_PIXELS)}  # the decoder refuses more
    return best


def decode_in_threads(stream: VideoStream) -> None:
    """Let the decoder of a stream use as many threads as a count may."""
    # With a thread a picture, FFmpeg's VP9 decoder can crash once it is emptied midway.
    stream.thread_type = "SLICE" if stream.codec_context.name == "vp9" else "AUTO"
    stream.codec_context.thread_count = allowed_threads()


def declared_duration_s(container: InputContainer, stream: VideoStream) -> float | None:
    """Return how long the file says that it lasts; None where it does not say."""
    if stream.duration and stream.time_base:
        return float(stream.duration * stream.time_base)
    return container.duration / av.time_base if container.duration else None


def capture_rate_hz(container: InputContainer) -> float | None:
    """Return the pictures per second that the camera took, where the file says so.

    Android phones write it under this key (from memory); in a slow-motion file it is several times
    the rate at which the pictures are shown.
    """
    try:
        rate_hz = float(container.metadata["com.android.capture.fps"])
    except (KeyError, ValueError):
        return None
    return rate_hz if math.isfinite(rate_hz) and rate_hz > 0 else None
