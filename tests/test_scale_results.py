"""How a class stands: only what is signed is verified, and names cannot become formulas."""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
from html.parser import HTMLParser
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from openpyxl import load_workbook

from class_books import CLASS, STEP_M, enter, file_into, set_of_shots
from record_books import TEACHER
from shoegoal.cli.main import cli
from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import load_ladder
from shoegoal.ladder.next_setup import Between, Measured, NextSetUp, NotEnoughShots, Outside
from shoegoal.record.book import Book
from shoegoal.record.history import load_set
from shoegoal.record.reviewing import answer_shot
from shoegoal.record.status import Answer
from shoegoal.scale.class_page import class_page
from shoegoal.scale.results import ClassResults, class_results, direction_of
from shoegoal.scale.tables import results_csv, results_json, results_xlsx
from test_touch_sets import touch_set

LADDER = load_ladder()
FORMULAS = ("=1+1", "+Otter", "-Otter", "@SUM(A1)", ' =HYPERLINK("x")', "|calc")
STEADY, NEW = "Otter <b>17</b>", "Zoë 31"


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory, _empty_file: Path) -> Path:
    """A book with a steady pupil, one whose sets are half signed, and one without a set."""
    file = tmp_path_factory.mktemp("class") / "book.sqlite3"
    shutil.copyfile(_empty_file, file)
    book = Book(str(file))
    enter(book, STEADY, "Wren 20", NEW, *FORMULAS)
    for seed, signed in ((1, True), (2, True), (3, True)):
        counted = set_of_shots(LADDER, "five-of-ten", 10, 1.0, 6.0, seed)
        file_into(book, LADDER, STEADY, counted, signed=signed)
    wild = set_of_shots(LADDER, "five-of-ten", 10, 20.0, 15.0, 4)
    file_into(book, LADDER, "Wren 20", wild, signed=True)
    good = set_of_shots(LADDER, "five-of-ten", 10, 0.0, 3.0, 5)
    file_into(book, LADDER, "Wren 20", good, signed=False)
    return file


@pytest.fixture
def results(place: Path) -> ClassResults:
    return class_results(Book(str(place)), CLASS, LADDER)


def run(place: Path, *args: object) -> Result:
    return CliRunner().invoke(cli, [*map(str, args), "--book", str(place)])


def test_only_signed_sets_are_verified(results: ClassResults) -> None:
    (stage,) = results.stages
    signed = [row for row in results.sets if row.verified]
    assert (stage.verified.sets, stage.verified.shots) == (4, 40)
    assert stage.verified.makes == sum(row.makes or 0 for row in signed)
    assert (stage.not_verified.sets, stage.not_verified.makes) == (1, 10)
    wren = next(row for row in results.pupils if row.pupil == "Wren 20")
    assert wren.passed == 0 and wren.next_step.startswith("try again: Stage 3")
    assert wren.next_if_signed.startswith("next: Stage 4")
    assert wren.counted.makes == 10 and wren.verified.shots == 10
    assert isinstance(wren.advice, NotEnoughShots)  # of 20 shots, ten are signed
    new = next(row for row in results.pupils if row.pupil == NEW)
    assert new.verified.share is None and "no set at a goal is signed" in new.advice.sentence
    assert [row.signed_by for row in results.sets] == [TEACHER] * 4 + [""]


def test_the_interval_of_a_share_is_wilsons(results: ClassResults) -> None:
    from statsmodels.stats.proportion import proportion_confint

    share = results.stages[0].verified
    told = proportion_confint(share.makes, share.shots, method="wilson")
    assert share.interval == pytest.approx(told)


def test_the_advice_rests_on_where_the_shots_went(results: ClassResults) -> None:
    advice = next(row.advice for row in results.pupils if row.pupil == STEADY)
    assert isinstance(advice, NextSetUp) and advice.fit.directions == 30
    low, high = (math.degrees(end) for end in advice.fit.spread_interval_rad)
    assert low < 6.0 < high
    low, high = (math.degrees(end) for end in advice.fit.bias_interval_rad)
    assert low < 1.0 < high
    assert advice.next.width_steps < 5


