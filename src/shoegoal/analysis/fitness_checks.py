"""What is asked of a clip: one table of checks, each with its limit and where that comes from."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from shoegoal.analysis import goal_view
from shoegoal.analysis.quick_look import QuickLook
from shoegoal.analysis.quick_scene import FitSettings, QuickScene
from shoegoal.analysis.watching import MIN_FRAMES
from shoegoal.ball.background import MIN_CONTRAST
from shoegoal.ball.motion import MAX_SIZE_OF_LONG_SIDE, MIN_SIZE_OF_LONG_SIDE
from shoegoal.ball.tracks import LIKE_A_BALL, SURELY_A_BALL, runs_straight, since_it_left
from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import BREAK_OFF_S, GAP_S
from shoegoal.clip.stillness import NEARLY_STILL_LIMIT, Stillness
from shoegoal.scene.markers import BELIEVED_AT
from shoegoal.types import ImagePoint

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


class Level(IntEnum):
    """How grave a finding is, the gravest first."""

    REFUSE = 0  # the count would refuse the clip, or call every shot unsure
    ADVISE = 1  # it can be counted, and the next clip should be filmed otherwise
    ASK = 2  # a quick look cannot tell: a person should look


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

    look: QuickLook
    scene: QuickScene
    settings: FitSettings
    contrast_levels: float | None
    least_contrast_levels: float

    @property
    def long_side_px(self) -> int:
        """Longer side of the displayed picture."""
        return max(self.look.info.width_px, self.look.info.height_px)

    @property
    def ball_px(self) -> ImagePoint | None:
        """Where the ball lies at its kick spot."""
        ball = self.scene.ball
        return None if ball is None else ImagePoint(float(ball.x_px), float(ball.y_px))

    def clock(self, time_s: float) -> str:
        """Time as a player's clock shows it."""
        return clock_text(time_s - self.look.start_s)


@dataclass(frozen=True, slots=True)
class Check:
    """One question put to a clip.

    Attributes
    ----------
    name : short, for the JSON.
    limit, unit : what the finding's value is held against.
    source : where the limit comes from.
    needs_still : says nothing of a picture that moves.
    find : the finding, None when all is well or nothing is known.
    """

    name: str
    limit: float | None
    unit: str
    source: str
    needs_still: bool
    find: Callable[[Facts], Finding | None]


def _length(facts: Facts) -> Finding | None:
    look = facts.look
    seconds = look.end_s - look.start_s
    if look.pictures < MIN_FRAMES:
        what = f"it holds only {look.pictures} picture(s)"
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
    rate_hz = facts.look.rate_hz
    if rate_hz >= LEAST_RATE_HZ or facts.look.pictures < MIN_FRAMES:
        return None
    return Finding(
        Level.ADVISE,
        "Set the phone's camera to 30 pictures a second or more.",
        f"there are only {rate_hz:.0f} pictures a second, and the ball jumps from one to the next",
        rate_hz,
    )


def _gap(facts: Facts) -> Finding | None:
    before_s, after_s = facts.look.longest_gap_s
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
    look = facts.look
    missing_s = (look.info.duration_s or 0.0) - (look.end_s - look.start_s)
    if look.damaged:
        return Finding(
            Level.ADVISE, "Copy the clip from the phone again.", "part of it cannot be decoded"
        )
    if missing_s > 3 * BREAK_OFF_S + 1.0 / max(1.0, look.rate_hz):
        return Finding(
            Level.ADVISE,
            "Copy the clip from the phone again.",
            f"its last {missing_s:.0f} s are missing",
            missing_s,
        )
    return None


def _stillness(facts: Facts) -> Finding | None:
    stillness = facts.look.stillness
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
    found = facts.look.quality.brightness
    if found >= DARKEST:
        return None
    return Finding(
        Level.ADVISE,
        "Film with more light: earlier in the day, or with the sun behind the phone.",
        f"half of the picture is darker than {found:.0%} of white",
        found,
    )


def _blur(facts: Facts) -> Finding | None:
    found = facts.look.quality.blur
    if found <= MOST_BLUR:
        return None
    return Finding(
        Level.ADVISE,
        "Wipe the lens with a soft cloth, and tap on the goal to focus before you start.",
        f"no part of the picture is sharp (blur {found:.2f} of 1)",
        found,
    )


