"""Patches of a level strip that stand out, have a marker's size and a clear outline."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.scene.markers_salience import LevelStrip

F32 = npt.NDArray[np.float32]

# From a child's shoe lying flat to a school bag. Common practice, no source.
HEIGHTS_M = (0.05, 0.65)
WIDTHS_M = (0.035, 0.62)
FLATTEST = 3.3  # width over height: a shoe from its side is about 2.8
MIN_AREA_PX = 14
MIN_FILL = 0.35  # of the bounding box
LEVELS = 2.6 * 1.3 ** np.arange(13)
# Parts of one body that are this near each other belong together (shoe and sole, bottle and cap).
CLOSE_ACROSS_M, CLOSE_UP_M = 0.025, 0.06
OPEN_M = 0.022  # thinner things are lines and blades
STACK_GAP_M = 0.08
RIM_M = 0.035
WHOLE_BONUS = 0.03  # per e-fold of area: of two equally clear outlines the larger is the body
MIN_CLEARNESS = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class Blob:
    """A patch that stands out.

    Attributes
    ----------
    box : x, y, width, height in the strip.
    mask : (height, width) which pixels of the box are its.
    core : how much it stands out, in spreads of its rows.
    worth : how clear its outline is; of two blobs at a place the worthier is kept.
    """

    box: tuple[int, int, int, int]
    mask: npt.NDArray[np.bool_]
    core: float
    worth: float


def _kernel(across_m: float, up_m: float, px_per_m: float) -> npt.NDArray[np.uint8]:
    size = (max(1, round(up_m * px_per_m)), max(1, round(across_m * px_per_m)))
    return np.ones(size, np.uint8)


def find_blobs(excess: F32, strip: LevelStrip) -> list[Blob]:
    """Find patches of a marker's size at every level of excess; many overlap.

    Parameters
    ----------
    excess : (H, W) the strip's excess, or the part of it that is not shade.
    strip : the level strip, for its scale.
    """
    rows = excess.shape[0]
    typical = float(np.median(strip.px_per_m))
    close = _kernel(CLOSE_ACROSS_M, CLOSE_UP_M, typical)
    thin = _kernel(OPEN_M, OPEN_M, typical)
    found = []
    for level in LEVELS:
        mask = (excess > level).astype(np.uint8)
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, close), dtype=np.uint8)
        mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_OPEN, thin), dtype=np.uint8)
        _, numbers, stats, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        labels = np.asarray(numbers, dtype=np.int32)
        scale = strip.px_per_m[np.minimum(stats[:, 1] + stats[:, 3], rows - 1)]
        wide, high = stats[:, 2] / scale, stats[:, 3] / scale
        good = (
            (stats[:, 4] >= MIN_AREA_PX)
            & (wide >= WIDTHS_M[0])
            & (wide <= WIDTHS_M[1])
            & (high >= HEIGHTS_M[0])
            & (high <= HEIGHTS_M[1])
            & (wide <= FLATTEST * high)
            & (stats[:, 4] >= MIN_FILL * stats[:, 2] * stats[:, 3])
        )
        good[0] = False
        for k in np.flatnonzero(good):
            x, y, w, h = (int(n) for n in stats[k, :4])
            blob = _blob(excess, labels, int(k), (x, y, w, h), float(scale[k]))
            if blob is not None:
                found.append(blob)
    return found


def _blob(
    excess: F32,
    labels: npt.NDArray[np.int32],
    number: int,
    box: tuple[int, int, int, int],
    scale: float,
) -> Blob | None:
    """Judge one component: how clear is its outline against the rim just outside it."""
    x, y, w, h = box
    rim = max(2, round(RIM_M * scale))
    x0, y0 = max(0, x - rim), max(0, y - rim)
    around = slice(y0, y + h + rim), slice(x0, x + w + rim)
    body = labels[around] == number
    grown = cv2.dilate(body.astype(np.uint8), np.ones((2 * rim + 1, 2 * rim + 1), np.uint8)) > 0
    near = excess[around]
    inner = float(near[body].mean())
    if inner <= 0 or not (grown & ~body).any():
        return None
    clear = 1 - float(near[grown & ~body].mean()) / inner
    if clear < MIN_CLEARNESS:
        return None
    core = float(np.quantile(near[body], 0.7))
    mask = body[y - y0 : y - y0 + h, x - x0 : x - x0 + w]
    return Blob(box, mask, core, clear + WHOLE_BONUS * float(np.log(body.sum())))


def _overlap(a: tuple[int, int, int, int], b: tuple[int, int, int, int]) -> bool:
    return (
        min(a[0] + a[2], b[0] + b[2]) > max(a[0], b[0])
        and min(a[1] + a[3], b[1] + b[3]) > max(a[1], b[1])
    )  # fmt: skip


def best_apart(blobs: list[Blob]) -> list[Blob]:
    """Keep one blob for each place: the one with the clearest outline."""
    kept: list[Blob] = []
    for blob in sorted(blobs, key=lambda b: -b.worth):
        if not any(_overlap(blob.box, other.box) for other in kept):
            kept.append(blob)
    return kept


def stacked(blobs: list[Blob], strip: LevelStrip) -> list[Blob]:
    """Join blobs that lie one on the other: a body before two backgrounds may fall in two."""
    joined = []
    for upper in blobs:
        for lower in blobs:
            (ux, uy, uw, uh), (lx, ly, lw, lh) = upper.box, lower.box
            x, y = min(ux, lx), uy
            w, h = max(ux + uw, lx + lw) - x, ly + lh - uy
            scale = float(strip.px_per_m[min(len(strip.px_per_m) - 1, ly + lh - 1)])
            shared = min(ux + uw, lx + lw) - max(ux, lx)
            gap = ly - (uy + uh)
            if (
                not -2 <= gap <= STACK_GAP_M * scale
                or shared < 0.6 * min(uw, lw)
                or h > HEIGHTS_M[1] * scale
                or w > WIDTHS_M[1] * scale
                or max(uw, lw) > 2.2 * min(uw, lw)
            ):
                continue
            mask = np.zeros((h, w), dtype=np.bool_)
            mask[:uh, ux - x : ux - x + uw] |= upper.mask
            mask[ly - y : ly - y + lh, lx - x : lx - x + lw] |= lower.mask
            mask[uh : max(uh, ly - y), max(ux, lx) - x : max(ux, lx) - x + shared] = True
            joined.append(
                Blob((x, y, w, h), mask, max(upper.core, lower.core), max(upper.worth, lower.worth))
            )
    return joined
