"""Centre and diameter of a ball, to a fraction of a pixel, from a difference picture."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from math import hypot, inf, sqrt

import cv2
import numpy as np
import numpy.typing as npt

MIN_SAMPLED_DIAMETER_PX = 48  # small balls are enlarged to this before their edge is traced
OUTLINE_TOLERANCE = 0.12  # of the radius: an outline point this near the circle belongs to it
RAY_TOLERANCE = 0.08  # the same for edges found along radii
STREAK_ELONGATION = 1.3  # longer than this times its width, a blob is a motion streak
CLEAN_STREAK = 0.92  # of a capsule's area: this even, it is a streak and no ball with a shadow
ROUGH_STREAK = 0.75  # the same where no circle is found
MIN_RIM_SHARE = 0.4  # of the circle's angles must be backed by edge points
TRIALS = 32
MOST_POINTS = 96  # of an outline: neighbouring points tell little new
# On drawn balls lit from one side with half the rim lost, the size came out 10% small and the
# middle 6% off; both go with the share of the rim that is hidden. Of the diameter.
HIDDEN_RIM_SIGMA = 0.2
HIDDEN_RIM_SHIFT = 0.12
MIN_ZOOM = 0.2
MIN_POOLED_CONTRAST = 7.0
GUESS_SIZES = (0.95, 1.25)  # an edge is found where it is 0.85 to 1.2 times as far out
# An outline runs through the middles of border pixels, nearly half a pixel inside on each side.
OUTLINE_INSIDE = 0.9
RAYS = 64
ROUNDS = 4  # of finding edges and refitting the circle, at most
SETTLED = 0.003  # change of radius below which another round brings nothing

LEAST_POINTS = 8  # on a circle

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
U8 = npt.NDArray[np.uint8]

# Where edges are looked for, in radii of the first circle; its inside and outside are judged on
# odd numbers of samples.
_SHARES = np.linspace(0.5, 1.45, 40)
_INSIDE, _OUTSIDE = slice(6, 15), slice(29, 40)
_RAYS = np.arange(RAYS)
_RAY_COS, _RAY_SIN = (f(2 * np.pi * _RAYS / RAYS) for f in (np.cos, np.sin))
_RAY_X, _RAY_Y = _RAY_COS[:, None] * _SHARES, _RAY_SIN[:, None] * _SHARES


@dataclass(frozen=True, slots=True)
class Disc:
    """A measured ball.

    Attributes
    ----------
    x_px, y_px, diameter_px : in the pixels of the picture that was measured.
    sigma_px, diameter_sigma_px : standard deviations from the scatter of the edge.
    rim_share : share of the circle's angles backed by edge points, 0..1.
    streak_px : length added by motion blur (0 for a disc).
    fill : how much of the disc differs from the settled picture, 0..1.
    """

    x_px: float
    y_px: float
    diameter_px: float
    sigma_px: float
    diameter_sigma_px: float
    rim_share: float
    streak_px: float
    fill: float


def measure_disc(
    difference: U8, contrast: float, near_px: tuple[float, float] | None = None
) -> Disc | None:
    """Measure the ball in a native-size difference crop.

    Parameters
    ----------
    difference : (H, W) uint8, how far each pixel is from the settled picture.
    contrast : least difference, in levels, that counts as paint rather than noise.
    near_px : (x, y) where the ball is expected; the crop's middle when None.

    Returns
    -------
    Disc, or None when nothing round stands there.

    Notes
    -----
    A first outline is traced at one level; the circle in it is found by random three-point
    trials (Fischler & Bolles 1981) and an algebraic least-squares fit (Taubin 1991), so that a
    shadow or a shoe that touches the ball spoils only the part of the rim where it touches. Then
    the edge is found anew along each radius, half way between what is inside and outside there:
    the ball's lit and shaded sides and its shadow each get their own level.
    """
    near = near_px or (difference.shape[1] / 2, difference.shape[0] / 2)
    blob = _blob_near(difference, contrast, near)
    if blob is None:
        return None
    x0, y0, x1, y1 = blob
    patch = difference[y0:y1, x0:x1]
    zoom = max(1.0, min(4.0, MIN_SAMPLED_DIAMETER_PX / max(4, min(x1 - x0, y1 - y0))))
    big = cv2.resize(patch, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC)
    strong = np.asarray(big[big >= contrast], np.uint8)
    if strong.size < 12:
        return None
    level = max(contrast, 0.45 * quantile(strong, 0.6))
    mask = (cv2.GaussianBlur(big, (3, 3), 0) >= level).astype(np.uint8)
    contour = _largest_outline(mask)
    if contour is None:
        return None
    disc = _disc_from_outline(contour, mask)
    if disc is None:
        return None
    if disc.streak_px == 0:
        disc = _sharpened(np.asarray(big, np.uint8), disc, contrast)
    return _native(disc, zoom, x0, y0)


def measure_round(
    difference: U8, contrast: float, x_px: float, y_px: float, radius_px: float
) -> Disc | None:
    """Measure a ball of roughly known place and size that touches other things.

    Parameters
    ----------
    difference : (H, W) uint8, how far each pixel is from the picture without the ball.
    contrast : least difference, in levels, that counts as paint.
    x_px, y_px, radius_px : first guess.

    Returns
    -------
    Disc, or None when too little of a rim is found near the guess.
    """
    zoom = float(np.clip(MIN_SAMPLED_DIAMETER_PX / max(4.0, 2 * radius_px), MIN_ZOOM, 4.0))
    # A near ball is looked at smaller: its panels and the grass's flicker average out.
    how = cv2.INTER_CUBIC if zoom >= 1 else cv2.INTER_AREA
    big = np.asarray(cv2.resize(difference, None, fx=zoom, fy=zoom, interpolation=how), np.uint8)
    contrast = contrast if zoom >= 1 else max(MIN_POOLED_CONTRAST, contrast * zoom)
    best: Disc | None = None
    for grow in GUESS_SIZES:
        size = 2 * radius_px * grow * zoom
        start = Disc((x_px + 0.5) * zoom - 0.5, (y_px + 0.5) * zoom - 0.5, size, 0, 0, 0, 0, 0)
        found = _sharpened(big, start, contrast, rounds=1)
        if found.rim_share > (best.rim_share if best else MIN_RIM_SHARE):
            best = found
    if best is None:
        return None
    best = _sharpened(big, best, contrast)
    mask = (big >= contrast).astype(np.uint8)
    best = replace(best, fill=_fill(mask, best.x_px, best.y_px, best.diameter_px / 2))
    return _native(best, zoom, 0, 0)


def _native(disc: Disc, zoom: float, x0: float, y0: float) -> Disc:
    """Undo an enlargement and a crop."""
    return Disc(
        (disc.x_px + 0.5) / zoom - 0.5 + x0,
        (disc.y_px + 0.5) / zoom - 0.5 + y0,
        (disc.diameter_px + OUTLINE_INSIDE) / zoom,
        disc.sigma_px / zoom + 0.05,
        disc.diameter_sigma_px / zoom + 0.1,
        disc.rim_share,
        disc.streak_px / zoom,
        disc.fill,
    )


def quantile(values: U8, share: float) -> float:
    """Return the value that a share of all are below, to one rank; ten times numpy's speed."""
    rank = int(share * (values.size - 1))
    return float(np.partition(values, rank, axis=None)[rank])


