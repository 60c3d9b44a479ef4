"""Fingerprints: copies are known again, other takes in the same yard are not.

Takes are drawn by closed form: one pupil as a block that walks to and fro between the same places,
pace and pauses drawn anew for every take. Children's stride time varies by some per cent (Hausdorff
et al. 1999, J Appl Physiol 86; from memory); the takes here differ by about as much.
"""

from __future__ import annotations

import base64
import zlib
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.clip.fingerprint import (
    COLUMNS,
    ROWS,
    STEP_S,
    Fingerprint,
    FingerprintMaker,
    alike_stretch,
)
from shoegoal.clip.reader import open_clip
from shoegoal.clip.reduced import tiny_luma

U8 = npt.NDArray[np.uint8]
SAMPLES = Path(__file__).parents[1] / "sample_clips"
SIDE_VIEW_S = 30.0


class Take:
    """A pupil who walks between a kick spot and a goal, and rests a moment at either."""

    def __init__(self, seed: int, length_s: float = 40.0) -> None:
        rng = np.random.default_rng(seed)
        self.yard = np.kron(
            np.random.default_rng(7).integers(90, 150, (9, 16)), np.ones((10, 10))
        ).astype(np.uint8)
        knots, places = [0.0], [20.0]
        while knots[-1] < length_s:
            rest_s = float(rng.uniform(0.4, 1.5))
            walk_s = float(rng.normal(3.5, 0.15))
            knots += [knots[-1] + rest_s, knots[-1] + rest_s + walk_s]
            places += [places[-1], 130.0 if places[-1] < 75 else 20.0]
        self.knots_s, self.places_px = knots, places

    def picture(self, time_s: float, seed: int = 0) -> U8:
        x = float(np.interp(time_s, self.knots_s, self.places_px))
        swing = 4 * np.sin(2 * np.pi * time_s / 1.0)  # one stride a second
        picture = self.yard.astype(np.int16)
        picture[35:65, round(x) : round(x) + 8] = 35
        picture[65:75, round(x + swing) : round(x + swing) + 4] = 20
        noise = np.random.default_rng([seed, round(1000 * time_s)]).integers(-3, 4, picture.shape)
        noisy: U8 = np.clip(picture + noise, 0, 255).astype(np.uint8)
        return noisy

    def filmed(
        self, start_s: float = 0.0, end_s: float = 40.0, rate_hz: float = 30.0, *,
        mirrored: bool = False, seed: int = 0,
    ) -> Fingerprint:  # fmt: skip
        maker = FingerprintMaker()
        for k in range(int((end_s - start_s) * rate_hz)):
            picture = self.picture(start_s + k / rate_hz, seed)
            maker.update(k / rate_hz, tiny_luma(picture[:, ::-1] if mirrored else picture))
        return maker.finish()


def test_a_copy_is_found_with_its_times_whatever_its_rate_and_where_it_was_trimmed() -> None:
    take = Take(1)
    whole = take.filmed()
    found = alike_stretch(take.filmed(7.3, 35.0, 25.0, seed=9), whole)
    assert found is not None and not found.is_mirrored and found.agreement > 0.95
    assert found.there_start_s - found.here_start_s == pytest.approx(7.3, abs=STEP_S)
    assert found.here_end_s - found.here_start_s > 25.0
    assert found.there_end_s - found.there_start_s == pytest.approx(
        found.here_end_s - found.here_start_s
    )


def test_a_mirrored_copy_is_found_and_said_to_be_one() -> None:
    take = Take(1)
    found = alike_stretch(take.filmed(0, 30), take.filmed(2, 30, mirrored=True))
    assert found is not None and found.is_mirrored


def test_other_takes_in_the_same_yard_are_not_taken_for_copies() -> None:
    prints = [Take(seed).filmed(rate_hz=15.0) for seed in range(1, 9)]
    assert [p for p in combinations(prints, 2) if alike_stretch(*p) is not None] == []


def test_an_empty_yard_is_like_nothing() -> None:
    empty = FingerprintMaker()
    for k in range(900):
        empty.update(k / 30, np.full((45, 80), 100, np.uint8))
    made = empty.finish()
    assert made.levels().max() == 0
    assert alike_stretch(made, made) is None


