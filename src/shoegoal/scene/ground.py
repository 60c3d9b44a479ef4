"""The camera over its ground from the ball's sizes alone, before the goal is known."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.scene import posterior
from shoegoal.scene.ball_size import BallSize, ball_ruler
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import (
    DIAMETER_BIAS_REL,
    MAX_MISFIT,
    MAX_SCATTER_REL,
    MIN_SHARE_ON_GROUND,
    MIN_SIGHTINGS,
    SceneNotFittedError,
)
from shoegoal.scene.lens import Lens
from shoegoal.scene.places import Places, gather_places
from shoegoal.scene.posterior import LOG_BALL, LOG_FOCAL, LOG_HEIGHT, PITCH, ROLL, Evidence
from shoegoal.scene.search import Peak, climb
from shoegoal.types import BallSighting, Estimate

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class GroundFit:
    """The most likely camera over flat ground, judged from the ball's sizes only.

    Attributes
    ----------
    camera : the most likely camera (maximum a posteriori).
    ball_diameter_m : diameter of the ball; its sigma from the curvature at the peak.
    unknowns : names of the fitted parameters, in the order of `theta` and `covariance`.
    theta, covariance : (5,) best values and their (5, 5) covariance.
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
        markers_px=nowhere,
        kick_spot_px=nowhere,
        log_ball_prior=(
            float(np.log(ruler.diameter_m)),
            float(np.hypot(ruler.sigma_rel, DIAMETER_BIAS_REL)),
        ),
        log_focal_prior=focal_prior,
        stage_ratio=None,
    )
    peak = climb(evidence, places.centre_sigmas_px)
    _refuse_bad_fit(peak, places)
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
        places_on_ground=int(peak.kept.sum()),
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


def _refuse_bad_fit(peak: Peak, places: Places) -> None:
    if peak.at_bound:
        what = peak.at_bound.removeprefix("log_").rsplit("_", 1)[0].replace("_", " ")
        raise SceneNotFittedError(
            f"No believable camera explains the ball's sizes (its {what} left all bounds); "
            "check the ball size and that the sightings are the ball on level ground."
        )
    scattered = peak.misfit > MAX_MISFIT and peak.scatter_rel > MAX_SCATTER_REL
    few = len(peak.kept) > 3 and peak.kept.mean() < MIN_SHARE_ON_GROUND
    if not (scattered or few):
        return
    if np.corrcoef(places.centres_px[:, 1], places.diameters_px)[0, 1] <= 0:
        raise SceneNotFittedError(
            "The ball does not look smaller further away, so these sightings are not one ball "
            "on level ground; check which thing was taken for the ball."
        )
    raise SceneNotFittedError(
        f"Only {int(peak.kept.sum())} of {len(peak.kept)} ball sizes fit one level ground; "
        "film on flatter ground, or check which thing was taken for the ball."
    )
