"""How corrections bear on tally and verdict, against plain enumeration and counting by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import pytest

from analysis_examples import STAGE, START_S, example_analysis
from shoegoal.analysis.model import Analysis, StageRecord, TakeRecord
from shoegoal.clip.take import Break, BreakKind
from shoegoal.ladder.rules import FirstMakes, MakesInTime, MakesOfShots, Stage
from shoegoal.ladder.verdict import Decision, judge_shots
from shoegoal.record.status import (
    Added,
    Answer,
    Answered,
    BreaksWatched,
    Change,
    Correction,
    LookedThrough,
    MarkerMoved,
    Noted,
    SetStatus,
    Side,
    Undone,
    read_correction,
    serialise_change,
    set_status,
    shot_at,
    still_held,
)
from shoegoal.types import Call

ANALYSIS = example_analysis()


def at(number: int) -> float:
    return ANALYSIS.shots[number - 1].kick_time_s


def status(*changes: Change, stage: Stage = STAGE) -> SetStatus:
    return set_status(ANALYSIS, stage, changes)


def chance_of_four(p: list[float]) -> float:
    """P(at least 4 makes) by enumeration of every outcome."""
    total = 0.0
    for outcome in product((0, 1), repeat=len(p)):
        if sum(outcome) >= 4:
            weight = 1.0
            for made, chance in zip(outcome, p, strict=True):
                weight *= chance if made else 1 - chance
            total += weight
    return total


def test_without_corrections_it_is_what_was_counted() -> None:
    stood = status()
    assert (stood.tally, stood.verdict) == (ANALYSIS.tally, ANALYSIS.verdict)
    assert stood.looks == (5,) and stood.needs_a_look


@pytest.mark.parametrize(("answer", "p_make"), [(Answer.MAKE, 1.0), (Answer.MISS, 0.0)])
def test_an_answer_settles_its_shot(answer: Answer, p_make: float) -> None:
    stood = status(Answered(at(5), answer, "seen"))
    shot = stood.shots[4]
    assert (shot.p_make, shot.answer, shot.note, shot.counts) == (p_make, answer, "seen", True)
    others = [s.p_make for s in ANALYSIS.shots]
    expected = chance_of_four([*others[:4], p_make, others[5]])
    assert stood.verdict.chances.met == pytest.approx(expected, abs=1e-12)
    assert stood.verdict.decision is (
        Decision.ADVANCE if answer is Answer.MAKE else Decision.TRY_AGAIN
    )


def test_an_answer_settles_whether_there_was_a_shot() -> None:
    """Shot 5 may be none: then the make that is added at the end is the sixth."""
    shots = list(ANALYSIS.shots)
    shots[4] = replace(shots[4], p_shot=0.4)
    maybe = replace(ANALYSIS, shots=tuple(shots))
    extra = Added(START_S + 29.0, Answer.MAKE)
    others = [s.p_make for s in shots]

    def met(*changes: Change) -> float:
        return set_status(maybe, STAGE, [extra, *changes]).verdict.chances.met

    with_it, without = chance_of_four(others), chance_of_four([*others[:4], others[5], 1.0])
    assert met() == pytest.approx(0.4 * with_it + 0.6 * without, abs=1e-12)
    assert met(Answered(at(5), Answer.NOT_A_SHOT)) == pytest.approx(without, abs=1e-12)
    for answer, p_make in ((Answer.MAKE, 1.0), (Answer.MISS, 0.0)):
        settled = chance_of_four([*others[:4], p_make, others[5]])
        assert met(Answered(at(5), answer)) == pytest.approx(settled, abs=1e-12)
    stood = set_status(maybe, STAGE, [Answered(at(5), Answer.NOT_A_SHOT)])
    assert (set_status(maybe, STAGE, []).shots[4].p_shot, stood.shots[4].p_shot) == (0.4, 0.0)


@pytest.mark.parametrize("answer", [Answer.NOT_A_SHOT, Answer.RETAKE])
def test_what_does_not_count_is_left_out_and_one_shot_is_missing(answer: Answer) -> None:
    stood = status(Answered(at(2), answer))
    assert not stood.shots[1].counts
    assert (stood.tally.shots, stood.tally.misses) == (5, 1)
    assert stood.verdict.shots_missing == 1
    assert [shot.number for shot in stood.shots] == [1, 2, 3, 4, 5, 6]


def test_looks_name_the_shots_by_their_numbers() -> None:
    """With shot 2 out, the doubtful one is fourth of those that count and still number 5."""
    stood = status(Answered(at(2), Answer.RETAKE), Added(START_S + 29.0, Answer.MISS))
    assert stood.looks == (5,)
    assert stood.verdict.looks is not None and stood.verdict.looks.shots == (4,)


def test_a_retake_lets_a_later_shot_count() -> None:
    extra = Added(START_S + 29.0, Answer.MAKE)
    assert status(extra).verdict.shots_not_counted == 1
    assert status(extra).tally.makes == 3
    stood = status(extra, Answered(at(2), Answer.RETAKE))
    assert stood.verdict.shots_not_counted == 0
    assert (stood.tally.makes, stood.verdict.decision) == (4, Decision.ADVANCE)


def test_an_added_shot_takes_its_place_in_time() -> None:
    stood = status(Added(START_S + 1.0, Answer.MISS, "missed by the count"))
    assert [shot.number for shot in stood.shots] == [1, 2, 3, 4, 5, 6, 7]
    assert stood.shots[0].counted is None
    answered = status(Added(START_S + 1.0, Answer.MISS), Answered(START_S + 1.0, Answer.MAKE))
    assert answered.shots[0].p_make == 1.0


def test_the_last_answer_to_a_shot_holds() -> None:
    stood = status(
        Answered(at(5), Answer.MAKE), Answered(at(5), Answer.RETAKE), Answered(at(5), Answer.MISS)
    )
    assert (stood.shots[4].answer, stood.tally.makes, stood.tally.misses) == (Answer.MISS, 3, 3)


def test_an_answer_outlives_a_count_that_lost_its_shot() -> None:
    fewer = replace(ANALYSIS, shots=tuple(
        replace(shot, number=number)
        for number, shot in enumerate((*ANALYSIS.shots[:4], ANALYSIS.shots[5]), start=1)
    ))  # fmt: skip
    kept = set_status(fewer, STAGE, [Answered(at(5), Answer.MAKE)])
    assert len(kept.shots) == 6 and kept.tally.makes == 4
    gone = set_status(fewer, STAGE, [Answered(at(5), Answer.RETAKE)])
    assert len(gone.shots) == 5


def test_another_stage_judges_the_same_shots() -> None:
    easier = Stage("two", "Two", FirstMakes(2), 4, 10, ball_size=4)
    assert status(stage=easier).verdict.decision is Decision.ADVANCE
    harder = Stage("five", "Five", MakesOfShots(5, 6), 4, 10, ball_size=4)
    assert status(stage=harder).verdict.decision is Decision.TRY_AGAIN


def test_a_set_against_the_clock_stays_judged_as_it_was_watched() -> None:
    """A clip that shows the time running out fails for good; one that does not stays open."""
    for time_s, watched_s, decision in (
        (10.0, START_S + 30.0, Decision.TRY_AGAIN),
        (60.0, START_S + 30.0, Decision.NOT_FINISHED),
    ):
        stage = Stage("quick", "Quick", MakesInTime(5, time_s), 4, 10, ball_size=4)
        tally, verdict = judge_shots(
            stage.rule, ANALYSIS.shots, watched_until_s=watched_s, confidence=0.95
        )
        clip = replace(ANALYSIS.clip, end_s=watched_s)
        timed = replace(
            ANALYSIS, clip=clip, stage=StageRecord.of(stage), tally=tally, verdict=verdict
        )
        assert verdict.decision is decision
        stood = set_status(timed, stage, [])
        assert (stood.tally, stood.verdict.decision) == (tally, decision)
        assert set_status(timed, stage, [Answered(at(2), Answer.MISS)]).verdict.decision is decision


def test_a_break_in_the_clip_is_settled_by_looking_at_it() -> None:
    """A shot may be hidden before the sixth, so the shots that were seen settle nothing."""
    gap = Break(BreakKind.GAP, START_S + 22.0, START_S + 23.2)
    broken = replace(ANALYSIS, take=TakeRecord((gap,)))
    answers = [Answered(at(5), Answer.MAKE)]
    doubtful = set_status(broken, STAGE, answers)
    assert doubtful.needs_a_look and "a shot may be hidden at 0:22" in doubtful.verdict.sentence
    looked = LookedThrough(((doubtful.doubts[0].time_s, doubtful.doubts[0].until_s),))
    for settled in (looked, BreaksWatched()):
        watched = set_status(broken, STAGE, [*answers, settled])
        assert watched.verdict == status(*answers).verdict and watched.doubts == ()
        found = set_status(broken, STAGE, [*answers, Added(START_S + 22.6, Answer.MISS), settled])
        assert found.verdict.decision is Decision.TRY_AGAIN  # the sixth shot is the seventh now


def with_a_long_gap() -> Analysis:
    """Six misses asked for, five shown: after the third nothing was found for 24 s."""
    shots = tuple(
        replace(shot, number=number, kick_time_s=kick_s, call=Call.MISS, p_make=0.003)
        for number, (shot, kick_s) in enumerate(
            zip(ANALYSIS.shots, (3.0, 9.0, 15.0, 39.0, 45.0), strict=False), start=1
        )
    )
    clip = replace(ANALYSIS.clip, start_s=0.0, end_s=50.0)
    return replace(ANALYSIS, clip=clip, shots=shots)


def test_an_oddly_long_gap_is_settled_like_a_break() -> None:
    """A set that the count sends to a person is never told \"not finished\" behind their back."""
    stage = Stage("one", "One", MakesOfShots(1, 6), 4, 10, ball_size=4)
    doubtful = set_status(with_a_long_gap(), stage, [])
    assert [(one.time_s, one.until_s) for one in doubtful.doubts] == [(15.0, 39.0)]
    assert doubtful.needs_a_look and "from 0:15.0 to 0:39.0" in doubtful.verdict.sentence
    part = set_status(with_a_long_gap(), stage, [LookedThrough(((15.0, 25.0),))])
    assert part.needs_a_look
    halves = set_status(with_a_long_gap(), stage, [LookedThrough(((24.0, 39.2), (15.1, 25.0)))])
    assert halves.doubts == () and halves.verdict.decision is Decision.NOT_FINISHED
    # What was a shot there and is none after all leaves a gap that nobody looked through.
    emptied = set_status(with_a_long_gap(), stage, [
        LookedThrough(((15.0, 39.0),)), Answered(39.0, Answer.NOT_A_SHOT),
    ])  # fmt: skip
    assert [one.until_s for one in emptied.doubts] == [45.0]
    retaken = set_status(with_a_long_gap(), stage, [
        LookedThrough(((15.0, 39.0),)), Answered(39.0, Answer.RETAKE),
    ])  # fmt: skip
    assert retaken.doubts == ()


def test_shots_are_found_by_their_time() -> None:
    shots = status().shots
    assert shot_at(shots, at(3) + 0.3) is shots[2]
    assert shot_at(shots, at(3) + 1.0) is None
    assert shot_at([], 1.0) is None


def test_changes_are_read_as_they_were_written() -> None:
    changes: list[Change] = [
        Answered(12.5, Answer.NOT_A_SHOT, "rolled back"),
        Added(3.25, Answer.MAKE),
        MarkerMoved(Side.LEFT, 412.5, 388.0, "the cone, not the shoe"),
        Noted("windy"),
        BreaksWatched(),
        LookedThrough(((3.5, 20.25), (40.0, 41.0)), "only a cat"),
        Undone(5),
    ]
    for seq, change in enumerate(changes, start=1):
        plain = serialise_change(change, "A. Reed") | {"calls": [], "analysis_sha256": "0"}
        assert read_correction(seq, "now", plain) == Correction(seq, "now", "A. Reed", change)
    held = still_held([Correction(i, "", "", c) for i, c in enumerate(changes, start=1)])
    assert [c.seq for c in held] == [1, 2, 3, 4, 6]
    with pytest.raises(KeyError):
        read_correction(1, "", {"what": "nonsense"})