def test_what_is_too_short_is_not_compared() -> None:
    short = Take(1).filmed(0, 5)
    assert alike_stretch(short, short) is None
    assert alike_stretch(FingerprintMaker().finish(), short) is None


def test_the_still_background_leaves_no_trace() -> None:
    """Two yards, one motion: what is stored is what changed, field by field."""
    first, second = FingerprintMaker(), FingerprintMaker()
    for k in range(60):
        moving = np.zeros((45, 80), np.uint8)
        moving[20:30, k : k + 6] = 60
        first.update(k / 30, moving + 20)
        second.update(k / 30, moving + 150)
    assert (first.finish().levels() == second.finish().levels()).all()
    assert first.finish().levels().any()


def test_the_level_of_a_field_is_the_root_of_its_mean_change() -> None:
    """A field (10 x 7.5 px of an 80 x 45 picture) wholly lighter by 27 levels, less 2 for flicker:
    32 x sqrt(25) = 160."""
    maker = FingerprintMaker()
    for k in range(30):
        tiny = np.full((48, 80), 100, np.uint8)
        if k >= 15:
            tiny[8:16, 10:20] = 127  # the field in the second row and column of 8 x 6
        maker.update(k / 10, tiny)
    levels = maker.finish().levels()
    assert levels[15, 1, 1] == 160
    assert int(levels.astype(int).sum()) == 160


def test_it_is_packed_by_public_standards_and_a_damaged_one_is_refused() -> None:
    made = Take(2).filmed(0, 3)
    plain = zlib.decompress(base64.b64decode(made.packed))  # RFC 1950, RFC 4648
    assert len(plain) == made.steps * ROWS * COLUMNS
    assert made.levels().tobytes() == plain
    for damaged in (
        replace(made, steps=made.steps + 1),
        replace(made, packed="%%%"),
        replace(made, packed=base64.b64encode(b"nothing packed").decode()),
    ):
        with pytest.raises(ValueError, match="fingerprint"):
            damaged.levels()


def test_times_without_sense_do_not_fill_the_memory() -> None:
    maker = FingerprintMaker()
    for time_s in (0.0, 0.1, 1e7):
        maker.update(time_s, np.zeros((45, 80), np.uint8))
    assert maker.finish().steps <= 36_000


def test_a_recoded_sample_clip_is_known_again(tmp_path: Path) -> None:
    """Coded anew by H.264 at 480 px, 25 pictures a second and a low rate, its start cut off."""
    source = SAMPLES / "side_view.mp4"
    copy = recoded(source, tmp_path / "copy.mp4", skip_s=3.0, until_s=SIDE_VIEW_S)
    found = alike_stretch(printed(copy), printed(source))
    assert found is not None
    assert found.there_start_s - found.here_start_s == pytest.approx(3.0, abs=2 * STEP_S)
    assert copy.stat().st_size < 0.25 * source.stat().st_size


def printed(path: Path) -> Fingerprint:
    maker = FingerprintMaker()
    with open_clip(path) as clip:
        for frame in clip.frames():
            maker.update(frame.time_s, tiny_luma(frame.luma))
    return maker.finish()


def recoded(source: Path, target: Path, *, skip_s: float, until_s: float) -> Path:
    step_s, shown = 1 / 25, 0
    with av.open(str(source)) as read, av.open(str(target), "w") as write:
        stream = write.add_stream("libx264", rate=25, options={"crf": "33", "preset": "veryfast"})
        assert isinstance(stream, av.VideoStream)
        stream.width, stream.height, stream.pix_fmt = 480, 270, "yuv420p"
        for frame in read.decode(video=0):
            assert frame.pts is not None and frame.time_base is not None
            at_s = float(frame.pts * frame.time_base) - skip_s
            if at_s < shown * step_s or at_s > until_s - skip_s:
                continue
            small = frame.reformat(480, 270, "yuv420p")
            small.pts, small.time_base = shown, Fraction(1, 25)
            write.mux(stream.encode(small))
            shown += 1
        write.mux(stream.encode(None))
    return target
