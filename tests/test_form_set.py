"""A set's form: read, written, printed, added to a count; and every way that this is refused."""

from __future__ import annotations

import json
import re
import shutil
import sys
from collections.abc import Generator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner, Result
from starlette.testclient import TestClient

from analysis_examples import example_analysis
from clip_writer import ramp_pictures, write_clip
from counted_cli import pipeline
from form_bodies import StickKick, pose_at
from shoegoal.analysis.form_file import FORM_FILE_NAME, FORM_FOLDER_NAME, form_pictures, load_form
from shoegoal.analysis.model import Analysis
from shoegoal.cli.main import cli
from shoegoal.clip.frame import U8
from shoegoal.clip.reader import clip_sha256
from shoegoal.cues import reading
from shoegoal.cues.bands import MeasuredError, load_bands
from shoegoal.cues.pose import Pose, Square
from shoegoal.cues.space import ShotSpace, View
from shoegoal.errors import BadSettingsError
from shoegoal.pictures.evidence import write_result
from shoegoal.pictures.stills import SceneView
from shoegoal.pipeline import form as set_form
from shoegoal.pipeline.form import read_form
from shoegoal.record.book import Book
from shoegoal.review.guard import KeyEntrance
from shoegoal.review.serve import make_app

METHODS = {"contact_turn": "shoe"}
OWN = ("--make", "4", "--of", "6", "--width-steps", "4", "--back-steps", "10")


