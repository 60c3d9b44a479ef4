"""Open a phone clip and hand out its pictures by presentation time.

Times are pts x time_base exactly as the file gives them; many clips do not start at 0
(`ClipInfo.start_s`). Pictures are turned once, here, by the file's display matrix.
"""

from __future__ import annotations

import hashlib
from collections.abc import Generator, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType

import av
from av.container import InputContainer
from av.video.stream import VideoStream

from shoegoal.clip.container import (
    WAY_OUT,
    ClipProblem,
    Timekeeper,
    capture_rate_hz,
    declared_duration_s,
    decode_in_threads,
    focal_35mm,
    open_container,
    read_packets,
    video_stream,
)
from shoegoal.clip.frame import U8, ColourMatrix, Frame, Layout, is_full_range, layout_of, matrix_of
from shoegoal.clip.handover import run_ahead
from shoegoal.clip.sampling import Sampler
from shoegoal.errors import ClipUnreadableError
from shoegoal.outside import open_regular
from shoegoal.threads import allowed_threads

__all__ = [
    "Clip",
    "ClipInfo",
    "ClipProblem",
    "ColourMatrix",
    "Frame",
    "clip_sha256",
    "open_clip",
]

_FRAMES_AHEAD = 4
LEAST_STEP_S = 1e-3  # for a clip that declares no length


@dataclass(frozen=True, slots=True)
class ClipInfo:
    """What a clip's file declares.

    Attributes
    ----------
    path : the file.
    width_px, height_px : of the displayed picture.
    rotation_deg : clockwise quarter turns applied to the stored picture, 0/90/180/270.
    is_mirrored : the stored picture is mirrored left to right before that turn.
    codec : of the pictures, as the decoder names it (h264, hevc, ...).
    pixel_format : of the stored pictures.
    duration_s : as the file declares, None where it does not.
    start_s : presentation time of the first picture.
    nominal_rate_hz : pictures per second that the file declares; never used to place a picture
        that carries a time of its own.
    size_bytes : of the file.
    capture_rate_hz : pictures per second that the camera took, None where the file does not say.
    focal_35mm : focal length that the file states, as that of a 35 mm film camera, mm, or None.
    """

    path: Path
    width_px: int
    height_px: int
    rotation_deg: int
    is_mirrored: bool
    codec: str
    pixel_format: str
    duration_s: float | None
    start_s: float
    nominal_rate_hz: float | None
    size_bytes: int
    capture_rate_hz: float | None = None
    focal_35mm: float | None = None

    @property
    def slowed_by(self) -> float:
        """Factor by which the clip is slowed down, where the file declares it; else 1."""
        if not self.capture_rate_hz or not self.nominal_rate_hz:
            return 1.0
        return self.capture_rate_hz / self.nominal_rate_hz


class Clip:
    """An openable clip; made by `open_clip`.

    Attributes
    ----------
    info : ClipInfo
    problems : what `frames` found on its last pass, in order: the clip breaks
        off, damaged pictures, gaps, doubtful times. Complete once `frames` has ended.
    """

    def __init__(self, info: ClipInfo, layout: Layout) -> None:
        self.info = info
        self._layout = layout
        self.problems: list[ClipProblem] = []
        self._running: list[Generator[Frame, None, None]] = []

    def __enter__(self) -> Clip:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """End every iteration under way; its thread is gone when this returns."""
        for running in self._running:
            running.close()
        self._running.clear()

    def frames(self, *, ahead: int | None = None) -> Generator[Frame, None, None]:
        """Iterate the pictures from the first to the last, times strictly rising.

        Parameters
        ----------
        ahead : decoded in a background thread at most this many pictures ahead; 0 decodes in
            the calling thread, which is also what is done where one thread is allowed.

        Raises
        ------
        ClipUnreadableError : no picture can be decoded, or no picture carries a time.
        ClipNotJudgeableError : the clip's clock jumps back or the picture changes its size.
        """
        self.problems = []
        pictures = _decode(self.info, self._layout, self.problems)
        if ahead is None:
            ahead = _FRAMES_AHEAD if allowed_threads() > 1 else 0
        frames = run_ahead(pictures, ahead) if ahead > 0 else pictures
        self._running.append(frames)
        return frames

    def sampler(self) -> Sampler:
        """Look at a few pictures only; a context manager, independent of `frames`."""
        size_px = (self.info.width_px, self.info.height_px)
        return Sampler(self.info.path, self._layout, size_px)


