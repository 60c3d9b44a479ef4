"""The record book on SQLite and PostgreSQL alike: filing, correcting, signing, proving."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from sqlalchemy import Connection, select, text

from record_books import TEACHER, analysis_of, file_set, meddle, put_result
from shoegoal.analysis import file
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.model import StageRecord
from shoegoal.errors import (
    BadSettingsError,
    NotYetCertainError,
    RecordChangedError,
    RecordNotTrueError,
    ShoegoalError,
)
from shoegoal.ladder.ladders import load_ladder
from shoegoal.ladder.verdict import Decision
from shoegoal.record import schema
from shoegoal.record.book import Book
from shoegoal.record.coaching import answer_check, draw_round
from shoegoal.record.filing import UNNAMED_CLASS, enrol, file_count
from shoegoal.record.history import SetHistory, load_set, load_sets, summary
from shoegoal.record.migrations.append_only import APPEND_ONLY
from shoegoal.record.reviewing import add_note, add_shot, answer_shot, sign, undo
from shoegoal.record.set_states import waiting_sets
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book


def loaded(book: Book, set_id: int) -> SetHistory:
    with book.reading() as connection:
        return load_set(connection, set_id)


def signed_set(book: Book, name: str = "yard.mp4") -> SetHistory:
    """A set with a correction and a signature."""
    set_id = file_set(book, name).set_id
    answer_shot(book, set_id, 5, Answer.MISS, note="off the cone", by=TEACHER)
    return sign(book, set_id, TEACHER)


def test_a_count_comes_into_the_book_and_back_unchanged(book: Book, tmp_path: Path) -> None:
    folder = put_result(tmp_path / "garden")
    counted = load_analysis(folder)
    with book.writing() as connection:
        filed = file_count(connection, counted, folder, class_name="7b")
    assert (filed.set_id, filed.version, filed.news, filed.clip_found) == (1, 1, "new set", True)
    history = loaded(book, 1)
    assert history.count.analysis() == counted
    assert (history.class_name, history.pupil) == ("7b", filed.pupil)
    assert history.clip_state() == "as counted"
    status = history.status(counted)
    assert (status.tally, status.verdict) == (counted.tally, counted.verdict)
    assert [shot.counted for shot in status.shots] == list(counted.shots)
    with book.writing() as connection:
        again = file_count(connection, counted, folder)
    assert (again.set_id, again.version, again.news) == (1, 1, "already there")


def test_from_a_doubtful_count_to_a_signed_tally(book: Book) -> None:
    set_id = file_set(book).set_id
    with pytest.raises(NotYetCertainError, match="please look at 5"):
        sign(book, set_id, TEACHER)
    history = answer_shot(book, set_id, 5, Answer.MAKE, note="just inside", by=TEACHER)
    status = history.status()
    assert (status.tally.makes, status.verdict.decision) == (4, Decision.ADVANCE)
    signed = sign(book, set_id, TEACHER)
    assert signed.signature is not None
    assert signed.signature.by == TEACHER
    assert signed.signature.content["tally"] == {"makes": 4, "misses": 2, "unsure": 0}
    assert signed.signature.content["decision"] == "advance"
    proof = verify_book(book)
    assert (proof.entries, proof.sets, proof.signatures) == (8, 1, 1)


def test_nothing_of_a_signed_set_can_be_changed(book: Book) -> None:
    set_id = signed_set(book).set_id
    before = loaded(book, set_id)
    acts: list[Callable[[], object]] = [
        lambda: answer_shot(book, set_id, 1, Answer.MISS),
        lambda: add_shot(book, set_id, 2.0, Answer.MAKE),
        lambda: add_note(book, set_id, "later"),
        lambda: undo(book, set_id),
        lambda: sign(book, set_id, "Somebody Else"),
    ]
    for act in acts:
        with pytest.raises(RecordChangedError, match="set 1 was signed by"):
            act()
    other, _ = analysis_of("yard.mp4", unsure=False)
    with pytest.raises(RecordChangedError, match="signed"), book.writing() as connection:
        file_count(connection, other, Path("nowhere/yard.mp4"))
    assert loaded(book, set_id) == before


def test_the_database_itself_refuses_to_change_history(book: Book) -> None:
    ladder = load_ladder()
    analysis, _ = analysis_of("yard.mp4")
    with book.writing() as connection:
        stage = StageRecord.of(analysis.stage.to_stage())
        file_count(connection, analysis, Path("nowhere/x"), stage=stage, ladder=ladder)
    answer_shot(book, 1, 5, Answer.MISS)
    sign(book, 1, TEACHER)
    with book.writing() as connection:
        draw_round(connection, UNNAMED_CLASS, 3, 1)
        answer_check(connection, 1, 1, "make")
    refused = 0
    for table in APPEND_ONLY:
        column = schema.metadata.tables[table].columns.keys()[0]
        statements = [f"UPDATE {table} SET {column} = {column}", f"DELETE FROM {table}"]
        if book.file is None:  # SQLite has no TRUNCATE
            statements.append(f"TRUNCATE {table} CASCADE")
        for statement in statements:
            with (
                pytest.raises(RecordChangedError, match="never changed"),
                book.writing() as connection,
            ):
                connection.execute(text(statement))
            refused += 1
    assert refused >= 20
    assert verify_book(book).entries == 11


def test_two_reviewers_at_once_the_second_is_told(book: Book) -> None:
    set_id = file_set(book).set_id
    first = loaded(book, set_id).version
    second = loaded(book, set_id).version
    answer_shot(book, set_id, 5, Answer.MAKE, by="A. Reed", seen=first)
    with pytest.raises(RecordChangedError, match=r"saw version 1, it is now version 2"):
        answer_shot(book, set_id, 5, Answer.MISS, by="B. Sedge", seen=second)
    with pytest.raises(RecordChangedError, match="changed by somebody else"):
        sign(book, set_id, "B. Sedge", seen=second)
    history = loaded(book, set_id)
    assert [c.by for c in history.corrections] == ["A. Reed"]
    assert sign(book, set_id, "B. Sedge", seen=2).signature is not None


def test_undo_walks_back_and_history_keeps_it_all(book: Book) -> None:
    set_id = file_set(book).set_id
    as_counted = loaded(book, set_id).status()
    answer_shot(book, set_id, 5, Answer.MAKE)
    one = loaded(book, set_id).status()
    add_shot(book, set_id, 1.0, Answer.MISS)
    assert undo(book, set_id).status() == one
    assert undo(book, set_id).status() == as_counted
    with pytest.raises(BadSettingsError, match="nothing is undone"):
        undo(book, set_id)
    history = loaded(book, set_id)
    assert (len(history.corrections), history.held, history.version) == (4, [], 5)
    assert verify_book(book).entries == 10


def test_what_cannot_be_is_refused_and_leaves_nothing(book: Book) -> None:
    set_id = file_set(book).set_id
    with pytest.raises(BadSettingsError, match="no set 7"):
        answer_shot(book, 7, 1, Answer.MAKE)
    with pytest.raises(BadSettingsError, match="no shot 9; it has 6"):
        answer_shot(book, set_id, 9, Answer.MAKE)
    with pytest.raises(BadSettingsError, match="outside the clip, which lasts 0:30"):
        add_shot(book, set_id, 31.0, Answer.MAKE)
    with pytest.raises(BadSettingsError, match=r"shot 2 is at 0:08\.0 already"):
        add_shot(book, set_id, 8.1, Answer.MAKE)
    with pytest.raises(BadSettingsError, match="note is empty"):
        add_note(book, set_id, "  ")
    with pytest.raises(BadSettingsError, match="needs a name"):
        sign(book, set_id, " ")
    assert loaded(book, set_id).version == 1


def test_pupils_get_names_that_nobody_has(book: Book) -> None:
    with book.writing() as connection:
        names = enrol(connection, "7b", ["Blue Finch"], 40)
        assert len(set(names)) == 41
        with pytest.raises(BadSettingsError, match='already is a pupil "Blue Finch"'):
            enrol(connection, "8a", ["Blue  Finch"], 0)
        enrol(connection, "8a", [], 1)
    analysis, _ = analysis_of("yard.mp4")
    with book.writing() as connection:
        with pytest.raises(BadSettingsError, match='did you mean "Blue Finch"'):
            file_count(connection, analysis, Path("nowhere/x"), pupil="Blue Fich")
        with pytest.raises(BadSettingsError, match="is in 7b, not in 8a"):
            file_count(connection, analysis, Path("nowhere/x"), class_name="8a", pupil="Blue Finch")
        file_count(connection, analysis, Path("nowhere/x"), class_name="7b", pupil="Blue Finch")
        with pytest.raises(BadSettingsError, match="set 1 of Blue Finch already"):
            file_count(connection, analysis, Path("nowhere/x"), pupil=names[1])


def test_a_stage_with_another_goal_is_refused(book: Book) -> None:
    ladder = load_ladder()
    stage = StageRecord.of(ladder.stage_by_name("five-of-ten"))
    analysis, _ = analysis_of("yard.mp4")
    with pytest.raises(BadSettingsError, match="another goal"), book.writing() as connection:
        file_count(connection, analysis, Path("nowhere/x"), stage=stage, ladder=ladder)
    with book.reading() as connection:
        assert load_sets(connection) == []


def test_the_queue_starts_with_what_is_in_doubt(book: Book) -> None:
    sure = file_set(book, "sure.mp4", unsure=False).set_id
    doubtful = file_set(book, "doubtful.mp4").set_id
    signed_set(book, "signed.mp4")
    with book.reading() as connection:
        queue = waiting_sets(connection)
        assert [(one["set"], one["state"]) for one in queue] == [
            (doubtful, "look"),
            (sure, "to sign"),
        ]
        assert queue[0]["look_at"] == [5]
        assert waiting_sets(connection, "another class") == []


def test_a_clip_changed_since_it_was_counted(book: Book, tmp_path: Path) -> None:
    folder = put_result(tmp_path, unsure=False)
    with book.writing() as connection:
        file_count(connection, load_analysis(folder), folder)
    (tmp_path / "yard.mp4").write_bytes(b"another clip")
    with pytest.raises(RecordChangedError, match="changed since it was counted"):
        sign(book, 1, TEACHER)
    with pytest.raises(BadSettingsError, match="count it again"), book.writing() as connection:
        file_count(connection, load_analysis(folder), folder)
    (tmp_path / "yard.mp4").unlink()
    assert loaded(book, 1).clip_state() == "not found"
    moved = put_result(tmp_path / "elsewhere", unsure=False)
    with book.writing() as connection:
        assert file_count(connection, load_analysis(moved), moved).news == "already there"
    assert loaded(book, 1).clip_state() == "as counted"
    assert sign(book, 1, TEACHER).signature is not None


def test_a_later_count_replaces_the_earlier_one_and_keeps_the_answers(book: Book) -> None:
    set_id = file_set(book).set_id
    answer_shot(book, set_id, 5, Answer.RETAKE)
    assert file_set(book, unsure=False).news == "counted again"
    history = loaded(book, set_id)
    assert len(history.counts) == 2
    shots = history.status().shots
    assert (shots[4].answer, shots[4].counts, shots[4].p_make) == (Answer.RETAKE, False, 0.997)
    assert verify_book(book).entries == 8


def test_what_was_signed_outlives_the_form_of_its_count(
    book: Book, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A later version may not read the counts of this one; signed results stand all the same."""
    signed_set(book, "signed.mp4")
    file_set(book, "open.mp4")
    monkeypatch.setattr(file, "FORMAT_VERSION", 99)
    monkeypatch.setattr(file, "OLDEST_VERSION", 99)
    with book.reading() as connection:
        signed, still_open = load_sets(connection)
        (waiting,) = waiting_sets(connection)
    told = summary(signed, signed.open_status())
    assert (told["state"], told["makes"], told["decision"]) == ("signed", 3, "try again")
    assert still_open.open_status() is None
    assert (waiting["state"], waiting["makes"]) == ("count again", None)
    proof = verify_book(book)
    assert (proof.entries, proof.signatures) == (11, 1)


