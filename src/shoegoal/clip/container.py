"""A video file: its stream of pictures, and when each of them is shown."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import av
from av.container import InputContainer
from av.packet import Packet
from av.stream import Disposition
from av.video.stream import VideoStream

from shoegoal.clip.clock import clock_text
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError
from shoegoal.limits import note_progress
from shoegoal.threads import allowed_threads

# Containers that phones and cameras write. Playlists are kept out: they open other files.
_CONTAINERS = "mov,mp4,m4a,3gp,3g2,mj2,matroska,webm,avi,mpegts,mpeg,h264,hevc,mp3,wav,ogg,flac,aac"
_OPEN_OPTIONS = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
# ISO/IEC 14496-12: what an mp4 or mov file starts with.
_MP4_BOXES = (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip")
MOST_PIXELS = 36_000_000  # 8K (7680 x 4320) has 33 million
MOST_READ = 4  # times the size of the file; an edit list may show a part of it again
WAY_OUT = "film or export the clip again as mp4 (H.264 or HEVC)"
_BACK_JUMP_S = 0.5  # further back than decoders ever reorder, so two recordings were joined
_MOST_GAP_S = 6 * 3600.0  # longer than any recording, so the time is damaged
GAP_S = 0.5  # long enough to hide a kick and its flight to the goal
BREAK_OFF_S = 0.5
_BREAK_OFF_LOOSE_S = 1.5  # where only the whole file's length is known, sound included


def open_container(path: Path) -> InputContainer:
    """Open a file for reading.

    Raises
    ------
    ClipUnreadableError : the file is not a video that can be read, or it was cut off.
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
            f"{path} is not a video that shoegoal can read: name a video file (mp4, mov, mkv,"
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
        raise ClipUnreadableError(f"{path} is in a format that cannot be decoded here: {WAY_OUT}")
    # Phones may add a second, smaller stream (depth, preview).
    best = max(known, key=lambda stream: (stream.width or 0) * (stream.height or 0))
    best.codec_context.options = {"max_pixels": str(MOST_PIXELS)}  # the decoder refuses more
    return best


def read_packets(container: InputContainer, stream: VideoStream) -> Iterator[Packet[VideoStream]]:
    """Read a stream's packets from where the file stands to its end, an empty one last.

    Raises
    ------
    ClipUnreadableError : the file's index names the same pictures again and again.
    av.error.FFmpegError : a packet cannot be read; reading cannot go on.
    """
    most = MOST_READ * container.size + 2**20
    for packet in container.demux(stream):
        note_progress()
        most -= packet.size
        if most < 0:
            raise ClipUnreadableError(
                "the clip's index names the same pictures again and again, so it is damaged:"
                f" {WAY_OUT}"
            )
        yield packet


def decode_in_threads(stream: VideoStream) -> None:
    """Let the decoder of a stream use as many threads as a count may."""
    # With a thread a picture, FFmpeg's VP9 decoder can crash once it is emptied midway.
    stream.thread_type = "SLICE" if stream.codec_context.name == "vp9" else "AUTO"
    stream.codec_context.thread_count = allowed_threads()


def declared_duration_s(container: InputContainer, stream: VideoStream) -> float | None:
    """Return the duration that the file declares; None where it declares none."""
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


def focal_35mm(container: InputContainer, stream: VideoStream) -> float | None:
    """Return the focal length that the file states, as that of a 35 mm film camera, mm.

    Apple phones write it under this key of the film or its track (from memory).
    """
    key = "com.apple.quicktime.camera.focal_length.35mm_equivalent"
    for tags in (stream.metadata, container.metadata):
        try:
            focal_mm = float(tags[key])
        except (KeyError, ValueError):
            continue
        if 8 <= focal_mm <= 300:  # NaN fails too
            return focal_mm
    return None


@dataclass(frozen=True, slots=True)
class ClipProblem:
    """Something in the file that may have hidden or misplaced a shot.

    Attributes
    ----------
    at_s : presentation time from which it matters; None for the whole clip.
    message : one line for a person.
    """

    at_s: float | None
    message: str