@pytest.fixture(scope="module")
def small_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Pictures round the six kicks of the example, and none between."""
    kicks_s = [shot.kick_time_s for shot in example_analysis().shots]
    pts = [round(1000 * (t + 0.04 * i)) for t in kicks_s for i in range(-11, 12)]
    pictures = ramp_pictures(60) * 3
    path = tmp_path_factory.mktemp("clip") / "yard.mp4"
    return write_clip(path, pictures[: len(pts)], pts=pts)


@pytest.fixture
def clip(small_clip: Path, tmp_path: Path) -> Path:
    return Path(shutil.copy(small_clip, tmp_path / "yard.mp4"))


@pytest.fixture
def counted(clip: Path) -> Analysis:
    analysis = example_analysis(unsure=False)
    return replace(analysis, clip=replace(analysis.clip, sha256=clip_sha256(clip)))


class _SeesStickKicks:
    """A pose model that sees the same kick each time, but nobody in the third."""

    def __init__(self, analysis: Analysis, kick: StickKick) -> None:
        self._shots = analysis.shots
        self._kick = kick
        scene = SceneView.of(analysis.goal_scene)
        spot = analysis.shots[0].kick_spot_m
        assert spot is not None
        self._space = ShotSpace(scene.camera, scene.goal, spot, scene.ball_diameter_m)

    def find(self, piece: U8, square: Square, time_s: float) -> Pose | None:
        assert piece.shape == (square.side_px, square.side_px, 3)
        shot = min(self._shots, key=lambda shot: abs(shot.kick_time_s - time_s))
        if shot.number == 3:
            return None
        return pose_at(self._kick, self._space, time_s - shot.kick_time_s, time_s)


@pytest.fixture
def sees(monkeypatch: pytest.MonkeyPatch, counted: Analysis) -> None:
    """Kicks seen without error and cues known to be told from behind."""
    kick = StickKick(contact_turn_deg=-5.0)

    @contextmanager
    def opened() -> Generator[_SeesStickKicks, None, None]:
        yield _SeesStickKicks(counted, kick)

    monkeypatch.setattr(set_form, "open_pose_model", opened)
    monkeypatch.setattr(set_form, "ShoeSight", lambda: None)
    ground = ("plant_beside", "plant_fore_aft", "plant_to_target")
    errors = {
        cue: (
            MeasuredError(
                cue,
                View.SIDE if cue == "eyes_on_ball" else View.BEHIND,
                "foot" if cue in ground else METHODS.get(cue, "body"),
                1.0,
                0.0,
                (band.high - band.low) / 20,
                1.0,
                0.9,
                50,
                True,
            ),
        )
        for cue, band in load_bands().items()
    }
    monkeypatch.setattr(reading, "load_errors", lambda: errors)


def run(*args: str | Path) -> Result:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    assert "Traceback" not in result.output
    return result


def one_line(result: Result) -> str:
    assert result.stdout == ""
    lines = result.stderr.splitlines()
    assert len(lines) == 1, lines
    return lines[0]


def _folder(clip: Path, counted: Analysis) -> Path:
    folder = clip.with_suffix(".shoegoal")
    stills = pipeline(counted).analyse_clip(clip, None)
    write_result(folder, counted, {}, stills.goal_still)
    return folder


@pytest.mark.usefixtures("sees")
def test_form_is_read_told_and_comes_back(clip: Path, counted: Analysis) -> None:
    told: list[float] = []
    seen = read_form(clip, counted, told.append)
    assert told == pytest.approx([i / 6 for i in range(1, 7)])
    first, third = seen.form.shots[0], seen.form.shots[2]
    answers = {reading.cue: reading.answer.value for reading in first.readings}
    assert answers["plant_beside"] == "in band" and answers["contact_turn"] == "look"
    assert answers["eyes_on_ball"] == "can't tell from here"
    assert first.view is View.BEHIND and first.side is not None
    assert third.side is None and not third.given and "not found" in third.why_not
    advice = seen.form.advice
    assert "5 of 5 kicks" in advice.went_well[0]
    assert len(advice.to_try) == 1 and "inside meets the ball" in advice.to_try[0]
    assert seen.form.pictures_looked_at <= seen.form.pictures_decoded
    assert set(seen.pictures) == {1, 2, 3, 4, 5, 6}

    folder = _folder(clip, counted)
    result = run("form", folder)
    assert result.exit_code == 0 and result.stderr == ""
    for words in ("Shot 1 at 0:04.0, right foot", "look     Side of the foot", "Eyes on the ball",
                  "film from the side", "What went well", "1. Turn the foot out", "not a grade",
                  "consent"):  # fmt: skip
        assert words in result.stdout
    assert load_form(folder) == seen.form
    assert (folder / "analysis.json").is_file()


@pytest.mark.usefixtures("sees")
def test_form_of_a_count_adds_pictures_and_a_page_and_can_be_read_again(
    clip: Path, counted: Analysis
) -> None:
    folder = _folder(clip, counted)
    for _ in range(2):
        result = run("form", folder / "analysis.json", "--json")
        assert result.exit_code == 0 and result.stderr == ""
        assert json.loads(result.stdout)["shots"][0]["side"] == "right"
    place = folder / FORM_FOLDER_NAME
    names = sorted(path.name for path in place.iterdir())
    assert names == [*(f"form-{n:02d}.jpg" for n in range(1, 7)), "form-summary.png", "form.json",
                     "summary.html"]  # fmt: skip
    sheet = cv2.imread(str(place / "form-summary.png"))
    assert sheet is not None and sheet.shape == (1754, 1240, 3) and np.std(sheet) > 10
    page = (place / "summary.html").read_text(encoding="utf-8")
    assert "http" not in page.replace("http-equiv", "") and "form-01.jpg" in page
    assert page.index("What went well") < page.index("To try")
    assert len(form_pictures(folder)) == 7


@pytest.mark.usefixtures("sees")
def test_count_with_form_and_form_of_a_clip_write_both(
    clip: Path, counted: Analysis, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "shoegoal.pipeline.count", pipeline(counted))
    result = run("count", clip, *OWN, "--form")
    assert result.exit_code == 0 and "advance" in result.stdout and "To try" in result.stdout
    folder = clip.with_suffix(".shoegoal")
    assert load_form(folder) is not None
    result = run("form", clip, *OWN)
    assert result.exit_code == 0 and "advance" not in result.stdout
    assert load_form(folder) is not None and (folder / "evidence").is_dir()
    run("count", clip, *OWN)
    assert load_form(folder) is None  # a new count does not keep an old form


def test_refusals_are_one_line_and_leave_the_count_alone(
    clip: Path, counted: Analysis, tmp_path: Path
) -> None:
    folder = _folder(clip, counted)
    before = (folder / "analysis.json").read_bytes()
    assert "already counted" in run("form", folder, "--make", "4").stderr
    assert run("form", folder, "--out", tmp_path / "x").exit_code == 2
    assert run("form", clip).exit_code == 2  # no stage
    assert run("form", tmp_path / "none.mp4", *OWN).exit_code == 4
    assert run("form", tmp_path / "none.json").exit_code == 6
    clip.write_bytes(clip.read_bytes() + b"more")
    result = run("form", folder)
    assert result.exit_code == 6 and "not the clip that was counted" in one_line(result)
    clip.unlink()
    result = run("form", folder)
    assert result.exit_code == 4 and "put the clip back" in one_line(result)
    assert (folder / "analysis.json").read_bytes() == before
    assert not (folder / FORM_FOLDER_NAME).exists()


@pytest.mark.usefixtures("sees")
def test_what_was_told_of_form_goes_by_the_book_to_a_coach(clip: Path, counted: Analysis) -> None:
    """The stick kick's truth answers: a plant foot 30 cm beside the ball, met with the toe."""
    folder, place = _folder(clip, counted), ("--book", clip.with_name("book.sqlite3"))
    assert run("form", folder).exit_code == 0
    assert run("record", "add", folder, "--class", "7b", *place).exit_code == 0
    asked = ("coach", "draw", "--class", "7b", "--cues", "--size", "500", "--seed", "7")
    checks = json.loads(run(*asked, "--json", *place).stdout)["shots"]
    drawn = [check["cue"] for check in checks]
    assert drawn.count("plant_beside") == drawn.count("contact_turn") == 5  # one kick was not seen
    assert "eyes_on_ball" not in drawn  # nothing was told of it
    _asks_blind(Book(str(clip.with_name("book.sqlite3"))), drawn[0])
    truth = {"plant_beside": "in band", "contact_turn": "look"}
    for check in checks:
        said = truth.get(check["cue"], "cannot-tell")
        answered = run("coach", "answer", "1", str(check["place"]), said, *place)
        assert answered.exit_code == 0, answered.output
    report = run("coach", "report", "--class", "7b", "--json", *place)
    cues = {one["cue"]: one for one in json.loads(report.stdout)["cues"]}
    assert set(cues) == {"", *drawn}
    for cue, counted_as in truth.items():
        shares = {s["what"]: (s["agreed"], s["checked"]) for s in cues[cue]["shares"]}
        assert shares == {"all": (5, 5), "in band": (0, 0), "look": (0, 0)} | {counted_as: (5, 5)}
    others = set(drawn) - set(truth)
    assert {cues[cue]["could_not_tell"] for cue in others} == {5}
    assert cues[""]["shares"][0]["checked"] == 0