def rim_strength(luma: U8, x_px: float, y_px: float, diameter_px: float) -> float:
    """Mean absolute radial step of the brightness across a circle, in grey levels.

    A picture that shows the ball has a step along most of the rim; bare ground has none that
    follows the circle. Used to tell a ball put down from a ball that has left.
    """
    angles = np.linspace(0, 2 * np.pi, 72, endpoint=False)
    inner, outer = 0.5 * diameter_px * 0.85, 0.5 * diameter_px * 1.15
    picture = luma.astype(np.float32)

    def ring(radius: float) -> F32:
        xs = (x_px + radius * np.cos(angles)).astype(np.float32)[None]
        ys = (y_px + radius * np.sin(angles)).astype(np.float32)[None]
        sampled = cv2.remap(picture, xs, ys, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(sampled[0], dtype=np.float32)

    step = ring(outer) - ring(inner)
    kernel = np.ones(9) / 9  # a run of rim that steps the same way, not single grass blades
    smooth = np.convolve(np.concatenate([step[-4:], step, step[:4]]), kernel, "valid")
    return float(np.mean(np.abs(smooth)))


def _blob_near(
    difference: U8, contrast: float, near: tuple[float, float]
) -> tuple[int, int, int, int] | None:
    mask = (difference >= contrast).astype(np.uint8)
    mask = np.asarray(cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((3, 3), np.uint8)), np.uint8)
    count, _, stats, centres = cv2.connectedComponentsWithStats(mask, connectivity=8)
    if count < 2:
        return None
    areas = stats[1:, cv2.CC_STAT_AREA].astype(float)
    away = np.hypot(centres[1:, 0] - near[0], centres[1:, 1] - near[1])
    best = 1 + int(np.argmax(areas / (1.0 + away / max(4.0, 0.25 * max(mask.shape))) ** 2))
    x, y, w, h, area = stats[best]
    if area < 9:
        return None
    pad = 2
    return (
        max(0, x - pad),
        max(0, y - pad),
        min(mask.shape[1], x + w + pad),
        min(mask.shape[0], y + h + pad),
    )


