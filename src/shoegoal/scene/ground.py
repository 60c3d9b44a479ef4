"""The camera over its ground from the ball's sizes alone, before the goal is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.scene import posterior
from shoegoal.scene.ball_size import BallSize, ball_ruler
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import DIAMETER_BIAS_REL, MIN_SIGHTINGS
from shoegoal.scene.fit_checks import SceneNotFittedError, what_is_wrong
from shoegoal.scene.lens import Lens
from shoegoal.scene.places import gather_places
from shoegoal.scene.posterior import LOG_BALL, LOG_FOCAL, LOG_HEIGHT, PITCH, ROLL, Evidence
from shoegoal.scene.search import climb
from shoegoal.types import BallSighting, Estimate

F64 = npt.NDArray[np.float64]

# The consensus search is coarse in pitch and roll, so sizes may be this far off in it.
CONSENSUS_SIGMA_REL = 0.06
CONSENSUS_SIGMAS = 3.0
WRONG_DENSITY = 0.05  # of a wrong place, over the peak density of a right one
BELOW_GROUND_RATIO = 0.2  # a ball in the air looks too big; hardly anything looks too small
_HEIGHT_QUANTILES = (0.2, 0.35, 0.5, 0.65, 0.8, 0.95)


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
    sightings: Sequence[BallSighting],
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
    model, focal_prior = _camera_model(image_size_px, lens)
    places = gather_places(sightings)
    seen = int(places.counts.sum())
    if seen < MIN_SIGHTINGS:
        raise SceneNotFittedError(
            f"Only {seen} ball sightings on the ground; film so that the ball is seen resting "
            "before each kick and rolling to the goal."
        )
    ruler = ball_ruler(ball)
    enlarged = model.magnification(places.centres_px)
    nowhere = np.empty((0, 2))
    evidence = Evidence(
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
        log_focal_prior=focal_prior,
        stage_ratio=None,
    )
    agreeing = _consensus(evidence)
    peak = climb(evidence.only(agreeing), places.centre_sigmas_px[agreeing])
    kept = agreeing.copy()
    kept[agreeing] = peak.kept
    wrong = what_is_wrong(replace(peak, kept=kept), places)
    if wrong:
        raise SceneNotFittedError(wrong)
    camera = replace(
        model,
        focal_px=float(np.exp(peak.theta[LOG_FOCAL])),
        height_m=float(np.exp(peak.theta[LOG_HEIGHT])),
        pitch_deg=float(np.rad2deg(peak.theta[PITCH])),
        roll_deg=float(np.rad2deg(peak.theta[ROLL])),
    )
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


def _camera_model(
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


def _consensus(evidence: Evidence) -> npt.NDArray[np.bool_]:
    """Return which places (N,) one ground explains best, out of a grid of cameras.

    Lofted balls and limbs may outnumber the places that the ball rolled over, and a descent that
    starts amid them stays there. A ball in the air looks bigger than one on the ground that it
    covers, so a ground under which nothing lies is likelier than one with balls above and below.
    """
    prior = evidence.log_focal_prior
    if prior is None:
        middle, wide = posterior.LONG_SIDE_FOV_RAD
        fovs = (middle - wide, middle, middle + wide)
        focals = [np.log(posterior.focal_of_fov(fov, evidence.image_size_px)) for fov in fovs]
    else:
        focals = [prior[0]]
    grid = np.stack(
        np.meshgrid(focals, np.deg2rad(np.arange(-12, 50, 1.5)), np.deg2rad(np.arange(-6, 7, 2.0))),
        axis=-1,
    ).reshape(-1, 3)
    theta = np.zeros((len(grid), len(posterior.UNKNOWNS)))
    theta[:, [LOG_FOCAL, PITCH, ROLL]] = grid
    theta[:, LOG_BALL] = evidence.log_ball_prior[0]
    diameter = np.exp(evidence.log_ball_prior[0])
    slopes = posterior.ray_slopes(theta, evidence.places_px, evidence)
    reach = np.exp(theta[:, LOG_FOCAL])[:, None] * diameter * posterior.falls(theta, slopes)
    heights = diameter / 2 + reach / evidence.diameters_px
    low, high = posterior.HEIGHT_BOUNDS_M
    tries = []
    for height_m in np.quantile(heights, _HEIGHT_QUANTILES, axis=1):
        theta[:, LOG_HEIGHT] = np.log(np.clip(height_m, 2 * low, high / 2))
        tries.append(theta.copy())
    theta = np.concatenate(tries)
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