@dataclass(slots=True)
class Timekeeper:
    """Give each picture its time, and note what was odd about the times."""

    time_base_s: float
    nominal_step_s: float | None
    has_only_storage_times: bool
    problems: list[ClipProblem]
    _last_s: float | None = None
    _damage: list[float | None] = field(default_factory=list)
    _untimed: list[float] = field(default_factory=list)
    _backward: list[float] = field(default_factory=list)
    _corrupt: list[float] = field(default_factory=list)

    @classmethod
    def for_stream(
        cls, container: InputContainer, stream: VideoStream, problems: list[ClipProblem]
    ) -> Timekeeper:
        """Set up for one stream; problems found later are appended to ``problems``."""
        rate = stream.average_rate or stream.guessed_rate
        return cls(
            time_base_s=float(stream.time_base or 0),
            nominal_step_s=float(1 / rate) if rate else None,
            has_only_storage_times=container.format.name == "avi",
            problems=problems,
        )

    def raw_time_s(self, raw: av.VideoFrame) -> float | None:
        """Return a picture's own time, None where it has none.

        AVI stores no presentation times. Its pictures get their storage times, which have a
        constant rate by definition and lag by the decoder's reordering, also constant.
        """
        ticks = raw.dts if self.has_only_storage_times else raw.pts
        return None if ticks is None else ticks * self.time_base_s

    def place(self, raw: av.VideoFrame) -> float | None:
        """Return the time of the next picture, or None to leave it out."""
        time_s = self.raw_time_s(raw)
        last_s = self._last_s
        if time_s is None:
            if last_s is None or self.nominal_step_s is None:
                raise ClipUnreadableError(
                    "the clip's pictures carry no times: save it as mp4 or mov from the phone again"
                )
            time_s = last_s + self.nominal_step_s
            if not self.has_only_storage_times:
                self._untimed.append(time_s)
        if last_s is not None:
            if time_s < last_s - _BACK_JUMP_S:
                raise ClipNotJudgeableError(
                    f"the clip's clock jumps back from {clock_text(last_s)} to"
                    f" {clock_text(time_s)}: give each recording as a file of its own"
                )
            if time_s <= last_s:
                self._backward.append(last_s)
                return None
            if time_s - last_s > _MOST_GAP_S:
                raise ClipNotJudgeableError(
                    f"the clip's clock jumps from {clock_text(last_s)} on by more than"
                    f" {_MOST_GAP_S / 3600:.0f} hours: copy it from the phone again"
                )
            if time_s - last_s > GAP_S:
                self.problems.append(
                    ClipProblem(
                        last_s,
                        f"no pictures between {clock_text(last_s)} and {clock_text(time_s)}:"
                        " a shot there is not counted",
                    )
                )
        if raw.is_corrupt:
            self._corrupt.append(time_s)
        self._last_s = time_s
        return time_s

    def size_change(
        self, time_s: float, before: tuple[int, int], after: tuple[int, int]
    ) -> ClipNotJudgeableError:
        """Return the error for a clip whose picture changes its size."""
        return ClipNotJudgeableError(
            f"the picture changes from {before[0]}x{before[1]} to {after[0]}x{after[1]} at"
            f" {clock_text(time_s)}: give each recording as a file of its own"
        )

    def note_damage(self) -> None:
        """Note that part of the file could not be decoded."""
        self._damage.append(self._last_s)

    def end(
        self,
        start_s: float,
        declared_s: float | None,
        *,
        is_whole_file_length: bool,
        is_file_cut: bool,
    ) -> None:
        """Finish once the last picture has been placed.

        Parameters
        ----------
        start_s : presentation time at which the file says its pictures start.
        declared_s : their duration as the file declares it; None where it does not.
        is_whole_file_length : the length may be that of a longer sound track.
        is_file_cut : the end of the file is known to be missing.
        """
        last_s = self._last_s
        if last_s is None:
            return
        self._count(self._untimed, "carry no time and were placed by the declared rate")
        self._count(self._backward, "carry a time no later than the one before and were left out")
        self._count(self._corrupt, "are damaged")
        tolerance_s = _BREAK_OFF_LOOSE_S if is_whole_file_length else BREAK_OFF_S
        until_s = start_s + (declared_s or 0.0)
        is_short = last_s + (self.nominal_step_s or 0.0) < until_s - tolerance_s
        if is_short or is_file_cut:
            announced = f" of {clock_text(until_s)}" if is_short else ""
            self.problems.append(
                ClipProblem(
                    last_s,
                    f"the clip breaks off at {clock_text(last_s)}{announced}, shots after that are"
                    " not counted: copy it from the phone again",
                )
            )
            self._damage = [at_s for at_s in self._damage if at_s != last_s]
        if self._damage:
            first = next((at_s for at_s in self._damage if at_s is not None), start_s)
            self.problems.append(
                ClipProblem(
                    first,
                    f"part of the file cannot be decoded (from {clock_text(first)}): a shot"
                    " there may be missing; copy it from the phone again",
                )
            )

    def _count(self, times_s: list[float], what: str) -> None:
        if not times_s:
            return
        span = clock_text(times_s[0])
        if len(times_s) > 1:
            span += f" to {clock_text(times_s[-1])}"
        self.problems.append(
            ClipProblem(times_s[0], f"pictures that {what}: {len(times_s)} (at {span})")
        )
