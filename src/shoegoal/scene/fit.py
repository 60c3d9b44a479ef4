"""Camera, ground and goal from the ball's apparent sizes: one small least-squares problem."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from shoegoal.scene import posterior
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import (
    GoalFrame,
    GoalNotPlausibleError,
    StepReport,
    goal_from_markers,
    report_steps,
    summarise,
)
from shoegoal.scene.ground import (
    Places,
    SceneNotFittedError,
    camera_model,
    camera_of,
    fit_notes,
    gather_places,
    refuse_few,
    size_evidence,
    what_is_wrong,
)
from shoegoal.scene.lens import Lens
from shoegoal.scene.posterior import (
    LOG_BALL,
    Evidence,
    Peak,
    climb,
    explore,
)
from shoegoal.types import Detection, Estimate, ImagePoint

__all__ = ["FitDiagnostics", "SceneFit", "SceneNotFittedError", "SceneSample", "fit_scene"]

F64 = npt.NDArray[np.float64]

# How well a person or a finder sets a marker's base, as a share of the image's long side.
MARKER_SIGMA_REL = 0.0015
WEAK_WIDTH_REL = 0.2
DRAWS = 1000
FEW_DRAWS = 50.0


@dataclass(frozen=True, slots=True)
class SceneSample:
    """One scene that the evidence allows: use many to carry the uncertainty on."""

    camera: Camera
    goal: GoalFrame
    ball_diameter_m: float


@dataclass(frozen=True, slots=True)
class FitDiagnostics:
    """How the fit went.

    Attributes
    ----------
    sightings, places : ball sightings given, and distinct places they were merged into.
    places_on_ground : places that agree with the fitted ground.
    chi2, degrees : sum of squared size residuals over those places, and its degrees of freedom.
    misfit : scatter of the sizes over what their own sigmas allow (1 is as promised).
    scatter_rel : root mean square of the relative size errors.
    effective_draws : how many independent draws the posterior sample is worth.
    notes : plain sentences a person should know.
    """

    sightings: int
    places: int
    places_on_ground: int
    chi2: float
    degrees: int
    misfit: float
    scatter_rel: float
    effective_draws: float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class SceneFit:
    """The most likely scene and the spread round it.

    Attributes
    ----------
    camera, goal : the most likely scene (maximum a posteriori).
    left_px, right_px : marker bases, named as the kicker sees them.
    marker_sigma_px : their standard deviation, per axis.
    unknowns : names of the fitted parameters, in the order of `theta` and `covariance`.
    theta, covariance : (6,) best values and (6, 6) covariance from the curvature there.
    draws : (S, 6) equally likely parameter sets drawn from the full posterior.
    marker_shifts_px : (S, 2, 2) placement errors of the left and right marker that go with them.
    width_draws_m : (S,) goal widths that go with the draws.
    ball_diameter_m, width_m, kick_distance_m : medians and half 68% widths over the draws; the
        kick distance (ball to goal line, perpendicular) is None without a kick spot.
    kick_spot_m : (x, y) of the ball before a kick in the goal frame, or None.
    steps : the goal in the student's steps, judged without the stage's ratio; None when the stage
        or the kick spot is unknown.
    diagnostics : how the fit went.
    """

    camera: Camera
    goal: GoalFrame
    left_px: ImagePoint
    right_px: ImagePoint
    marker_sigma_px: float
    unknowns: tuple[str, ...]
    theta: F64
    covariance: F64
    draws: F64
    marker_shifts_px: F64
    width_draws_m: F64
    ball_diameter_m: Estimate
    width_m: Estimate
    kick_distance_m: Estimate | None
    kick_spot_m: tuple[float, float] | None
    steps: StepReport | None
    diagnostics: FitDiagnostics

    def samples(self, n: int, seed: int = 0) -> list[SceneSample]:
        """Draw scenes that the evidence allows, marker placement error included.

        Parameters
        ----------
        n : how many.
        seed : seed of the draw; the same seed gives the same scenes.

        Raises
        ------
        SceneNotFittedError
            Hardly any draw puts both markers on the ground.
        """
        rng = np.random.default_rng(seed)
        drawn: list[SceneSample] = []
        for row in rng.integers(len(self.draws), size=10 * n):
            theta = self.draws[row]
            camera = camera_of(theta, self.camera)
            (left_x, left_y), (right_x, right_y) = self.marker_shifts_px[row].tolist()
            left = ImagePoint(self.left_px.x_px + left_x, self.left_px.y_px + left_y)
            right = ImagePoint(self.right_px.x_px + right_x, self.right_px.y_px + right_y)
            try:
                goal = goal_from_markers(camera, left, right)
            except GoalNotPlausibleError:
                continue  # a marker shifted above the horizon makes no scene
            drawn.append(SceneSample(camera, goal, float(np.exp(theta[LOG_BALL]))))
            if len(drawn) == n:
                return drawn
        raise SceneNotFittedError(
            "The ground is too poorly known to place the goal on it; film so that the ball rolls "
            "over more of the ground, or give a lens file."
        )


def fit_scene(
    sightings: Sequence[Detection],
    image_size_px: tuple[int, int],
    left_px: ImagePoint,
    right_px: ImagePoint,
    *,
    ball: BallSize = BallSize.UNKNOWN,
    lens: Lens | None = None,
    kick_spot_px: ImagePoint | None = None,
    width_steps: float | None = None,
    back_steps: float | None = None,
    marker_sigma_px: float | None = None,
    seed: int = 0,
) -> SceneFit:
    """Find the scene in which the ball keeps its size.

    Parameters
    ----------
    sightings : balls that touch the ground (rolling or resting); up to a third may be wrong.
    image_size_px : width and height of the displayed frame.
    left_px, right_px : markers' inner bases as the kicker sees them; may lie outside the frame.
    ball : size class; unknown makes every length about 6% uncertain.
    lens : calibrated lens; without one, phones' usual field of view is assumed.
    kick_spot_px : disc centre of the ball before a kick; it also settles which side is kicked from.
    width_steps, back_steps : what the stage asks; their ratio helps to find distances (see
        `shoegoal.scene.posterior`).
    marker_sigma_px : standard deviation of the marker bases, per axis.
    seed : seed of the posterior draws.

    Raises
    ------
    SceneNotFittedError
        Too few sightings, sizes that fit no level ground, or a fit that left its bounds.
    GoalNotPlausibleError
        The markers do not make a goal on the fitted ground.
    LensMismatchError
        The lens file is for pictures of another shape.
    """
    model, focal_prior = camera_model(image_size_px, lens)
    places = gather_places(sightings)
    refuse_few(places)
    marker_px = np.array([[left_px.x_px, left_px.y_px], [right_px.x_px, right_px.y_px]])
    spot_px = np.empty((0, 2))
    if kick_spot_px is not None:
        spot_px = np.array([[kick_spot_px.x_px, kick_spot_px.y_px]])
    sigma = MARKER_SIGMA_REL * max(image_size_px) if marker_sigma_px is None else marker_sigma_px
    markers = model.undistort(marker_px)
    if not np.all(np.isfinite(markers)):
        raise GoalNotPlausibleError(
            "A marker lies further outside the picture than the lens file reaches; "
            "give both marker places as x,y in pixels, or leave the lens file out."
        )
    plain = replace(
        size_evidence(places, image_size_px, model, focal_prior, ball),
        markers_px=markers,
        marker_sigma_px=sigma,
        kick_spot_px=model.undistort(spot_px),
    )

    apart = climb(plain, places.centre_sigmas_px)  # judged without the stage's ratio
    peak = apart
    if width_steps and back_steps and len(spot_px):
        asked = replace(plain, stage_ratio=back_steps / width_steps)
        peak = climb(asked, places.centre_sigmas_px)
    _refuse_what_is_wrong(peak, places, plain, model)

    camera = camera_of(peak.theta, model)
    spot_m = _ground_spot(camera, spot_px, float(np.exp(peak.theta[LOG_BALL])))
    as_named = goal_from_markers(camera, left_px, right_px)
    goal = goal_from_markers(camera, left_px, right_px, spot_m)
    notes = fit_notes(places, peak, ball, lens)
    if peak is not apart:
        notes.append(posterior.ratio_note(peak.theta, peak.evidence))
    if goal != as_named:
        left_px, right_px = right_px, left_px
        notes.append("the kicks come from the other side: left and right marker changed places")

    draws, worth = explore(peak, DRAWS, seed)
    if worth < FEW_DRAWS:
        notes.append("several quite different scenes fit; the spread given may be too small")
    shifts = posterior.marker_shifts(draws, peak.evidence, seed)
    sizes = posterior.goal_draws(draws, peak.evidence, peak.evidence.markers_px + shifts)
    width = summarise(sizes.width_m)
    if width.sigma > WEAK_WIDTH_REL * width.value:
        notes.append(f"the goal's width is poorly known ({width.value:.1f} m ± {width.sigma:.1f})")
    steps = None
    if width_steps and back_steps and len(spot_px):
        free, _ = explore(apart, DRAWS, seed + 1)
        free_px = plain.markers_px + posterior.marker_shifts(free, apart.evidence, seed + 1)
        looks = posterior.goal_draws(free, apart.evidence, free_px)
        steps = report_steps(looks.width_m, looks.distance_m, width_steps, back_steps)
        if steps.disagrees:
            notes.append(steps.sentence)
    kick_m = None if spot_m is None else goal.to_goal([spot_m])[0]
    return SceneFit(
        camera=camera,
        goal=goal,
        left_px=left_px,
        right_px=right_px,
        marker_sigma_px=sigma,
        unknowns=posterior.UNKNOWNS,
        theta=peak.theta,
        covariance=peak.covariance,
        draws=draws,
        marker_shifts_px=shifts[:, ::-1] if goal != as_named else shifts,
        width_draws_m=sizes.width_m,
        ball_diameter_m=summarise(np.exp(draws[:, LOG_BALL])),
        width_m=width,
        kick_distance_m=None if spot_m is None else summarise(sizes.distance_m),
        kick_spot_m=None if kick_m is None else (float(kick_m[0]), float(kick_m[1])),
        steps=steps,
        diagnostics=FitDiagnostics(
            sightings=int(places.counts.sum()),
            places=len(places.counts),
            places_on_ground=int(peak.kept.sum()),
            chi2=peak.chi2,
            degrees=peak.degrees,
            misfit=peak.misfit,
            scatter_rel=peak.scatter_rel,
            effective_draws=worth,
            notes=tuple(notes),
        ),
    )


def _refuse_what_is_wrong(peak: Peak, places: Places, evidence: Evidence, model: Camera) -> None:
    wrong = what_is_wrong(peak, places)
    if not wrong:
        return
    # Without the markers the sizes may fit well: then it is the markers that are wrong.
    nothing = np.empty((0, 2))
    bare = climb(
        replace(evidence, markers_px=nothing, kick_spot_px=nothing), places.centre_sigmas_px
    )
    if not what_is_wrong(bare, places):
        left, right = (ImagePoint(float(x), float(y)) for x, y in evidence.markers_px)
        goal_from_markers(replace(camera_of(bare.theta, model), distortion=()), left, right)
    raise SceneNotFittedError(wrong)


def _ground_spot(camera: Camera, spot_px: F64, diameter_m: float) -> tuple[float, float] | None:
    if not len(spot_px):
        return None
    spot = camera.ball_on_ground(spot_px, diameter_m)[0]
    if not np.all(np.isfinite(spot)):
        raise SceneNotFittedError(
            "The kick spot lies above the fitted horizon; check the ball's and the markers' places."
        )
    return float(spot[0]), float(spot[1])
