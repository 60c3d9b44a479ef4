"""Where a ball's way breaks (a rebound, a catch, a foot): a kink in its way on the ground."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

MIN_SIDE = 3  # sightings on either side of a break
MIN_GAIN = 40.0  # drop of the sum of squared sigmas that a break must bring; our choice
MIN_KINK_MPS = 0.8  # least change of velocity, and
MIN_KINK_SHARE = 0.35  # of the speed before it
AT_FOOT_S = 0.4  # a piece this short at the start is the foot's rather than the ball's,
FOOT_TO_FLIGHT = 1.5  # when what follows is this many times as long

F64 = npt.NDArray[np.float64]


def unbroken_part(times_s: F64, ground_m: F64, sigma_m: F64) -> slice:
    """Return the first unbroken part of a way that is long enough to be a flight.

    A way without a break is followed by one parabola in time per axis (constant deceleration). A
    short piece at the start is left out: there the ball is still merged with the foot.

    Parameters
    ----------
    times_s : (N,)
    ground_m : (N, 2) where a ball lying on the ground would be.
    sigma_m : (N, 2) standard deviations.
    """
    start, end = 0, len(times_s)
    while end - start >= 2 * MIN_SIDE:
        part = slice(start, end)
        split = _best_split(times_s[part], ground_m[part], sigma_m[part])
        if split is None:
            break
        middle = start + split
        at_foot_s = times_s[middle] - times_s[start]
        onward_s = times_s[end - 1] - times_s[middle]
        if at_foot_s < AT_FOOT_S and onward_s > FOOT_TO_FLIGHT * at_foot_s:
            start = middle
        else:
            end = middle
    return slice(start, end)


def _best_split(times: F64, ground: F64, sigma: F64) -> int | None:
    whole = _misfit(times, ground, sigma)
    best, best_cost = None, np.inf
    for k in range(MIN_SIDE, len(times) - MIN_SIDE + 1):
        cost = _misfit(times[:k], ground[:k], sigma[:k]) + _misfit(times[k:], ground[k:], sigma[k:])
        if cost < best_cost:
            best, best_cost = k, cost
    if best is None or whole - best_cost < MIN_GAIN:
        return None
    before = _velocity(times[:best], ground[:best], sigma[:best], times[best - 1])
    after = _velocity(times[best:], ground[best:], sigma[best:], times[best])
    kink, speed = float(np.hypot(*(after - before))), float(np.hypot(*before))
    return best if kink >= max(MIN_KINK_MPS, MIN_KINK_SHARE * speed) else None


def _fit(times: F64, values: F64, sigma: F64) -> F64:
    local = times - times[0]
    degree = 2 if len(times) > 4 else 1
    return np.asarray(np.polyfit(local, values, degree, w=1 / sigma))


def _misfit(times: F64, ground: F64, sigma: F64) -> float:
    """Sum of squared sigmas of both axes, capped per sighting so that one slip is no kink."""
    total = 0.0
    for axis in range(2):
        fit = _fit(times, ground[:, axis], sigma[:, axis])
        off = (ground[:, axis] - np.polyval(fit, times - times[0])) / sigma[:, axis]
        total += float(np.sum(np.minimum(off**2, 16.0)))
    return total


def _velocity(times: F64, ground: F64, sigma: F64, at: float) -> F64:
    return np.array(
        [
            np.polyval(np.polyder(_fit(times, ground[:, a], sigma[:, a])), at - times[0])
            for a in range(2)
        ]
    )
