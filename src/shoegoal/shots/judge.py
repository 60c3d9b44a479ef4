"""The one judge: from what the watcher kept and two markers to shots, each with its reason.

A count, a moved marker and a count worked out anew all call `judge`, on the same evidence.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf

import numpy as np

from shoegoal.ball.watch import BallRecord
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneFit, fit_scene
from shoegoal.scene.goal import GoalFrame, GoalNotPlausibleError, goal_from_markers
from shoegoal.scene.lens import Lens
from shoegoal.shots.crossing import Crossing
from shoegoal.shots.events import Event, find_events
from shoegoal.shots.ground import Ground
from shoegoal.shots.segments import Segment, segments_of
from shoegoal.shots.story import Story, tell_story
from shoegoal.shots.weights import Weights, shipped_weights
from shoegoal.types import Call, Estimate, ImagePoint, Outcome, Shot

CALL_AT = 0.97  # least probability of a make or a miss that is called without a person
ASK_AT = 0.03  # events less likely to be shots are left out, with a reason
SURE_BALL = 2.0  # log odds of a ball that is always mentioned,
SURE_S = 0.4  # if it was seen for this long
NO_KICK = "a ball came by that was not kicked from the kick line"
LOOK_S = 2.0
PATH_STEP_S = 0.04


@dataclass(frozen=True, slots=True)
class LeftOut:
    """Something that is not a shot at the goal, and why."""

    time_s: float
    why: str


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """A set, judged.

    Attributes
    ----------
    scene : camera, goal and their spread.
    shots : in order of time, numbered from 1.
    left_out : what was not a shot, in order of time.
    events : everything that was weighed, in order of time.
    story : that they come from.
    """

    scene: SceneFit
    shots: tuple[Shot, ...]
    left_out: tuple[LeftOut, ...]
    events: tuple[Event, ...]
    story: Story


def judge(
    record: BallRecord,
    ground: Ground,
    size_px: tuple[int, int],
    left_px: ImagePoint,
    right_px: ImagePoint,
    *,
    ball: BallSize = BallSize.UNKNOWN,
    lens: Lens | None = None,
    width_steps: float | None = None,
    back_steps: float | None = None,
    marker_sigma_px: float | None = None,
    start_s: float = -inf,
    weights: Weights | None = None,
) -> Judged:
    """Judge everything that the watcher saw against the goal between two markers.

    Parameters
    ----------
    record : what the watcher saw.
    ground : as `shoegoal.shots.ground.find_ground` gives it for this record.
    size_px : width and height of the displayed picture.
    left_px, right_px : the markers' inner bases as the kicker sees them.
    ball, lens, width_steps, back_steps, marker_sigma_px : as for `shoegoal.scene.fit.fit_scene`.
    start_s : presentation time of the clip's first picture, when known.
    weights : learnt; those that come with the package by default.

    Raises
    ------
    SceneNotFittedError, GoalNotPlausibleError, LensMismatchError
        As for `fit_scene`.
    """
    weights = weights or shipped_weights()

    def fitted(left_px: ImagePoint, right_px: ImagePoint) -> SceneFit:
        return fit_scene(
            ground.sightings,
            size_px,
            left_px,
            right_px,
            ball=ball,
            lens=lens,
            kick_spot_px=_usual_spot_px(ground, left_px, right_px),
            width_steps=width_steps,
            back_steps=back_steps,
            marker_sigma_px=marker_sigma_px,
        )

    scene = fitted(left_px, right_px)
    if scene.left_px != left_px:
        # The kicks showed that left and right were swapped: go on as if they had been named right.
        scene = fitted(scene.left_px, scene.right_px)
    story = tell_story(
        segments_of(
            scene.camera, scene.ball_diameter_m.value, record.tracks, record.resting, weights
        ),
        weights,
    )
    ratio = back_steps / width_steps if back_steps and width_steps else None
    events = find_events(story, scene, ratio, weights, start_s)
    shots: list[Shot] = []
    left_out: list[LeftOut] = []
    shown: list[Event] = []
    for event in events:
        if event.p_shot >= ASK_AT:
            shots.append(_shot(len(shots) + 1, event, events, scene, weights))
        elif _is_sure(event):
            left_out.append(LeftOut(event.time_s, _why_left_out(event)))
        else:
            continue
        shown.append(event)
    left_out += [LeftOut(s.start_s, NO_KICK) for s in sure_segments_beside(story, shown)]
    left_out.sort(key=lambda line: line.time_s)
    return Judged(scene, tuple(shots), tuple(left_out), tuple(events), story)


def sure_segments_beside(story: Story, events: Sequence[Event]) -> list[Segment]:
    """Return the stretches of what surely is a moving ball that belong to none of some events."""
    of_these = {id(s) for e in events if e.run is not None for s in e.run.segments}
    return [
        segment
        for segment in story.segments
        if not segment.lies
        and segment.ball_log_odds >= SURE_BALL
        and segment.end_s - segment.start_s >= SURE_S
        and id(segment) not in of_these
    ]


def unseen_shot(
    number: int,
    kick_time_s: float,
    reason: str,
    *,
    end_time_s: float | None = None,
    kick_spot_m: tuple[float, float] | None = None,
    p_shot: float = 1.0,
) -> Shot:
    """Make a shot of which only the kick is known: a person has to look.

    Parameters
    ----------
    number : 1-based.
    kick_time_s, end_time_s : when it was kicked and when it was over; a look's length apart when
        the end is not known.
    reason : what to look for.
    kick_spot_m : (x, y) of the resting ball in the goal frame, when known.
    p_shot : probability that it was a shot at all.
    """
    return Shot(
        number=number,
        kick_time_s=kick_time_s,
        end_time_s=kick_time_s + LOOK_S if end_time_s is None else max(end_time_s, kick_time_s),
        call=Call.UNSURE,
        outcome=Outcome.NOT_SEEN,
        p_make=0.5,
        reason=reason,
        crossing_time_s=None,
        crossing_x_m=None,
        crossing_z_m=None,
        speed_mps=None,
        kick_spot_m=kick_spot_m,
        path=(),
        fitted_path_px=(),
        p_shot=p_shot,
    )


def _usual_spot_px(ground: Ground, left_px: ImagePoint, right_px: ImagePoint) -> ImagePoint | None:
    """Middle of the balls that were kicked from the kicker's side of the goal, as they lay.

    Left and right say which side that is; balls that a friend kicks back come from the other.
    """
    spots = np.array(ground.spots_px)
    if not len(spots):
        return None
    camera, diameter_m = ground.fit.camera, ground.fit.ball_diameter_m.value
    try:
        goal = goal_from_markers(camera, left_px, right_px)
    except GoalNotPlausibleError:
        before = np.ones(len(spots), dtype=bool)
    else:
        before = goal.to_goal(camera.ball_on_ground(spots, diameter_m))[:, 1] > 0
    x, y = np.median(spots[before] if before.any() else spots, axis=0)
    return ImagePoint(float(x), float(y))


def _is_sure(event: Event) -> bool:
    """Whether something was surely a ball for long enough that it must be mentioned."""
    if event.run is None:
        return False
    seen_s = sum(s.end_s - s.start_s for s in event.run.segments if s.ball_log_odds >= SURE_BALL)
    return event.run.p_begins >= 0.5 and seen_s >= SURE_S


def _why_left_out(event: Event) -> str:
    """Say why a ball's path was not a shot."""
    run, crossing = event.run, event.crossing
    assert run is not None
    assert crossing is not None
    y = event.spot_m[1]
    first = run.segments[0].stretch
    if y <= 0:
        return "it started behind the goal line"
    if float(first.centre_m([first.start_s])[0, 2]) > 0.5:
        return "the ball was in somebody's hands or in the air"
    if y - crossing.nearest_m < 0.15 * y:
        return "the ball was moved, but not towards the goal"
    if crossing.nearest_m > 0.7 * y:
        went_m = y - crossing.nearest_m
        return f"the ball was only touched: it moved {went_m:.1f} m towards the goal"
    return f"the ball was played on from {y:.1f} m before the line, not from the kick line"


