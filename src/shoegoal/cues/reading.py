"""What is said of a kick and of a set: each cue in band, look, or can't tell from here."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr, stdtrit

from shoegoal.cues.bands import Band, MeasuredError, Measurement, load_bands, load_errors
from shoegoal.cues.cues import SWING_CUES, measure_kick
from shoegoal.cues.kick import Kick
from shoegoal.cues.legs import (
    NEAR_CONTACT_S,
    Side,
    Standing,
    kicking_side,
    legs_named,
    legs_swapped,
    standing_foot,
)
from shoegoal.cues.pose import LEFT_LEG, RIGHT_LEG, Pose
from shoegoal.cues.sight import BEFORE_S
from shoegoal.cues.smooth import REACH_S
from shoegoal.cues.space import ShotSpace, View

F64 = npt.NDArray[np.float64]


# Now and then the pose model loses a leg, so errors have wider tails than the normal distribution:
# Student's t of so many degrees of freedom. A sigma is half the width that holds 68 of 100.
FREEDOM = 4.0
SIGMA_WIDTH = float(stdtrit(FREEDOM, 0.8413))


class Answer(StrEnum):
    """What is said of one cue; never a grade."""

    IN_BAND = "in band"
    LOOK = "look"
    CANNOT_TELL = "can't tell from here"


@dataclass(frozen=True, slots=True)
class Reading:
    """What is said of one cue of one kick.

    Attributes
    ----------
    cue, title, unit : which cue.
    value, sigma : with its standard deviation; None where this view does not show it.
    low, high : the band.
    answer : in band, look, or can't tell.
    sentence : the same in words, with what to film instead where it cannot be seen.
    views : from which views the cue can be judged.
    """

    cue: str
    title: str
    unit: str
    value: float | None
    sigma: float | None
    low: float
    high: float
    answer: Answer
    sentence: str
    views: tuple[View, ...]

    @property
    def lies_below(self) -> bool:
        """Whether the value lies nearer to the band's lower end than to its upper one."""
        return self.value is not None and self.value < (self.low + self.high) / 2


def chance_in_band(band: Band, value: npt.ArrayLike, sigma: npt.ArrayLike) -> F64:
    """Probability that the truth lies in the band, of values with their standard deviations."""
    width = np.asarray(sigma, np.float64) / SIGMA_WIDTH
    ends = [stdtr(FREEDOM, (end - np.asarray(value)) / width) for end in band.ends]
    return np.asarray(ends[1] - ends[0], np.float64)


def judge(
    band: Band,
    measurements: Iterable[Measurement],
    view: View,
    errors: Sequence[MeasuredError],
    why_missing: str = "",
) -> Reading:
    """Say what may be said of one cue.

    Parameters
    ----------
    band : the cue's band.
    measurements : of this cue, by any methods.
    view : from where the kick was filmed.
    errors : measured errors of this cue, from all views.
    why_missing : why nothing of the kick could be measured, where that is so.

    Returns
    -------
    The value with gain and bias taken off, and what was measured and what the number knows of its
    own spread as its sigma. It is given only where
    the error from this view was measured and found small enough, and called in or out of the band
    only where that is sure enough.
    """
    known = {error.view: error for error in errors if error.claimed}
    views = tuple(view for view in View if view in known)
    error = known.get(view)
    given = next((m for m in measurements if error and m.method == error.method), None)
    if why_missing:
        return cannot_tell(band, views, why_missing)
    if error is None:
        return cannot_tell(band, views, _film_instead(views))
    if given is None or not np.isfinite([given.value, given.sigma]).all():
        why = given.why_not if given else ""
        return cannot_tell(band, views, why or "the body was not seen well enough")
    value, sigma = error.truth(given.value, given.sigma)
    inside = float(chance_in_band(band, value, sigma))
    shown = f"{value:.0f} ± {sigma:.0f} {band.unit}"
    span = f"band {band.low:g} to {band.high:g} {band.unit}"
    if inside >= error.sure:
        answer, sentence = Answer.IN_BAND, f"{band.well} ({shown}, {span})"
    elif 1 - inside >= error.sure:
        below = value < (band.low + band.high) / 2
        answer = Answer.LOOK
        sentence = f"{band.look_below if below else band.look_above} ({shown}, {span})"
    else:
        answer = Answer.CANNOT_TELL
        sentence = f"too near the edge of the band to tell ({shown}, {span}): look yourself"
    return Reading(
        band.cue, band.title, band.unit, value, sigma, band.low, band.high, answer, sentence, views
    )


