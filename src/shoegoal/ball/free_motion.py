"""Free motion of a ball: a track cut into stretches on which nothing touches the ball.

On a stretch the ball lies, rolls straight on and slows down, or flies. A pinhole camera makes all
three linear in the unknowns (direct linear transform: Hartley and Zisserman, Multiple View
Geometry, section 12.2): a sighting at slopes (x, y) and depth Z gives three equations in the
ball's centre, and the centre is a polynomial in time. The cuts come from optimal partitioning
(Jackson et al. 2005): of all ways to cut a track, the one of least misfit, at a price per stretch.

All positions are in the camera ground frame (see `shoegoal.scene.camera`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from shoegoal.scene.camera import Camera
from shoegoal.types import Detection

GRAVITY_MPS2 = 9.80665  # standard gravity, ISO 80000-3
# A ball let off a 1 m ramp rolls 4-10 m on turf (FIFA ball roll, from memory). A thin shell leaves
# it at sqrt(6/5 g h) = 3.4 m/s, so it loses 0.6-1.5 m/s^2; hard ground takes less.
ROLL_LOSS_MPS2, ROLL_LOSS_SIGMA_MPS2 = 0.7, 0.6
DRIFT_SIGMA_MPS2 = 0.25  # sideways, of a ball that spins or rolls over uneven ground
# What panels, blur and compression add to a detection's own sigmas: measured on drawn clips.
CENTRE_SHARE, CENTRE_PX = 0.03, 0.4
# A fast ball is a streak, and each row of a picture has its own time: a share of the ball's way
# from one picture to the next.
STEP_SHARE = 0.08
# Sizes of one track err together, so each counts for less than its own scatter says.
SIZE_SHARE = 0.15
STRETCH_PRICE = 30.0  # chi-square that a further stretch has to save
PASSED_PRICE = 6.0  # of a sighting that fits no free motion: twice what chance allows
FLIGHT_PRICE = 10.0  # chi-square that flying has to save over rolling
LEAST_SIGHTINGS = 3
LONGEST_S = 3.0  # a longer stretch is cut in two without harm: the story joins them again
CUTS_PER_S = 15.0  # where cuts are tried first; each then moves to the best picture nearby
HARDLY_DIAMETERS = 0.4  # a ball that rolls less than this in all is lying

F64 = npt.NDArray[np.float64]


class Motion(StrEnum):
    """How a ball moves when nothing touches it."""

    LIES = "lies"
    ROLLS = "rolls"
    FLIES = "flies"


@dataclass(frozen=True, slots=True, eq=False)
class FreeStretch:
    """A stretch of free motion, fitted.

    Attributes
    ----------
    motion : how the ball moves.
    sightings : that it was fitted to, in order of time.
    reference_s : time at which `coefficients` are taken.
    coefficients : (3, 3): rows 1, t, t^2 of the centre's X, Y, Z in metres, t from `reference_s`.
    covariance : (9, 9) of the coefficients in the order X, Y, Z of row 1, of row t, of row t^2.
    misfit : chi-square per degree of freedom.
    radius_m : the ball's radius.
    stops_s : time at which it comes to rest by itself; infinite where it does not.
    """

    motion: Motion
    sightings: tuple[Detection, ...]
    reference_s: float
    coefficients: F64
    covariance: F64
    misfit: float
    radius_m: float
    stops_s: float = field(init=False)
    # Asked for again and again at the same few moments, as stretches are weighed in pairs.
    _covariances: dict[float, F64] = field(init=False, repr=False, default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "stops_s", self._stopping_s())

    @property
    def start_s(self) -> float:
        """Time of the first sighting."""
        return self.sightings[0].time_s

    @property
    def end_s(self) -> float:
        """Time of the last sighting."""
        return self.sightings[-1].time_s

    def centre_m(self, times_s: npt.ArrayLike) -> F64:
        """Centre of the ball, (N, 3) metres; a rolling ball that has stopped stays there."""
        t = self._running(np.asarray(times_s, dtype=np.float64))
        powers = np.ones((*t.shape, 3))
        powers[..., 1] = t
        powers[..., 2] = t**2
        return np.asarray(powers @ self.coefficients, np.float64)

    def velocity_mps(self, time_s: float) -> F64:
        """Velocity of the centre, (3,)."""
        since_s = time_s - self.reference_s
        t = float(self._running(np.array([time_s]))[0])
        if self.motion is Motion.LIES or t < since_s - 1e-9:
            return np.zeros(3)
        return np.asarray(self.coefficients[1] + 2 * t * self.coefficients[2], np.float64)

    def centre_covariance_m2(self, time_s: float) -> F64:
        """Covariance of the centre, (3, 3); not to be written to."""
        known = self._covariances.get(time_s)
        if known is None:
            t = float(self._running(np.array([time_s]))[0])
            lift = np.kron(np.array([1.0, t, t * t]), np.eye(3))
            known = np.asarray(lift @ self.covariance @ lift.T, np.float64)
            self._covariances[time_s] = known
        return known

    def velocity_covariance(self, time_s: float) -> F64:
        """Covariance of the velocity, (3, 3), m^2/s^2."""
        t = float(self._running(np.array([time_s]))[0])
        lift = np.kron(np.array([0.0, 1.0, 2 * t]), np.eye(3))
        return np.asarray(lift @ self.covariance @ lift.T, np.float64)

    def _stopping_s(self) -> float:
        if self.motion is Motion.LIES:
            return self.start_s
        if self.motion is Motion.FLIES:
            return float("inf")
        velocity, acceleration = self.coefficients[1, :2], 2 * self.coefficients[2, :2]
        speed = float(np.hypot(*velocity))
        loss = -float(velocity @ acceleration) / max(speed, 1e-9)
        return self.reference_s + speed / loss if loss > 1e-6 else float("inf")

    def _running(self, times_s: F64) -> F64:
        """Return times from the reference, as long as the ball moves."""
        if self.motion is Motion.LIES:
            return np.zeros_like(times_s)
        return np.minimum(times_s, self.stops_s) - self.reference_s


@dataclass(frozen=True, slots=True, eq=False)
class SightLines:
    """Sightings of one track as linear equations in the ball's centre.

    Attributes
    ----------
    times_s : (N,)
    normal : (N, 3, 3) and right : (N, 3), square : (N,): the weighted sums of squares
        p'Np - 2 r'p + s of a centre p, one sighting each.
    """

    times_s: F64
    normal: F64
    right: F64
    square: F64

    @classmethod
    def of(cls, camera: Camera, diameter_m: float, sightings: Sequence[Detection]) -> SightLines:
        """Set the equations up, weighted by the depth that the ball's size gives."""
        pixels = np.array([(s.x_px, s.y_px) for s in sightings])
        sizes = np.array([s.diameter_px for s in sightings])
        sigma = np.array([s.sigma_px for s in sightings])
        size_sigma = np.array([s.diameter_sigma_px for s in sightings]) / sizes
        radius = diameter_m / 2
        rotation = camera.rotation()
        eye = np.array([0.0, 0.0, camera.height_m])
        depth = (camera.ball_position(pixels, sizes, diameter_m) - eye) @ rotation[2]
        depth = np.where(np.isfinite(depth), np.maximum(depth, 2 * radius), 100.0)
        slopes = (camera.undistort(pixels) - [camera.cx_px, camera.cy_px]) / camera.focal_px
        slopes = np.nan_to_num(slopes) * (1 - (radius / depth) ** 2)[:, None]
        sides = slopes[:, :, None] * rotation[2] - rotation[:2]  # (N, 2, 3)
        rows = np.concatenate([sides, np.broadcast_to(rotation[2], (len(depth), 1, 3))], axis=1)
        values = rows @ eye
        values[:, 2] += depth
        centre_sigma = np.hypot(sigma, CENTRE_SHARE * sizes + CENTRE_PX)
        step_px = np.gradient(pixels, axis=0) if len(pixels) > 1 else np.zeros_like(pixels)
        centre_sigma = np.hypot(centre_sigma, STEP_SHARE * np.hypot(*step_px.T))
        weight = np.empty((len(depth), 3))
        weight[:, :2] = (camera.focal_px / (depth * centre_sigma))[:, None]
        weight[:, 2] = 1 / (depth * np.hypot(size_sigma, SIZE_SHARE))
        rows, values = rows * weight[:, :, None], values * weight
        return cls(
            np.array([s.time_s for s in sightings]),
            np.einsum("nki,nkj->nij", rows, rows),
            np.einsum("nki,nk->ni", rows, values),
            np.sum(values**2, axis=1),
        )

    def scaled(self, noise: float) -> SightLines:
        """Return the same with all standard deviations multiplied."""
        weight = 1 / noise**2
        return SightLines(
            self.times_s, self.normal * weight, self.right * weight, self.square * weight
        )

    def part(self, chosen: slice | npt.NDArray[np.bool_]) -> SightLines:
        """Return some of them."""
        return SightLines(
            self.times_s[chosen], self.normal[chosen], self.right[chosen], self.square[chosen]
        )