def _changed(table: str, column: str, value: str, where: str) -> Callable[[Connection], object]:
    statement = text(f"UPDATE {table} SET {column} = :value WHERE {where}")
    return lambda connection: connection.execute(statement, {"value": value})


@pytest.mark.parametrize(
    ("act", "says"),
    [
        (_changed("journal", "payload", "{}", "seq = 7"), r"entry 7 .*\(set 1, .*content was"),
        (_changed("calls", "call", "make", "analysis_seq = 11"), r"entry 11 .*\(set 2, .*call of"),
        (_changed("pupils", "name", "Nobody", "id = 2"), r"entry 9 .*\(the book, pupil\).*name of"),
    ],
)
def test_a_later_change_is_found_and_named(
    book: Book, act: Callable[[Connection], object], says: str
) -> None:
    """`test_record_tampering` tries all kinds of them."""
    signed_set(book, "one.mp4")
    signed_set(book, "two.mp4")
    assert verify_book(book).entries == 13
    meddle(book, act)
    with pytest.raises(RecordNotTrueError, match=says):
        verify_book(book)


def test_an_empty_book_is_true(book: Book) -> None:
    assert verify_book(book).entries == 1  # what the book itself is called
    with pytest.raises(RecordNotTrueError, match="another book"):
        verify_book(book, "a" * 64)


def test_a_transaction_that_fails_midway_leaves_nothing(book: Book) -> None:
    with pytest.raises(ZeroDivisionError), book.writing() as connection:
        enrol(connection, "7b", ["Grey Plover"], 0)
        raise ZeroDivisionError
    with book.reading() as connection:
        assert connection.execute(select(schema.pupils)).all() == []


def test_a_database_error_becomes_ours(book: Book) -> None:
    with pytest.raises(ShoegoalError, match="record book"), book.writing() as connection:
        connection.execute(text("SELECT * FROM no_such_thing"))