def _asks_blind(book: Book, cue: str) -> None:
    """The page's question: what to look for, what can be said, and nothing of what was told."""
    home = "http://127.0.0.1"
    page = TestClient(make_app(book, KeyEntrance("key")), base_url=home)
    page.get("/", params={"key": "key"})
    asked = page.get("/checks/1").text
    band = load_bands()[cue]
    assert f"{band.title}, what did you see?" in asked and f"Looked for: {band.well}." in asked
    answers = re.findall(r'name="answer" value="([^"]+)"[^>]*><span>([^<]+)<', asked)
    assert answers == [("in band", "In band"), ("look", "Look"), ("cannot-tell", "Cannot tell")]
    readings = load_form(book.file.with_name("yard.shoegoal")) if book.file else None
    assert readings is not None
    assert not any(r.sentence in asked for shot in readings.shots for r in shot.given)


@pytest.mark.usefixtures("sees")
def test_a_shot_whose_ball_was_not_seen_says_so(clip: Path, counted: Analysis) -> None:
    shots = (replace(counted.shots[0], kick_spot_m=None), *counted.shots[1:])
    seen = read_form(clip, replace(counted, shots=shots))
    assert "ball's place" in seen.form.shots[0].why_not and 1 not in seen.pictures
    assert all("ball's place" in r.sentence for r in seen.form.shots[0].readings)


@pytest.mark.parametrize("content", [b"", b"{", b'{"format_version": 9}', b"[1]"])
def test_a_damaged_form_file_is_refused(tmp_path: Path, content: bytes) -> None:
    assert load_form(tmp_path) is None
    (tmp_path / FORM_FOLDER_NAME).mkdir()
    (tmp_path / FORM_FOLDER_NAME / FORM_FILE_NAME).write_bytes(content)
    with pytest.raises(BadSettingsError, match="shoegoal form again"):
        load_form(tmp_path)