def free_stretches(
    camera: Camera, diameter_m: float, sightings: Sequence[Detection], noise: float = 1.0
) -> list[FreeStretch]:
    """Cut one track into stretches of free motion.

    Parameters
    ----------
    camera : over the ground.
    diameter_m : of the ball.
    sightings : of one track, in order of time.
    noise : of the clip, over what is usual.

    Returns
    -------
    In order of time; sightings that no free motion explains belong to none.
    """
    if len(sightings) < LEAST_SIGHTINGS:
        return []
    lines = SightLines.of(camera, diameter_m, sightings).scaled(noise)
    radius_m = diameter_m / 2
    cuts = _moved_to_the_best(lines, radius_m, _cut(lines, radius_m))
    hardly_m = HARDLY_DIAMETERS * diameter_m * noise
    return [
        fit_stretch(lines.part(slice(a, b)), radius_m, sightings[a:b], hardly_m=hardly_m)
        for a, b in cuts
    ]


def _cut(lines: SightLines, radius_m: float) -> list[tuple[int, int]]:
    """Where stretches begin and end: optimal partitioning over places a little apart.

    Sightings that no free motion explains, a foot's or a leaf's, are skipped at a price each.
    """
    n, times, step = len(lines.times_s), lines.times_s, _pictures_a_step(lines)
    knots = np.append(np.arange(0, n, step), n)
    knots = np.delete(knots, -2) if len(knots) > 2 and n - knots[-2] < step else knots
    ends = [int(knot) for knot in knots[1:]]
    recent = [int(np.searchsorted(times[knots[:-1]], times[end - 1] - LONGEST_S)) for end in ends]
    starts = [
        knots[first:e][ends[e - 1] - knots[first:e] >= LEAST_SIGHTINGS]
        for e, first in enumerate(recent, 1)
    ]
    costs = _costs(lines, radius_m, list(zip(starts, ends, strict=True)))[0]
    costs_to = np.split(costs, np.cumsum([len(some) for some in starts])[:-1])
    best, origin = np.full(len(knots), np.inf), np.zeros(len(knots), int)
    passed = np.zeros(len(knots), bool)
    best[0] = 0.0
    for e, (end, first, to_here) in enumerate(zip(ends, recent, costs_to, strict=True), 1):
        if len(to_here):
            total = to_here + STRETCH_PRICE + best[first : first + len(to_here)]
            k = int(np.argmin(total))
            best[e], origin[e] = total[k], first + k
        alone = best[e - 1] + PASSED_PRICE * (end - knots[e - 1])
        if alone < best[e]:
            best[e], origin[e], passed[e] = alone, e - 1, True
    cuts = []
    e = len(knots) - 1
    while e > 0:
        if not passed[e]:
            cuts.append((int(knots[origin[e]]), int(knots[e])))
        e = int(origin[e])
    return cuts[::-1]