def _largest_outline(mask: U8) -> npt.NDArray[np.float64] | None:
    outlines, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    if not outlines:
        return None
    outline = max(outlines, key=cv2.contourArea)
    if len(outline) < 12:
        return None
    return np.asarray(outline[:, 0, :], dtype=np.float64)


def _disc_from_outline(points: npt.NDArray[np.float64], mask: U8) -> Disc | None:
    (cx, cy), (side_a, side_b), _ = cv2.minAreaRect(points.astype(np.float32))
    long_px, short_px = max(side_a, side_b), min(side_a, side_b)
    if short_px < 3:
        return None
    area = cv2.contourArea(points.astype(np.float32))
    capsule = short_px * (long_px - short_px) + np.pi / 4 * short_px**2
    elongated = long_px >= STREAK_ELONGATION * short_px
    streak = Disc(
        cx,
        cy,
        short_px,
        0.08 * short_px,
        0.12 * short_px,
        0.5,
        long_px - short_px,
        float(area / capsule),
    )
    if elongated and area >= CLEAN_STREAK * capsule:
        return streak
    circle = _fit_circle(_thinned(points), OUTLINE_TOLERANCE)
    if circle is not None:
        rim = _rim_share(_thinned(points)[circle.on_it], circle)
        if rim >= MIN_RIM_SHARE:
            count = np.count_nonzero(circle.on_it)
            # Neighbouring points move together.
            sigma = circle.rms / sqrt(max(3.0, count / 6)) + 0.15
            fill = _fill(mask, circle.x, circle.y, circle.radius)
            return Disc(circle.x, circle.y, 2 * circle.radius, sigma, 2 * sigma, rim, 0.0, fill)
    return streak if elongated and area >= ROUGH_STREAK * capsule else None


def _thinned(points: F64) -> F64:
    if len(points) <= MOST_POINTS:
        return points
    kept: F64 = points[np.linspace(0, len(points) - 1, MOST_POINTS).astype(int)]
    return kept


def _rim_share(points: F64, circle: _Circle) -> float:
    """Share of a circle's angles that have a point, in steps of ten degrees."""
    angles = np.arctan2(points[:, 1] - circle.y, points[:, 0] - circle.x)
    return len(set((angles * (18 / np.pi)).astype(int).tolist())) / 36


