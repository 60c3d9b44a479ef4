"""Copies of one clip, counted: ``python bench same``.

A clip that is mirrored, coded anew, scaled, cropped, made darker or lighter, or shown at another
rate shows the same shots. That is a truth which filmed clips have, too. The markers are given, at
the places where the copy shows them.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import click
import cv2
import numpy as np
import numpy.typing as npt
from av.container import OutputContainer
from av.video.stream import VideoStream

from judge_one import settings_of, tried
from scoring import match
from shoegoal.clip.reader import open_clip
from shoegoal.pipeline.count import analyse_clip
from shoegoal.pipeline.settings import CountSettings
from shoegoal.types import Call, ImagePoint, Outcome, Shot

SAMPLES = Path(__file__).resolve().parents[1] / "sample_clips"
TIME_BASE = Fraction(1, 90_000)
U8 = npt.NDArray[np.uint8]
Picture = Callable[[U8], U8]
SIDES = {Outcome.WIDE_LEFT: Outcome.WIDE_RIGHT, Outcome.WIDE_RIGHT: Outcome.WIDE_LEFT}


@dataclass(frozen=True, slots=True)
class Copy:
    """One way to copy a clip.

    Attributes
    ----------
    codec, options, pixels : of the encoder.
    picture : what is done to each picture, (H, W, 3) BGR.
    scale, shift_px : where a point of the clip is in the copy: scaled, then shifted by this share
        of the clip's size.
    mirrored : left and right have changed places.
    rate_hz : pictures a second, the nearest in time each; None keeps the clip's own.
    """

    name: str
    codec: str = "libx264"
    options: dict[str, str] = field(default_factory=lambda: {"crf": "23", "preset": "veryfast"})
    pixels: str = "yuv420p"
    picture: Picture = lambda bgr: bgr
    scale: float = 1.0
    shift: float = 0.0
    mirrored: bool = False
    rate_hz: float | None = None

    def point(self, at: ImagePoint, width_px: int, height_px: int) -> ImagePoint:
        """Where a point of the clip is seen in the copy."""
        x = width_px - 1 - at.x_px if self.mirrored else at.x_px
        places = zip((x, at.y_px), (width_px, height_px), strict=True)
        x, y = ((v + 0.5 - self.shift * size) * self.scale - 0.5 for v, size in places)
        return ImagePoint(x, y)


def brightened(gamma: float) -> Picture:
    """Another tone curve: y = x to the power of gamma."""
    table = np.round(255 * (np.arange(256) / 255) ** gamma).astype(np.uint8)
    return lambda bgr: np.asarray(cv2.LUT(bgr, table), np.uint8)


def smaller(bgr: U8) -> U8:
    """Three quarters of the size, even sides."""
    height, width = (2 * round(0.375 * side) for side in bgr.shape[:2])
    return np.asarray(cv2.resize(bgr, (width, height), interpolation=cv2.INTER_AREA), np.uint8)


def cropped(bgr: U8) -> U8:
    """Without 2.5 % at every edge, even sides."""
    y, x = (2 * round(0.0125 * side) for side in bgr.shape[:2])
    return np.ascontiguousarray(bgr[y : bgr.shape[0] - y, x : bgr.shape[1] - x])


HEVC = {"crf": "26", "preset": "ultrafast", "x265-params": "log-level=none"}
COPIES = (
    Copy("H.264 anew"),
    Copy("HEVC, 8 bit", "libx265", HEVC),
    Copy("HEVC, 10 bit", "libx265", HEVC, "yuv420p10le"),
    Copy("mirrored", picture=lambda bgr: np.ascontiguousarray(bgr[:, ::-1]), mirrored=True),
    Copy("scaled to 0.75", picture=smaller, scale=0.75),
    Copy("cropped by 5 %", picture=cropped, shift=0.025),
    Copy("gamma 0.8", picture=brightened(0.8)),
    Copy("gamma 1.25", picture=brightened(1.25)),
    Copy("24 a second", rate_hz=24.0),
    Copy("25 a second", rate_hz=25.0),
    Copy("30 a second", rate_hz=30.0),
)


def write_copy(clip: Path, how: Copy, out: Path) -> None:
    """Copy a clip's pictures, upright as they are shown."""
    with av.open(str(out), "w") as target:
        stream: VideoStream | None = None
        for time_s, bgr in at_rate(upright(clip), how.rate_hz):
            picture = how.picture(bgr)
            if stream is None:
                stream = _stream(target, how, picture)
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts, frame.time_base = round(time_s / TIME_BASE), TIME_BASE
            target.mux(stream.encode(frame))
        assert stream is not None
        target.mux(stream.encode(None))


def _stream(target: OutputContainer, how: Copy, picture: U8) -> VideoStream:
    stream = target.add_stream(how.codec, rate=30, options=how.options)
    assert isinstance(stream, VideoStream)
    stream.height, stream.width = picture.shape[:2]
    stream.pix_fmt = how.pixels
    stream.codec_context.time_base = TIME_BASE
    return stream