def test_a_persons_answer_holds_against_the_measurement(_empty_file: Path, tmp_path: Path) -> None:
    file = tmp_path / "book.sqlite3"
    shutil.copyfile(_empty_file, file)
    book = Book(str(file))
    enter(book, NEW)
    analysis = set_of_shots(LADDER, "five-of-ten", 10, 0.0, 12.0, 8)
    calls = {shot.number: shot.outcome.value for shot in analysis.shots}
    set_id = file_into(book, LADDER, NEW, analysis, signed=False)
    inside = next(n for n, outcome in calls.items() if outcome == "inside")
    unseen = next(s.number for s in analysis.shots if s.crossing_x_m is None)
    answer_shot(book, set_id, inside, Answer.MISS, by=TEACHER)
    answer_shot(book, set_id, unseen, Answer.MAKE, by=TEACHER)
    with book.reading() as connection:
        shots = {s.number: s for s in load_set(connection, set_id).status().shots}
    back_m, radius_m = 10 * STEP_M, 0.1025
    told = {n: direction_of(s, analysis, back_m, radius_m) for n, s in shots.items()}
    half = math.atan2(2.5 * STEP_M - radius_m, back_m)
    assert told[inside] == Outside(pytest.approx(-half), pytest.approx(half))  # type: ignore[arg-type]
    assert told[unseen] == Between(pytest.approx(-half), pytest.approx(half))  # type: ignore[arg-type]
    for shot in analysis.shots:
        direction = told[shot.number]
        if shot.number in (inside, unseen):
            continue
        if shot.crossing_x_m is not None:
            assert isinstance(direction, Measured)
            angle = math.atan(shot.crossing_x_m.value / back_m)
            assert direction.angle_rad == pytest.approx(angle)
            assert direction.sigma_rad <= 0.03 / back_m
        else:
            side = 1 if shot.outcome.value == "wide right" else -1
            assert isinstance(direction, Between)
            assert math.isinf(direction.high_rad if side > 0 else direction.low_rad)


def test_a_name_never_becomes_a_formula(_empty_file: Path, tmp_path: Path) -> None:
    shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")
    book = Book(str(tmp_path / "book.sqlite3"))
    enter(book, *FORMULAS)
    names = [" ".join(name.split()) for name in FORMULAS]
    for seed, name in enumerate(names):
        counted = set_of_shots(LADDER, "five-of-ten", 10, 0.0, 3.0, 20 + seed)
        file_into(book, LADDER, name, counted, signed=False)
    found = class_results(book, CLASS, LADDER)
    table = list(csv.DictReader(io.StringIO(results_csv(found).decode("utf-8-sig"))))
    # OWASP, "CSV Injection": a quotation mark before what begins with = + - @ tab or return.
    assert [row["pupil"] for row in table] == [f"'{name}" for name in names]
    assert [row["makes"] for row in table] == ["10"] * len(names)
    book_of_sheets = load_workbook(io.BytesIO(results_xlsx(found)))
    for sheet in book_of_sheets:
        assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    pupils = book_of_sheets["Sets"]["B"][1:]
    assert [cell.value for cell in pupils] == names
    assert all(cell.quotePrefix for cell in pupils)


def test_the_workbook_has_numbers_as_numbers(results: ClassResults) -> None:
    book = load_workbook(io.BytesIO(results_xlsx(results)))
    assert book.sheetnames == ["Pupils", "Stages", "Sets"]
    stage = dict(zip(*([cell.value for cell in row] for row in book["Stages"].rows), strict=True))
    assert stage["verified shots"] == 40 and 0 < stage["95 % from"] < stage["share"] < 1
    assert len(list(book["Sets"].rows)) == 6


def test_the_json_says_the_same(results: ClassResults) -> None:
    plain = json.loads(results_json(results))
    assert (plain["format"], plain["class"]) == (1, CLASS)
    steady = next(one for one in plain["pupils"] if one["pupil"] == STEADY)
    assert steady["to_try_next"]["enough_shots"] and steady["verified"]["shots"] == 30
    assert [one["verified"] for one in plain["sets"]] == [True] * 4 + [False]


