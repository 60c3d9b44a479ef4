"""What is asked of a clip: one table of checks, each with its limit and where that comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

from shoegoal.ball.background import MIN_CONTRAST
from shoegoal.ball.motion import MAX_SIZE_OF_LONG_SIDE, MIN_SIZE_OF_LONG_SIDE
from shoegoal.ball.tracks import LIKE_A_BALL, SURELY_A_BALL, runs_straight, since_it_left
from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import BREAK_OFF_S, GAP_S
from shoegoal.clip.stillness import NEARLY_STILL_LIMIT, Stillness
from shoegoal.filming_check.sampled import SampledClip
from shoegoal.filming_check.scene import CheckedScene
from shoegoal.ladder.rules import Stage
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import MIN_FRAMES
from shoegoal.scene.camera import Camera
from shoegoal.scene.markers import BELIEVED_AT, STEP_M
from shoegoal.types import ImagePoint

F64 = npt.NDArray[np.float64]

LEAST_SET_S = 3.0
LEAST_RATE_HZ = 22.0
DARKEST = 0.25  # between the darkest good clip (0.30) and one at dusk (0.20)
MOST_BLUR = 0.45  # good clips 0.13 to 0.37; see the tests for a smeared one
FAINT_MULTIPLE = 1.5
LOWEST_M, LOWEST_SURE = 0.35, 0.8
MOST_TILT_DEG, MOST_BELIEVED_TILT_DEG = 12.0, 35.0  # beyond, lines of a path or a roof
GOAL_SIZE_MARGIN = 1.1
STARTS_WITHIN_S = 0.3
SMALL_PICTURE_PX = 720
SHORT_STEP_M = 0.45  # a small pupil's step: the goal is at least this near; no source
BESIDE_M = 0.5  # beside a marker that was found, so much must be seen
MIN_WAY_M = 1.5  # a shorter way says too little of where a ball was heading
WIDTH_STEPS, BACK_STEPS = 4.0, 10.0  # of a goal of which nothing was said


class Level(IntEnum):
    """How grave a finding is, the gravest first."""

    REFUSE = 0  # the count would refuse the clip, or call every shot unsure
    ADVISE = 1  # it can be counted, and the next clip should be filmed otherwise
    ASK = 2  # the samples cannot tell: a person should look


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found wrong.

    Attributes
    ----------
    level : how grave.
    do : what to do, to the pupil.
    why : the evidence, with its number.
    value : the number alone, in the check's unit; None where there is none.
    at_px : where in the picture; may lie outside it.
    """

    level: Level
    do: str
    why: str
    value: float | None = None
    at_px: ImagePoint | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Facts:
    """Everything that the checks look at.

    Attributes
    ----------
    contrast_levels : how far the ball's paint is from its surroundings; None without a ball.
    least_contrast_levels : what the count takes for paint in this clip.
    """

    sampled: SampledClip
    scene: CheckedScene
    settings: CountSettings
    contrast_levels: float | None
    least_contrast_levels: float

    @property
    def stage(self) -> Stage:
        """What was asked."""
        return self.settings.stage

    @property
    def long_side_px(self) -> int:
        """Longer side of the displayed picture."""
        return max(self.sampled.info.width_px, self.sampled.info.height_px)

    @property
    def ball_px(self) -> ImagePoint | None:
        """Where the ball lies at its kick spot."""
        ball = self.scene.ball
        return None if ball is None else ImagePoint(float(ball.x_px), float(ball.y_px))

    def clock(self, time_s: float) -> str:
        """Time as a player's clock shows it."""
        return clock_text(time_s - self.sampled.start_s)


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to a clip.

    Attributes
    ----------
    name : short, for the JSON.
    limit, unit : what the finding's value is held against.
    source : where the limit comes from.
    needs_still : says nothing of a picture that moves.
    needs_goal : says nothing of a clip in which no goal is asked for.
    find : the finding, None when all is well or nothing is known.
    """

    name: str
    limit: float | None
    unit: str
    source: str
    needs_still: bool
    needs_goal: bool
    find: Callable[[Facts], Finding | None]


def _length(facts: Facts) -> Finding | None:
    sampled = facts.sampled
    seconds = sampled.end_s - sampled.start_s
    if sampled.pictures < MIN_FRAMES:
        what = f"it holds only {sampled.pictures} picture(s)"
        return Finding(Level.REFUSE, "Film the whole set, not a single moment.", what, seconds)
    if seconds < LEAST_SET_S:
        return Finding(
            Level.ADVISE,
            "Film the whole set in one clip: start before the first kick, stop after the last.",
            f"the clip lasts only {seconds:.1f} s",
            seconds,
        )
    return None


def _rate(facts: Facts) -> Finding | None:
    rate_hz = facts.sampled.rate_hz
    if rate_hz >= LEAST_RATE_HZ or facts.sampled.pictures < MIN_FRAMES:
        return None
    return Finding(
        Level.ADVISE,
        "Set the phone's camera to 30 pictures a second or more.",
        f"there are only {rate_hz:.0f} pictures a second, and the ball jumps from one to the next",
        rate_hz,
    )


def _gap(facts: Facts) -> Finding | None:
    before_s, after_s = facts.sampled.longest_gap_s
    if after_s - before_s <= GAP_S:
        return None
    return Finding(
        Level.ADVISE,
        "Film without pausing, with no other program running on the phone.",
        f"no pictures between {facts.clock(before_s)} and {facts.clock(after_s)}: "
        "a shot there is not counted",
        after_s - before_s,
    )


def _whole(facts: Facts) -> Finding | None:
    sampled = facts.sampled
    missing_s = (sampled.info.duration_s or 0.0) - (sampled.end_s - sampled.start_s)
    if sampled.damaged:
        return Finding(
            Level.ADVISE, "Copy the clip from the phone again.", "part of it cannot be decoded"
        )
    if missing_s > 3 * BREAK_OFF_S + 1.0 / max(1.0, sampled.rate_hz):
        return Finding(
            Level.ADVISE,
            "Copy the clip from the phone again.",
            f"its last {missing_s:.0f} s are missing",
            missing_s,
        )
    return None


def _stillness(facts: Facts) -> Finding | None:
    stillness = facts.sampled.stillness
    strayed = max((s.displacement or 0.0 for s in stillness.samples), default=0.0)
    if stillness.verdict is Stillness.MOVING:
        return Finding(
            Level.REFUSE,
            "Hold still: stand the phone on something firm, and do not hold it in the hand.",
            "the picture moves all the time",
            strayed,
        )
    if stillness.verdict is Stillness.BUMPED:
        times = ", ".join(facts.clock(time_s) for time_s in stillness.bumps_s)
        return Finding(
            Level.ADVISE,
            "Let nobody touch the phone from the first shot to the last.",
            f"the phone was moved at about {times}" if times else "the phone was moved",
            strayed,
        )
    if stillness.verdict is Stillness.UNCLEAR and len(stillness.samples) > 1:
        return Finding(
            Level.ASK,
            "Did the phone stand still? Have something in the background that does not move.",
            "too little of the background can be followed",
        )
    return None


def _light(facts: Facts) -> Finding | None:
    found = facts.sampled.quality.brightness
    if found >= DARKEST:
        return None
    return Finding(
        Level.ADVISE,
        "Film with more light: earlier in the day, or with the sun behind the phone.",
        f"half of the picture is darker than {found:.0%} of white",
        found,
    )


def _blur(facts: Facts) -> Finding | None:
    found = facts.sampled.quality.blur
    if found <= MOST_BLUR:
        return None
    return Finding(
        Level.ADVISE,
        "Wipe the lens with a soft cloth, and tap on the goal to focus before you start.",
        f"no part of the picture is sharp (blur {found:.2f} of 1)",
        found,
    )


def _ball(facts: Facts) -> Finding | None:
    is_said = facts.sampled.is_whole and not facts.scene.kicks  # by the check for kicks
    if facts.scene.ball is not None or facts.sampled.pictures < MIN_FRAMES or is_said:
        return None
    return Finding(
        Level.ASK,
        "Is the ball in the picture, lying still before each kick, and does its colour stand out "
        "from the ground? Start filming before the first kick.",
        "no ball was seen lying at a kick spot and leaving it",
    )


def _kick(facts: Facts) -> Finding | None:
    if facts.scene.kicks or not facts.sampled.is_whole or facts.sampled.pictures < MIN_FRAMES:
        return None
    is_ball_known = facts.scene.ball is not None
    return Finding(
        Level.ADVISE if is_ball_known else Level.REFUSE,
        "Film from before the kick until the ball has reached the goal, a step or two to the side "
        "of the kicker, who must not hide the ball.",
        "a ball left its place and could not be followed"
        if is_ball_known
        else "no kick was seen in the whole clip",
    )


def _ball_size(facts: Facts) -> Finding | None:
    ball = facts.scene.ball
    if ball is None:
        return None
    share = ball.diameter_px / facts.long_side_px
    at = f"the ball is {ball.diameter_px:.0f} px wide at the kick spot"
    if share > MAX_SIZE_OF_LONG_SIDE:
        return Finding(
            Level.REFUSE, "Move the phone back.", f"{at}, {share:.0%} of the picture",
            share, facts.ball_px,
        )  # fmt: skip
    nearer = "Move the phone nearer"
    if min(facts.sampled.info.width_px, facts.sampled.info.height_px) < SMALL_PICTURE_PX:
        nearer += ", and film at a higher resolution (1080p)"
    if share < MIN_SIZE_OF_LONG_SIDE:
        return Finding(
            Level.REFUSE, f"{nearer}.", f"{at}, too small to be measured", share, facts.ball_px
        )
    there = _ball_at_goal(facts)
    if there is None:
        return None
    at_px, there_px = there
    at_goal = there_px / facts.long_side_px
    if at_goal >= GOAL_SIZE_MARGIN * MIN_SIZE_OF_LONG_SIDE:
        return None
    return Finding(
        Level.ADVISE,
        f"{nearer}, so that the ball is larger at the goal.",
        f"there it will be about {there_px:.0f} px wide, hardly enough to be followed",
        at_goal,
        at_px,
    )


def _ball_contrast(facts: Facts) -> Finding | None:
    found, least = facts.contrast_levels, facts.least_contrast_levels
    if found is None or found >= FAINT_MULTIPLE * least:
        return None
    because = f"ball and ground differ by {found:.0f} of 255 levels; {least:.0f} is the noise"
    noisy = least > MIN_CONTRAST
    do = "Film with more light" if noisy else "Take a ball of another colour than the ground"
    return Finding(Level.ADVISE, f"{do}.", because, found / least, facts.ball_px)


def _height(facts: Facts) -> Finding | None:
    if facts.scene.ground is None:
        return None
    ground = facts.scene.ground.fit
    height_m = ground.camera.height_m
    sigma = float(np.sqrt(ground.covariance[1, 1]))  # of the height's logarithm
    if height_m * np.exp(LOWEST_SURE * sigma) >= LOWEST_M:
        return None
    return Finding(
        Level.ADVISE,
        "Raise the phone to chest height.",
        f"it stands about {height_m:.1f} m above the ground, where distances cannot be seen",
        height_m,
    )


def _tilt(facts: Facts) -> Finding | None:
    tilt_deg = facts.sampled.quality.tilt_deg
    if tilt_deg is None or not MOST_TILT_DEG <= abs(tilt_deg) <= MOST_BELIEVED_TILT_DEG:
        return None
    return Finding(
        Level.ADVISE,
        "Set the phone level.",
        f"what ought to stand upright leans by about {abs(tilt_deg):.0f} degrees",
        tilt_deg,
    )


def _goal(facts: Facts) -> Finding | None:
    view = _goal_out_of_view(facts)
    if view is not None:
        return Finding(
            Level.ADVISE,
            f"{view.do} until both markers, and a metre beside each, are in the picture.",
            view.why,
            None,
            view.at_px,
        )
    if facts.scene.has_goal or not facts.scene.kicks:
        return None
    return Finding(
        Level.REFUSE if facts.sampled.is_whole else Level.ASK,
        "Are both markers in the picture, with a metre beside each? Then give them to the count "
        "with --left and --right, or put down ones that stand out from the ground.",
        "no two things were made out that are surely the goal",
        facts.scene.in_view,
    )


@dataclass(frozen=True, slots=True)
class OutOfView:
    """Something of the goal that the picture does not show."""

    do: str
    why: str
    at_px: ImagePoint


def _ball_at_goal(facts: Facts) -> tuple[ImagePoint, float] | None:
    """Predict the ball's place and diameter (px) on the goal line; None if too little is known."""
    scene, camera = facts.scene, facts.scene.camera
    if camera is None or scene.ground is None:
        return None
    if scene.has_goal and scene.markers_px is not None:
        middle = camera.ground_points([(m.x_px, m.y_px) for m in scene.markers_px]).mean(axis=0)
    else:
        way = _longest_way(scene)
        if way is None:
            return None
        middle = way[0] + (facts.stage.back_steps or BACK_STEPS) * STEP_M * way[1]
    diameter_m = scene.ground.fit.ball_diameter_m.value
    centre, size = camera.ball_image([[*middle, diameter_m / 2]], diameter_m)
    if not np.isfinite([*centre[0], size[0]]).all():
        return None
    return ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(size[0])


