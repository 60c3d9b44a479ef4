"""Ball sightings merged into places: a ball that rests for ten seconds is one measurement, not 300.

Frames at the same spot share their background, shading and blur, so their diameters err together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.types import BallSighting

F64 = npt.NDArray[np.float64]

# Sightings closer than this share of a diameter are one place.
SAME_PLACE_DIAMETERS = 0.3
# However often a place is measured, its diameter stays this uncertain. No source; our estimate.
PLACE_BIAS_REL = 0.01
MAX_PLACES = 80
# A rolling or resting ball is seen again nearby at about the same size; a lone disc is often wrong.
NEIGHBOUR_DIAMETERS = 3.0
ALIKE_LOG_SIZE = 0.3
LONE_WRONG_SHARE = 0.9
LEAST_WRONG_SHARE = 0.03


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Distinct places at which the ball lay or rolled.

    Attributes
    ----------
    centres_px : (N, 2) disc centres.
    centre_sigmas_px : (N,) per axis.
    diameters_px, diameter_sigmas_px : (N,).
    counts : (N,) sightings merged, repeated ones too.
    moving : (N,) whether the ball was on its way there.
    wrong_shares : (N,) probability, before any fit, that the place is not the ball on the ground:
        `LONE_WRONG_SHARE` over the 1.5th power of the number of sightings that support it.
    """

    centres_px: F64
    centre_sigmas_px: F64
    diameters_px: F64
    diameter_sigmas_px: F64
    counts: npt.NDArray[np.int64]
    moving: npt.NDArray[np.bool_]
    wrong_shares: F64


def gather_places(sightings: Sequence[BallSighting]) -> Places:
    """Merge sightings that share a place; NaN and non-positive diameters are left out.

    Parameters
    ----------
    sightings : ball sightings on the ground, in any order.

    Returns
    -------
    At most `MAX_PLACES` places; when there are more, a coarser merge is used.
    """
    rows = np.array(
        [
            [s.x_px, s.y_px, s.diameter_px, s.sigma_px, s.diameter_sigma_px, not s.at_rest]
            for s in sightings
        ],
        dtype=np.float64,
    ).reshape(-1, 6)
    usable = np.all(np.isfinite(rows), axis=1) & (rows[:, 2] > 0) & (rows[:, 4] > 0)
    rows = rows[usable]
    reach = SAME_PLACE_DIAMETERS
    labels = _label(rows, reach)
    while labels.size and labels.max() >= MAX_PLACES:
        reach *= 1.4
        labels = _label(rows, reach)
    groups = [rows[labels == k] for k in range(labels.max() + 1 if labels.size else 0)]
    middles = np.array([np.median(g, axis=0) for g in groups]).reshape(-1, 6)
    counts = np.array([len(g) for g in groups], dtype=np.int64)
    # The median of n values is 1.25 times as uncertain as their mean, once n is large. A sighting
    # that is given several times, because it may be trusted more, is no more exact for that.
    measured = np.array([len(np.unique(g, axis=0)) for g in groups], dtype=np.int64)
    shrink = np.where(measured > 2, 1.2533, 1.0) / np.sqrt(np.maximum(measured, 1))
    diameter_sigmas = np.hypot(middles[:, 4] * shrink, PLACE_BIAS_REL * middles[:, 2])
    return Places(
        centres_px=middles[:, :2],
        centre_sigmas_px=middles[:, 3] * shrink,
        diameters_px=middles[:, 2],
        diameter_sigmas_px=diameter_sigmas,
        counts=counts,
        moving=middles[:, 5] > 0,
        wrong_shares=np.maximum(
            LONE_WRONG_SHARE / _support(middles, counts) ** 1.5, LEAST_WRONG_SHARE
        ),
    )


def _support(middles: F64, counts: npt.NDArray[np.int64]) -> F64:
    """Sightings at or near each place (N, 6), of about its size; (N,), 1 or more."""
    apart = np.hypot(*(middles[:, None, :2] - middles[None, :, :2]).transpose(2, 0, 1))
    near = apart < NEIGHBOUR_DIAMETERS * middles[:, None, 2]
    alike = np.abs(np.log(middles[:, None, 2] / middles[None, :, 2])) < ALIKE_LOG_SIZE
    support: F64 = (near & alike) @ counts.astype(np.float64)
    return support


def _label(rows: F64, reach_diameters: float) -> npt.NDArray[np.int64]:
    """Give each row (M, 6) the number of the first place near enough in position and size."""
    labels = np.empty(len(rows), dtype=np.int64)
    founders: list[F64] = []
    table = np.empty((0, 6))
    for i, row in enumerate(rows):
        if len(table):
            apart = np.hypot(table[:, 0] - row[0], table[:, 1] - row[1]) / table[:, 2]
            # A wrong disc on a true place must not be averaged into it.
            alike = np.abs(np.log(table[:, 2] / row[2])) < ALIKE_LOG_SIZE
            alike &= table[:, 5] == row[5]
            near = np.flatnonzero(alike & (apart < reach_diameters))
            if len(near):
                labels[i] = near[0]
                continue
        labels[i] = len(founders)
        founders.append(row)
        table = np.array(founders)
    return labels
