"""A set of touches from its file over the pictures and the record book to a signature."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from itertools import product
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from starlette.testclient import TestClient

from analysis_examples import example_analysis
from record_books import TEACHER
from shoegoal.analysis.file import analysis_from_json, analysis_to_json, load_analysis
from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.cli.main import cli
from shoegoal.errors import BadSettingsError, ClipNotJudgeableError
from shoegoal.ladder.chances import longest_row_distribution
from shoegoal.ladder.rules import Stage, TouchesInARow
from shoegoal.ladder.verdict import Decision, HiddenTime, judge_shots, judge_shots_around
from shoegoal.pictures.evidence import write_result
from shoegoal.pictures.stills import StillPicture
from shoegoal.pictures.touch_pictures import draw_touch_strip
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import add_shot, answer_shot, move_marker, sign
from shoegoal.record.status import Added, Answer, Answered, Change, SetStatus, Side, set_status
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.routes import Visitor
from shoegoal.review.serve import make_app
from shoegoal.shots.judge import unseen_shot
from shoegoal.types import Call, EventKind, ImagePoint, Shot
from touch_simulation import SIZE_PX, sightings_of

STAGE = Stage("close", "Close to the foot", TouchesInARow(5))
START_S = 2.0
HOME = "http://127.0.0.1"


def event(number: int, kind: EventKind, p: float) -> Shot:
    time_s = START_S + 0.5 * number
    call = Call.MAKE if p > 0.95 else Call.UNSURE
    shot = unseen_shot(number, time_s, "left foot" if call is Call.MAKE else "was it lost?")
    places = np.column_stack([600 + 20 * np.arange(9), np.full(9, 400.0)])
    path = sightings_of(places, time_s - 4 / 30)
    return replace(shot, kind=kind, p_make=p, call=call, path=tuple(path))


def touch_set(p_loss: float = 0.5) -> Analysis:
    """Three touches, a loss that is doubtful, and three touches: a row of six or of three."""
    kinds = [EventKind.TOUCH] * 3 + [EventKind.LOSS] + [EventKind.TOUCH] * 3
    events = tuple(
        event(i, kind, p_loss if kind is EventKind.LOSS else 0.9998)
        for i, kind in enumerate(kinds, start=1)
    )
    tally, verdict = judge_shots(STAGE.rule, events)
    other = example_analysis()
    return replace(
        other, stage=StageRecord.of(STAGE), scene=None, shots=events, left_out=(),
        tally=tally, verdict=verdict, problems=(), clip=replace(other.clip, start_s=START_S),
    )  # fmt: skip


def status(*changes: Change) -> SetStatus:
    return set_status(touch_set(), STAGE, changes)


@pytest.mark.parametrize("seed", range(4))
def test_the_longest_row_equals_enumeration(seed: int) -> None:
    rng = np.random.default_rng(seed)
    p, lost = rng.random(8), rng.random(8) < 0.3
    told = np.zeros(int((~lost).sum()) + 1)
    for outcome in product((0, 1), repeat=8):
        row = longest = 0
        for real, loss in zip(outcome, lost, strict=True):
            row = (0 if loss else row + 1) if real else row
            longest = max(longest, row)
        told[longest] += np.prod(np.where(outcome, p, 1 - p))
    assert longest_row_distribution(list(p), list(lost)) == pytest.approx(told, abs=1e-12)


def test_the_tally_says_touches_losses_and_rows() -> None:
    rows = touch_set().tally.rows
    assert rows is not None and (rows.low_longest, rows.high_longest) == (3, 6)
    sure = touch_set(0.9998).tally
    assert sure.sentence == "6 touches; the ball was lost once; longest row 3"
    assert (sure.makes, sure.rows and sure.rows.likely_longest) == (6, 3)


def test_the_doubtful_loss_is_what_a_person_has_to_look_at() -> None:
    stood = status()
    assert stood.verdict.decision is Decision.LOOK and stood.looks == (4,)
    loss_s = touch_set().shots[3].kick_time_s
    kept = status(Answered(loss_s, Answer.NOT_LOST))
    assert kept.verdict.decision is Decision.ADVANCE
    gone = status(Answered(loss_s, Answer.LOST))
    assert gone.verdict.decision is Decision.TRY_AGAIN
    assert gone.tally.rows is not None and gone.tally.rows.losses == 1


def test_an_added_touch_lengthens_the_row_and_an_added_loss_breaks_it() -> None:
    lost = Answered(touch_set().shots[3].kick_time_s, Answer.LOST)
    more = [Added(START_S + 4.0 + 0.5 * i, Answer.TOUCH) for i in range(2)]
    assert status(lost, *more).verdict.decision is Decision.ADVANCE
    broken = Added(START_S + 4.2, Answer.LOST)
    assert status(lost, more[0], broken, more[1]).verdict.decision is Decision.TRY_AGAIN


def test_a_row_must_lie_within_what_was_seen() -> None:
    events = touch_set(0.0).shots
    assert judge_shots(STAGE.rule, events)[1].decision is Decision.ADVANCE
    middle = HiddenTime(START_S + 1.9, START_S + 2.1, "the ball was out of sight")
    verdict = judge_shots_around(STAGE.rule, events, [middle])[1]
    assert verdict.decision is Decision.LOOK and "out of sight" in verdict.sentence
    late = HiddenTime(START_S + 9.0, START_S + 9.5, "a ball was moved")
    assert judge_shots_around(STAGE.rule, events, [late])[1].decision is Decision.ADVANCE


def test_the_file_holds_it_all_and_has_no_goal() -> None:
    analysis = replace(touch_set(), doubts=(HiddenTime(3.0, 4.0, "the view"),))
    again = analysis_from_json(analysis_to_json(analysis).encode(), "a")
    assert again == analysis
    with pytest.raises(ClipNotJudgeableError, match="has no goal"):
        _ = again.goal_scene


def stills_of(shot: Shot) -> list[StillPicture]:
    grass = np.full((360, 640, 3), (60, 120, 70), np.uint8)
    cv2.circle(grass, (320, 200), round(SIZE_PX / 4), (250, 250, 250), -1)
    return [StillPicture(shot.kick_time_s + off_s, grass, 0.5) for off_s in (-0.1, 0.0, 0.1)]


def put(folder: Path) -> Path:
    """A clip and the result of counting it."""
    (folder / "close.mp4").write_bytes(b"pictures")
    analysis = touch_set()
    sha256 = hashlib.sha256(b"pictures").hexdigest()
    analysis = replace(analysis, clip=replace(analysis.clip, name="close.mp4", sha256=sha256))
    stills = {shot.number: stills_of(shot) for shot in analysis.shots}
    write_result(folder / "close.shoegoal", analysis, stills, stills[1][0])
    return folder / "close.shoegoal"


def test_every_event_has_its_pictures_and_the_table_names_it(tmp_path: Path) -> None:
    result = put(tmp_path)
    names = {p.name for p in (result / "evidence").iterdir()}
    assert {"overview.svg", "shot-01.jpg", "shot-04.jpg", "shot-07.jpg"} <= names
    assert "markers.jpg" not in names
    strip = cv2.imread(str(result / "evidence" / "shot-04.jpg"))
    assert strip is not None and strip.shape[1] > 3 * strip.shape[0]
    told = CliRunner().invoke(cli, ["show", str(result)])
    assert told.exit_code == 3
    shown = " ".join(told.stdout.split())
    assert "● touch" in shown and "loss 4 at 0:02.0: was it lost?" in shown
    assert "Goal" not in shown and "P(make)" not in shown
    with pytest.raises(ValueError, match="one still"):
        draw_touch_strip(touch_set().shots[0], [])


def test_from_the_book_to_a_signature(book: Book, tmp_path: Path) -> None:
    client = TestClient(make_app(book, KeyEntrance("key")), base_url=HOME, headers={"origin": HOME})
    assert client.get("/", params={"key": "key"}).status_code == 200
    result = put(tmp_path)
    with book.writing() as connection:
        file_count(connection, load_analysis(result), result, class_name="7b")
    page = client.get("/sets/1").text
    for words in ("Loss 4", "Ball lost", "Not lost", "Over time", "Add a touch"):
        assert words in page
    assert "No touch" in client.get("/sets/1", params={"shot": "1"}).text
    for words in ("From above", "A marker is", "Not a shot", "a make"):
        assert words not in page
    with pytest.raises(BadSettingsError, match="loss 4 of set 1 can be: lost, not-lost"):
        answer_shot(book, 1, 4, Answer.MAKE)
    with pytest.raises(BadSettingsError, match="can be added: touch, lost"):
        add_shot(book, 1, 9.0, Answer.MAKE)
    with pytest.raises(BadSettingsError, match=r"touch 1 is at 0:00\.5 already"):
        add_shot(book, 1, 0.55, Answer.TOUCH)
    with pytest.raises(ClipNotJudgeableError, match="has no goal"):
        move_marker(book, 1, Side.LEFT, ImagePoint(1.0, 2.0))
    sent = client.post(
        "/sets/1/answer",
        data={"shot": "4", "answer": "not-lost", "seen": "1", "csrf": Visitor.with_key("key").csrf},
    )
    assert sent.status_code == 200 and "Advance:" in client.get("/sets/1").text
    assert "6 touches" in client.get("/ready").text  # the sheet names what was counted
    assert sign(book, 1, TEACHER).signature is not None
    with book.reading() as connection:
        signed = load_set(connection, 1).signature
    assert signed is not None and signed.content["decision"] == "advance"
