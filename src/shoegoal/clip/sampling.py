"""Single pictures and short stretches of a clip, without decoding what lies between.

Every packet is read once without decoding it, to list the times of all pictures and of the key
pictures, those that can be decoded alone. Decoding then starts at the key picture before.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Generator, Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Literal

import av
import numpy as np
from av.packet import Packet
from av.video.stream import VideoStream

from shoegoal.clip.container import (
    Timekeeper,
    decode_in_threads,
    open_container,
    read_packets,
    video_stream,
)
from shoegoal.clip.frame import Frame, Layout, is_full_range, matrix_of
from shoegoal.errors import ClipNotJudgeableError, ClipUnreadableError

_SAME_S = 1e-6
MOST_DURATION_S = 12 * 3600.0
_Skip = Literal["DEFAULT", "NONREF"]


class Sampler:
    """Hands out chosen pictures of one clip; made by `Clip.sampler`.

    Attributes
    ----------
    times_s : presentation times of all pictures, rising.
    key_times_s : of the key pictures.
    decoded : pictures decoded so far, including those skipped on the way.
    damaged : how often something could not be decoded.
    """

    def __init__(self, path: Path, layout: Layout, size_px: tuple[int, int]) -> None:
        self._path = path
        self._layout = layout
        self._size_px = size_px
        self._container = open_container(path)
        self._use_stream()
        times: list[float] = []
        keys: list[float] = []
        self.decoded = self.damaged = 0
        for packet in self._packets():
            time_s = self._time_s(packet)
            if time_s is None:
                continue
            if not packet.is_discard:
                times.append(time_s)
            if packet.is_keyframe:  # others are decoded from it even if it is not shown
                keys.append(time_s)
        if not times:
            raise ClipUnreadableError(
                "the clip's pictures carry no times: save it as mp4 or mov from the phone again"
            )
        self.times_s = tuple(sorted(set(times)))
        if self.duration_s > MOST_DURATION_S:
            raise ClipNotJudgeableError(
                f"the clip's times reach over more than {MOST_DURATION_S / 3600:.0f} hours:"
                " copy it from the phone again"
            )
        self.key_times_s = tuple(sorted(set(keys))) or self.times_s[:1]

    def __enter__(self) -> Sampler:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._container.close()

    @property
    def duration_s(self) -> float:
        """From the first picture to the last."""
        return self.times_s[-1] - self.times_s[0]

    @property
    def rate_hz(self) -> float:
        """Pictures per second over the whole clip; 0 for a single picture."""
        return (len(self.times_s) - 1) / self.duration_s if self.duration_s > 0 else 0.0

    @property
    def longest_gap(self) -> tuple[float, float]:
        """Times of the two neighbouring pictures that lie farthest apart."""
        gaps = list(pairwise(self.times_s)) or [(self.times_s[0], self.times_s[0])]
        return max(gaps, key=lambda gap: gap[1] - gap[0])

    def spread_s(self, step_s: float) -> list[float]:
        """Return times about a step apart over the clip, key pictures' where one is near."""
        times = np.arange(self.times_s[0], self.times_s[-1] + _SAME_S, step_s)
        keys = np.asarray(self.key_times_s)
        nearest = keys[np.abs(times[:, None] - keys).argmin(axis=1)]
        chosen = np.where(np.abs(nearest - times) <= step_s / 2, nearest, times)
        return sorted(set(chosen.tolist()))

    def near(self, wanted_s: Sequence[float], slack_s: float) -> Generator[Frame, None, None]:
        """Hand out one picture for each wanted time, in order of time, none twice.

        Parameters
        ----------
        wanted_s : presentation times, rising.
        slack_s : a key picture this much earlier will do. Where there is none, pictures are decoded
            from the key picture on, without those that no other is built on.

        Raises
        ------
        ClipNotJudgeableError : the picture changes its size.
        """
        by_key: dict[float, list[float]] = {}
        for time_s in wanted_s:
            by_key.setdefault(self._key_before(time_s), []).append(time_s)
        last_s, shown = float("-inf"), set(self.times_s)
        for key_s, times_s in by_key.items():
            if times_s[-1] - key_s <= slack_s and key_s in shown:
                waiting, pictures = deque([key_s]), self._key_alone(key_s)
            else:
                waiting, pictures = deque(times_s), self._decoded_from(key_s, skip="NONREF")
            for time_s, raw in pictures:
                is_due = False
                while waiting and time_s >= waiting[0] - slack_s / 2:
                    waiting.popleft()
                    is_due = True
                if is_due and time_s > last_s:
                    last_s = time_s
                    yield self._shown(time_s, raw)
                if not waiting:
                    break

    def between(self, start_s: float, end_s: float) -> Generator[Frame, None, None]:
        """Hand out every picture from one time to another, both included.

        Raises
        ------
        ClipNotJudgeableError : the picture changes its size.
        """
        for time_s, raw in self._decoded_from(self._key_before(start_s), skip="DEFAULT"):
            if time_s > end_s + _SAME_S:
                break
            if time_s >= start_s - _SAME_S:
                yield self._shown(time_s, raw)

    def _use_stream(self) -> None:
        self._stream = video_stream(self._container, self._path)
        decode_in_threads(self._stream)
        self._times = Timekeeper.for_stream(self._container, self._stream, [])

    def _key_before(self, time_s: float) -> float:
        return self.key_times_s[max(0, bisect_right(self.key_times_s, time_s + _SAME_S) - 1)]

    def _time_s(self, packet: Packet[VideoStream]) -> float | None:
        ticks = packet.dts if self._times.has_only_storage_times else packet.pts
        return None if ticks is None else ticks * self._times.time_base_s

    def _packets(self) -> Iterator[Packet[VideoStream]]:
        """Read to the end, or to the first packet that cannot be read."""
        packets = read_packets(self._container, self._stream)
        while True:
            try:
                packet = next(packets, None)
            except av.error.FFmpegError:
                self.damaged += 1
                return
            if packet is None or packet.size == 0:
                return
            yield packet

    def _packets_from(self, key_s: float) -> Generator[Packet[VideoStream], None, None]:
        """Read from a key picture on; from the file's start where seeking does not lead there."""
        for is_sought in (True, False):
            try:
                self._go_to(key_s, is_sought)
            except av.error.FFmpegError:
                continue
            found = False
            for packet in self._packets():
                time_s = self._time_s(packet)
                is_it = packet.is_keyframe and time_s is not None and abs(time_s - key_s) < _SAME_S
                found = found or is_it
                if found:
                    yield packet
                elif is_sought and packet.is_keyframe and time_s is not None and time_s > key_s:
                    break  # the seek went past it
            if found:
                return

    def _go_to(self, key_s: float, is_sought: bool) -> None:
        if is_sought:
            ticks = round(key_s / self._times.time_base_s)
            self._container.seek(ticks, stream=self._stream, backward=True)
            return
        self._container.close()
        self._container = open_container(self._path)
        self._use_stream()

    def _key_alone(self, key_s: float) -> Generator[tuple[float, av.VideoFrame], None, None]:
        packet = next(self._packets_from(key_s), None)
        if packet is None:
            return
        context = self._stream.codec_context
        context.skip_frame = "DEFAULT"
        try:
            pictures = [*context.decode(packet), *context.decode(None)]
        except av.error.FFmpegError:
            self.damaged += 1
            pictures = []
        context.flush_buffers()
        self.decoded += len(pictures[:1])
        # A decoder that holds pictures back (AVI with B-pictures) gives this one no time.
        yield from ((key_s, raw) for raw in pictures[:1])

    def _decoded_from(
        self, key_s: float, *, skip: _Skip
    ) -> Generator[tuple[float, av.VideoFrame], None, None]:
        last_s = float("-inf")
        packets = self._packets_from(key_s)
        is_over = False
        while not is_over:
            packet = next(packets, None)
            is_over = packet is None
            context = self._stream.codec_context  # seeking may have reopened the file
            context.skip_frame = skip
            try:
                pictures = context.decode(packet)
            except av.error.EOFError:
                return
            except av.error.FFmpegError:
                self.damaged += 1
                continue
            for raw in pictures:
                self.decoded += 1
                time_s = self._times.raw_time_s(raw)
                if time_s is None:  # as `Timekeeper.place` has it
                    time_s = last_s + (self._times.nominal_step_s or 0.0)
                if time_s > last_s:
                    last_s = time_s
                    yield time_s, raw

    def _shown(self, time_s: float, raw: av.VideoFrame) -> Frame:
        if self._layout.displayed_size_px(raw) != self._size_px:
            raise ClipNotJudgeableError(
                "the picture changes its size: give each recording as a file of its own"
            )
        luma, chroma_u, chroma_v = self._layout.show(raw)
        index = bisect_right(self.times_s, time_s + _SAME_S) - 1
        return Frame(time_s, luma, chroma_u, chroma_v, index, is_full_range(raw), matrix_of(raw))
