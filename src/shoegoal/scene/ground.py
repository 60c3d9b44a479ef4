"""The camera over its ground from the ball's sizes alone, before the goal is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene import posterior
from shoegoal.scene.ball_size import BallSize, ball_ruler
from shoegoal.scene.camera import Camera
from shoegoal.scene.lens import STATED, UPRIGHTS, Lens
from shoegoal.scene.posterior import (
    LOG_BALL,
    LOG_FOCAL,
    LOG_HEIGHT,
    PITCH,
    ROLL,
    Evidence,
    Peak,
    climb,
)
from shoegoal.types import Detection, Estimate

F64 = npt.NDArray[np.float64]

MIN_SIGHTINGS = 3
# A way of measuring discs may find all of them this much too big or small (blur, rim shading): on
# rendered yards the goals' widths scatter by 1.3% in all.
DIAMETER_BIAS_REL = 0.012
# The consensus search is coarse in pitch and roll, so sizes may be this far off in it.
CONSENSUS_SIGMA_REL = 0.06
CONSENSUS_SIGMAS = 3.0
WRONG_DENSITY = 0.05  # of a wrong place, over the peak density of a right one
BELOW_GROUND_RATIO = 0.2  # a ball in the air looks too big; hardly anything looks too small
_HEIGHT_QUANTILES = (0.2, 0.35, 0.5, 0.65, 0.8, 0.95)

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

MIN_SHARE_ON_GROUND = 0.5
MAX_MISFIT = 4.0  # sizes scatter this many times more than their own sigmas allow ...
MAX_SCATTER_REL = 0.1  # ... and by this share of the diameter


class SceneNotFittedError(ClipNotJudgeableError):
    """Camera and ground cannot be found from the ball sightings."""


@dataclass(frozen=True, slots=True, eq=False)
class GroundFit:
    """The most likely camera over flat ground, judged from the ball's sizes only.

    Attributes
    ----------
    camera : the most likely camera (maximum a posteriori).
    ball_diameter_m : diameter of the ball; its sigma from the curvature at the peak.
    unknowns : names of the fitted parameters, in the order of `theta` and `covariance`.
    theta, covariance : (6,) best values and their (6, 6) covariance.
    places, places_on_ground : distinct ball places given, and those that agree with the ground.
    misfit : scatter of the sizes over what their own sigmas allow (1 is as promised).
    scatter_rel : root mean square of the agreeing places' relative size errors.
    """

    camera: Camera
    ball_diameter_m: Estimate
    unknowns: tuple[str, ...]
    theta: F64
    covariance: F64
    places: int
    places_on_ground: int
    misfit: float
    scatter_rel: float


def fit_ground(
    sightings: Sequence[Detection],
    image_size_px: tuple[int, int],
    *,
    ball: BallSize = BallSize.UNKNOWN,
    lens: Lens | None = None,
) -> GroundFit:
    """Find the camera in which the ball keeps its size, with no goal to lean on.

    The same maximum a posteriori problem as `fit_scene`, without markers and kick spot.

    Parameters
    ----------
    sightings : balls that touch the ground (rolling or resting); up to a third may be wrong.
    image_size_px : width and height of the displayed frame.
    ball : size class; unknown makes every length about 6% uncertain.
    lens : calibrated lens; without one, phones' usual field of view is assumed.

    Raises
    ------
    SceneNotFittedError
        Too few sightings, sizes that fit no level ground, or a fit that left its bounds.
    LensMismatchError
        The lens file is for pictures of another shape.
    """
    model, focal_prior = camera_model(image_size_px, lens)
    places = gather_places(sightings)
    refuse_few(places)
    evidence = size_evidence(places, image_size_px, model, focal_prior, ball)
    agreeing = _consensus(evidence)
    peak = climb(evidence.only(agreeing), places.centre_sigmas_px[agreeing])
    kept = agreeing.copy()
    kept[agreeing] = peak.kept
    wrong = what_is_wrong(replace(peak, kept=kept), places)
    if wrong:
        raise SceneNotFittedError(wrong)
    camera = camera_of(peak.theta, model)
    diameter_m = float(np.exp(peak.theta[LOG_BALL]))
    sigma_rel = float(np.sqrt(peak.covariance[LOG_BALL, LOG_BALL]))
    return GroundFit(
        camera=camera,
        ball_diameter_m=Estimate(diameter_m, sigma_rel * diameter_m),
        unknowns=posterior.UNKNOWNS,
        theta=peak.theta,
        covariance=peak.covariance,
        places=len(places.counts),
        places_on_ground=int(kept.sum()),
        misfit=peak.misfit,
        scatter_rel=peak.scatter_rel,
    )


def camera_model(
    image_size_px: tuple[int, int], lens: Lens | None
) -> tuple[Camera, tuple[float, float] | None]:
    """Lens and principal point in a stand-in pose, and what is known of the log focal length."""
    width, height = image_size_px
    if lens is None:
        focal = posterior.focal_of_fov(posterior.LONG_SIDE_FOV_RAD[0], image_size_px)
        return Camera(focal, (width - 1) / 2, (height - 1) / 2, 1.0, 0.0), None
    here = lens.scaled_to(image_size_px)
    model = Camera(here.focal_px, here.cx_px, here.cy_px, 1.0, 0.0, 0.0, here.distortion)
    return model, (float(np.log(here.focal_px)), here.focal_sigma_rel)


def camera_of(theta: F64, model: Camera) -> Camera:
    """Return the camera of a guess (6,), its lens as the model's."""
    return replace(
        model,
        focal_px=float(np.exp(theta[LOG_FOCAL])),
        height_m=float(np.exp(theta[LOG_HEIGHT])),
        pitch_deg=float(np.rad2deg(theta[PITCH])),
        roll_deg=float(np.rad2deg(theta[ROLL])),
    )