@dataclass(frozen=True, slots=True)
class _Circle:
    """A fitted circle, the scatter of the points on it, and which (N,) points those are."""

    x: float
    y: float
    radius: float
    rms: float
    on_it: npt.NDArray[np.bool_]


def _fit_circle(points: F64, tolerance: float) -> _Circle | None:
    """Find the circle that most of (N, 2) points agree on."""
    if len(points) < LEAST_POINTS:
        return None
    x, y = points[:, 0], points[:, 1]
    centres, radii = _circles_through(points[_picks(len(points))])
    extent = float(max(np.ptp(x), np.ptp(y)))
    usable = (radii > 0.15 * extent) & (radii < 0.8 * extent)  # false where not a number
    if not usable.any():
        return None
    centres, radii = centres[usable], radii[usable]
    slack = np.maximum(0.75, tolerance * radii)
    squares = (x - centres[:, :1]) ** 2 + (y - centres[:, 1:]) ** 2
    low, high = np.maximum(0.0, radii - slack) ** 2, (radii + slack) ** 2
    near = (squares >= low[:, None]) & (squares <= high[:, None])
    # support per unit of circle: a small circle must not win by hugging one bulge
    on_it = near[int(np.argmax(near.sum(axis=1)))]
    for _ in range(3):
        if np.count_nonzero(on_it) < LEAST_POINTS:
            return None
        middle_x, middle_y, radius = _taubin(points[on_it])
        if not radius < extent:
            return None  # all but a straight line
        off = np.sqrt((x - middle_x) ** 2 + (y - middle_y) ** 2) - radius
        before, on_it = on_it, np.abs(off) <= max(0.75, tolerance * radius)
        if np.array_equal(before, on_it):
            break
    count = np.count_nonzero(on_it)
    if count < LEAST_POINTS:
        return None
    rms = sqrt(float(off[on_it] @ off[on_it]) / count)
    return _Circle(middle_x, middle_y, radius, rms, on_it)


@cache
def _picks(count: int) -> npt.NDArray[np.intp]:
    """(TRIALS, 3) random indices of points, the same at every call."""
    return np.random.default_rng(count).integers(0, count, (TRIALS, 3))


def _circles_through(triples: F64) -> tuple[F64, F64]:
    """Centres (T, 2) and radii (T,) of the circles through (T, 3, 2) points."""
    (bx, by), (cx, cy) = ((triples[:, k] - triples[:, 0]).T for k in (1, 2))
    bb, cc = bx**2 + by**2, cx**2 + cy**2
    with np.errstate(divide="ignore", invalid="ignore"):
        away = np.stack([cy * bb - by * cc, bx * cc - cx * bb]) / (2 * (bx * cy - by * cx))
        radii = np.sqrt(away[0] ** 2 + away[1] ** 2)
    return triples[:, 0] + away.T, radii


def _taubin(points: F64) -> tuple[float, float, float]:
    """Centre and radius of the circle through (N, 2) points, little biased on partial arcs.

    Taubin 1991, by the Newton iteration of Chernov 2010, section 5.10 (from memory).
    """
    middle = points.mean(axis=0)
    local = points - middle
    columns = np.column_stack([local, (local**2).sum(axis=1)])
    (xx, xy, xz), (_, yy, yz), (_, _, zz) = (columns.T @ columns / len(points)).tolist()
    z = xx + yy
    spread, tilt = xx * yy - xy**2, zz - z**2
    a1 = tilt * z + 4 * spread * z - xz**2 - yz**2
    a0 = xz * (xz * yy - yz * xy) + yz * (yz * xx - xz * xy) - tilt * spread
    a2, root = -3 * z**2 - zz, 0.0
    for _ in range(20):
        slope = a1 + root * (2 * a2 + 12 * z * root)
        step = (a0 + root * (a1 + root * (a2 + 4 * z * root))) / slope if slope else 0.0
        root -= step
        if abs(step) <= 1e-9 * abs(root):
            break
    scale = 2 * (root**2 - root * z + spread)
    if abs(scale) < 1e-12 * z**2:
        return float(middle[0]), float(middle[1]), inf
    x, y = (xz * (yy - root) - yz * xy) / scale, (yz * (xx - root) - xz * xy) / scale
    return float(middle[0]) + x, float(middle[1]) + y, sqrt(x**2 + y**2 + z)