def _goal_out_of_view(facts: Facts) -> OutOfView | None:
    """Say what of the goal lies outside the picture; None when it all fits or nothing is known."""
    scene, camera = facts.scene, facts.scene.camera
    if camera is None or facts.settings.left_px is not None:
        return None
    if scene.has_goal and scene.markers_px is not None:
        return _too_tight(facts, camera, scene.markers_px)
    way = _longest_way(scene)
    if way is None or scene.in_view >= BELIEVED_AT:
        return None
    spot_m, ahead = way
    middle = spot_m + (facts.stage.back_steps or BACK_STEPS) * SHORT_STEP_M * ahead
    half = (facts.stage.width_steps or WIDTH_STEPS) * SHORT_STEP_M / 2
    right = half * np.array([ahead[1], -ahead[0]])
    # A ball may cross the line at either marker, so only the ball's own line is sure to be near.
    for name, place in (("where the ball was heading", middle), ("a marker", middle - right),
                        ("a marker", middle + right)):  # fmt: skip
        out = _out_of_picture(facts, camera, place, f"{name} lies outside the picture")
        if out is not None:
            return out
    return None


def _too_tight(
    facts: Facts, camera: Camera, markers_px: tuple[ImagePoint, ImagePoint]
) -> OutOfView | None:
    feet = camera.ground_points([(m.x_px, m.y_px) for m in markers_px])
    along = feet[1] - feet[0]
    width_m = float(np.hypot(*along))
    if not np.isfinite(width_m) or width_m <= 0:
        return None
    for foot, side in ((feet[0], -1.0), (feet[1], 1.0)):
        place = foot + side * BESIDE_M * along / width_m
        why = f"less than {BESIDE_M:g} m beside a marker is in the picture"
        out = _out_of_picture(facts, camera, place, why)
        if out is not None:
            return out
    return None


