"""The questions of the filming check, each with its limit and where that comes from."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from functools import partial

import numpy as np

from shoegoal.ball.background import MIN_CONTRAST
from shoegoal.ball.motion import MAX_SIZE_OF_LONG_SIDE, MIN_SIZE_OF_LONG_SIDE
from shoegoal.ball.tracks import LIKE_A_BALL, SURELY_A_BALL, runs_straight, since_it_left
from shoegoal.clip.clock import clock_text
from shoegoal.clip.container import BREAK_OFF_S, GAP_S
from shoegoal.clip.stillness import NEARLY_STILL_LIMIT, Stillness
from shoegoal.filming_check.sampled import SampledClip
from shoegoal.filming_check.scene import CheckedScene, ball_at_goal, out_of_view
from shoegoal.ladder.rules import Stage
from shoegoal.pipeline.settings import CountSettings
from shoegoal.pipeline.watching import MIN_FRAMES
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

COUNT = "the count's own limit"
OURS = "measured by us on rendered clips"
CUSTOM = "common practice, no source"
LONG_SIDE_SHARE = "share of the longer side"


class Level(IntEnum):
    """How serious a finding is, the most serious first."""

    REFUSE = 0  # the count would refuse the clip, or call every shot unsure
    ADVISE = 1  # it can be counted, and the next clip should be filmed otherwise
    ASK = 2  # the samples cannot show it: a person should look


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing found wrong.

    Attributes
    ----------
    level : how serious.
    do : what the pupil should do.
    why : the evidence, with its number.
    value : the number alone, in the check's unit; None where there is none.
    at_px : where in the picture; may lie outside it.
    """

    level: Level
    do: str
    why: str
    value: float | None = None
    at_px: ImagePoint | None = None


_refuse, _advise, _ask = (partial(Finding, level) for level in Level)


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
        """The stage that the clip was filmed for."""
        return self.settings.stage

    @property
    def has_frames(self) -> bool:
        """Whether there are enough frames for the count to look at."""
        return self.sampled.pictures >= MIN_FRAMES

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
    """One question about a clip.

    Attributes
    ----------
    name : short, for the JSON.
    limit, unit : what the finding's value is compared with.
    source : where the limit comes from.
    problems : finds what is wrong, the most serious first; nothing when all is well or unknown.
    needs_still : whether it is left out for a moving camera.
    needs_goal : whether it is left out for a stage without a goal.
    """

    name: str
    limit: float | None
    unit: str
    source: str
    problems: Callable[[Facts], Iterator[Finding]]
    needs_still: bool = False
    needs_goal: bool = False

    def find(self, facts: Facts) -> Finding | None:
        """Return the most serious problem; None when all is well or nothing is known."""
        return next(self.problems(facts), None)


def _length(facts: Facts) -> Iterator[Finding]:
    sampled = facts.sampled
    seconds = sampled.end_s - sampled.start_s
    if not facts.has_frames:
        yield _refuse(
            "Film the whole set, not a single moment.",
            f"it holds only {sampled.pictures} picture(s)",
            seconds,
        )
    if seconds < LEAST_SET_S:
        yield _advise(
            "Film the whole set in one clip: start before the first kick, stop after the last.",
            f"the clip lasts only {seconds:.1f} s",
            seconds,
        )


def _rate(facts: Facts) -> Iterator[Finding]:
    rate_hz = facts.sampled.rate_hz
    if rate_hz < LEAST_RATE_HZ and facts.has_frames:
        yield _advise(
            "Set the phone's camera to 30 pictures a second or more.",
            f"there are only {rate_hz:.0f} pictures a second, so the ball jumps between pictures",
            rate_hz,
        )


def _pauses(facts: Facts) -> Iterator[Finding]:
    before_s, after_s = facts.sampled.longest_gap_s
    if after_s - before_s > GAP_S:
        yield _advise(
            "Film without pausing, with no other app running on the phone.",
            f"no pictures between {facts.clock(before_s)} and {facts.clock(after_s)}: "
            "a shot there is not counted",
            after_s - before_s,
        )


def _whole_file(facts: Facts) -> Iterator[Finding]:
    sampled = facts.sampled
    missing_s = (sampled.info.duration_s or 0.0) - (sampled.end_s - sampled.start_s)
    again = "Copy the clip from the phone again."
    if sampled.damaged:
        yield _advise(again, "part of it cannot be decoded")
    if missing_s > 3 * BREAK_OFF_S + 1.0 / max(1.0, sampled.rate_hz):
        yield _advise(again, f"its last {missing_s:.0f} s are missing", missing_s)


