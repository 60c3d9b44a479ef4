"""Ball, ground and goal in the samples, found by the count's own code."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from shoegoal.ball.background import MIN_CONTRAST, NOISE_MULTIPLE, paint_difference
from shoegoal.ball.tracks import SURELY_A_BALL
from shoegoal.clip.frame import Frame
from shoegoal.clip.reduced import Planes
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.filming_check.sampled import SampledClip, likely_balls
from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.pipeline.count import evidence_of, ground_in_view, marker_sigma_px, markers_of
from shoegoal.pipeline.judging import JudgedSet, judge_evidence
from shoegoal.pipeline.settings import CountSettings
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalNotPlausibleError
from shoegoal.scene.ground import SceneNotFittedError
from shoegoal.scene.lens import stated_lens
from shoegoal.scene.markers import BELIEVED_AT, STEP_M, MarkersNotFoundError
from shoegoal.shots.dribble import dribbled_trajectories
from shoegoal.shots.ground import Ground
from shoegoal.shots.runs import Run
from shoegoal.types import Detection, ImagePoint

F64 = npt.NDArray[np.float64]

SHORT_STEP_M = 0.45  # a small pupil's step, for the nearest place of the goal; no source
BESIDE_M = 0.5  # that must be in view beside each marker
MIN_PATH_M = 1.5  # a shorter path says too little of where a ball was heading
WIDTH_STEPS, BACK_STEPS = 4.0, 10.0  # of a goal whose size was not given
INSIDE, RING = 0.8, (1.3, 2.0)  # radii that the ball and its surroundings are compared within


@dataclass(frozen=True, slots=True, eq=False)
class CheckedScene:
    """What was found; None where it was not.

    Attributes
    ----------
    ball : the ball at its kick spot.
    ground : the ground, and the kicks in the samples.
    judged : the goal, and these kicks judged, by the count's own code.
    markers_px : left and right inner foot of the likeliest two things.
    in_view : probability that some two things in the picture are the goal.
    refusal : why the count would refuse the clip if it held only these samples; else "".
    """

    ball: Detection | None = None
    ground: Ground | None = None
    judged: JudgedSet | None = None
    markers_px: tuple[ImagePoint, ImagePoint] | None = None
    in_view: float = 0.0
    refusal: str = ""

    @property
    def kicks(self) -> tuple[Run, ...]:
        """Kicks that were seen, not all of the clip's."""
        return () if self.ground is None else self.ground.kicks

    @property
    def camera(self) -> Camera | None:
        """The camera, fitted with the goal if that was found, else by the ball's sizes only."""
        if self.judged is not None:
            return self.judged.scene.camera
        return None if self.ground is None else self.ground.fit.camera

    @property
    def has_goal(self) -> bool:
        """Whether the count's own code found the goal and placed it on the ground."""
        return self.judged is not None


