"""What breaks and repeated takes do to a count: doubts and words, never a guess."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from analysis_examples import START_S, example_analysis, example_shot
from shoegoal.analysis.file import analysis_from_json, analysis_to_json, save_analysis
from shoegoal.analysis.model import Analysis, TakeRecord
from shoegoal.analysis.repeats import earlier_results, with_repeats
from shoegoal.cli.report import print_report
from shoegoal.clip.fingerprint import Fingerprint
from shoegoal.clip.take import Break, BreakKind
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.rules import MakesInTime, MakesOfShots
from shoegoal.ladder.verdict import Decision, judge_shots_around
from shoegoal.pipeline.judging import break_sentences, doubted_around, hidden_times
from shoegoal.types import Call

ACCUSING = ("cheat", "fake", "manipulat", "edited", "fraud", "tamper", "suspicious")


def jump(at_s: float) -> Break:
    return Break(BreakKind.JUMP, at_s, at_s + 0.03)


def test_a_shot_that_a_break_runs_into_becomes_unsure_and_the_others_stay() -> None:
    shots = [example_shot(number) for number in range(1, 7)]
    hit = shots[2]
    for at_s in (hit.kick_time_s - 0.4, hit.kick_time_s + 0.5, hit.end_time_s):
        judged = doubted_around(shots, [jump(at_s)], START_S)
        assert [k for k, (a, b) in enumerate(zip(shots, judged, strict=True)) if a != b] == [2]
        assert judged[2].call is Call.UNSURE and judged[2].p_make == 0.5
        assert judged[2].number == 3 and "the picture jumps at 0:1" in judged[2].reason
    assert doubted_around(shots, [jump(hit.kick_time_s - 0.6)], START_S) == shots
    between = jump(hit.end_time_s + 1.0)
    stretch = Break(BreakKind.RATE, hit.kick_time_s - 1, hit.end_time_s + 1)
    assert doubted_around(shots, [between, stretch], START_S) == shots


def test_a_stretch_at_another_rate_is_said_and_matters_to_a_timed_stage_only() -> None:
    stretch = Break(BreakKind.RATE, START_S + 10.0, START_S + 14.0)
    (said,) = break_sentences([stretch], START_S)
    assert said.startswith("from 0:10.0 to 0:14.0") and "please look" in said
    assert hidden_times(MakesOfShots(4, 6), [stretch], START_S) == []
    (doubt,) = hidden_times(MakesInTime(4, 60.0), [stretch], START_S)
    assert doubt.doubt == "the clock may run wrong from 0:10.0"


def test_slow_motion_leaves_the_verdict_to_a_person() -> None:
    slow = Break(BreakKind.SLOW_MOTION, START_S, START_S + 30.0)
    shots = [example_shot(number) for number in range(1, 7)]
    assert doubted_around(shots, [slow], START_S) == shots
    hidden = hidden_times(MakesOfShots(2, 6), [slow], START_S)
    assert judge_shots_around(MakesOfShots(2, 6), shots, hidden)[1].decision is Decision.LOOK
    assert judge_shots_around(MakesOfShots(2, 6), shots, [])[1].decision is Decision.ADVANCE


def test_a_long_gap_is_left_to_the_reader_to_say_but_still_hides_time() -> None:
    short, long = (Break(BreakKind.GAP, 5.0, 5.0 + s) for s in (0.3, 3.0))
    assert len(break_sentences([short, long], START_S)) == 1
    assert len(hidden_times(MakesOfShots(4, 6), [short, long], START_S)) == 2


def drawn_print(seed: int) -> Fingerprint:
    rng = np.random.default_rng(seed)
    return Fingerprint.of_levels(START_S, rng.integers(0, 90, (400, 6, 8)).astype(np.uint8))


def counted(name: str, seed: int, sha: str) -> Analysis:
    analysis = example_analysis()
    clip = replace(analysis.clip, name=name, sha256=sha * 64)
    return replace(analysis, clip=clip, take=TakeRecord((), drawn_print(seed)))


def kept(folder: Path, analysis: Analysis) -> Path:
    folder.mkdir(parents=True)
    save_analysis(folder / "analysis.json", analysis)
    return folder


def test_a_take_sent_twice_is_noted_and_nothing_else_changes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    kept(tmp_path / "monday.shoegoal", counted("monday.mp4", 1, "a"))
    kept(tmp_path / "friday.shoegoal", counted("friday.mp4", 2, "b"))
    (tmp_path / "old.shoegoal").mkdir()
    (tmp_path / "old.shoegoal" / "analysis.json").write_text('{"format_version": 1}')
    now = counted("tuesday.mp4", 1, "c")
    told = with_repeats(now, earlier_results(tmp_path / "tuesday.shoegoal", ()))
    assert [one.clip_name for one in told.take.same_takes] == ["monday.mp4"]
    *others, note = told.problems
    assert tuple(others) == now.problems
    assert note.startswith("this looks like the same take as monday.mp4 (0:00.0-0:40.0 here = ")
    assert note.endswith("please look")
    unchanged = replace(told, problems=now.problems, take=now.take)
    assert unchanged == now
    assert analysis_from_json(analysis_to_json(told).encode(), "a.json") == told
    print_report(told, None)
    printed = capsys.readouterr().out
    assert "same take as monday.mp4" in printed
    assert not [word for word in ACCUSING if word in printed.casefold()]


def test_the_same_file_is_said_to_be_the_same_file(tmp_path: Path) -> None:
    kept(tmp_path / "class" / "one.shoegoal", counted("one.mp4", 1, "a"))
    earlier = earlier_results(tmp_path / "out", [tmp_path / "class"])
    told = with_repeats(counted("again.mp4", 1, "a"), earlier)
    assert told.problems[-1] == (
        "this is the same file as one.mp4, which was counted before: please look"
    )


def test_where_earlier_results_are_looked_for(tmp_path: Path) -> None:
    mine = kept(tmp_path / "mine.shoegoal", counted("mine.mp4", 1, "a"))
    beside = kept(tmp_path / "beside.shoegoal", counted("beside.mp4", 2, "b"))
    named = kept(tmp_path / "archive" / "week1", counted("w.mp4", 3, "c"))
    kept(tmp_path / "archive" / "x.shoegoal", counted("x.mp4", 4, "d"))
    assert earlier_results(mine, ()) == [beside]
    found = earlier_results(mine, [named, tmp_path / "archive", beside])
    assert sorted(p.name for p in found) == ["beside.shoegoal", "week1", "x.shoegoal"]
    (tmp_path / "empty").mkdir()
    with pytest.raises(BadSettingsError, match="not a result of an earlier count"):
        earlier_results(mine, [tmp_path / "empty"])


@pytest.mark.parametrize("kind", list(BreakKind))
def test_no_sentence_accuses(kind: BreakKind) -> None:
    said = Break(kind, 3.0, 3.3).sentence(0.0)
    assert "please look" in said
    assert not [word for word in ACCUSING if word in said.casefold()]