def _camera_still(facts: Facts) -> Iterator[Finding]:
    stillness = facts.sampled.stillness
    moved = max((s.displacement or 0.0 for s in stillness.samples), default=0.0)
    if stillness.verdict is Stillness.MOVING:
        yield _refuse(
            "Stand the phone on something firm. Do not hold it in the hand.",
            "the picture moves all the time",
            moved,
        )
    if stillness.verdict is Stillness.BUMPED:
        times = ", ".join(facts.clock(time_s) for time_s in stillness.bumps_s)
        yield _advise(
            "Let nobody touch the phone from the first shot to the last.",
            f"the phone was moved at about {times}" if times else "the phone was moved",
            moved,
        )
    if stillness.verdict is Stillness.UNCLEAR and len(stillness.samples) > 1:
        yield _ask(
            "Did the phone stand still? Have something in the background that does not move.",
            "too little of the background can be followed",
        )


def _light(facts: Facts) -> Iterator[Finding]:
    found = facts.sampled.quality.brightness
    if found < DARKEST:
        yield _advise(
            "Film with more light: earlier in the day, or with the sun behind the phone.",
            f"half of the picture is darker than {found:.0%} of white",
            found,
        )


def _sharpness(facts: Facts) -> Iterator[Finding]:
    found = facts.sampled.quality.blur
    if found > MOST_BLUR:
        yield _advise(
            "Wipe the lens with a soft cloth, and tap on the goal to focus before you start.",
            f"no part of the picture is sharp (blur {found:.2f} of 1)",
            found,
        )


def _ball_seen(facts: Facts) -> Iterator[Finding]:
    is_for_kick_seen = facts.sampled.is_whole and not facts.scene.kicks
    if facts.scene.ball is None and facts.has_frames and not is_for_kick_seen:
        yield _ask(
            "Is the ball in the picture, lying still before each kick, and does its colour stand "
            "out from the ground? Start filming before the first kick.",
            "no ball was seen lying at a kick spot and leaving it",
        )


def _kick_seen(facts: Facts) -> Iterator[Finding]:
    if facts.scene.kicks or not facts.sampled.is_whole or not facts.has_frames:
        return
    do = (
        "Film from before the kick until the ball has reached the goal, from a step or two to the "
        "side, so that the kicker does not hide the ball."
    )
    if facts.scene.ball is None:
        yield _refuse(do, "no kick was seen in the whole clip")
    else:
        yield _advise(do, "a ball left its place and could not be followed")


def _ball_size(facts: Facts) -> Iterator[Finding]:
    ball, long_side_px = facts.scene.ball, facts.long_side_px
    if ball is None:
        return
    share = ball.diameter_px / long_side_px
    here = f"the ball is {ball.diameter_px:.0f} px wide at the kick spot"
    nearer = "Move the phone nearer"
    if min(facts.sampled.info.width_px, facts.sampled.info.height_px) < SMALL_PICTURE_PX:
        nearer += ", and film at a higher resolution (1080p)"
    if share > MAX_SIZE_OF_LONG_SIDE:
        why = f"{here}, {share:.0%} of the picture"
        yield _refuse("Move the phone back.", why, share, facts.ball_px)
    if share < MIN_SIZE_OF_LONG_SIDE:
        yield _refuse(f"{nearer}.", f"{here}, too small to measure", share, facts.ball_px)
    at_goal = ball_at_goal(facts.scene, facts.stage)
    if at_goal is None:
        return
    place, diameter_px = at_goal
    if diameter_px / long_side_px < GOAL_SIZE_MARGIN * MIN_SIZE_OF_LONG_SIDE:
        yield _advise(
            f"{nearer}, so that the ball is larger at the goal.",
            f"there it will be about {diameter_px:.0f} px wide, which is hard to follow",
            diameter_px / long_side_px,
            place,
        )


def _ball_colour(facts: Facts) -> Iterator[Finding]:
    found, least = facts.contrast_levels, facts.least_contrast_levels
    if found is None or found >= FAINT_MULTIPLE * least:
        return
    is_noisy = least > MIN_CONTRAST
    yield _advise(
        "Film with more light." if is_noisy else "Use a ball whose colour differs from the ground.",
        f"ball and ground differ by {found:.0f} of 255 levels; {least:.0f} is the noise",
        found / least,
        facts.ball_px,
    )


