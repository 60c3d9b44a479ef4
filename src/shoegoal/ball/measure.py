"""Centre and diameter of a ball, to a fraction of a pixel, from a difference picture."""

from __future__ import annotations

from dataclasses import dataclass, replace

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
GUESS_SIZES = (0.9, 1.1, 1.35)
# An outline runs through the middles of border pixels, nearly half a pixel inside on each side.
OUTLINE_INSIDE = 0.9
RAYS = 64
RAY_SAMPLES = 40
ROUNDS = 4  # of finding edges and refitting the circle, at most
SETTLED = 0.003  # change of radius below which another round brings nothing

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]


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
    strong = big[big >= contrast]
    if strong.size < 12:
        return None
    level = max(contrast, 0.45 * float(np.percentile(strong, 60)))
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
    circle = _fit_circle(points, OUTLINE_TOLERANCE)
    if circle is not None:
        x, y, radius, spread, count, rim = circle
        if rim >= MIN_RIM_SHARE:
            sigma = spread / np.sqrt(max(3, count / 6)) + 0.15  # neighbouring points move together
            return Disc(x, y, 2 * radius, sigma, 2 * sigma, rim, 0.0, _fill(mask, x, y, radius))
    return streak if elongated and area >= ROUGH_STREAK * capsule else None


def _fit_circle(
    points: npt.NDArray[np.float64], tolerance: float
) -> tuple[float, float, float, float, int, float] | None:
    """x, y, radius, rms residual, inlier count and share of angles of the best circle."""
    if len(points) > MOST_POINTS:
        points = points[np.linspace(0, len(points) - 1, MOST_POINTS).astype(int)]
    rng = np.random.default_rng(len(points))
    picks = points[rng.integers(0, len(points), (TRIALS, 3))]
    centres, radii = _circles_through(picks)
    extent = float(np.max(np.ptp(points, axis=0)))
    usable = np.isfinite(radii) & (radii > 0.15 * extent) & (radii < 0.8 * extent)
    if not usable.any():
        return None
    centres, radii = centres[usable], radii[usable]
    gap = np.abs(
        np.hypot(*(points[None, :, :] - centres[:, None, :]).transpose(2, 0, 1)) - radii[:, None]
    )
    near = gap <= np.maximum(0.75, tolerance * radii)[:, None]
    # support per unit of circle: a small circle must not win by hugging one bulge
    best = int(np.argmax(near.sum(axis=1)))
    inliers = points[near[best]]
    for _ in range(3):
        if len(inliers) < 8:
            return None
        x, y, radius = _taubin(inliers)
        if not radius < extent:
            return None  # all but a straight line
        distance = np.abs(np.hypot(points[:, 0] - x, points[:, 1] - y) - radius)
        inliers = points[distance <= max(0.75, tolerance * radius)]
    if len(inliers) < 8:
        return None
    rms = float(np.sqrt(np.mean((np.hypot(inliers[:, 0] - x, inliers[:, 1] - y) - radius) ** 2)))
    angles = np.arctan2(inliers[:, 1] - y, inliers[:, 0] - x)
    share = len(np.unique(((angles + np.pi) / (2 * np.pi) * 36).astype(int) % 36)) / 36
    return x, y, radius, rms, len(inliers), share