def checked_scene(sampled: SampledClip, settings: CountSettings) -> CheckedScene:
    """Find ball, ground and goal in the samples of a clip, as the count does in the whole clip."""
    size_px = (sampled.info.width_px, sampled.info.height_px)
    if isinstance(settings.stage.rule, TouchesInARow):
        dribbled = dribbled_trajectories(sampled.record, size_px, settings.ball)
        ball = _ball_at_its_spot(sampled, None)
        if ball is None and dribbled:
            ball = dribbled[0].sightings[0]
        return CheckedScene(ball, refusal="" if dribbled else "no ball was seen dribbled")
    try:
        stated = stated_lens(sampled.info.focal_35mm, size_px)
        evidence = evidence_of(sampled.record, sampled.stillness, settings, stated)
        yard_luma = None if sampled.background is None else sampled.background[0]
        evidence, ground = ground_in_view(evidence, size_px, yard_luma, sampled.stillness)
    except ClipNotJudgeableError as error:
        return CheckedScene(_ball_at_its_spot(sampled, None), refusal=str(error))
    ball = _ball_at_its_spot(sampled, ground)
    if settings.left_px is not None and settings.right_px is not None:
        markers_px, in_view = (settings.left_px, settings.right_px), 1.0
    else:
        try:
            found = markers_of(
                sampled.info.path, sampled.record, sampled.stillness, ground, settings.stage
            )
        except MarkersNotFoundError as error:
            return CheckedScene(
                ball, ground, None, error.likeliest_px, error.in_view, refusal=str(error)
            )
        markers_px, in_view = (found.left_px, found.right_px), 1.0
    try:
        judged = judge_evidence(
            evidence,
            size_px,
            settings.stage,
            *markers_px,
            marker_sigma_px(sampled.stillness, size_px),
            sampled.breaks,
            sampled.start_s,
            ground,
        )
    except (SceneNotFittedError, GoalNotPlausibleError) as error:
        return CheckedScene(ball, ground, None, markers_px, in_view, refusal=str(error))
    return CheckedScene(
        ball, ground, judged, (judged.scene.left_px, judged.scene.right_px), in_view
    )


@dataclass(frozen=True, slots=True)
class OutOfView:
    """Something of the goal that the picture does not show: what, and beyond which side."""

    side: str
    what: str
    at_px: ImagePoint


def ball_at_goal(scene: CheckedScene, stage: Stage) -> tuple[ImagePoint, float] | None:
    """Predict the ball's place and diameter (px) on the goal line; None if too little is known."""
    camera = scene.camera
    if camera is None or scene.ground is None:
        return None
    if scene.has_goal and scene.markers_px is not None:
        middle = camera.ground_points([(m.x_px, m.y_px) for m in scene.markers_px]).mean(axis=0)
    else:
        path = _longest_path(scene.ground)
        if path is None:
            return None
        middle = path[0] + (stage.back_steps or BACK_STEPS) * STEP_M * path[1]
    diameter_m = scene.ground.fit.ball_diameter_m.value
    centre, size = camera.ball_image([[*middle, diameter_m / 2]], diameter_m)
    if not np.isfinite([*centre[0], size[0]]).all():
        return None
    return ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(size[0])


def out_of_view(scene: CheckedScene, settings: CountSettings, width_px: int) -> OutOfView | None:
    """Return what of the goal lies outside the picture; None when all is in view or unknown.

    Parameters
    ----------
    scene : what was found.
    settings : with the stage, and the markers where the user gave them.
    width_px : width of the picture.
    """
    camera = scene.camera
    if camera is None or settings.left_px is not None:
        return None
    if scene.has_goal and scene.markers_px is not None:
        feet = camera.ground_points([(m.x_px, m.y_px) for m in scene.markers_px])
        beside = BESIDE_M * (feet[1] - feet[0]) / max(1e-9, float(np.hypot(*(feet[1] - feet[0]))))
        what = f"less than {BESIDE_M:g} m beside a marker is in the picture"
        places = [(feet[0] - beside, what), (feet[1] + beside, what)]
    else:
        path = None if scene.ground is None else _longest_path(scene.ground)
        if path is None or scene.in_view >= BELIEVED_AT:
            return None
        spot, ahead = path
        # A ball may cross the line at either marker: only its own line is sure to be near.
        middle = spot + (settings.stage.back_steps or BACK_STEPS) * SHORT_STEP_M * ahead
        half = (settings.stage.width_steps or WIDTH_STEPS) * SHORT_STEP_M / 2
        right = half * np.array([ahead[1], -ahead[0]])
        places = [
            (middle, "where the ball was heading lies outside the picture"),
            (middle - right, "a marker lies outside the picture"),
            (middle + right, "a marker lies outside the picture"),
        ]
    pixels = camera.project([[*place, 0.0] for place, _ in places])
    for (x_px, y_px), (_, what) in zip(pixels.tolist(), places, strict=True):
        if np.isfinite([x_px, y_px]).all() and not 0 <= x_px <= width_px - 1:
            return OutOfView("left" if x_px < 0 else "right", what, ImagePoint(x_px, y_px))
    return None