def open_clip(path: Path | str) -> Clip:
    """Open a clip and look at its first picture.

    Parameters
    ----------
    path : the video file.

    Returns
    -------
    Clip, a context manager.

    Raises
    ------
    ClipUnreadableError : missing, a folder, empty, no video, sound only, cut off, no pictures.
    """
    path = Path(path)
    size_bytes = _size_of_file(path)
    with open_container(path) as container:
        stream = video_stream(container, path)
        times = Timekeeper.for_stream(container, stream, [])
        with closing(_raw_frames(container, stream, times)) as raw:
            first = next(raw, None)
        if first is None:
            raise ClipUnreadableError(f"{path} holds no picture that can be decoded: {WAY_OUT}")
        layout = layout_of(first, stream.sample_aspect_ratio)
        width_px, height_px = layout.displayed_size_px(first)
        rate = stream.average_rate or stream.guessed_rate
        info = ClipInfo(
            path=path,
            width_px=width_px,
            height_px=height_px,
            rotation_deg=layout.turn.rotation_deg,
            is_mirrored=layout.turn.is_mirrored,
            codec=stream.codec_context.name,
            pixel_format=first.format.name,
            duration_s=declared_duration_s(container, stream),
            start_s=times.raw_time_s(first) or 0.0,
            nominal_rate_hz=float(rate) if rate else None,
            size_bytes=size_bytes,
            capture_rate_hz=capture_rate_hz(container),
            focal_35mm=focal_35mm(container, stream),
        )
    return Clip(info, layout)


def clip_sha256(path: Path | str) -> str:
    """Return the SHA-256 of a file's bytes as 64 hexadecimal digits (FIPS 180-4)."""
    try:
        with open_regular(Path(path)) as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise ClipUnreadableError(
            f"{path} cannot be read ({error.strerror}): check the name and your right to read it"
        ) from error


def _size_of_file(path: Path) -> int:
    try:
        if path.is_dir():
            raise ClipUnreadableError(f"{path} is a folder: name one video file in it")
        size_bytes = path.stat().st_size
        with open_regular(path):
            pass
    except FileNotFoundError:
        raise ClipUnreadableError(f"{path} does not exist: check the file's name") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ClipUnreadableError(
            f"{path} cannot be read ({reason}): check the name and your right to read it"
        ) from None
    if size_bytes == 0:
        raise ClipUnreadableError(f"{path} is empty: copy it from the phone again")
    return size_bytes


def _is_short_of_its_riff_size(info: ClipInfo) -> bool:
    """Whether an AVI file is shorter than its first chunk says (RIFF: little-endian at byte 4)."""
    with info.path.open("rb") as file:
        head = file.read(12)
    is_avi = head[:4] == b"RIFF" and head[8:] == b"AVI "
    return is_avi and info.size_bytes < 8 + int.from_bytes(head[4:8], "little")


def _raw_frames(
    container: InputContainer, stream: VideoStream, times: Timekeeper
) -> Generator[av.VideoFrame, None, None]:
    """Decode to the end; what cannot be decoded is noted and passed over."""
    packets = read_packets(container, stream)
    at_end = False
    while not at_end:
        try:
            packet = next(packets, None)
        except av.error.FFmpegError:
            times.note_damage()
            packet = None
        try:
            if packet is None:  # nothing more to read: take what the decoder still holds
                at_end = True
                yield from stream.codec_context.decode(None)
            else:
                yield from packet.decode()
        except av.error.EOFError:
            pass  # the decoder was already emptied
        except av.error.FFmpegError:
            times.note_damage()


def _decode(
    info: ClipInfo, layout: Layout, problems: list[ClipProblem]
) -> Generator[Frame, None, None]:
    size = (info.width_px, info.height_px)
    with open_container(info.path) as container:
        stream = video_stream(container, info.path)
        decode_in_threads(stream)
        times = Timekeeper.for_stream(container, stream, problems)
        if not layout.turn.is_exact:
            problems.append(
                ClipProblem(
                    None, "the file asks for a slanted picture: it is shown at the nearest quarter"
                )
            )
        index = 0
        for raw in _raw_frames(container, stream, times):
            time_s = times.place(raw)
            if time_s is None:
                continue
            if layout.displayed_size_px(raw) != size:
                raise times.size_change(time_s, size, layout.displayed_size_px(raw))
            luma, chroma_u, chroma_v = layout.show(raw)
            yield Frame(time_s, luma, chroma_u, chroma_v, index, is_full_range(raw), matrix_of(raw))
            index += 1
        if index == 0:
            raise ClipUnreadableError(f"{info.path} holds no picture: {WAY_OUT}")
        times.end(
            float((stream.start_time or 0) * (stream.time_base or 0)),
            declared_duration_s(container, stream),
            is_whole_file_length=not stream.duration,
            is_file_cut=_is_short_of_its_riff_size(info),
        )


def spread_pictures(path: Path, looks: int, until_s: float | None = None) -> Iterator[U8]:
    """Pictures (H, W, 3) in BGR at about even times, near key pictures where there are some.

    Parameters
    ----------
    path : the clip.
    looks : how many.
    until_s : presentation time after which none is taken.
    """
    with open_clip(path) as clip, clip.sampler() as sampler:
        end_s = sampler.times_s[-1] if until_s is None else until_s
        step_s = max((end_s - sampler.times_s[0]) / looks, LEAST_STEP_S)
        wanted_s = [time_s for time_s in sampler.spread_s(step_s) if time_s <= end_s]
        for frame in sampler.near(wanted_s, step_s / 2):
            if frame.time_s <= end_s:
                yield frame.bgr()