def cannot_tell(band: Band, views: tuple[View, ...], why: str) -> Reading:
    """Say that a cue cannot be judged, and why."""
    return Reading(
        band.cue,
        band.title,
        band.unit,
        None,
        None,
        band.low,
        band.high,
        Answer.CANNOT_TELL,
        why,
        views,
    )


def _film_instead(views: tuple[View, ...]) -> str:
    if not views:
        return "no view was found to show this well enough; look yourself"
    return "film " + " or ".join(view.words for view in views)


LEAST_POSES = 5  # with fewer, neither a swing nor a plant foot shows
# The model now and then makes up a body where none is; of such, it calls no leg visible. Dressed
# bodies that are there show 0.75 and more (bench form, 1407 pictures).
LEAST_VISIBLE = 0.4
# At contact the foot shows at most half a ball off its middle, seen from any side; with what the
# moment and the joints are off, 0.8 diameters in 19 of 20 kicks (bench form, kicks to develop on).
MOST_DIAMETERS_OFF = 1.0
NEAREST_S = 0.08  # the kicker must be seen this near to contact


WHICH_FOOT = "it is not clear which foot kicked"
_LEGS = [*LEFT_LEG.rows, *RIGHT_LEG.rows]


@dataclass(frozen=True, slots=True, eq=False)
class KickForm:
    """The form of one kick.

    Attributes
    ----------
    side : kicking foot; None where that is not clear.
    readings : one for each cue, in the order of the bands.
    kick : poses and legs; None where there were too few.
    measurements : all numbers by all methods, before any judging.
    why_not : why nothing could be read; empty otherwise.
    """

    side: Side | None
    readings: tuple[Reading, ...]
    kick: Kick | None
    measurements: tuple[Measurement, ...]
    why_not: str


def read_kick(
    space: ShotSpace, contact_s: float, poses: Sequence[Pose], view: View | None = None
) -> KickForm:
    """Read a kick's form from the poses round it.

    Parameters
    ----------
    space : the space round the kick.
    contact_s : presentation time of contact.
    poses : as found, in order of time.
    view : of all kicks that the phone filmed; the space's own where it is not given.

    Returns
    -------
    A reading for every cue; those that cannot be judged say why.
    """
    kick, why_not = _kick(space, contact_s, poses)
    measurements = () if kick is None else measure_kick(kick)
    errors = load_errors()
    readings = tuple(
        judge(
            band,
            [m for m in measurements if m.cue == cue],
            view or space.view,
            errors.get(cue, ()),
            why_not,
        )
        for cue, band in load_bands().items()
    )
    return KickForm(kick.side if kick else None, readings, kick, measurements, why_not)


def looked_back_s(view: View) -> float:
    """How long before contact the kicker must be looked at to give all that a view can give.

    Where no cue of the swing before contact is claimed, only what the joints at contact need.
    """
    errors = load_errors()
    swing = [error for cue in SWING_CUES[:2] for error in errors.get(cue, ())]
    needed = any(error.view is view and error.claimed for error in swing)
    return BEFORE_S if needed else NEAR_CONTACT_S + REACH_S


def unread(why: str) -> tuple[Reading, ...]:
    """Give readings of a kick that cannot be judged, each saying why."""
    return tuple(cannot_tell(band, (), why) for band in load_bands().values())


def _kick(space: ShotSpace, contact_s: float, poses: Sequence[Pose]) -> tuple[Kick | None, str]:
    poses = [pose for pose in poses if np.median(pose.visibility[_LEGS]) >= LEAST_VISIBLE]
    if len(poses) < LEAST_POSES or min(abs(p.time_s - contact_s) for p in poses) > NEAREST_S:
        return None, "the kicker's body was not found round the kick"
    seen = standing_foot(poses, contact_s)
    if seen is None:
        return None, WHICH_FOOT
    kick = _named(space, contact_s, poses, seen)
    if kick is None:
        return None, WHICH_FOOT
    ball, diameter_px = space.ball_px
    if kicking_side(kick.poses, contact_s, (ball.x_px, ball.y_px), diameter_px) is not kick.side:
        return None, WHICH_FOOT
    if kick.foot_off_ball() > MOST_DIAMETERS_OFF:
        return None, "the moment of contact does not fit the foot's way to the ball"
    return kick, ""


