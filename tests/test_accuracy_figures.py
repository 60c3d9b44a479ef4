"""The figures of `bench accuracy`: closed forms, published examples, a reference library."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from probabilities import (
    brier_score,
    coverage,
    expected_calibration_error,
    reliability,
)
from scoring import SetScore, match, score
from shoegoal.record.accuracy import wilson_interval

BENCH = Path(__file__).parents[1] / "bench"


def test_brier_scores_of_one_forecast() -> None:
    # The textbook example of a 70% forecast: 0.09 when it comes true, 0.49 when it does not;
    # 1950's Brier sums over both classes, which is twice that.
    assert brier_score([(0.7, True)]) == pytest.approx(0.09)
    assert brier_score([(0.7, False)]) == pytest.approx(0.49)
    assert brier_score([(1.0, True), (0.0, False)]) == 0.0
    both = (0.7 - 1.0) ** 2 + (0.3 - 0.0) ** 2
    assert 2 * brier_score([(0.7, True)]) == pytest.approx(both)


def test_brier_score_splits_into_reliability_resolution_and_uncertainty() -> None:
    # A. H. Murphy, Journal of Applied Meteorology 12 (1973): exact where a bin holds one P only.
    rng = np.random.default_rng(4)
    levels = np.arange(10) / 10 + 0.05
    p = rng.choice(levels, 600)
    chances = [(float(a), bool(rng.random() < 0.2 + 0.6 * a)) for a in p]
    rows = reliability(chances)
    n, base = len(chances), float(np.mean([y for _, y in chances]))
    reliable = sum(b.count * (b.mean_p - b.share) ** 2 for b in rows) / n
    resolved = sum(b.count * (b.share - base) ** 2 for b in rows) / n
    assert brier_score(chances) == pytest.approx(reliable - resolved + base * (1 - base))


def test_calibration_error_by_hand() -> None:
    # Guo et al. 2017, eq. 3, two bins: 4 shots at 0.9 of which 3 makes, 6 at 0.2 of which 3.
    chances = [(0.9, True)] * 3 + [(0.9, False)] + [(0.2, True)] * 3 + [(0.2, False)] * 3
    assert expected_calibration_error(chances, 2) == pytest.approx(0.4 * 0.15 + 0.6 * 0.3)
    assert expected_calibration_error([(1.0, True), (0.0, False)]) == 0.0
    assert [b.count for b in reliability([(1.0, True), (0.95, True), (0.9, True)])] == [3]


def test_probabilities_that_are_true_are_calibrated() -> None:
    rng = np.random.default_rng(8)
    p = rng.random(20000)
    chances = [(float(a), bool(y)) for a, y in zip(p, rng.random(20000) < p, strict=True)]
    assert expected_calibration_error(chances) < 0.012
    # The mean of p (1 - p) over even p is 1/6.
    assert brier_score(chances) == pytest.approx(1 / 6, abs=0.004)


def test_normal_errors_are_covered_as_often_as_tables_say() -> None:
    errors = np.random.default_rng(3).standard_normal(40000)
    assert coverage(list(errors), 1.0) == pytest.approx(0.6827, abs=0.008)
    assert coverage(list(errors), 1.959964) == pytest.approx(0.95, abs=0.004)


def test_wilson_interval_against_newcombe_and_the_library() -> None:
    # R. G. Newcombe, Statistics in Medicine 17 (1998): 81 of 263.
    assert wilson_interval(81, 263) == pytest.approx((0.2553, 0.3662), abs=5e-5)
    for hits, of in ((0, 7), (3, 9), (9, 9)):
        want = proportion_confint(hits, of, method="wilson")
        assert wilson_interval(hits, of) == pytest.approx(want, abs=1e-9)


def test_kicks_are_paired_nearest_first() -> None:
    assert match([1.0, 5.0, 9.0], [5.4, 1.2, 30.0]) == {0: 1, 1: 0}
    assert match([1.0, 1.8], [1.7]) == {1: 0}
    assert match([1.0], [2.1]) == {}


def truth(**more: Any) -> dict[str, Any]:
    shots = [
        {"kick_time_s": 2.0, "is_make": True, "outcome": "inside", "may_ask": ""},
        {"kick_time_s": 9.0, "is_make": False, "outcome": "short", "may_ask": "on the line"},
    ]
    return {
        "honest": "judge",
        "shots": shots,
        "asides": [{"kind": "fluff", "time_s": 6.0, "may_ask": True}],
        "stage": {"verdicts": ["advance"]},
        "goal": {"width_m": 2.0, "back_m": 6.0},
        **more,
    }


def count(calls: list[tuple[float, str]], decision: str = "advance") -> dict[str, Any]:
    return {
        "refused": None,
        "decision": decision,
        "shots": [
            {"time_s": t, "call": c, "p_make": 0.9, "reason": "", "outcome": ""} for t, c in calls
        ],
        "left_out": [],
        "width_m": [2.1, 0.05],
        "distance_m": None,
    }


def tallied(s: SetScore) -> tuple[int, ...]:
    return s.shots, s.right, s.wrong, s.unsure, s.lost, s.false, s.false_asked


@pytest.mark.parametrize(
    ("calls", "want"),
    [
        ([(2.1, "make"), (9.1, "miss")], (2, 2, 0, 0, 0, 0, 0)),
        ([(2.1, "miss"), (9.1, "unsure")], (2, 0, 1, 1, 0, 0, 0)),
        ([(2.1, "make")], (2, 1, 0, 0, 1, 0, 0)),
        # A play that is no shot may be asked about where the truth says so, never called.
        ([(2.1, "make"), (6.2, "unsure"), (9.1, "miss")], (2, 2, 0, 0, 0, 0, 0)),
        ([(2.1, "make"), (6.2, "miss"), (9.1, "miss")], (2, 2, 0, 0, 0, 1, 0)),
        ([(2.1, "make"), (9.1, "miss"), (14.0, "unsure")], (2, 2, 0, 0, 0, 0, 1)),
    ],
)
def test_shots_are_scored(calls: list[tuple[float, str]], want: tuple[int, ...]) -> None:
    assert tallied(score(truth(), count(calls))) == want


def test_shots_that_vanish_are_told_from_those_left_out_with_a_reason() -> None:
    told = count([(9.1, "miss")])
    assert (score(truth(), told).absent, score(truth(), told).listed) == (1, 0)
    told["left_out"] = [{"time_s": 2.3, "why": "a pass back"}]
    left_out = score(truth(), told)
    assert (left_out.lost, left_out.absent, left_out.listed, left_out.told_wrong) == (1, 0, 1, 0)


@pytest.mark.parametrize(
    ("more", "plain"),
    [
        ({}, True),
        ({"covered": 0.29, "marker_gap_m": 0.11}, True),
        ({"covered": 0.31}, False),
        ({"marker_gap_m": 0.09}, False),
        ({"meets_marker": True}, False),
        ({"may_ask": "it stopped just over the line"}, False),
    ],
)
def test_plain_shots_are_those_that_anybody_sees(more: dict[str, Any], plain: bool) -> None:
    shots = truth()["shots"]
    shots[0] |= more
    asked = score(truth(shots=shots), count([(2.1, "unsure"), (9.1, "miss")], "look"))
    assert (asked.plain, asked.asked_plain, asked.asked_covered) == (plain, plain, not plain)


def test_a_false_shot_is_named_by_what_the_ball_met() -> None:
    contacts = [{"kind": "wall", "time_s": 13.4}, {"kind": "tapped on", "time_s": 14.1}]
    told = count([(2.1, "make"), (9.1, "miss"), (14.0, "make")])
    assert score(truth(contacts=contacts), told).notes == ("14.0 s: no shot (tapped on), make ()",)


def test_sets_are_scored() -> None:
    right = score(truth(), count([(2.1, "make"), (9.1, "miss")]))
    assert right.is_exact and not right.is_sent and not right.wrong_verdict
    assert list(right.errors) == ["width"]
    assert right.errors["width"] == pytest.approx((2.0, 0.05))
    told = score(truth(), count([(2.1, "make"), (9.1, "miss")], "try again"))
    assert told.wrong_verdict
    asked = score(truth(), count([(2.1, "make"), (9.1, "unsure")], "look"))
    assert asked.is_sent and not asked.wrong_verdict and asked.unsure_fair == 1
    refused = score(truth(), {"refused": "no goal"})
    assert refused.is_sent and not refused.is_exact and not refused.may_refuse
    assert score(truth(honest="judge or refuse"), {"refused": "it shakes"}).may_refuse


def test_one_entry_offers_every_measurement() -> None:
    done = subprocess.run(
        [sys.executable, str(BENCH), "--help"], capture_output=True, text=True, check=True
    )
    assert all(name in done.stdout for name in ("accuracy", "count", "sets"))
    listed = subprocess.run(
        [sys.executable, str(BENCH), "sets", "--split", "report", "--limit", "3"],
        capture_output=True, text=True, check=True,
    ).stdout  # fmt: skip
    assert len(listed.splitlines()) == 3 and listed.startswith("report: behind a")