def _shot(
    number: int, event: Event, events: Sequence[Event], scene: SceneFit, weights: Weights
) -> Shot:
    run, crossing = event.run, event.crossing
    if run is None or crossing is None:
        return unseen_shot(
            number,
            event.time_s,
            "the ball left the kick spot and was not seen on its way: a shot, and a make?",
            end_time_s=event.end_s,
            kick_spot_m=event.spot_m,
            p_shot=event.p_shot,
        )
    radius_m = run.segments[0].stretch.radius_m
    outcome = _outcome(crossing, scene.goal, radius_m)
    p_make = weights.make_calibration.bound(crossing.p_make)
    call, reason = _call(event, p_make, crossing, outcome, scene.goal, radius_m)
    if call is Call.MISS and outcome is Outcome.SHORT:
        reason += _played_on(event, events)
    first = run.segments[0].stretch
    velocity = first.velocity_mps(max(run.start_s, first.start_s))
    speed = float(np.linalg.norm(velocity))
    spread = first.velocity_covariance(first.start_s)
    along = velocity / max(speed, 1e-9)
    scale = scene.ball_diameter_m.sigma / scene.ball_diameter_m.value
    sigma = float(np.hypot(np.sqrt(max(0.0, float(along @ spread @ along))), scale * speed))
    end_s = crossing.time_s if crossing.time_s is not None else _rest_s(event)
    return Shot(
        number,
        event.time_s,
        max(end_s, event.time_s),
        call,
        outcome,
        p_make,
        reason,
        crossing.time_s,
        crossing.x_m,
        crossing.z_m,
        Estimate(speed, sigma),
        event.spot_m if event.stay is not None and event.stay.lies else None,
        tuple(s for segment in run.segments if not segment.lies for s in segment.stretch.sightings),
        _path_px(event, scene.camera, end_s),
        p_shot=event.p_shot,
    )


