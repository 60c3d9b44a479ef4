"""The yard without the people in it, for finding what stands behind them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt

from shoegoal.ball.detector import PERSON, detect
from shoegoal.clip.frame import U8
from shoegoal.clip.reader import open_clip
from shoegoal.clip.sampling import Sampler

MOST_LOOKS, LEAST_LOOKS = 12, 5
LOOKED_AT_PX = 25_000_000  # in all of them together, so that large ones do not fill the memory
LEAST_PERSON = 0.05  # score from which on a thing may be a person,
SURE_PERSON = 0.3  # and from which on nothing behind it is believed
AS_GOOD = 0.05  # of the pictures those are taken that show a person so little more than the best
MARGIN = 0.06  # of a person's box, for hair, hands and feet
CELL_PX = 8  # people are told this coarsely

F32 = npt.NDArray[np.float32]
I16 = npt.NDArray[np.int16]
_LEFT_OUT = np.iinfo(np.int16).max


def empty_yard(path: Path, settled_bgr: U8, most_looks: int = MOST_LOOKS) -> U8:
    """Look behind the people of a clip.

    Who waits on one spot becomes part of the settled picture, as the kicker often does in a clip's
    last seconds, and may hide a marker there that can be seen at other times.

    Parameters
    ----------
    path : the clip, whose camera stands still.
    settled_bgr : (H, W, 3) the yard without what moves.
    most_looks : at most so many pictures, spread over the clip.

    Returns
    -------
    The settled picture; where a person is in some of a few pictures of the clip, the median of
    those in which nobody is.
    """
    height, width = settled_bgr.shape[:2]
    looks = min(most_looks, max(LEAST_LOOKS, LOOKED_AT_PX // (height * width)))
    with open_clip(path) as clip, clip.sampler() as sampler:
        pictures = _spread(sampler, looks)
    return behind_people(settled_bgr, pictures, [person_scores(p) for p in pictures])


def person_scores(picture: U8) -> F32:
    """Tell how surely a person is in each cell of a picture, (H / CELL_PX, W / CELL_PX), 0..1."""
    rows, columns = (-(-size // CELL_PX) for size in picture.shape[:2])
    scores: F32 = np.zeros((rows, columns), np.float32)
    for person in reversed(detect(picture, (PERSON,), LEAST_PERSON)):  # the surest come last
        beside = MARGIN * (person.right_px - person.left_px)
        above = MARGIN * (person.bottom_px - person.top_px)
        top, bottom = person.top_px - above, person.bottom_px + above
        left, right = person.left_px - beside, person.right_px + beside
        scores[_cells(top, bottom), _cells(left, right)] = person.score
    return scores


def behind_people(settled_bgr: U8, pictures: Sequence[U8], scores: Sequence[F32]) -> U8:
    """Fill in what people hide at times from pictures in which they are elsewhere.

    Parameters
    ----------
    settled_bgr : (H, W, 3).
    pictures : (H, W, 3) each, of the same view.
    scores : of each picture, as `person_scores` tells them.
    """
    out = settled_bgr.copy()
    if not pictures:
        return out
    people = np.stack(scores)
    least = people.min(axis=0)
    hides = people > least + AS_GOOD
    cells = hides.any(axis=0) & (least < SURE_PERSON)
    if not cells.any():
        return out
    never = people.max(axis=0) == 0
    lighter = [_lighter(settled_bgr, picture, never) for picture in pictures]
    for row in np.flatnonzero(cells.any(axis=1)):  # one row of cells at a time, to save memory
        rows = slice(row * CELL_PX, (row + 1) * CELL_PX)
        stack = np.stack(
            [
                np.where(_columns(hidden[row], out), _LEFT_OUT, picture[rows] + more)
                for picture, more, hidden in zip(pictures, lighter, hides, strict=True)
            ]
        )
        stack.sort(axis=0)
        seen = (stack != _LEFT_OUT).sum(axis=0)[None]
        middle = np.take_along_axis(stack, np.maximum(seen - 1, 0) // 2, axis=0)[0]
        filled = np.clip(middle, 0, 255).astype(np.uint8)
        out[rows] = np.where(_columns(cells[row], out), filled, out[rows])
    return out


def _spread(sampler: Sampler, looks: int) -> list[U8]:
    step_s = max(sampler.duration_s / looks, 1e-3)
    return [frame.bgr() for frame in sampler.near(sampler.spread_s(step_s), step_s / 2)]


def _cells(first_px: float, last_px: float) -> slice:
    return slice(max(0, int(first_px // CELL_PX)), max(0, int(-(-last_px // CELL_PX))))


def _columns(cells: npt.NDArray[np.bool_], picture: U8) -> npt.NDArray[np.bool_]:
    """(1, W, 1) for one row of cells."""
    return cells.repeat(CELL_PX)[None, : picture.shape[1], None]


def _lighter(settled_bgr: U8, picture: U8, never: npt.NDArray[np.bool_]) -> I16:
    """How much lighter each channel of the settled picture is, where nobody ever is, levels.

    Told by one pixel of each cell; ``never`` holds the cells.
    """
    if not never.any():
        return np.zeros(3, np.int16)
    settled, now = (p[::CELL_PX, ::CELL_PX][never] for p in (settled_bgr, picture))
    apart = settled.astype(np.int16) - now
    return np.asarray(np.round(np.median(apart, axis=0)), np.int16)