def _ball(facts: Facts) -> Finding | None:
    is_said = facts.look.is_whole and not facts.scene.kicks  # by the check for kicks
    if facts.scene.ball is not None or facts.look.pictures < MIN_FRAMES or is_said:
        return None
    return Finding(
        Level.ASK,
        "Is the ball in the picture, lying still before each kick, and does its colour stand out "
        "from the ground? Start filming before the first kick.",
        "no ball was seen lying at a kick spot and leaving it",
    )


def _kick(facts: Facts) -> Finding | None:
    if facts.scene.kicks or not facts.look.is_whole or facts.look.pictures < MIN_FRAMES:
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
    if min(facts.look.info.width_px, facts.look.info.height_px) < SMALL_PICTURE_PX:
        nearer += ", and film at a higher resolution (1080p)"
    if share < MIN_SIZE_OF_LONG_SIDE:
        return Finding(
            Level.REFUSE, f"{nearer}.", f"{at}, too small to be measured", share, facts.ball_px
        )
    there = goal_view.ball_at_goal(facts.scene, facts.settings)
    if there is None:
        return None
    at_goal = there.diameter_px / facts.long_side_px
    if at_goal >= GOAL_SIZE_MARGIN * MIN_SIZE_OF_LONG_SIDE:
        return None
    return Finding(
        Level.ADVISE,
        f"{nearer}, so that the ball is larger at the goal.",
        f"there it will be about {there.diameter_px:.0f} px wide, hardly enough to be followed",
        at_goal,
        there.at_px,
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
    ground = facts.scene.ground
    if ground is None:
        return None
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
    tilt_deg = facts.look.quality.tilt_deg
    if tilt_deg is None or not MOST_TILT_DEG <= abs(tilt_deg) <= MOST_BELIEVED_TILT_DEG:
        return None
    return Finding(
        Level.ADVISE,
        "Set the phone level.",
        f"what ought to stand upright leans by about {abs(tilt_deg):.0f} degrees",
        tilt_deg,
    )


def _goal(facts: Facts) -> Finding | None:
    view = goal_view.goal_out_of_view(facts.look, facts.scene, facts.settings)
    if view is not None:
        return Finding(
            Level.ADVISE,
            f"{view.do} until both markers, and a metre beside each, are in the picture.",
            view.why,
            None,
            view.at_px,
        )
    if not facts.scene.kicks or facts.scene.in_view >= BELIEVED_AT:
        return None
    return Finding(
        Level.ASK,
        "Are both markers in the picture, with a metre beside each? Then give them to the count "
        "with --left and --right, or put down ones that stand out from the ground.",
        "no two things were made out that are surely the goal",
        facts.scene.in_view,
    )


def _start(facts: Facts) -> Finding | None:
    for track in facts.look.record.tracks:
        is_early = track.start_s - facts.look.start_s <= STARTS_WITHIN_S
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
                track.start_s - facts.look.start_s,
                ImagePoint(first.x_px, first.y_px),
            )
    return None


_COUNT = "the count's own limit"
_OURS = "measured by us on rendered clips"
_CUSTOM = "common practice, no source"
_SHARE = "share of the longer side"
CHECKS = (
    Check("length", LEAST_SET_S, "s", _CUSTOM, False, _length),
    Check("frame rate", LEAST_RATE_HZ, "1/s", _CUSTOM, False, _rate),
    Check("pauses", GAP_S, "s", _COUNT, False, _gap),
    Check("whole file", 3 * BREAK_OFF_S, "s", _COUNT, False, _whole),
    Check("camera still", NEARLY_STILL_LIMIT, _SHARE, _COUNT, False, _stillness),
    Check("light", DARKEST, "share of white", _OURS, False, _light),
    Check("sharpness", MOST_BLUR, "blur, 0 to 1 (Crete 2007)", _OURS, False, _blur),
    Check("ball seen", SURELY_A_BALL, "score, 0 to 1", _COUNT, True, _ball),
    Check("kick seen", None, "", _COUNT, True, _kick),
    Check("ball size", MIN_SIZE_OF_LONG_SIDE, _SHARE, _COUNT, True, _ball_size),
    Check(
        "ball colour", FAINT_MULTIPLE, "times the least that counts", _OURS, True, _ball_contrast
    ),
    Check("phone height", LOWEST_M, "m", _OURS, True, _height),
    Check("phone level", MOST_TILT_DEG, "deg", _OURS, False, _tilt),
    Check("goal in view", BELIEVED_AT, "probability", _COUNT, True, _goal),
    Check("start", STARTS_WITHIN_S, "s", _CUSTOM, True, _start),
)