def test_a_dribble_is_told_in_touches_and_has_no_makes(_empty_file: Path, tmp_path: Path) -> None:
    shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")
    book = Book(str(tmp_path / "book.sqlite3"))
    enter(book, NEW)
    file_into(book, LADDER, NEW, touch_set(0.0001), signed=True)
    found = class_results(book, CLASS, LADDER)
    (row,) = found.sets
    assert (row.counted_in, row.makes, row.verified) == ("touches", 6, True)
    (pupil,) = found.pupils
    assert found.stages == () and pupil.verified.shots == 0 and pupil.shots == ()
    assert "6 touches" in class_page(found)
    (line,) = csv.DictReader(io.StringIO(results_csv(found).decode("utf-8-sig")))
    assert (line["counted in"], line["makes"]) == ("touches", "6")


class _Reader(HTMLParser):
    """Collects a page's ids, tags and text."""

    def __init__(self) -> None:
        super().__init__()
        self.ids: list[str] = []
        self.tags: list[str] = []
        self.fetched: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.ids += [value or "" for name, value in attrs if name == "id"]
        self.fetched += [
            value or ""
            for name, value in attrs
            if name in ("src", "href", "xlink:href") and not (value or "").startswith("#")
        ]


def test_the_page_stands_alone_and_marks_what_nobody_signed(results: ClassResults) -> None:
    page = class_page(results)
    reader = _Reader()
    reader.feed(page)
    assert len(set(reader.ids)) == len(reader.ids)
    assert reader.fetched == [] and not {"script", "img", "link"} & set(reader.tags)
    assert reader.tags.count("svg") == 5  # stages, and two for each pupil with shots
    assert "Otter &lt;b&gt;17&lt;/b&gt;" in page and STEADY not in page
    assert page.count(f"signed by {TEACHER}") == 4
    assert "once all sets are signed as counted" in page and "(Wilson)" in page
    assert class_page(results) == page  # the same results give the same bytes


def test_an_empty_class_has_a_page(_empty_file: Path, tmp_path: Path) -> None:
    shutil.copyfile(_empty_file, tmp_path / "book.sqlite3")
    book = Book(str(tmp_path / "book.sqlite3"))
    with pytest.raises(BadSettingsError, match=r"no class .7b. in the book \(there are none yet\)"):
        class_results(book, CLASS, LADDER)
    enter(book)
    empty = class_results(book, CLASS, LADDER)
    assert "No pupils yet" in class_page(empty) and "No sets yet" in class_page(empty)
    assert len(results_csv(empty).splitlines()) == 1
    load_workbook(io.BytesIO(results_xlsx(empty)))


def test_as_typed(place: Path, tmp_path: Path) -> None:
    shown = run(place, "class", "results", "--class", CLASS)
    assert shown.exit_code == 0 and "4 are signed; only these count" in shown.stdout
    for ending, start in ((".html", b"<!doctype"), (".XLSX", b"PK"), (".csv", b"\xef\xbb\xbfset"),
                          (".json", b"{")):  # fmt: skip
        out = tmp_path / f"Übung 7b{ending}"
        assert run(place, "class", "results", "--class", CLASS, "--out", out).exit_code == 0
        assert out.read_bytes().startswith(start)
    json.loads(run(place, "class", "results", "--class", CLASS, "--json").stdout)
    wrong = run(place, "class", "results", "--class", CLASS, "--out", tmp_path / "a.docx")
    assert wrong.exit_code == 2 and "ending in .html, .xlsx, .csv, .json" in wrong.stderr
    nowhere = tmp_path / "no" / "a.csv"
    assert run(place, "class", "results", "--class", CLASS, "--out", nowhere).exit_code == 7
    assert run(place, "class", "results", "--class", "8a").exit_code == 6
    told = run(place, "class", "next", "--class", CLASS)
    assert told.exit_code == 0 and "not enough shots yet" in " ".join(told.stdout.split())
    asked = ("class", "next", "--class", CLASS, "--pupil")
    (one,) = json.loads(run(place, *asked, NEW, "--json").stdout)
    assert one["pupil"] == NEW and one["enough_shots"] is False
    assert run(place, *asked, "Nobody").exit_code == 6