def _circles_through(
    triples: npt.NDArray[np.float64],
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    a, b, c = triples[:, 0], triples[:, 1], triples[:, 2]
    twice = 2 * (
        a[:, 0] * (b[:, 1] - c[:, 1])
        + b[:, 0] * (c[:, 1] - a[:, 1])
        + c[:, 0] * (a[:, 1] - b[:, 1])
    )
    with np.errstate(divide="ignore", invalid="ignore"):
        aa, bb, cc = (np.sum(p**2, axis=1) for p in (a, b, c))
        x = (aa * (b[:, 1] - c[:, 1]) + bb * (c[:, 1] - a[:, 1]) + cc * (a[:, 1] - b[:, 1])) / twice
        y = (aa * (c[:, 0] - b[:, 0]) + bb * (a[:, 0] - c[:, 0]) + cc * (b[:, 0] - a[:, 0])) / twice
        radii = np.hypot(a[:, 0] - x, a[:, 1] - y)
    return np.stack([x, y], axis=1), radii


def _taubin(points: npt.NDArray[np.float64]) -> tuple[float, float, float]:
    """Centre and radius of the circle through (N, 2) points, little biased on partial arcs.

    Taubin 1991, in the singular-value form of Chernov 2010 (from memory).
    """
    middle = points.mean(axis=0)
    local = points - middle
    squares = np.sum(local**2, axis=1)
    mean = float(squares.mean())
    scaled = (squares - mean) / (2 * np.sqrt(mean))
    _, _, rows = np.linalg.svd(np.column_stack([scaled, local]), full_matrices=False)
    lead = rows[2, 0] / (2 * np.sqrt(mean))
    rest = -mean * lead
    if abs(lead) < 1e-12:
        return float(middle[0]), float(middle[1]), float("inf")
    x, y = -rows[2, 1] / (2 * lead), -rows[2, 2] / (2 * lead)
    radius = np.sqrt(max(0.0, x**2 + y**2 - rest / lead))
    return float(x + middle[0]), float(y + middle[1]), float(radius)


def _sharpened(picture: U8, disc: Disc, contrast: float, rounds: int = ROUNDS) -> Disc:
    """Move a circle (in the enlarged picture) to the half-way edge of each of its radii."""
    angles = np.linspace(0, 2 * np.pi, RAYS, endpoint=False)
    shares = np.linspace(0.5, 1.45, RAY_SAMPLES)
    x, y, radius = disc.x_px, disc.y_px, disc.diameter_px / 2
    for _ in range(rounds):
        xs = (x + radius * shares[None, :] * np.cos(angles)[:, None]).astype(np.float32)
        ys = (y + radius * shares[None, :] * np.sin(angles)[:, None]).astype(np.float32)
        profile = cv2.remap(picture, xs, ys, cv2.INTER_LINEAR, borderValue=0).astype(np.float64)
        inner = np.median(profile[:, (shares >= 0.6) & (shares <= 0.85)], axis=1)
        outer = np.median(profile[:, shares >= 1.2], axis=1)
        level = (inner + outer) / 2
        above = profile >= level[:, None]
        # the outermost step down, so that a dark panel's edge inside the ball is passed over
        falls = above[:, :-1] & ~above[:, 1:]
        last = falls.shape[1] - 1 - np.argmax(falls[:, ::-1], axis=1)
        rows = np.arange(RAYS)
        high, low = profile[rows, last], profile[rows, last + 1]
        part = (high - level) / np.maximum(1e-6, high - low)
        edge = radius * (shares[last] + part * (shares[1] - shares[0]))
        good = falls.any(axis=1) & (inner - outer >= contrast) & (shares[last] > 0.6)
        points = np.column_stack([x + edge * np.cos(angles), y + edge * np.sin(angles)])[good]
        circle = _fit_circle(points, RAY_TOLERANCE) if len(points) >= MIN_RIM_SHARE * RAYS else None
        share = circle[4] / RAYS if circle else 0.0
        if circle is None or share < MIN_RIM_SHARE:
            # The first circle does not stand up to a closer look: keep it, at its true worth.
            return replace(disc, rim_share=min(disc.rim_share, share))
        settled = abs(circle[2] - radius) < SETTLED * radius
        x, y, radius, rms, count, _ = circle
        if settled:
            break
    sigma = rms / np.sqrt(count / 4) + 0.1
    hidden_px = (1 - share) * 2 * radius
    sigma = float(np.hypot(sigma, HIDDEN_RIM_SHIFT * hidden_px))
    size_sigma = float(np.hypot(2 * sigma, HIDDEN_RIM_SIGMA * hidden_px))
    # These edges are where they are: take back beforehand what outlines are owed.
    return Disc(x, y, 2 * radius - OUTLINE_INSIDE, sigma, size_sigma, share, 0.0, disc.fill)


def _fill(mask: U8, x: float, y: float, radius: float) -> float:
    disc = np.zeros_like(mask)
    cv2.circle(disc, (round(x), round(y)), max(1, round(radius * 0.9)), 1, -1)
    inside = disc > 0
    return float(mask[inside].mean()) if inside.any() else 0.0
