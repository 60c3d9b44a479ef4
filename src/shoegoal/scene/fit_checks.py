"""Whether a fitted scene can be believed, and what a person should know of it."""

from __future__ import annotations

import numpy as np

from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scene.ball_size import BallSize
from shoegoal.scene.lens import Lens
from shoegoal.scene.places import Places
from shoegoal.scene.search import Peak

MIN_SHARE_ON_GROUND = 0.5
MAX_MISFIT = 4.0  # sizes scatter this many times more than their own sigmas allow ...
MAX_SCATTER_REL = 0.1  # ... and by this share of the diameter


class SceneNotFittedError(ClipNotJudgeableError):
    """The ball sightings do not tell where camera and ground are."""


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
        notes.append("no lens file: distances along the view lean on phones' usual field of view")
    if len(places.counts) < 3:
        notes.append(
            f"the ball was seen at only {len(places.counts)} place(s): the ground is mostly guessed"
        )
    wrong = int((~peak.kept).sum())
    if wrong:
        notes.append(f"{wrong} of {len(peak.kept)} ball places do not fit the ground; left out")
    return notes