def _out_of_picture(facts: Facts, camera: Camera, place_m: F64, why: str) -> OutOfView | None:
    x_px, y_px = camera.project([[*place_m, 0.0]])[0]
    if not np.isfinite([x_px, y_px]).all():
        return None
    if x_px < 0:
        do = "Turn the phone to the left, or move it back,"
    elif x_px > facts.sampled.info.width_px - 1:
        do = "Turn the phone to the right, or move it back,"
    else:
        return None
    return OutOfView(do, why, ImagePoint(float(x_px), float(y_px)))


def _longest_way(scene: CheckedScene) -> tuple[F64, F64] | None:
    """Return where the ball that was seen to go farthest lay, and its unit direction, (2,) each."""
    best: tuple[float, F64, F64] | None = None
    for path in () if scene.ground is None else scene.ground.ways_m:
        seen = path[np.isfinite(path).all(axis=1)]
        if len(seen) < 2:
            continue
        step = seen[-1] - seen[0]
        length_m = float(np.hypot(*step))
        if length_m >= MIN_WAY_M and (best is None or length_m > best[0]):
            best = (length_m, seen[0], step / length_m)
    return None if best is None else best[1:]


def _start(facts: Facts) -> Finding | None:
    for track in facts.sampled.record.tracks:
        is_early = track.start_s - facts.sampled.start_s <= STARTS_WITHIN_S
        moving = since_it_left(track.sightings)
        lay = moving and moving[0].time_s > track.start_s
        if (
            is_early
            and not lay
            and runs_straight(track.sightings)
            and track.ball_score >= LIKE_A_BALL
        ):
            first = track.sightings[0]
            return Finding(
                Level.ADVISE,
                "Start filming before the first kick.",
                "a ball is already on its way when the clip starts",
                track.start_s - facts.sampled.start_s,
                ImagePoint(first.x_px, first.y_px),
            )
    return None


