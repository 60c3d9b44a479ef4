"""Breaks of a clip: cuts, missing pictures, other rates; and clips that run on have none.

The clips here are drawn by closed form, so the true place of every break is known exactly. The
sample clips (rendered without a cut) and filmed clips, each one unedited shot, are the negatives.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import av
import numpy as np
import numpy.typing as npt
import pytest

from clip_writer import write_clip
from shoegoal.clip.reader import open_clip
from shoegoal.clip.reduced import small_frame, tiny_luma
from shoegoal.clip.take import Break, BreakKind, TakeWatcher, breaks_in_rhythm

U8 = npt.NDArray[np.uint8]
SAMPLES = Path(__file__).parents[1] / "sample_clips"
STEP_S = 1 / 30
WALK_MPS = 1.4  # children's usual walking speed, about 1.2 to 1.5 m/s; from memory
PX_PER_M = 80.0  # a pupil 6 m from a phone, on the 640 px picture


def yard(rng: np.random.Generator) -> U8:
    """A textured still background, 640 x 360."""
    coarse = rng.integers(90, 150, (23, 40)).astype(np.uint8)
    return np.kron(coarse, np.ones((16, 16), np.uint8))[:360]


def walker(background: U8, x_px: float, rng: np.random.Generator) -> U8:
    """Someone 0.4 m wide and 1.5 m tall before the background, with a noisy sensor."""
    picture = background.astype(np.int16)
    left = round(x_px)
    picture[150:270, max(0, left) : max(0, left + 32)] = 35
    return np.clip(picture + rng.normal(0, 2, picture.shape), 0, 255).astype(np.uint8)


def breaks_of(pictures: Sequence[U8], times_s: Sequence[float] | None = None) -> tuple[Break, ...]:
    watcher = TakeWatcher()
    for k, picture in enumerate(pictures):
        watcher.update(STEP_S * k if times_s is None else times_s[k], picture)
    return watcher.finish().breaks


def walk(place_m: Callable[[float], float], times_s: Sequence[float], seed: int = 1) -> list[U8]:
    rng = np.random.default_rng(seed)
    background = yard(rng)
    return [walker(background, 60 + PX_PER_M * place_m(t), rng) for t in times_s]


TIMES_S = [STEP_S * k for k in range(90)]


def test_a_walk_without_a_cut_has_no_break() -> None:
    assert breaks_of(walk(lambda t: WALK_MPS * t, TIMES_S)) == ()


@pytest.mark.parametrize("removed_s", [0.5, 1.0, 3.0])
def test_a_cut_is_told_where_it_is(removed_s: float) -> None:
    """At 1.4 m/s, half a second is 0.7 m: more than the pupil is wide."""
    at = 45
    shown = [t if k < at else t + removed_s for k, t in enumerate(TIMES_S)]
    (found,) = breaks_of(walk(lambda t: WALK_MPS * t, shown))
    assert found.kind is BreakKind.JUMP
    assert (found.start_s, found.end_s) == pytest.approx((TIMES_S[at - 1], TIMES_S[at]))
    assert "the picture jumps at 0:01.5: please look" in found.sentence(0.0)


def test_a_cut_into_another_scene_is_told() -> None:
    rng = np.random.default_rng(4)
    one, other = yard(rng), yard(rng)
    pictures = [walker(one if k < 40 else other, 300, rng) for k in range(80)]
    assert [b.kind for b in breaks_of(pictures)] == [BreakKind.JUMP]


def test_what_is_no_cut_is_not_told() -> None:
    rng = np.random.default_rng(2)
    background = yard(rng)
    still = [walker(background, 300, rng) for _ in range(80)]
    flash = list(still)
    flash[40] = np.full_like(background, 250)
    assert breaks_of(flash) == ()
    lighter = [
        p if k < 40 else (p.astype(np.int16) + 12).astype(np.uint8) for k, p in enumerate(still)
    ]
    assert breaks_of(lighter) == ()
    halved = walk(lambda t: WALK_MPS * t, [t for k, t in enumerate(TIMES_S) if k % 6])  # 30 to 25
    assert breaks_of(halved, [0.04 * k for k in range(len(halved))]) == ()


def test_a_ball_kicked_past_the_phone_is_no_cut() -> None:
    """A size-5 ball (Law 2: 68-70 cm round, 0.22 m across) at 15 m/s, 3 m from the phone."""
    rng = np.random.default_rng(3)
    background = yard(rng)
    pictures = []
    for k in range(80):
        picture = walker(background, 100, rng)
        x = 140 if k < 40 else 140 + round(15 * 160 * STEP_S * (k - 39))
        picture[250:285, x : x + 35] = 240
        pictures.append(picture)
    assert breaks_of(pictures) == ()


def test_missing_pictures_are_a_gap_and_a_lost_one_is_not() -> None:
    times_s = [t if k < 40 else t + 0.3 for k, t in enumerate(TIMES_S)]
    (found,) = breaks_of(walk(lambda t: WALK_MPS * t, times_s), times_s)
    assert found.kind is BreakKind.GAP and found.hides_time
    assert found.end_s - found.start_s == pytest.approx(0.3 + STEP_S)
    lost = [t for k, t in enumerate(TIMES_S) if k not in (30, 31, 50)]
    assert breaks_of(walk(lambda t: WALK_MPS * t, lost), lost) == ()


def test_a_stretch_slowed_by_its_times_is_told() -> None:
    """The middle two seconds of a six-second clip at half speed: every step there is twice 1/30."""
    steps_s = np.full(240, STEP_S)
    steps_s[60:120] *= 2
    times_s = np.concatenate([[0.0], np.cumsum(steps_s)]).astype(np.float64)
    (found,) = breaks_in_rhythm(times_s, np.zeros(len(times_s)))
    assert found.kind is BreakKind.RATE and not found.hides_time
    assert found.start_s == pytest.approx(2.0, abs=0.1)
    assert found.end_s == pytest.approx(6.0, abs=0.1)


def test_a_stretch_slowed_by_showing_pictures_twice_is_told_and_a_slow_phone_is_not() -> None:
    times_s = np.arange(300, dtype=np.float64) * STEP_S
    within = (times_s >= 4) & (times_s < 7)

    def steps(shown_again: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
        """Steps of 30 levels; a picture shown again is coded within 5 levels of the one before."""
        return np.where(shown_again, 5.0, 30.0)

    twice, fifth = np.arange(300) % 2 == 1, np.arange(300) % 5 == 4
    (found,) = breaks_in_rhythm(times_s, steps(twice & within))
    assert found.kind is BreakKind.RATE
    assert (found.start_s, found.end_s) == pytest.approx((4.0, 7.0), abs=0.6)
    assert breaks_in_rhythm(times_s, steps(twice)) == []  # 15 a second stored as 30
    assert breaks_in_rhythm(times_s, steps(fifth & within)) == []  # 24 a second stored as 30


def test_a_written_cut_survives_coding_and_rescaling(tmp_path: Path) -> None:
    shown = [t if k < 45 else t + 2.0 for k, t in enumerate(TIMES_S)]
    clip = write_clip(
        tmp_path / "cut.mp4",
        walk(lambda t: WALK_MPS * t, shown),
        pts=[round(1000 * t) for t in TIMES_S],
        options={"crf": "32", "qp": "32"},
    )
    (found,) = _watch(clip)
    assert found.kind is BreakKind.JUMP and found.end_s == pytest.approx(1.5, abs=0.01)


@pytest.mark.parametrize(("taken", "is_slow"), [(120, True), (25, False)])
def test_a_phones_slow_motion_file_says_so(tmp_path: Path, taken: int, is_slow: bool) -> None:
    """Android's key (from memory) as a tag of the movie; the clip is shown at 25 a second."""
    plain = write_clip(tmp_path / "plain.mp4", walk(lambda t: t, TIMES_S[:30]))
    tagged = tmp_path / "tagged.mp4"
    options = {"movflags": "use_metadata_tags"}
    with av.open(str(plain)) as read, av.open(str(tagged), "w", options=options) as write:
        write.metadata["com.android.capture.fps"] = f"{taken}.000000"
        stream = write.add_stream_from_template(read.streams.video[0])
        for packet in read.demux(video=0):
            if packet.dts is not None:
                packet.stream = stream
                write.mux(packet)
    with open_clip(tagged) as clip:
        slowed_by = clip.info.slowed_by
    with open_clip(plain) as clip:
        assert clip.info.slowed_by == 1.0
    assert slowed_by == pytest.approx(taken / 25, rel=0.01)
    watcher = TakeWatcher()
    watcher.update(0.0, np.zeros((45, 80), np.uint8))
    kinds = [one.kind for one in watcher.finish(slowed_by).breaks]
    assert kinds == ([BreakKind.SLOW_MOTION] if is_slow else [])


def test_the_tiny_picture_is_the_mean_and_the_same_at_any_size() -> None:
    rng = np.random.default_rng(6)
    small = rng.integers(0, 256, (45, 80)).astype(np.uint8)
    for zoom in (1, 2, 5, 8):
        assert (tiny_luma(np.kron(small, np.ones((zoom, zoom), np.uint8))) == small).all()
    assert tiny_luma(np.zeros((640, 360), np.uint8)).shape == (80, 45)


@pytest.mark.parametrize("name", ["side_view.mp4", "portrait_vfr.mp4"])
def test_sample_clips_run_on(name: str) -> None:
    assert _watch(SAMPLES / name) == ()


@pytest.mark.real_clips
def test_filmed_clips_run_on(real_clips: Path) -> None:
    told = {p.name: _watch(p) for p in sorted(real_clips.iterdir())}
    assert len(told) >= 10
    assert {name: breaks for name, breaks in told.items() if breaks} == {}


def _watch(path: Path) -> tuple[Break, ...]:
    watcher = TakeWatcher()
    with open_clip(path) as clip:
        for frame in clip.frames():
            watcher.update(frame.time_s, small_frame(frame).luma)
    return watcher.finish().breaks
