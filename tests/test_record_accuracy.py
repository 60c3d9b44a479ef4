"""What people found of calls made without asking, and the trust that a book's own checks earn."""

from __future__ import annotations

import json

import pytest
from click.testing import CliRunner
from sqlalchemy import text

from analysis_examples import example_analysis
from record_books import TEACHER, file_set
from shoegoal.cli.main import cli
from shoegoal.errors import NotYetCertainError
from shoegoal.record.accuracy import (
    AS_SHIPPED,
    Accuracy,
    CheckedCall,
    Source,
    accuracy_of,
    class_trust,
    evidence_class,
    reliability_of,
    row_of,
    trust_of,
)
from shoegoal.record.book import Book
from shoegoal.record.coaching import answer_check, draw_round
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot, sign, withdraw
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book
from shoegoal.types import Call

MAKE = evidence_class(Call.MAKE, 0.99)


def checked(seen: Answer, number: int, *, blind: bool = True, p_make: float = 0.99) -> CheckedCall:
    source = Source.BLIND if blind else Source.SIGNED
    return CheckedCall(source, number, 1, 1.0, Call.MAKE, p_make, seen)


def found_in(book: Book, class_name: str | None = None) -> Accuracy:
    with book.reading() as connection:
        return accuracy_of(connection, class_name)


def signed_set(book: Book, number: int, *wrong: int) -> int:
    """A signed set of three makes and two misses, of which some turned out otherwise."""
    set_id = file_set(book, f"clip{number}.mp4", unsure=False).set_id
    for number in wrong:
        answer_shot(book, set_id, number, Answer.MISS, by=TEACHER)
    for shot in example_analysis(unsure=False).shots:
        if wrong and shot.number not in wrong and shot.call is Call.MAKE:
            answer_shot(book, set_id, shot.number, Answer.MAKE, by=TEACHER)
    sign(book, set_id, TEACHER)
    return set_id


def test_shares_have_the_intervals_of_newcombe() -> None:
    """Newcombe 1998, Statistics in Medicine 17: 81 of 263 gives 0.2553 to 0.3662."""
    row = row_of("all", 81, 263)
    assert (round(row.low, 4), round(row.high, 4)) == (0.2553, 0.3662)


def test_classes_of_evidence_are_those_that_were_counted() -> None:
    assert (MAKE.from_p, MAKE.to_p) == (0.97, 1.0) and MAKE.shipped_error < 0.01
    miss = evidence_class(Call.MISS, 0.01)
    assert miss.shipped_checked > 100 and miss.shipped_error < 0.01
    assert evidence_class(Call.MAKE, 0.9).shipped_error > MAKE.shipped_error


def test_trust_falls_at_once_and_rises_with_enough_checks() -> None:
    right = [checked(Answer.MAKE, n) for n in range(40)]
    wrong = [checked(Answer.MISS, 99), checked(Answer.NOT_A_SHOT, 98)]
    assert class_trust(MAKE, [], []) is None
    assert class_trust(MAKE, right, []) is None  # far too few to say that it is better
    lowered = class_trust(MAKE, [*right, *wrong], [])
    assert lowered is not None and lowered.is_lowered
    assert (lowered.changed, lowered.checked) == (2, 42)
    assert lowered.p == pytest.approx(1 - 2.5 / 43)  # mean of Beta(2 + 1/2, 40 + 1/2)
    # What nobody corrected hides nothing that blind checks found,
    unseen = [checked(Answer.MAKE, n, blind=False) for n in range(1000, 9000)]
    assert class_trust(MAKE, [*right, *wrong], unseen) == lowered
    # and proves nothing by itself.
    assert class_trust(MAKE, [], unseen) is None
    many = [checked(Answer.MAKE, n) for n in range(8 * MAKE.shipped_checked)]
    raised = class_trust(MAKE, many, [])
    assert raised is not None and not raised.is_lowered and raised.p > 1 - MAKE.shipped_error