def _pictures_a_step(lines: SightLines) -> int:
    """How many pictures lie between places at which cuts are tried first."""
    times = lines.times_s
    rate = (len(times) - 1) / max(1e-9, float(times[-1] - times[0]))
    return max(1, round(rate / CUTS_PER_S))


def _moved_to_the_best(
    lines: SightLines, radius_m: float, cuts: list[tuple[int, int]]
) -> list[tuple[int, int]]:
    """Move each cut between two stretches to the picture near it at which both sides fit best."""
    reach = _pictures_a_step(lines) - 1
    moved = list(cuts)
    for i in range(len(moved) - 1):
        (start, cut), (after, end) = moved[i], moved[i + 1]
        if cut != after:
            continue
        places = range(
            max(start + LEAST_SIGHTINGS, cut - reach), min(end - LEAST_SIGHTINGS, cut + reach) + 1
        )
        if len(places) > 1:
            before = [(np.array([start]), at) for at in places]
            after_it = [(np.array([at]), end) for at in places]
            both = _costs(lines, radius_m, before + after_it)[0].reshape(2, -1).sum(axis=0)
            at = places[int(np.argmin(both))]
            moved[i], moved[i + 1] = (start, at), (at, end)
    return moved


def _costs(
    lines: SightLines, radius_m: float, stretches: Sequence[tuple[npt.NDArray[np.int64], int]]
) -> tuple[F64, npt.NDArray[np.int64]]:
    """Chi-square with its price of stretches, and their kinds; all at once, as calls cost most.

    Parameters
    ----------
    lines, radius_m : of a track, and of the ball.
    stretches : some rising starts, and the end that they share; over and over.
    """
    every_sum, since_start = [], []
    for starts, end in stretches:
        first = int(starts.min(initial=end - 1))
        part = lines.part(slice(first, end))
        t = part.times_s - part.times_s[-1]
        every_sum.append(_Sums.of(part, t, starts - first, radius_m))
        since_start.append(t[starts - first])
    sums = _Sums.joined(every_sum)
    lies = sums.cost(_LYING)[0]
    rolls, found = sums.cost(_ROLLING)
    # A rolling ball does not turn back by itself, so such a stretch gets an even speed.
    ends = found[:, [1, 4]]
    begins = ends + 2 * np.concatenate(since_start)[:, None] * found[:, [2, 5]]
    back = np.sum(ends * begins, axis=1) < 0
    if back.any():
        rolls[back] = sums.cost(_EVEN)[0][back]
    rolls += 4.0
    flies = sums.cost(_FLYING)[0] + FLIGHT_PRICE
    every = np.stack([lies, rolls, flies])
    kind = np.argmin(every, axis=0)
    return np.min(every, axis=0), kind