def _longest_path(ground: Ground) -> tuple[F64, F64] | None:
    """Return where the ball that went farthest lay, and its unit direction, (2,) each."""
    paths = [path[np.isfinite(path).all(axis=1)] for path in ground.trajectories_m]
    steps = [(path[0], path[-1] - path[0]) for path in paths if len(path) >= 2]
    start, step = max(steps, key=lambda s: float(np.hypot(*s[1])), default=(None, None))
    if start is None or step is None or np.hypot(*step) < MIN_PATH_M:
        return None
    return start, step / np.hypot(*step)


def contrast_levels(frame: Frame, ball: Detection, background: Planes) -> float:
    """Return the mean difference of a ball's disc from its surroundings, luma levels.

    Parameters
    ----------
    frame : picture that shows the ball.
    ball : its disc there.
    background : luma, u and v of the yard, with or without the ball.

    Notes
    -----
    It is measured as in the count (`paint_difference`), against the same place without the ball, or
    against the median of a ring around it if the background holds the ball; the larger one counts.
    For a grey ball it is the numerator of Weber's contrast.
    """
    radius = ball.diameter_px / 2
    reach = int(np.ceil(RING[1] * radius)) + 2
    x0, y0 = (max(0, int(v) - reach) // 2 * 2 for v in (ball.x_px, ball.y_px))
    now = _cut(frame.planes, x0, y0, 2 * reach)
    rows, columns = np.mgrid[: now[0].shape[0], : now[0].shape[1]]
    away = np.hypot(columns + x0 - ball.x_px, rows + y0 - ball.y_px) / radius
    ring, inside = (away >= RING[0]) & (away <= RING[1]), away <= INSIDE
    if not ring.any() or not inside.any():
        return 0.0
    halved = ring[::2, ::2]
    around = tuple(
        np.full_like(plane, round(float(np.median(plane[where]))))
        for plane, where in zip(now, (ring, halved, halved), strict=True)
    )
    without = _cut(background, x0, y0, 2 * reach)
    return max(
        float(paint_difference(now, other)[inside].mean())
        for other in ((around[0], around[1], around[2]), without)
    )


def least_contrast_levels(noise_levels: float | None) -> float:
    """Return the least difference that the count does not take for noise, luma levels."""
    return max(MIN_CONTRAST, NOISE_MULTIPLE * (noise_levels or 0.0))


def _cut(planes: Planes, left: int, top: int, side: int) -> Planes:
    """Cut an even square out of luma and half-size chroma."""
    luma, u, v = planes
    height, width = (
        min(side, size - at) // 2 * 2 for size, at in zip(luma.shape, (top, left), strict=True)
    )
    half = slice(top // 2, (top + height) // 2), slice(left // 2, (left + width) // 2)
    return luma[top : top + height, left : left + width], u[half], v[half]


def _ball_at_its_spot(sampled: SampledClip, found: Ground | None) -> Detection | None:
    lay = [run.before.stretch.sightings[-1] for run in found.kicks if run.before] if found else []
    if lay:  # the usual kick spot is where balls were seen most often
        places = [rest.sighting for rest in likely_balls(sampled.record)]
        return max(lay, key=lambda rest: sum(_is_near(rest, place) for place in places))
    best = max(likely_balls(sampled.record), key=lambda rest: rest.ball_score, default=None)
    if best is None or best.ball_score < SURELY_A_BALL:
        return None
    return best.sighting


def _is_near(rest: Detection, place: Detection) -> bool:
    away_px = np.hypot(rest.x_px - place.x_px, rest.y_px - place.y_px)
    return bool(away_px <= 1.5 * max(rest.diameter_px, place.diameter_px))
