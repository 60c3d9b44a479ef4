"""The printed cards: the phone's place sees what it must, the drawing is to scale, pages hold."""

from __future__ import annotations

import math
import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pypdfium2
import pytest
from click.testing import CliRunner, Result

from shoegoal.card.cautions import CAUTIONS
from shoegoal.card.content import COOL_DOWN, WARM_UP, cards_of, timed_card
from shoegoal.card.plan import (
    HFOV_DEG,
    LEAST_BEHIND_M,
    MOST_BEHIND_M,
    STEP_M,
    Disc,
    needed_points_m,
    phone_place,
    plan_of,
    side_of,
    svg_of,
)
from shoegoal.card.plan import Path as Outline
from shoegoal.card.printing import PAGE_MM, clock, clocked, html_of, letters_missing, pdf_of
from shoegoal.cli.main import cli
from shoegoal.ladder.ladders import load_ladder, parse_ladder
from shoegoal.ladder.rules import (
    MAX_BACK_STEPS,
    MAX_WIDTH_STEPS,
    MIN_BACK_STEPS,
    MIN_WIDTH_STEPS,
    FirstMakes,
    Stage,
    TouchesInARow,
)
from truth.camera import Camera

SIZE_PX = (1280, 720)
SVG = "{http://www.w3.org/2000/svg}"


def stage(width: float, back: float) -> Stage:
    return Stage("s", "S", FirstMakes(5), width, back)


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert "Traceback" not in result.output
    return result


@pytest.mark.parametrize("width", [MIN_WIDTH_STEPS, 4.5, MAX_WIDTH_STEPS])
@pytest.mark.parametrize("back", [MIN_BACK_STEPS, 12.0, MAX_BACK_STEPS])
@pytest.mark.parametrize("dribble", [False, True])
def test_a_phone_at_that_place_sees_all_that_is_needed(
    width: float, back: float, dribble: bool
) -> None:
    """By the pinhole camera of the tests' own renderer, which shares no line with the tool."""
    asked = Stage("s", "S", TouchesInARow(20)) if dribble else stage(width, back)
    place = phone_place(asked)
    behind_m = place.behind_steps * STEP_M
    assert LEAST_BEHIND_M <= behind_m <= MOST_BEHIND_M
    focal = SIZE_PX[0] / 2 / math.tan(math.radians(HFOV_DEG / 2))
    camera = Camera(
        *SIZE_PX,
        (place.x_m, -place.y_m, place.height_m),
        -place.pan_deg,
        place.tilt_deg,
        0.0,
        focal,
        SIZE_PX[0] / 2,
        SIZE_PX[1] / 2,
    )
    points = np.array([(x, -y, z) for x, y, z in needed_points_m(asked)])
    seen = camera.project(points)
    assert np.all(seen >= 0) and np.all(seen <= SIZE_PX)


def test_one_step_nearer_would_not_do() -> None:
    """A step nearer, the outermost things lie further apart than the used field of view."""
    asked = stage(6, 10)
    place = phone_place(asked)
    x, y = place.x_m, place.y_m - STEP_M
    bearings = [math.degrees(math.atan2(x - px, y - py)) for px, py, _ in needed_points_m(asked)]
    used_deg = 2 * math.degrees(math.atan(0.9 * math.tan(math.radians(HFOV_DEG / 2))))
    assert max(bearings) - min(bearings) > used_deg


@pytest.mark.parametrize(("width", "back"), [(3, 15), (6, 10), (4.5, 12)])
def test_the_drawing_is_to_scale(width: float, back: float) -> None:
    drawing = plan_of(stage(width, back))
    spot = next(shape for shape in drawing.shapes if isinstance(shape, Disc)).centre_mm
    goal = next(
        shape.points_mm
        for shape in drawing.shapes
        if isinstance(shape, Outline) and not shape.closed and len(shape.points_mm) == 2
    )
    drawn_width = math.dist(*goal)
    drawn_back = spot[1] - goal[0][1]
    assert drawn_width / drawn_back == pytest.approx(width / back, rel=1e-6)
    middle = (goal[0][0] + goal[1][0]) / 2
    assert spot[0] == pytest.approx(middle)


@pytest.mark.parametrize("which", [plan_of, side_of])
def test_every_drawing_stays_on_its_paper(which) -> None:  # type: ignore[no-untyped-def]
    every = [stage(w, b) for w in (3, 6) for b in (10, 15)]
    for asked in [*every, Stage("t", "T", TouchesInARow(20))]:
        drawing = which(asked)
        root = ElementTree.fromstring(svg_of(drawing))
        assert root.tag == f"{SVG}svg" and root.find(f"{SVG}title") is not None
        for shape in drawing.shapes:
            if isinstance(shape, Outline):
                for x, y in shape.points_mm:
                    assert -0.01 <= x <= drawing.width_mm + 0.01
                    assert -0.01 <= y <= drawing.height_mm + 0.01


def test_steps_drawn_are_the_steps_asked() -> None:
    words = [element.text for element in ElementTree.fromstring(svg_of(plan_of(stage(5, 12))))]
    assert "goal: 5 of your steps" in words and "12 of your steps" in words


def test_warm_up_has_five_exercises_of_half_a_minute_and_the_clock_runs() -> None:
    # Common practice, no source.
    assert [line.time_s for line in WARM_UP] == [30] * 5
    rows = clocked(WARM_UP)
    assert (rows[0]["from"], rows[0]["to"], rows[-1]["to"]) == ("0:00", "0:30", "2:30")
    assert all(one["to"] == after["from"] for one, after in pairwise(rows))
    assert clock(75) == "1:15"
    told = " ".join(f"{line.what} {line.how}" for line in COOL_DOWN)
    assert "slow breaths" in told and "went well" in told