# The log odds of a naming of the legs for each unit that the other one costs more, and from which
# odds on one is believed.
NAMES_SAY, BELIEVED, LEAST_ODDS = 15.0, 3.5, 1e-9


def _named(
    space: ShotSpace, contact_s: float, poses: Sequence[Pose], seen: Standing
) -> Kick | None:
    """Name the legs by the pose model's left and right, and by where the plant foot stands.

    From the side the pose model now and then takes one leg for the other all along; but nobody
    plants the right foot to the left of the ball. None where it is not clear.
    """
    ways = legs_named(poses, seen, contact_s)
    plant = min(ways, key=lambda side: ways[side][0])
    named = ways[plant][1]
    kicks = {
        plant.other: Kick(space, contact_s, named, plant.other, replace(seen, side=plant)),
        plant: Kick(
            space,
            contact_s,
            [legs_swapped(p) for p in named],
            plant,
            replace(seen, side=plant.other),
        ),
    }
    odds = NAMES_SAY * (ways[Side.RIGHT][0] - ways[Side.LEFT][0])  # that the left foot stands
    fits = [kick.plant for kick in kicks.values() if kick.plant]
    if fits:
        beside = np.mean([-fit.right_m / fit.sigmas[0] for fit in fits])  # to the ball's left
        left = float(np.clip(stdtr(FREEDOM, SIGMA_WIDTH * beside), LEAST_ODDS, 1 - LEAST_ODDS))
        odds += math.log(left / (1 - left))
    if abs(odds) < BELIEVED:
        return None
    return kicks[Side.RIGHT if odds > 0 else Side.LEFT]


MOST_TO_TRY = 2
LEAST_SHARE = 0.5  # of the kicks that show a cue must say the same; no source


@dataclass(frozen=True, slots=True)
class Advice:
    """A set in a few words.

    Attributes
    ----------
    went_well : what was in its band most often, first; empty where nothing was.
    to_try : at most `MOST_TO_TRY` things, the one seen most often first.
    """

    went_well: tuple[str, ...]
    to_try: tuple[str, ...]


def advise(kicks: Sequence[Sequence[Reading]]) -> Advice:
    """Sum up a set.

    Parameters
    ----------
    kicks : the readings of each kick.

    Returns
    -------
    A cue is named where at least two kicks, and half of those that show it, agree; of a
    single kick it is named as it is. Whether that was seen, and how often, is said with it.
    """
    least = min(2, len(kicks))
    well: list[tuple[float, str]] = []
    attempts: list[tuple[int, str]] = []
    for cue, band in load_bands().items():
        given = [
            reading
            for kick in kicks
            for reading in kick
            if reading.cue == cue and reading.answer is not Answer.CANNOT_TELL
        ]
        inside = [r for r in given if r.answer is Answer.IN_BAND]
        below = [r for r in given if r.answer is Answer.LOOK and r.lies_below]
        above = [r for r in given if r.answer is Answer.LOOK and not r.lies_below]
        enough = max(least, LEAST_SHARE * len(given))
        if len(inside) >= enough and len(inside) > len(given) / 2:
            words = f"{band.well[0].upper()}{band.well[1:]}"
            well.append((len(inside) / len(given), f"{words} ({_seen(inside, given)})."))
        for side, words in ((below, band.try_below), (above, band.try_above)):
            if side and len(side) >= enough:
                attempts.append((len(side), f"{words} (Seen in {_seen(side, given)}.)"))
    well.sort(key=lambda one: -one[0])
    attempts.sort(key=lambda one: -one[0])
    return Advice(
        tuple(words for _, words in well), tuple(words for _, words in attempts[:MOST_TO_TRY])
    )


def _seen(those: Sequence[Reading], given: Sequence[Reading]) -> str:
    return f"{len(those)} of {len(given)} kick{'s' if len(given) > 1 else ''} that show it"