def _rest_s(event: Event) -> float:
    """When a ball that did not cross had stopped, or was last seen under way."""
    assert event.run is not None
    last = event.run.segments[-1]
    return last.start_s if last.lies else last.end_s


def _outcome(crossing: Crossing, goal: GoalFrame, radius_m: float) -> Outcome:
    if crossing.p_reached < 0.5 or crossing.x_m is None:
        return Outcome.BLOCKED if crossing.met_before_m is not None else Outcome.SHORT
    x = crossing.x_m.value
    if abs(x) <= goal.width_m / 2 - radius_m:
        return Outcome.INSIDE
    return Outcome.WIDE_LEFT if x < 0 else Outcome.WIDE_RIGHT


def _call(
    event: Event,
    p_given: float,
    crossing: Crossing,
    outcome: Outcome,
    goal: GoalFrame,
    radius_m: float,
) -> tuple[Call, str]:
    side_m = crossing.x_m.value if crossing.x_m else 0.0
    clear_cm = 100 * abs(abs(side_m) - (goal.width_m / 2 - radius_m))
    marker = "left" if side_m < 0 else "right"
    p_make = event.p_shot * p_given
    p_miss = event.p_shot * (1 - p_given)
    if p_make >= CALL_AT:
        return Call.MAKE, f"inside by {clear_cm:.0f} cm on the {marker}"
    if p_miss >= CALL_AT:
        if outcome is Outcome.BLOCKED:
            return Call.MISS, f"something stopped it {crossing.met_before_m:.1f} m before the line"
        if outcome is Outcome.SHORT:
            return Call.MISS, f"it stopped {max(0.0, crossing.nearest_m):.1f} m before the line"
        return Call.MISS, f"wide of the {marker} marker by {clear_cm:.0f} cm"
    if 1 - event.p_shot >= min(p_given, 1 - p_given):
        return Call.UNSURE, "the ball was moved from the kick line: was it a shot?"
    if crossing.p_hit > 0.3:
        return Call.UNSURE, f"the ball met the {marker} marker or passed close to it: in or out?"
    if 0.03 < crossing.p_reached < 0.97:
        if crossing.stopped:
            return Call.UNSURE, "the ball stopped on the line or close to it: was it over?"
        return Call.UNSURE, "the ball was lost before the line: did it reach the line?"
    if 0.03 < crossing.p_inside < 0.97:
        return Call.UNSURE, f"too close to the {marker} marker to call ({clear_cm:.0f} cm)"
    return Call.UNSURE, "the ball was out of sight on its way: did it go in?"


def _played_on(event: Event, events: Sequence[Event]) -> str:
    """Say that a ball stopped short and was then tapped over the line."""
    assert event.run is not None
    numbers = set(event.run.numbers)
    for other in events:
        run, crossing = other.run, other.crossing
        if run is None or crossing is None or other.time_s <= event.time_s:
            continue
        from_here = run.before is not None and any(run.before is s for s in event.run.segments)
        if from_here and not numbers & set(run.numbers) and crossing.nearest_m < 0:
            return " and was then tapped on"
    return ""


def _path_px(event: Event, camera: Camera, end_s: float) -> tuple[ImagePoint, ...]:
    """Return the fitted path as image points, from contact to the end."""
    run = event.run
    assert run is not None
    points: list[ImagePoint] = []
    begins = [run.start_s, *run.joints_s]
    ends = [*run.joints_s, max(end_s, run.end_s)]
    for segment, since_s, until_s in zip(run.segments, begins, ends, strict=True):
        until = min(max(until_s, since_s), max(end_s, since_s))
        times = np.append(np.arange(since_s, until, PATH_STEP_S), until)
        stretch = segment.stretch
        centres, _ = camera.ball_image(stretch.centre_m(times), 2 * stretch.radius_m)
        points += [ImagePoint(float(x), float(y)) for x, y in centres if np.isfinite([x, y]).all()]
    return tuple(points)