def _sharpened(picture: U8, disc: Disc, contrast: float, rounds: int = ROUNDS) -> Disc:
    """Move a circle (in the enlarged picture) to the half-way edge of each of its radii."""
    x, y, radius = disc.x_px, disc.y_px, disc.diameter_px / 2
    for _ in range(rounds):
        edges = _edges(picture, x, y, radius, contrast)
        circle = _fit_circle(edges, RAY_TOLERANCE) if len(edges) >= MIN_RIM_SHARE * RAYS else None
        count = int(np.count_nonzero(circle.on_it)) if circle else 0
        share = count / RAYS
        if circle is None or share < MIN_RIM_SHARE:
            # The first circle does not stand up to a closer look: keep it, at its true worth.
            return replace(disc, rim_share=min(disc.rim_share, share))
        settled = abs(circle.radius - radius) < SETTLED * radius
        x, y, radius, rms = circle.x, circle.y, circle.radius, circle.rms
        if settled:
            break
    sigma = rms / sqrt(count / 4) + 0.1
    hidden_px = (1 - share) * 2 * radius
    sigma = hypot(sigma, HIDDEN_RIM_SHIFT * hidden_px)
    size_sigma = hypot(2 * sigma, HIDDEN_RIM_SIGMA * hidden_px)
    # These edges are where they are: take back beforehand what outlines are owed.
    return Disc(x, y, 2 * radius - OUTLINE_INSIDE, sigma, size_sigma, share, 0.0, disc.fill)


def _edges(picture: U8, x: float, y: float, radius: float, contrast: float) -> F64:
    """Points (N, 2), one at most on each radius, half way down from the ball to what is round it.

    The outermost step down counts, so that a dark panel's edge inside the ball is passed over.
    """
    across = (radius * _RAY_X + x).astype(np.float32)
    down = (radius * _RAY_Y + y).astype(np.float32)
    profile: U8 = np.asarray(
        cv2.remap(picture, across, down, cv2.INTER_LINEAR, borderValue=0), np.uint8
    )
    inner, outer = _middle(profile[:, _INSIDE]), _middle(profile[:, _OUTSIDE])
    level = (inner + outer) / 2
    above = profile >= level[:, None]
    falls = above[:, :-1] > above[:, 1:]
    last = falls.shape[1] - 1 - np.argmax(falls[:, ::-1], axis=1)
    good = falls[_RAYS, last] & (inner - outer >= contrast) & (_SHARES[last] > 0.6)
    rays, last = _RAYS[good], last[good]
    high, low = profile[rays, last].astype(np.float64), profile[rays, last + 1]
    part = (high - level[good]) / (high - low)
    edge = radius * (_SHARES[last] + part * (_SHARES[1] - _SHARES[0]))
    return np.column_stack([x + edge * _RAY_COS[rays], y + edge * _RAY_SIN[rays]])


def _middle(profile: U8) -> F64:
    """Median along each ray, of an odd number of samples."""
    half = profile.shape[1] // 2
    return np.partition(profile, half, axis=1)[:, half].astype(np.float64)


def _fill(mask: U8, x: float, y: float, radius: float) -> float:
    disc = np.zeros_like(mask)
    cv2.circle(disc, (round(x), round(y)), max(1, round(radius * 0.9)), 1, -1)
    inside = disc > 0
    return float(mask[inside].mean()) if inside.any() else 0.0