@dataclass(frozen=True, slots=True)
class _Basis:
    """Which coefficients a kind of motion has: (power of t, axis) each."""

    terms: tuple[tuple[int, int], ...]
    gravity: bool


_LYING = _Basis(((0, 0), (0, 1)), gravity=False)
_ROLLING = _Basis(((0, 0), (1, 0), (2, 0), (0, 1), (1, 1), (2, 1)), gravity=False)
_EVEN = _Basis(((0, 0), (1, 0), (0, 1), (1, 1)), gravity=False)
_FLYING = _Basis(((0, 0), (1, 0), (0, 1), (1, 1), (0, 2), (1, 2)), gravity=True)
KINDS = tuple(Motion)
_BASES = dict(zip(KINDS, (_LYING, _ROLLING, _FLYING), strict=True))


@dataclass(frozen=True, slots=True)
class _Sums:
    """Sums of t^k N, t^k r and s from several starts to one end; the ground's height is taken out.

    Shapes (S, 5, 3, 3), (S, 5, 3), (S,).
    """

    normal: F64
    right: F64
    square: F64
    radius_m: float

    @classmethod
    def of(cls, part: SightLines, t: F64, starts: npt.NDArray[np.int64], radius_m: float) -> _Sums:
        powers = t[:, None] ** np.arange(5)
        normal = powers[:, :, None, None] * part.normal[:, None]
        right = powers[:, :, None] * part.right[:, None]

        def from_each(rows: F64) -> F64:
            return np.cumsum(rows[::-1], axis=0)[::-1][starts]

        return cls(from_each(normal), from_each(right), from_each(part.square), radius_m)

    @classmethod
    def joined(cls, some: Sequence[_Sums]) -> _Sums:
        """Put sums of one ball one after the other."""
        return cls(
            np.concatenate([one.normal for one in some]),
            np.concatenate([one.right for one in some]),
            np.concatenate([one.square for one in some]),
            some[0].radius_m,
        )

    def system(self, basis: _Basis) -> tuple[F64, F64, F64]:
        """Return the normal matrix, right side and constant of a kind of motion."""
        known = np.zeros((3, 3))  # coefficients that are known: rows 1, t, t^2
        if basis.gravity:
            known[2, 2] = -GRAVITY_MPS2 / 2
        else:
            known[0, 2] = self.radius_m
        powers = np.array([p for p, _ in basis.terms])
        axes = np.array([a for _, a in basis.terms])
        matrix = self.normal[:, powers[:, None] + powers, axes[:, None], axes]
        right = self.right[:, powers, axes]
        square = self.square.copy()
        for power, axis in zip(*np.nonzero(known), strict=True):
            value = known[power, axis]
            right = right - value * self.normal[:, powers + power, axes, axis]
            square = square - 2 * value * self.right[:, power, axis]
            square = square + value**2 * self.normal[:, 2 * power, axis, axis]
        return matrix, right, square

    def cost(self, basis: _Basis) -> tuple[F64, F64]:
        """Least chi-square, the prior of a rolling ball's slowing included; and where it is."""
        matrix, right, square = self.system(basis)
        damping = np.zeros(len(basis.terms))
        if basis is _ROLLING:
            # The direction is not known yet, so any change of speed is weighed alike.
            loss = np.hypot(ROLL_LOSS_MPS2, ROLL_LOSS_SIGMA_MPS2)
            damping[[p == 2 for p, _ in basis.terms]] = (2 / loss) ** 2
        matrix = matrix + np.diag(damping + 1e-9)
        found = np.linalg.solve(matrix, right[..., None])[..., 0]
        least = np.maximum(square - np.sum(found * right, axis=-1), 0.0)
        return np.asarray(least, np.float64), np.asarray(found, np.float64)