def size_evidence(
    places: Places,
    image_size_px: tuple[int, int],
    model: Camera,
    log_focal_prior: tuple[float, float] | None,
    ball: BallSize,
) -> Evidence:
    """Return the evidence of the ball's sizes, free of the lens's distortion; no markers."""
    ruler = ball_ruler(ball)
    enlarged = model.magnification(places.centres_px)
    nowhere = np.empty((0, 2))
    return Evidence(
        image_size_px=image_size_px,
        cx_px=model.cx_px,
        cy_px=model.cy_px,
        places_px=model.undistort(places.centres_px),
        diameters_px=places.diameters_px / enlarged,
        sigmas_px=places.diameter_sigmas_px / enlarged,
        wrong_shares=places.wrong_shares,
        moving=places.moving,
        markers_px=nowhere,
        kick_spot_px=nowhere,
        marker_sigma_px=1.0,
        log_ball_prior=(
            float(np.log(ruler.diameter_m)),
            float(np.hypot(ruler.sigma_rel, DIAMETER_BIAS_REL)),
        ),
        log_focal_prior=log_focal_prior,
        stage_ratio=None,
    )


def refuse_few(places: Places) -> None:
    """Refuse too few sightings for any ground.

    Raises
    ------
    SceneNotFittedError
    """
    seen = int(places.counts.sum())
    if seen < MIN_SIGHTINGS:
        raise SceneNotFittedError(
            f"Only {seen} ball sightings on the ground; film so that the ball is seen resting "
            "before each kick and rolling to the goal."
        )


def _consensus(evidence: Evidence) -> npt.NDArray[np.bool_]:
    """Return which places (N,) one ground explains best, out of a grid of cameras.

    Lofted balls and limbs may outnumber the places that the ball rolled over, and a descent that
    starts amid them stays there. A ball in the air looks bigger than one on the ground that it
    covers, so a ground under which nothing lies is likelier than one with balls above and below.
    """
    theta = posterior.camera_grid(
        evidence, 1.0, np.arange(-12, 50, 1.5), np.arange(-6, 7, 2.0), _HEIGHT_QUANTILES
    )
    shown = posterior.ball_diameters(theta, evidence.places_px, evidence)
    with np.errstate(divide="ignore", invalid="ignore"):
        bigger = np.log(evidence.diameters_px / np.where(shown > 0, shown, np.nan))
    sigma = np.hypot(evidence.sigmas_px / evidence.diameters_px, CONSENSUS_SIGMA_REL)
    bigger = np.nan_to_num(bigger, nan=-np.inf)
    on_ground = np.exp(-0.5 * (bigger / sigma) ** 2)
    wrong = np.where(bigger > 0, WRONG_DENSITY, WRONG_DENSITY * BELOW_GROUND_RATIO)
    gain = np.log(on_ground + wrong).sum(axis=1)
    gain -= 0.5 * (posterior.priors_off(theta, evidence) ** 2).sum(axis=1)
    return np.asarray(np.abs(bigger[gain.argmax()]) <= CONSENSUS_SIGMAS * sigma, dtype=np.bool_)


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


def gather_places(sightings: Sequence[Detection]) -> Places:
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


def what_is_wrong(peak: Peak, places: Places) -> str:
    """Return a sentence on why the fit cannot be believed, or "" when it can.

    Parameters
    ----------
    peak : the fit.
    places : the places it was made from.
    """
    if peak.at_bound:
        what = peak.at_bound.removeprefix("log_").rsplit("_", 1)[0].replace("_", " ")
        return (
            f"No believable camera explains the ball's sizes (its {what} left all bounds); "
            "check the ball size and that the sightings are the ball on level ground."
        )
    share = float(places.counts[peak.kept].sum() / places.counts.sum())
    scattered = peak.misfit > MAX_MISFIT and peak.scatter_rel > MAX_SCATTER_REL
    if not scattered and (len(peak.kept) <= 3 or share >= MIN_SHARE_ON_GROUND):
        return ""
    if np.corrcoef(places.centres_px[:, 1], places.diameters_px)[0, 1] <= 0:
        return (
            "The ball does not look smaller further away, so these sightings are not one ball "
            "on level ground; check which thing was taken for the ball."
        )
    return (
        f"The ball's sizes do not fit one level ground ({1 - share:.0%} are far off, the others "
        f"scatter by {peak.scatter_rel:.0%}); film on flatter ground, or check which thing was "
        "taken for the ball."
    )


def fit_notes(places: Places, peak: Peak, ball: BallSize, lens: Lens | None) -> list[str]:
    """Return plain sentences on what the fit leans on.

    Parameters
    ----------
    places, peak : the places and the fit made from them.
    ball, lens : what the caller knew.
    """
    notes = []
    if ball is BallSize.UNKNOWN:
        notes.append("ball size not given: all lengths are about 6% uncertain")
    if lens is None:
        notes.append("no lens file: distances along the view depend on phones' usual field of view")
    elif lens.how_made in (STATED, UPRIGHTS):
        notes.append(f"no lens file: distances along the view depend on {lens.how_made}")
    if len(places.counts) < 3:
        notes.append(
            f"the ball was seen at only {len(places.counts)} place(s): the ground is mostly guessed"
        )
    wrong = int((~peak.kept).sum())
    if wrong:
        notes.append(f"{wrong} of {len(peak.kept)} ball places do not fit the ground; left out")
    return notes
