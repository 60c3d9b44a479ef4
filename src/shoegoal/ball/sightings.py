"""From moving things and settled changes to the ball: tracks and resting places, measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.ball.changes import SettledChange
from shoegoal.ball.measure import Disc, measure_disc, measure_round, quantile, rim_strength
from shoegoal.ball.moving import Blob
from shoegoal.ball.settled import paint_difference, shadow_like
from shoegoal.ball.tracks import Track, as_array
from shoegoal.types import BallSighting

MIN_SIGHTINGS = 4
MIN_ROUND_SHARE = 0.5  # of a track's blobs that measure as round
MIN_MEAN_RIM = 0.45
TRIED_FIRST = 5
MOST_OF_CROOKED = 10
GOOD_RIM = 0.75  # with so much of the rim seen, no other reading is asked for
MAX_SIZE_STEP = 0.18  # a sighting whose size is off its neighbours by more is dropped
SURE_SCORE = 0.4  # well above every limit that a score is held to: no further look is needed
MIN_NET_TRAVEL = 2.0  # in diameters
MIN_STRAIGHTNESS = 0.85  # net over total way
MIN_SPEED = 2.0  # in diameters per second
MOVING_SIZE_SIGMA = 0.04  # of the diameter: what motion blur and a turning shade add
BLOB_STRICTNESS = 0.7  # of the limits, for blobs, whose middles wander
MIN_REST_RIM = 0.55
MIN_REST_FILL = 0.55
SHADED_SHARE = 0.02  # with less of a patch like a shadow, leaving it out changes nothing
RIM_RATIO = 1.25  # the picture with the ball has this much more rim than the one without


U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class BallTrack:
    """One uninterrupted way of something round and moving.

    Attributes
    ----------
    sightings : in order of time, at least ``MIN_SIGHTINGS``.
    roundness : mean share of the rim that was seen, 0..1.
    ball_score : how much it looked like a ball to the detector at its best, 0..1; 0 when the
        detector was not asked.
    body_gap : distance of the first sighting to the nearest moving body, in ball diameters.
    """

    sightings: tuple[BallSighting, ...]
    roundness: float
    ball_score: float
    body_gap: float

    @property
    def start_s(self) -> float:
        """Time of the first sighting."""
        return self.sightings[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last sighting."""
        return self.sightings[-1].time_s


@dataclass(frozen=True, slots=True)
class RestingBall:
    """Something ball-shaped that came to rest (``arrived``) or left its place.

    Attributes
    ----------
    sighting : its measured disc; ``time_s`` is ``before_s`` for one that left and ``after_s``
        for one that arrived.
    before_s, after_s : the change happened between these times.
    roundness : share of the rim that was seen, 0..1.
    ball_score : how much it looked like a ball to the detector, 0..1; None when not asked.
    arrived : True when the later picture holds the ball, False when the earlier one does.
    """

    sighting: BallSighting
    before_s: float
    after_s: float
    arrived: bool
    roundness: float
    ball_score: float | None = None


def ball_track(track: Track) -> BallTrack | None:
    """Measure a track at native size; None when it is not something round.

    Parameters
    ----------
    track : linked blobs, each with its native crop.
    """
    tried = [_disc_of(blob) for blob in _spread(track.blobs, TRIED_FIRST)]
    rims = [d.rim_share for d in tried if d is not None]
    if len(rims) < MIN_ROUND_SHARE * len(tried) or np.mean(rims) < MIN_MEAN_RIM:
        return None
    # Limbs swing to and fro and there are many of them: a few looks are enough.
    straight = _went_straight(as_array(track), BLOB_STRICTNESS)
    blobs = track.blobs if straight else _spread(track.blobs, MOST_OF_CROOKED)
    measured = [(blob, _disc_of(blob)) for blob in blobs]
    round_ones = [(b, d) for b, d in measured if d is not None]
    if len(round_ones) < max(MIN_SIGHTINGS, MIN_ROUND_SHARE * len(measured)):
        return None
    sizes = np.array([d.diameter_px for _, d in round_ones])
    times = np.array([b.time_s for b, _ in round_ones])
    keep = _steady(times, sizes)
    if keep.sum() < max(MIN_SIGHTINGS, MIN_ROUND_SHARE * len(measured)):
        return None
    kept = [pair for pair, good in zip(round_ones, keep, strict=True) if good]
    rim = float(np.mean([d.rim_share for _, d in kept]))
    if rim < MIN_MEAN_RIM:
        return None
    found = BallTrack(tuple(_sighting(b, d) for b, d in kept), rim, 0.0, kept[0][0].body_gap)
    if not runs_straight(found.sightings):
        return found
    return replace(found, ball_score=_best_score(track))


def _best_score(track: Track) -> float:
    """Ask the detector about one portrait after another until it is sure."""
    best = 0.0
    for portrait in track.portraits:
        best = max(best, portrait.ball_score())
        if best >= SURE_SCORE:
            break
    return best


def _spread(blobs: Sequence[Blob], most: int) -> Sequence[Blob]:
    """At most so many of the blobs, evenly spread, first and last among them."""
    if len(blobs) <= most:
        return blobs
    return [blobs[i] for i in np.linspace(0, len(blobs) - 1, most).round().astype(int)]


