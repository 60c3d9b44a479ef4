"""Spot checks: agreement against published values, and a blind round on both databases."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner
from sqlalchemy import text
from statsmodels.stats.proportion import proportion_confint

from record_books import file_set, put_result
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.form_file import FORM_FORMAT_VERSION, SetForm, ShotForm, form_to_json
from shoegoal.cli.main import cli
from shoegoal.cues.bands import Band, load_bands
from shoegoal.cues.reading import Answer, Reading, advise
from shoegoal.errors import BadSettingsError, RecordChangedError
from shoegoal.record.accuracy import checks_missing, cohens_kappa, wilson_interval
from shoegoal.record.book import Book
from shoegoal.record.coaching import (
    CANNOT_TELL,
    Check,
    answer_check,
    checks_of,
    draw_round,
    report_of,
    rounds_of,
)
from shoegoal.record.filing import file_count


def test_wilson_interval_of_newcombe() -> None:
    """Newcombe 1998, Statistics in Medicine 17: 81 of 263 gives 0.2553 to 0.3662."""
    low, high = wilson_interval(81, 263)
    assert (round(low, 4), round(high, 4)) == (0.2553, 0.3662)
    assert wilson_interval(0, 0) == (0.0, 1.0)
    with pytest.raises(ValueError, match="not a share"):
        wilson_interval(3, 2)


@pytest.mark.parametrize(("hits", "of"), [(0, 10), (10, 10), (1, 7), (19, 20), (150, 300)])
def test_wilson_interval_as_statsmodels_has_it(hits: int, of: int) -> None:
    expected = proportion_confint(hits, of, alpha=0.05, method="wilson")
    assert wilson_interval(hits, of) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize(
    ("table", "kappa"),
    [
        ([[20, 5], [10, 15]], 0.40),
        ([[45, 15], [25, 15]], 0.1304),
        ([[25, 35], [5, 35]], 0.2593),
    ],
)
def test_kappa_of_the_usual_worked_examples(table: list[list[int]], kappa: float) -> None:
    """The three tables of the encyclopaedia's article on Cohen's kappa (from memory)."""
    value = cohens_kappa(table)
    assert value is not None and round(value, 4) == kappa


def test_kappa_at_its_ends() -> None:
    assert cohens_kappa([[7, 0], [0, 5]]) == pytest.approx(1.0)
    assert cohens_kappa([[0, 0], [0, 0]]) is None
    assert cohens_kappa([[9, 0], [0, 0]]) is None  # one answer throughout
    assert cohens_kappa([[4, 4], [4, 4]]) == pytest.approx(0.0)


@pytest.mark.parametrize(("hits", "of", "width"), [(18, 20, 0.1), (0, 0, 0.2), (5, 5, 0.2)])
def test_the_missing_checks_are_just_enough(hits: int, of: int, width: float) -> None:
    more = checks_missing(hits, of, width)
    share = hits / of if of else 0.5

    def width_at(checks: int) -> float:
        low, high = wilson_interval(round(share * checks), checks)
        return high - low

    assert width_at(of + more) <= width < width_at(of + more - 3)
    assert checks_missing(900, 1000, 0.1) == 0
    with pytest.raises(ValueError, match="takes more than"):
        checks_missing(1, 2, 0.0)


def class_of_ten_sets(book: Book) -> None:
    """Sixty shots: 30 counted as makes, 20 as misses, 10 unsure."""
    for number in range(10):
        file_set(book, f"clip{number}.mp4")


def drawn(book: Book, size: int, seed: int) -> tuple[int, list[Check]]:
    with book.writing() as connection:
        round_id = draw_round(connection, "7b", size, seed)
        return round_id, checks_of(connection, round_id)


def counted_as(book: Book, round_id: int) -> list[str]:
    query = text("SELECT counted FROM coach_items WHERE round_id = :r ORDER BY place")
    with book.reading() as connection:
        return list(connection.scalars(query, {"r": round_id}))


def test_a_round_is_drawn_by_shares_by_seed_and_blind(book: Book) -> None:
    class_of_ten_sets(book)
    first, checks = drawn(book, 20, 7)
    counted = counted_as(book, first)
    assert (counted.count("make"), counted.count("miss")) == (12, 8)  # of 30 and 20
    assert counted != sorted(counted)  # the order does not tell
    places = [(check.set_id, check.clock) for check in checks]
    assert len(set(places)) == 20
    again, same = drawn(book, 20, 7)
    assert [(c.set_id, c.clock) for c in same] == places and again == first + 1
    _, other = drawn(book, 20, 8)
    assert [(c.set_id, c.clock) for c in other] != places
    everything, _ = drawn(book, 500, 1)
    assert len(counted_as(book, everything)) == 50  # and no unsure one
    tiny, _ = drawn(book, 2, 1)
    assert sorted(counted_as(book, tiny)) == ["make", "miss"]


def test_answers_are_compared_with_the_count(book: Book) -> None:
    class_of_ten_sets(book)
    round_id, checks = drawn(book, 20, 7)
    counted = counted_as(book, round_id)
    first_miss = counted.index("miss")
    with book.writing() as connection:
        with pytest.raises(BadSettingsError, match="one of: make, miss, cannot-tell"):
            answer_check(connection, round_id, 2, "look")
        for check, call in zip(checks, counted, strict=True):
            wrong = check.place == first_miss + 1
            answer = "make" if wrong else call
            if check.place == 20:
                answer = CANNOT_TELL
            answer_check(connection, round_id, check.place, answer, "R. Coach")
        with pytest.raises(BadSettingsError, match="is answered"):
            answer_check(connection, round_id, 1, "miss")
        with pytest.raises(BadSettingsError, match="no shot 21"):
            answer_check(connection, round_id, 21, "miss")
    with book.reading() as connection:
        (report,) = report_of(connection, "7b", 0.2).cues
        (drawn_round,) = rounds_of(connection, "7b")
    assert (drawn_round.size, drawn_round.answered, report.cue) == (20, 20, "")
    told = [call for place, call in enumerate(counted, start=1) if place != 20]
    makes, misses = told.count("make"), told.count("miss")
    assert [(s.agreed, s.checked) for s in report.shares] == [
        (18, 19), (makes, makes), (misses - 1, misses),
    ]  # fmt: skip
    assert report.kappa == pytest.approx(cohens_kappa([[makes, 0], [1, misses - 1]]))
    assert (report.could_not_tell, report.open_checks) == (1, 0)
    whole = report.shares[0]
    assert (whole.low, whole.high) == wilson_interval(18, 19)
    # Drawn again, the same shots are not counted twice.
    again, _ = drawn(book, 20, 7)
    with book.writing() as connection:
        answer_check(connection, again, 1, counted[0])
    with book.reading() as connection:
        (second,) = report_of(connection, "7b", 0.2).cues
    assert second.shares == report.shares and second.open_checks == 19


def test_what_is_not_there(book: Book) -> None:
    with book.writing() as connection:
        with pytest.raises(BadSettingsError, match='no class "7b"'):
            draw_round(connection, "7b", 20, 1)
        with pytest.raises(BadSettingsError, match="no round 3"):
            checks_of(connection, 3)
        connection.execute(text("INSERT INTO classes (name) VALUES ('8a')"))
        with pytest.raises(BadSettingsError, match="no shots counted"):
            draw_round(connection, "8a", 20, 1)
        (report,) = report_of(connection, "8a", 0.2).cues
    assert (report.shares[0].checked, report.kappa) == (0, None)


def test_answers_are_never_changed(book: Book) -> None:
    class_of_ten_sets(book)
    drawn(book, 3, 7)
    with pytest.raises(RecordChangedError, match="never changed"), book.writing() as connection:
        connection.execute(text("UPDATE coach_items SET counted = 'make'"))


def test_by_command(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    place = tmp_path / "book.sqlite3"
    monkeypatch.setenv("SHOEGOAL_BOOK", str(place))
    class_of_ten_sets(Book(str(place)))

    def run(*args: object, code: int = 0) -> str:
        result = CliRunner().invoke(cli, ["coach", *map(str, args)])
        assert result.exit_code == code, result.output
        return result.stdout

    said = run("draw", "--class", "7b", "--size", 4, "--seed", 7)
    assert re.match(r"round 1, seed 7\n +1 +0:\d\d\.\d  ", said)
    assert "make" not in said and "miss" not in said  # blind
    assert "make" not in json.dumps(json.loads(run("show", 1, "--json")))
    assert run("answer", 1, 2, "miss", "--by", "R. Coach") == "round 1, shot 2: miss\n"
    assert run("show", 1).splitlines()[1].endswith("miss")
    assert "not yet answered 3" in run("report", "--class", "7b")
    told = json.loads(run("report", "--class", "7b", "--interval", "0.5", "--json"))
    assert told["cues"][0]["shares"][0]["checked"] == 1
    run("answer", 1, 2, "make", code=6)
    run("report", "--class", "9z", code=6)


def class_with_form(book: Book, folder: Path) -> None:
    """A set of which form was read: one cue in band four times, another to look at twice."""
    result = put_result(folder)
    analysis = load_analysis(result)
    with book.writing() as connection:
        file_count(connection, analysis, result, class_name="7b")
    bands = list(load_bands().values())[:2]

    def reading(band: Band, answer: Answer) -> Reading:
        value = None if answer is Answer.CANNOT_TELL else 1.0
        return Reading(
            band.cue,
            band.title,
            band.unit,
            value,
            value,
            band.low,
            band.high,
            answer,
            "said so",
            (),
        )

    answers = [(Answer.IN_BAND, Answer.LOOK if k < 2 else Answer.CANNOT_TELL) for k in range(4)]
    shots = tuple(
        ShotForm(
            shot.number, shot.kick_time_s, None, None, None,
            tuple(reading(band, one) for band, one in zip(bands, two, strict=True)), "",
        )
        for shot, two in zip(analysis.shots[:4], answers, strict=True)
    )  # fmt: skip
    form = SetForm(
        FORM_FORMAT_VERSION, "0.1.0", "yard.mp4", analysis.clip.sha256, 1.5, shots,
        advise([]), 0, 0,
    )  # fmt: skip
    (result / "form").mkdir()
    (result / "form" / "form.json").write_text(form_to_json(form), encoding="utf-8")


def test_cues_are_drawn_by_cue_and_band_and_compared_cue_by_cue(book: Book, tmp_path: Path) -> None:
    file_set(book, "no form.mp4")
    with book.writing() as connection, pytest.raises(BadSettingsError, match="no cues of form"):
        draw_round(connection, "7b", 20, 1, cues=True)
    class_with_form(book, tmp_path / "garden")
    with book.writing() as connection:
        round_id = draw_round(connection, "7b", 20, 1, cues=True)
        checks = checks_of(connection, round_id)
        first, second = list(load_bands())[:2]
        assert sorted(check.cue for check in checks) == sorted([first] * 4 + [second] * 2)
        assert all(check.answers == ("in band", "look", "cannot-tell") for check in checks)
        with pytest.raises(BadSettingsError, match="one of: in band, look"):
            answer_check(connection, round_id, 1, "make")
        for check in checks:
            answer_check(connection, round_id, check.place, "in band")
        shots, *cues = report_of(connection, "7b", 0.2).cues
    assert (shots.cue, shots.shares[0].checked) == ("", 0)
    by_cue = {one.cue: [(s.what, s.agreed, s.checked) for s in one.shares] for one in cues}
    assert by_cue == {
        first: [("all", 4, 4), ("in band", 4, 4), ("look", 0, 0)],
        second: [("all", 0, 2), ("in band", 0, 0), ("look", 0, 2)],
    }
    assert [one.kappa for one in sorted(cues, key=lambda one: one.cue == second)] == [None, 0.0]
    (tmp_path / "garden" / "yard.shoegoal" / "form" / "form.json").write_text("{}")
    with book.writing() as connection, pytest.raises(BadSettingsError, match="no cues of form"):
        draw_round(connection, "7b", 20, 1, cues=True)