def upright(clip: Path) -> Iterator[tuple[float, U8]]:
    """Presentation times from 0 and pictures of a clip, as a player shows them."""
    with open_clip(clip) as source:
        for frame in source.frames():
            yield frame.time_s - source.info.start_s, frame.bgr()


def at_rate(
    pictures: Iterator[tuple[float, U8]], rate_hz: float | None
) -> Iterator[tuple[float, U8]]:
    """Show a clip at an even rate: of each two pictures the one nearer in time."""
    if rate_hz is None:
        yield from pictures
        return
    number, last = 0, None
    for time_s, picture in pictures:
        while last is not None and number / rate_hz <= (last[0] + time_s) / 2:
            yield number / rate_hz, last[1]
            number += 1
        last = time_s, picture
    if last is not None:
        yield number / rate_hz, last[1]


@dataclass(frozen=True, slots=True)
class Changes:
    """What a copy's count says otherwise than the clip's: numbers of shots, and why it was refused.

    Attributes
    ----------
    shots : of the clip.
    opposite : makes that became misses, or misses makes.
    asked : called before and asked about now, or the other way round.
    lost, new : shots that are not shown any more, or were not before.
    """

    shots: int
    opposite: int = 0
    asked: int = 0
    lost: int = 0
    new: int = 0
    refused: str = ""

    @property
    def changed(self) -> int:
        """Shots of the clip that are told otherwise."""
        return self.shots if self.refused else self.opposite + self.asked + self.lost


def changes(before: tuple[Shot, ...], after: tuple[Shot, ...] | str, how: Copy) -> Changes:
    """Compare the shots of a clip with those of its copy."""
    if isinstance(after, str):
        return Changes(len(before), refused=after)
    pairs = match([s.kick_time_s for s in before], [s.kick_time_s for s in after])
    both = [(before[i].call, after[j].call) for i, j in pairs.items()]
    swapped = sum(
        how.mirrored
        and before[i].call is after[j].call is Call.MISS
        and SIDES.get(before[i].outcome, before[i].outcome) is not after[j].outcome
        for i, j in pairs.items()
    )
    return Changes(
        len(before),
        opposite=sum({a, b} == {Call.MAKE, Call.MISS} for a, b in both) + swapped,
        asked=sum(a is not b and Call.UNSURE in (a, b) for a, b in both),
        lost=len(before) - len(pairs),
        new=len(after) - len(pairs),
    )


def counted(clip: Path, settings: CountSettings) -> tuple[Shot, ...] | str:
    """Count a clip; the sentence with which it was refused otherwise."""
    return tried(lambda: analyse_clip(clip, settings).analysis.shots)


@click.command()
@click.option("--only", default="", help="Copies whose name holds this.")
@click.argument("clips", type=click.Path(path_type=Path, exists=True), nargs=-1)
def same(only: str, clips: tuple[Path, ...]) -> None:
    """Count copies of clips (the samples) that lie beside their CLIP.truth.json."""
    total: list[Changes] = []
    for clip in clips or sorted(SAMPLES.glob("*.mp4")):
        truth: dict[str, Any] = json.loads(clip.with_suffix(".truth.json").read_text())
        settings = settings_of(truth, given=True)
        before = counted(clip, settings)
        if isinstance(before, str):
            raise click.ClickException(f"{clip.name} itself is refused: {before}")
        for how in (how for how in COPIES if only in how.name):
            found = of_copy(clip, how, settings, truth, before)
            total.append(found)
            click.echo(f"{clip.stem:16} {how.name:15} {worded(found)}")
            sys.stdout.flush()
    shots = sum(c.shots for c in total)
    click.echo(
        f"{len(total)} copies, {shots} shots: {sum(c.opposite for c in total)} the opposite, "
        f"{sum(c.changed for c in total)} changed in any way (target: 0; 1 %)"
    )


def of_copy(
    clip: Path, how: Copy, settings: CountSettings, truth: dict[str, Any], before: tuple[Shot, ...]
) -> Changes:
    """Make a copy, count it with the markers where it shows them, and compare."""
    size = truth["width_px"], truth["height_px"]
    assert settings.left_px is not None and settings.right_px is not None
    left, right = (how.point(p, *size) for p in (settings.left_px, settings.right_px))
    if how.mirrored:
        left, right = right, left
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / f"{clip.stem}.mp4"
        write_copy(clip, how, copy)
        after = counted(copy, CountSettings(settings.stage, left, right, settings.ball))
    return changes(before, after, how)


def worded(found: Changes) -> str:
    """One copy's row."""
    if found.refused:
        return f"refused: {found.refused}"
    return (
        f"{found.shots} shots: {found.opposite} the opposite, {found.asked} to or from unsure, "
        f"{found.lost} lost, {found.new} new"
    )