def _phone_height(facts: Facts) -> Iterator[Finding]:
    if facts.scene.ground is None:
        return
    fit = facts.scene.ground.fit
    height_m = fit.camera.height_m
    log_sigma = float(np.sqrt(fit.covariance[1, 1]))
    if height_m * np.exp(LOWEST_SURE * log_sigma) < LOWEST_M:
        yield _advise(
            "Raise the phone to chest height.",
            f"it stands about {height_m:.1f} m above the ground, too low to see distances",
            height_m,
        )


def _phone_level(facts: Facts) -> Iterator[Finding]:
    tilt_deg = facts.sampled.quality.tilt_deg
    if tilt_deg is not None and MOST_TILT_DEG <= abs(tilt_deg) <= MOST_BELIEVED_TILT_DEG:
        yield _advise(
            "Set the phone level.",
            f"upright things lean by about {abs(tilt_deg):.0f} degrees",
            tilt_deg,
        )


def _goal_in_view(facts: Facts) -> Iterator[Finding]:
    out = out_of_view(facts.scene, facts.settings, facts.sampled.info.width_px)
    if out is not None:
        yield _advise(
            f"Turn the phone to the {out.side}, or move it back, until both markers, and a metre "
            "beside each, are in the picture.",
            out.what,
            at_px=out.at_px,
        )
    if facts.scene.kicks and not facts.scene.has_goal:
        level = _refuse if facts.sampled.is_whole else _ask
        yield level(
            "Are both markers in the picture, with a metre beside each? Then give them to the "
            "count with --left and --right, or use markers that stand out from the ground.",
            "no two things in the picture are surely the goal",
            facts.scene.in_view,
        )
    elif facts.scene.may_change and not facts.sampled.is_whole:
        yield _ask(
            "Are the two things marked in the picture your markers? If not, give them to the count "
            "with --left and --right.",
            f"by the first kicks these two are the goal with {facts.scene.in_view:.0%}; "
            "the count, which sees all of them, will tell",
            facts.scene.in_view,
        )


def _start(facts: Facts) -> Iterator[Finding]:
    start_s = facts.sampled.start_s
    for track in facts.sampled.record.tracks:
        moving = since_it_left(track.sightings)
        if (
            track.start_s - start_s <= STARTS_WITHIN_S
            and not (moving and moving[0].time_s > track.start_s)
            and runs_straight(track.sightings)
            and track.ball_score >= LIKE_A_BALL
        ):
            first = track.sightings[0]
            yield _advise(
                "Start filming before the first kick.",
                "a ball is already moving when the clip starts",
                track.start_s - start_s,
                ImagePoint(first.x_px, first.y_px),
            )


CHECKS = (
    Check("length", LEAST_SET_S, "s", CUSTOM, _length),
    Check("frame rate", LEAST_RATE_HZ, "1/s", CUSTOM, _rate),
    Check("pauses", GAP_S, "s", COUNT, _pauses),
    Check("whole file", 3 * BREAK_OFF_S, "s", COUNT, _whole_file),
    Check("camera still", NEARLY_STILL_LIMIT, LONG_SIDE_SHARE, COUNT, _camera_still),
    Check("light", DARKEST, "share of white", OURS, _light),
    Check("sharpness", MOST_BLUR, "blur, 0 to 1 (Crete 2007)", OURS, _sharpness),
    Check("ball seen", SURELY_A_BALL, "score, 0 to 1", COUNT, _ball_seen, True, True),
    Check("kick seen", None, "", COUNT, _kick_seen, True, True),
    Check("ball size", MIN_SIZE_OF_LONG_SIDE, LONG_SIDE_SHARE, COUNT, _ball_size, True),
    Check("ball colour", FAINT_MULTIPLE, "times the noise", OURS, _ball_colour, True),
    Check("phone height", LOWEST_M, "m", OURS, _phone_height, True, True),
    Check("phone level", MOST_TILT_DEG, "deg", OURS, _phone_level),
    Check("goal in view", BELIEVED_AT, "probability", COUNT, _goal_in_view, True, True),
    Check("start", STARTS_WITHIN_S, "s", CUSTOM, _start, True),
)