def runs_straight(sightings: Sequence[BallSighting]) -> bool:
    """Whether something moved straight on, as a ball does and a limb or head seldom does.

    Judged on the way to the farthest point: a ball may then rebound, stop or be fetched.
    """
    rows = np.array([(s.time_s, s.x_px, s.y_px, s.diameter_px) for s in sightings])
    return _went_straight(rows, 1.0)


def _went_straight(rows: npt.NDArray[np.float64], strictness: float) -> bool:
    """Judge rows (N, 4) of time_s, x_px, y_px, size_px; the limits are times the strictness."""
    away = np.hypot(rows[:, 1] - rows[0, 1], rows[:, 2] - rows[0, 2])
    end = int(np.argmax(away)) + 1
    if end < MIN_SIGHTINGS:
        return False
    size = float(np.median(rows[:end, 3]))
    few = rows[np.unique(np.linspace(0, end - 1, 8).astype(int)), 1:3]
    way = float(np.hypot(*np.diff(few, axis=0).T).sum())
    seconds = float(rows[end - 1, 0] - rows[0, 0])
    net = float(away[end - 1])
    return (
        net >= strictness * MIN_NET_TRAVEL * size
        and net >= strictness * MIN_STRAIGHTNESS * way
        and net >= strictness * MIN_SPEED * size * seconds
    )


def resting_ball(change: SettledChange) -> RestingBall | None:
    """Measure a settled change; None when it is not a round thing that came or went."""
    difference = paint_difference(change.old, change.new)
    contrast = max(12.0, 1.5 * quantile(difference, 0.25))
    found: list[Disc] = []
    for reading in _readings(change, difference):
        d = _settled_disc(change, reading, contrast)
        if d and not d.streak_px and d.rim_share >= MIN_REST_RIM and d.fill >= MIN_REST_FILL:
            found.append(d)
            if d.rim_share >= GOOD_RIM:
                break
    if not found:
        return None
    disc = max(found, key=lambda d: d.rim_share)
    old = rim_strength(change.old[0], disc.x_px, disc.y_px, disc.diameter_px)
    new = rim_strength(change.new[0], disc.x_px, disc.y_px, disc.diameter_px)
    if max(old, new) < RIM_RATIO * min(old, new):
        return None
    arrived = new > old
    sighting = BallSighting(
        change.after_s if arrived else change.before_s,
        *change.native_px(disc.x_px, disc.y_px),
        disc.diameter_px * change.blocks,
        disc.sigma_px * change.blocks,
        disc.diameter_sigma_px * change.blocks,
        at_rest=True,
    )
    return RestingBall(sighting, change.before_s, change.after_s, arrived, disc.rim_share)


def _readings(change: SettledChange, difference: U8) -> Iterator[U8]:
    """Give the difference, then the same without shadows that came and without those that went.

    The ball's own shadow came or went with it, and a kicker's may lie across both pictures.
    """
    yield difference
    for now, before in ((change.new, change.old), (change.old, change.new)):
        shaded = shadow_like(now, before)
        if cv2.countNonZero(shaded) >= SHADED_SHARE * shaded.size:
            yield difference * (1 - shaded)


def _settled_disc(change: SettledChange, difference: U8, contrast: float) -> Disc | None:
    guess = change.guess_in_crop()
    if guess is None:
        return measure_disc(difference, contrast)
    return measure_round(difference, contrast, *guess)


def same_event(a: RestingBall, b: RestingBall) -> bool:
    """Whether two readings tell of one ball coming or going."""
    near = np.hypot(a.sighting.x_px - b.sighting.x_px, a.sighting.y_px - b.sighting.y_px)
    return bool(
        a.arrived == b.arrived
        and near <= 0.5 * max(a.sighting.diameter_px, b.sighting.diameter_px)
        and a.before_s <= b.after_s
        and b.before_s <= a.after_s
    )


def _disc_of(blob: Blob) -> Disc | None:
    near = (blob.x_px - blob.origin_px[0], blob.y_px - blob.origin_px[1])
    first = measure_disc(blob.solid(), blob.contrast, near)
    if first is not None and first.rim_share >= GOOD_RIM:
        return first
    found = [
        d for d in (first, measure_disc(blob.difference(), blob.contrast, near)) if d is not None
    ]
    return max(found, key=lambda disc: disc.rim_share, default=None)


def _sighting(blob: Blob, disc: Disc) -> BallSighting:
    return BallSighting(
        blob.time_s,
        disc.x_px + blob.origin_px[0],
        disc.y_px + blob.origin_px[1],
        disc.diameter_px,
        disc.sigma_px,
        float(np.hypot(disc.diameter_sigma_px, MOVING_SIZE_SIGMA * disc.diameter_px)),
    )


def _steady(
    times: npt.NDArray[np.float64], sizes: npt.NDArray[np.float64]
) -> npt.NDArray[np.bool_]:
    """Which sizes follow the track's own slow change, by medians over seven neighbours."""
    logs = np.log(sizes)
    keep = np.zeros(len(sizes), bool)
    for i in range(len(sizes)):
        near = np.argsort(np.abs(times - times[i]))[:7]
        slope = np.median(np.diff(logs[np.sort(near)]) / np.diff(times[np.sort(near)]))
        expected = np.median(logs[near] - slope * (times[near] - times[i]))
        keep[i] = abs(logs[i] - expected) <= MAX_SIZE_STEP
    return keep