def test_cards_say_rounds_retries_and_the_stages_own_numbers() -> None:
    ladder = load_ladder()
    cards = {card.title: card for card in cards_of(ladder, ladder.all_stages)}
    lines = {
        title: " ".join(line for part in card.sections for line in part.lines)
        for title, card in cards.items()
    }
    half = lines["Stage 3: half of them in"]
    assert "walk 5 steps" in half and "Walk 10 steps" in half and "size 4" in half
    assert "You have 3 tries" in half
    assert "Met? Play it harder: goal 4 steps wide" in half
    assert "Tries used up? Play it easier: goal 6 steps wide" in half
    assert "Play it" not in lines["Stage 3: half of them in, harder"]
    assert "_five-of-ten-harder.mp4" in lines["Stage 3: half of them in, harder"]
    assert "walk 4 steps" in lines["Stage 3: half of them in, harder"]
    assert "that is enough to climb on" in lines["Stage 5: most of them in"]
    assert "No goal is needed" in lines["Stage 1: close to the foot"]
    for card in cards.values():
        told = " ".join(card.cautions.lines)
        for words in ("Warm up", "Clear the space", "Markers that give way", "consent", "hurts"):
            assert words in told


def test_the_pdf_holds_one_page_for_each_card() -> None:
    """Read back by PDFium, the library that draws PDFs in Chromium."""
    ladder = load_ladder()
    cards, timed = cards_of(ladder, ladder.stages), timed_card(ladder)
    content = pdf_of(cards, timed)
    assert content == pdf_of(cards, timed)
    with pypdfium2.PdfDocument(content) as document:
        assert len(document) == len(cards) + 1
        for page, title in zip(document, [*(c.title for c in cards), timed.title], strict=True):
            assert page.get_size() == pytest.approx([mm * 72 / 25.4 for mm in PAGE_MM], abs=0.1)
            text = page.get_textpage()
            said = text.get_text_bounded()
            assert title in said
            for number in range(text.count_rects()):
                left, bottom, right, top = text.get_rect(number)
                assert left >= 20 and right <= 575 and bottom >= 20 and top <= 822  # in the margins
        last = document[len(cards)].get_textpage().get_text_bounded()
        assert "0:30 to 1:00" in last
        assert " ".join(CAUTIONS[-1].split()[:5]) in " ".join(last.split())


def test_the_html_stands_alone_and_is_well_formed() -> None:
    title = "Fünf <&> ⚽"
    text = f"""
title = "L"
[[stages]]
name = "a"
title = "{title}"
rule = {{ kind = "first-makes", makes = 3 }}
width_steps = 5
back_steps = 10
"""
    ladder = parse_ladder(text.encode(), "own.toml")
    page = html_of(cards_of(ladder, ladder.stages), timed_card(ladder))
    assert "<h1>Fünf &lt;&amp;&gt; ⚽</h1>" in page
    assert page.count("<article>") == page.count("</article>") == 2
    assert page.count("<svg") == page.count("</svg>") == 2
    assert not re.search(r"(?:src|href)=|url\(|@import|<script", page)
    for drawing in re.findall(r"<svg.*?</svg>", page, re.DOTALL):
        ElementTree.fromstring(drawing)


@pytest.mark.parametrize("kind", ["pdf", "html"])
def test_card_writes_and_tells(tmp_path: Path, kind: str) -> None:
    out = tmp_path / f"Karten ü.{kind}"
    result = run("card", "--out", out, "--stage", "five-of-ten-easier")
    assert result.exit_code == 0 and "1 card, and a page" in result.stdout
    assert out.read_bytes().startswith(b"%PDF" if kind == "pdf" else b"<!doctype html>")
    assert [path.name for path in tmp_path.iterdir()] == [out.name]


def test_letters_that_the_pdf_lacks_are_told(tmp_path: Path) -> None:
    ladder = tmp_path / "own.toml"
    text = 'title = "踢球 ⚽"\n[[stages]]\nname = "a"\ntitle = "A"\n'
    ladder.write_text(
        text + 'rule = { kind = "touches-in-a-row", touches = 9 }\n', encoding="utf-8"
    )
    result = run("card", "--ladder", ladder, "--out", tmp_path / "own.pdf")
    assert result.exit_code == 0 and "踢" in result.stderr and "own.html" in result.stderr
    assert not run("card", "--ladder", ladder, "--out", tmp_path / "own.html").stderr
    shipped = load_ladder()
    assert letters_missing(cards_of(shipped, shipped.stages), timed_card(shipped)) == ""


@pytest.mark.parametrize(
    ("given", "code", "words"),
    [
        (("--out", "cards.doc"), 2, "must end in .pdf or .html"),
        ((), 2, "--out"),
        (("--out", "none/cards.pdf"), 7, "is not a folder"),
        (("--out", "cards.pdf", "--stage", "five"), 6, 'there is no stage "five"'),
        (("--out", "cards.pdf", "--ladder", "none.toml"), 6, "no such ladder file"),
    ],
)
def test_card_refuses_in_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, given: tuple[str, ...], code: int, words: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = run("card", *given)
    assert result.exit_code == code and words in result.stderr
    assert not list(tmp_path.iterdir())


def test_the_words_of_the_cards_load_no_heavy_library() -> None:
    code = (
        "import sys, shoegoal.card.content, shoegoal.card.plan;"
        "print([m for m in ('pydantic', 'numpy', 'jinja2', 'fpdf') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