_COUNT = "the count's own limit"
_OURS = "measured by us on rendered clips"
_CUSTOM = "common practice, no source"
_SHARE = "share of the longer side"
CHECKS = (
    Check("length", LEAST_SET_S, "s", _CUSTOM, False, False, _length),
    Check("frame rate", LEAST_RATE_HZ, "1/s", _CUSTOM, False, False, _rate),
    Check("pauses", GAP_S, "s", _COUNT, False, False, _gap),
    Check("whole file", 3 * BREAK_OFF_S, "s", _COUNT, False, False, _whole),
    Check("camera still", NEARLY_STILL_LIMIT, _SHARE, _COUNT, False, False, _stillness),
    Check("light", DARKEST, "share of white", _OURS, False, False, _light),
    Check("sharpness", MOST_BLUR, "blur, 0 to 1 (Crete 2007)", _OURS, False, False, _blur),
    Check("ball seen", SURELY_A_BALL, "score, 0 to 1", _COUNT, True, True, _ball),
    Check("kick seen", None, "", _COUNT, True, True, _kick),
    Check("ball size", MIN_SIZE_OF_LONG_SIDE, _SHARE, _COUNT, True, False, _ball_size),
    Check(
        "ball colour",
        FAINT_MULTIPLE,
        "times the least that counts",
        _OURS,
        True,
        False,
        _ball_contrast,
    ),
    Check("phone height", LOWEST_M, "m", _OURS, True, True, _height),
    Check("phone level", MOST_TILT_DEG, "deg", _OURS, False, False, _tilt),
    Check("goal in view", BELIEVED_AT, "probability", _COUNT, True, True, _goal),
    Check("start", STARTS_WITHIN_S, "s", _CUSTOM, True, False, _start),
)