def fit_stretch(
    lines: SightLines,
    radius_m: float,
    sightings: Sequence[Detection],
    motion: Motion | None = None,
    hardly_m: float = 0.0,
) -> FreeStretch:
    """Fit one stretch, with its uncertainty.

    Parameters
    ----------
    lines : equations of the sightings.
    radius_m : of the ball.
    sightings : at least ``LEAST_SIGHTINGS``, in order of time.
    motion : how it moves; the likeliest kind where it is not known.
    hardly_m : a ball that rolls less than this in all is lying.
    """
    n = len(lines.times_s)
    if motion is None:
        motion = KINDS[int(_costs(lines, radius_m, [(np.array([0]), n)])[1][0])]
        end_m = _travelled_m(lines, radius_m) if motion is Motion.ROLLS else np.inf
        if end_m < hardly_m:
            motion = Motion.LIES
    basis = _BASES[motion]
    reference_s = float(lines.times_s[n // 2])
    t = lines.times_s - reference_s
    sums = _Sums.of(lines, t, np.array([0]), radius_m)
    seen, right, square = (a[0] for a in sums.system(basis))
    if basis is _ROLLING:
        matrix, found = _slowing(seen, right)
    else:
        matrix, found = seen, np.linalg.solve(seen + 1e-9 * np.eye(len(right)), right)
    chi = max(0.0, float(square - 2 * found @ right + found @ seen @ found))
    misfit = chi / max(1, 3 * n - len(found))
    covariance = np.linalg.inv(matrix + 1e-9 * np.eye(len(found))) * max(1.0, misfit)
    coefficients, spread = np.zeros((3, 3)), np.zeros((9, 9))
    if basis.gravity:
        coefficients[2, 2] = -GRAVITY_MPS2 / 2
    else:
        coefficients[0, 2] = radius_m
    places = np.array([3 * p + a for p, a in basis.terms])
    for (p, a), value in zip(basis.terms, found, strict=True):
        coefficients[p, a] = value
    spread[places[:, None], places] = covariance
    return FreeStretch(
        motion,
        tuple(sightings),
        reference_s,
        coefficients,
        spread,
        misfit,
        radius_m,
    )


def _travelled_m(lines: SightLines, radius_m: float) -> float:
    """How far a ball rolled from a stretch's first sighting to its last, metres."""
    t = lines.times_s - lines.times_s[-1]
    matrix, right, _ = _Sums.of(lines, t, np.array([0]), radius_m).system(_ROLLING)
    found = np.linalg.solve(matrix[0] + 1e-9 * np.eye(6), right[0])
    first = np.array([1.0, t[0], t[0] ** 2])
    return float(np.hypot(first @ found[:3] - found[0], first @ found[3:] - found[3]))


def _slowing(matrix: F64, right: F64) -> tuple[F64, F64]:
    """Let a rolling ball slow down along its way, by as much as grass and floors take.

    Returns the normal matrix with that prior, and the coefficients.
    """
    prior_matrix, prior_right = matrix.copy(), right.copy()
    straight = np.diag([1e-9, 1e-9, 1e3, 1e-9, 1e-9, 1e3])
    first = np.linalg.solve(matrix + straight, right)
    velocity = first[[1, 4]]
    speed = float(np.hypot(*velocity))
    along = velocity / speed if speed > 1e-6 else np.array([1.0, 0.0])
    across = np.array([-along[1], along[0]])
    # Coefficients of t^2 are half the acceleration.
    weight = np.outer(along, along) * (2 / ROLL_LOSS_SIGMA_MPS2) ** 2
    weight += np.outer(across, across) * (2 / DRIFT_SIGMA_MPS2) ** 2
    expected = -along * ROLL_LOSS_MPS2 / 2
    at = np.array([2, 5])
    prior_matrix[at[:, None], at] += weight
    prior_right[at] += weight @ expected
    found = np.linalg.solve(prior_matrix + 1e-9 * np.eye(6), prior_right)
    return prior_matrix, np.asarray(found, np.float64)