def test_reliability_is_counted_in_classes() -> None:
    calls = [checked(Answer.MAKE, n, p_make=0.99) for n in range(9)]
    calls += [checked(Answer.MISS, 9, p_make=0.98)]
    calls += [checked(Answer.MISS, n, p_make=0.2) for n in range(10, 14)]
    calls += [checked(Answer.NOT_A_SHOT, 20, p_make=0.2)]  # neither a make nor a miss
    low, high = reliability_of(calls)
    assert (low.makes, low.shots, high.makes, high.shots) == (0, 4, 9, 10)
    assert [low.p_make, high.p_make] == pytest.approx([0.2, 0.989])
    assert high.low < 0.9 < high.high


def test_a_book_compares_calls_with_what_people_found(book: Book) -> None:
    assert found_in(book).found[0].all.called == 0 and found_in(book).reliability == ()
    signed_set(book, 1)
    file_set(book, "open.mp4")  # not signed: no evidence yet
    found = found_in(book)
    blind, signed = found.found
    assert (blind.all.called, signed.all.changed, signed.all.called) == (0, 0, 6)
    assert {row.what: row.called for row in signed.by_call} == {"make": 4, "miss": 2}
    assert [row.what for row in signed.by_view] == ["behind"]
    assert (found.sets, found.missed, found.trust) == (1, 0, AS_SHIPPED)
    with book.writing() as connection:
        round_id = draw_round(connection, "7b", 50, 3)
        counted = list(
            connection.scalars(text("SELECT counted FROM coach_items ORDER BY place")).all()
        )
        for place, call in enumerate(counted, start=1):
            answer_check(connection, round_id, place, call, "R. Coach")
    blind = found_in(book, "7b").found[0]
    assert (blind.all.changed, blind.all.called) == (0, len(counted))
    assert found_in(book, "8a").found[0].all.called == 0


def test_a_book_that_does_worse_asks_more_and_stays_true(book: Book) -> None:
    before = file_set(book, "open.mp4", unsure=False).set_id
    with book.reading() as connection:
        assert not load_set(connection, before).status().needs_a_look
    wrong = signed_set(book, 1, 1)
    with book.reading() as connection:
        trust, history = trust_of(connection), load_set(connection, before)
        signed = load_set(connection, wrong)
    assert [one.is_lowered for one in trust.classes] == [True]
    assert "trusted less in this book" in trust.classes[0].sentence
    status = history.status()
    unsure = [shot for shot in status.shots if shot.call is Call.UNSURE]
    assert unsure and status.needs_a_look
    for shot in unsure:
        assert shot.p_make < 0.97 and "calls like this one turned out otherwise" in (
            shot.counted.reason if shot.counted else ""
        )
    with pytest.raises(NotYetCertainError):
        sign(book, before, TEACHER)
    # What is signed rests on the count alone, before and after, so the book stays true.
    assert signed.status().verdict.decision is not None
    verify_book(book)
    for shot in unsure:
        answer_shot(book, before, shot.number, Answer.MAKE, by=TEACHER)
    sign(book, before, TEACHER)
    verify_book(book)
    withdraw(book, wrong, "signed too early", by=TEACHER)
    verify_book(book)
    with book.reading() as connection:
        assert trust_of(connection) == AS_SHIPPED  # the wrong call is no evidence any more


def test_the_command_prints_it(book: Book) -> None:
    signed_set(book, 1, 1)
    place = str(book.file) if book.file else book.name
    if book.file is None:
        pytest.skip("the command line is tried on a file")
    done = CliRunner().invoke(cli, ["record", "accuracy", "--book", place])
    assert done.exit_code == 0, done.output
    for words in ("Blind checks", "nothing checked yet", "Signed sets", "1 of 6", "trusted less"):
        assert words in done.output
    done = CliRunner().invoke(cli, ["record", "accuracy", "--book", place, "--json"])
    plain = json.loads(done.output)
    assert plain["found"][1]["all"]["changed"] == 1 and plain["trust"]["classes"][0]["is_lowered"]
