"""Where balls lie still, so that they can be followed from the moment they leave."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import cv2
import numpy as np
import numpy.typing as npt
from cv2.typing import MatLike

from shoegoal.ball.background import CHROMA_GAIN
from shoegoal.ball.ball_net import (
    ONE_BALL_DIAMETERS,
    Place,
    apart_diameters,
    distinct,
    measure_balls,
)
from shoegoal.clip.reduced import Halvings, Planes
from shoegoal.types import Detection

SURELY = 0.9  # least score of the network for a thing to be watched
MOST_LYING = 5  # the likeliest are watched, so that the cost of a picture stays bounded
RADII = (0.004, 0.0065, 0.0105, 0.017, 0.027, 0.044, 0.07)  # tried at the start, of the long side
MOST_SPOTS = 45  # at each of these
RING = 1.6  # a spot differs from its surroundings, averaged this much wider
LEAST_SIGMA_PX = 1.8  # wider averaging is done on a halved picture, without loss
GAUSS_OF_RADIUS = 0.7  # at this width a disc stands out most (Lindeberg 1998, r / sqrt 2)

U8 = npt.NDArray[np.uint8]


def find_lying(native: Halvings, small: Planes, scale: float, time_s: float) -> list[Detection]:
    """Look for resting balls all over a picture, as at a clip's start.

    Parameters
    ----------
    native : the picture.
    small : (luma, u, v) of it, reduced.
    scale : reduced over native size.
    time_s : of the picture.

    Returns
    -------
    At most ``MOST_LYING`` detections, surest first.
    """
    spots = spots_in(small, scale, RADII, MOST_SPOTS)
    found = measure_balls(native, native, spots, time_s, at_rest=True)
    return distinct(found, SURELY)[:MOST_LYING]


def spots_in(small: Planes, scale: float, radii: Sequence[float], most: int) -> list[Place]:
    """Round spots, native (x, y, diameter): extremes of differences of Gaussians.

    Parameters
    ----------
    small : (luma, u, v), reduced.
    scale : reduced over native size.
    radii : rising, in shares of the picture's long side.
    most : how many of each radius.
    """
    luma, *chroma = small
    size = (luma.shape[1], luma.shape[0])
    channels = [luma.astype(np.float32)] + [
        CHROMA_GAIN * cv2.resize(plane, size, interpolation=cv2.INTER_LINEAR).astype(np.float32)
        for plane in chroma
    ]
    picture: MatLike = np.dstack(channels)
    found: list[Place] = []
    for radius in radii:
        radius_px = radius * max(luma.shape) * picture.shape[0] / luma.shape[0]
        while GAUSS_OF_RADIUS * radius_px >= 2 * LEAST_SIGMA_PX:
            halved = (picture.shape[1] // 2, picture.shape[0] // 2)
            picture = cv2.resize(picture, halved, interpolation=cv2.INTER_AREA)
            radius_px /= 2
        sigma = GAUSS_OF_RADIUS * radius_px
        inner = cv2.GaussianBlur(picture, (0, 0), sigma)
        outer = cv2.GaussianBlur(picture, (0, 0), RING * sigma)
        apart = cv2.split(cv2.absdiff(inner, outer))
        stands_out = np.asarray(cv2.max(cv2.max(apart[0], apart[1]), apart[2]))
        reach = 2 * round(radius_px) + 1
        tops = stands_out >= cv2.dilate(stands_out, np.ones((reach, reach), np.uint8))
        ys, xs = np.nonzero(tops)
        per_px = picture.shape[1] / luma.shape[1] * scale
        for i in np.argsort(-stands_out[ys, xs])[:most]:
            x, y = ((float(at) + 0.5) / per_px - 0.5 for at in (xs[i], ys[i]))
            found.append((x, y, 2 * radius_px / per_px))
    return found


class LyingBalls:
    """Keeps the places at which balls lie, and those that they left."""

    def __init__(self) -> None:
        self._places: list[Place] = []
        self._left: list[Place] = []

    @property
    def places(self) -> list[Place]:
        """(x, y, diameter) of each, px, newest last."""
        return list(self._places)

    @property
    def left(self) -> list[Place]:
        """(x, y, diameter) of places that balls left, px, newest last: more may be put there."""
        return list(self._left)

    def put(self, places: Iterable[Place]) -> None:
        """Take in balls that came to rest; the oldest are forgotten when there are too many."""
        for place in places:
            self._places = [*_without(self._places, place), place]
        self._places = self._places[-MOST_LYING:]

    def leave(self, place: Place) -> None:
        """Note that a ball has left a place."""
        self._places = _without(self._places, place)
        self._left = [*_without(self._left, place), place][-MOST_LYING:]


def _without(places: Iterable[Place], place: Place) -> list[Place]:
    return [p for p in places if apart_diameters(p, place) > ONE_BALL_DIAMETERS]
