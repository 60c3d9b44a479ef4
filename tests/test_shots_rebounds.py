"""What lies between two segments is weighed as the model says, in numbers of metres and seconds.

The densities are worked out anew by scipy, with the model's own figures written out: a yard of
300 m2, speeds of 4 m/s, a person who walks at 1.5 m/s (our estimates, no source).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import multivariate_normal

from shoegoal.ball.free_motion import FreeStretch, Motion
from shoegoal.shots.rebounds import Between, link_parts, passing
from shoegoal.shots.segments import Segment
from shoegoal.shots.story import candidate_pairs
from shoegoal.shots.weights import F64, Weights, shipped_weights
from shoegoal.types import Detection

PLACE, SPEED, JOINT = 0.1, 0.2, 0.15  # standard deviations of a fit at best, m and m/s


def weights() -> Weights:
    link = np.zeros_like(shipped_weights().link)
    link[6:9] = np.log([PLACE, SPEED, JOINT])
    return replace(shipped_weights(), link=link)


def segment(
    start_s: float,
    end_s: float,
    place_m: tuple[float, float],
    velocity_mps: tuple[float, float] = (0.0, 0.0),
    *,
    latest_s: float | None = None,
    log_odds: float = 9.0,
) -> Segment:
    """A ball at a place at its start, going on evenly from there, or lying; known exactly."""
    lies = velocity_mps == (0.0, 0.0)
    coefficients = np.zeros((3, 3))
    coefficients[0], coefficients[1, :2] = [*place_m, 0.11], velocity_mps
    seen = tuple(Detection(t, 0.0, 0.0, 30.0, 0.4, 0.8) for t in (start_s, end_s))
    motion = Motion.LIES if lies else Motion.ROLLS
    stretch = FreeStretch(motion, seen, start_s, coefficients, np.zeros((9, 9)), 1.0, 0.11)
    until_s = end_s if latest_s is None else latest_s
    return Segment(stretch, start_s, end_s, start_s, until_s, -1, log_odds, end_s)


def density(off: F64, cov: F64) -> float:
    """A normal density of which a tenth is three times as wide."""
    parts = zip((0.9, 0.1), (1.0, 9.0), strict=True)
    return float(sum(p * multivariate_normal(np.zeros(2), k * cov).pdf(off) for p, k in parts))


@pytest.mark.parametrize("away_m", [(0.5, 0.0), (2.0, 3.0)])
def test_what_a_person_may_have_carried(away_m: tuple[float, float]) -> None:
    a, b = segment(0.0, 1.0, (0.0, 0.0)), segment(3.0, 4.0, away_m, (1.0, 0.0))
    reach = np.hypot(PLACE + JOINT, 1.5 * (2.0 + 0.1))
    expected = np.log(300.0 * density(np.array(away_m), np.eye(2) * reach**2))
    assert link_parts(a, b, weights()).density[Between.MOVED] == pytest.approx(expected)


@pytest.mark.parametrize("gap_s", [0.1, 0.5])
@pytest.mark.parametrize("gained_mps", [-1.0, 0.0, 0.3])
def test_a_ball_that_ran_on_out_of_sight(gap_s: float, gained_mps: float) -> None:
    """It may have bounced unseen, which slows it by up to a fifth and hardly turns it."""
    a = segment(0.0, 1.0, (0.0, 0.0), (0.0, 5.0))
    begins_m = (0.05, 5.0 * (1.0 + gap_s))
    b = segment(1.0 + gap_s, 3.0, begins_m, (0.0, 5.0 + gained_mps))
    unseen = np.array([0.0, 5.0 * gap_s])
    cov = 0.2**2 * np.outer(unseen, unseen) + np.eye(2) * (0.04 * 5.0 * gap_s) ** 2
    place = 300.0 * density(np.array([0.05, 0.0]), cov + np.eye(2) * PLACE**2)
    slowed = 0.2 * 5.0 * gap_s
    speeds = np.eye(2) * (SPEED**2 + slowed**2)
    speed = 2 * np.pi * 4.0**2 * density(np.array([0.0, gained_mps]), speeds)
    lent = np.log1p(np.exp(2 * gained_mps / 0.2))  # nothing lends a ball speed by itself
    found = link_parts(a, b, weights()).density[Between.RAN_ON]
    assert found == pytest.approx(np.log(place * speed) - lent, abs=1e-6)


def test_a_wall_takes_speed_and_a_kick_gives_it() -> None:
    """A ball at 6 m/s comes back from a wall at y = 6 at 3 m/s; and the same the other way."""
    to_wall = segment(0.0, 1.0, (0.0, 0.0), (0.0, 6.0))
    back = segment(1.1, 2.0, (0.0, 5.7), (0.0, -3.0))
    parts = link_parts(to_wall, back, weights())
    assert parts.density[Between.MET] > parts.density[Between.KICKED] + 20
    assert parts.joint_s[Between.MET] == pytest.approx(1.0, abs=0.01)
    rolled = segment(0.0, 1.0, (0.0, 0.0), (0.0, 3.0))
    struck = segment(1.1, 2.0, (0.0, 2.4), (0.0, -6.0))
    parts = link_parts(rolled, struck, weights())
    assert parts.density[Between.KICKED] > parts.density[Between.MET] + 20


def test_how_much_like_a_ball_counts_up_to_a_limit() -> None:
    a = segment(0.0, 1.0, (0.0, 0.0), (0.0, 5.0))
    common = [
        link_parts(a, segment(1.1, 2.0, (0.0, 5.5), (0.0, 5.0), log_odds=o), weights()).factors[0]
        for o in (2.0, 4.0, 9.0)
    ]
    assert [row[5] for row in common] == pytest.approx([-2.0, 0.0, 0.0])


@pytest.mark.parametrize(
    ("end_s", "latest_s", "lies", "start_s", "paired"),
    [
        (1.0, 1.0, False, 8.9, True),  # a moving ball's end says something for eight seconds
        (1.0, 1.0, False, 9.1, False),
        (1.0, 2.0, True, 21.9, True),  # one that seemed to leave may lie hidden for twenty
        (1.0, 2.0, True, 22.1, False),
        (1.0, 1.0, False, 0.89, True),  # two tracks of one ball may overlap by 0.12 s
        (1.0, 1.0, False, 0.87, False),
    ],
)
def test_which_may_follow_by_their_times(
    end_s: float, latest_s: float, lies: bool, start_s: float, paired: bool
) -> None:
    velocity = (0.0, 0.0) if lies else (0.0, 3.0)
    first = segment(0.0, end_s, (0.0, 0.0), velocity, latest_s=latest_s)
    then = segment(start_s, start_s + 1.0, (0.0, 1.0), (0.0, 3.0))
    assert ((0, 1) in candidate_pairs([first, then])) is paired


@pytest.mark.parametrize(("noticed_s", "left_s"), [(1.65, 1.0), (1.9, 1.2)])
def test_a_ball_may_have_left_before_the_background_shows_it(
    noticed_s: float, left_s: float
) -> None:
    """Legs hide its place for up to 0.7 s; the path itself says when it was there."""
    stay = segment(0.0, 0.5, (0.0, 0.0), latest_s=2.0)
    path = segment(1.4, 2.0, (0.0, 2.0), (0.0, 5.0))  # it was at the origin at 1.0
    _, at_s = passing(stay, path, noticed_s, weights())
    assert at_s == pytest.approx(left_s, abs=0.01)
