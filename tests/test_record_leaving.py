"""What leaves the book: one pupil's export, and clips and pictures that were kept long enough."""

from __future__ import annotations

import json
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt
import pytest

from record_books import TEACHER, file_set, put_result
from shoegoal.analysis.file import analysis_from_json, load_analysis
from shoegoal.errors import BadSettingsError, OutputError
from shoegoal.record import export, purge
from shoegoal.record.book import Book
from shoegoal.record.filing import Filed, file_count
from shoegoal.record.reviewing import answer_shot, sign
from shoegoal.record.status import Answer
from shoegoal.record.verify import verify_book

U8 = npt.NDArray[np.uint8]


def filed_result(book: Book, folder: Path) -> Filed:
    with book.writing() as connection:
        return file_count(connection, load_analysis(folder), folder, class_name="7b")


@pytest.fixture
def _one_patch(monkeypatch: pytest.MonkeyPatch) -> None:
    """Covers a corner without looking for anybody: that heads are found is tested elsewhere."""

    def cover(bgr: U8) -> tuple[U8, int]:
        covered = bgr.copy()
        export._cover(covered, bgr, (0, 0, 200, 200))
        return covered, 1

    monkeypatch.setattr(export, "cover_faces", cover)


@pytest.mark.usefixtures("_one_patch")
@pytest.mark.parametrize("kind", ["folder", "zip"])
def test_an_export_holds_all_of_one_pupil_and_nothing_of_others(
    book: Book, tmp_path: Path, kind: str
) -> None:
    folder = put_result(tmp_path / "garden", pictures=True)
    mine = filed_result(book, folder)
    other = file_set(book, "other.mp4")
    answer_shot(book, mine.set_id, 5, Answer.MISS, note="off the cone", by=TEACHER)
    sign(book, mine.set_id, TEACHER)
    out = tmp_path / ("mine.zip" if kind == "zip" else "mine")
    assert export.export_pupil(book, mine.pupil, out) == 1
    if kind == "zip":
        with zipfile.ZipFile(out) as bundle:
            assert bundle.testzip() is None
            files = {name: bundle.read(name) for name in bundle.namelist()}
    else:
        files = {p.relative_to(out).as_posix(): p.read_bytes() for p in out.rglob("*.[jps]*")}
    pictures = {name for name in files if name != "data.json"}
    expected = {"overview.svg", "markers.jpg", *(f"shot-{n:02d}.jpg" for n in range(1, 7))}
    assert pictures == {f"set-{mine.set_id}/{name}" for name in expected}
    data = json.loads(files["data.json"])
    assert (data["pupil"], data["class"], len(data["sets"])) == (mine.pupil, "7b", 1)
    one = data["sets"][0]
    assert one["corrections"][0]["note"] == "off the cone"
    assert one["signature"]["by"] == TEACHER
    assert [entry["kind"] for entry in one["journal"]] == ["analysis", "correction", "signature"]
    counted = json.dumps(one["counts"][0]).encode()
    assert analysis_from_json(counted, "export") == load_analysis(folder)
    text = files["data.json"].decode()
    assert other.pupil not in text and str(tmp_path) not in text
    drawn = f"set-{mine.set_id}/overview.svg"
    assert files[drawn] == (folder / "evidence" / "overview.svg").read_bytes()
    for name in pictures - {drawn}:
        shown = cv2.imdecode(np.frombuffer(files[name], np.uint8), cv2.IMREAD_COLOR)
        assert shown is not None
        before = cv2.imread(str(folder / "evidence" / Path(name).name))
        assert before is not None and before.shape == shown.shape
        corner = shown[60:100, 60:100].astype(float)
        assert float(np.ptp(corner, axis=(0, 1)).max()) < 40  # one flat cell, save for JPEG


@pytest.mark.usefixtures("_one_patch")
def test_every_picture_but_the_drawn_one_is_covered(book: Book, tmp_path: Path) -> None:
    mine = filed_result(book, put_result(tmp_path / "garden", pictures=True))
    out = tmp_path / "mine"
    export.export_pupil(book, mine.pupil, out)
    for picture in (tmp_path / "garden" / "yard.shoegoal" / "evidence").iterdir():
        if picture.suffix not in (".jpg", ".svg"):
            continue
        same = (out / f"set-{mine.set_id}" / picture.name).read_bytes() == picture.read_bytes()
        assert same == (picture.name == "overview.svg")


def test_an_export_without_pictures_and_for_nobody(book: Book, tmp_path: Path) -> None:
    mine = file_set(book)
    assert export.export_pupil(book, mine.pupil, tmp_path / "mine") == 1
    assert (tmp_path / "mine" / "data.json").is_file()
    with pytest.raises(BadSettingsError, match="no pupil"):
        export.export_pupil(book, "Nobody 1", tmp_path / "nobody")
    (tmp_path / "holiday").mkdir()
    (tmp_path / "holiday" / "beach.txt").write_text("mine")
    with pytest.raises(OutputError, match="left alone"):
        export.export_pupil(book, mine.pupil, tmp_path / "holiday")
    with pytest.raises(OutputError):
        export.export_pupil(book, mine.pupil, tmp_path / "none" / "mine.zip")
    assert sorted(p.name for p in tmp_path.iterdir() if p.suffix != ".sqlite3") >= ["book"]
    assert not (tmp_path / "nobody").exists()


@pytest.mark.usefixtures("_one_patch")
def test_a_full_disk_during_an_export_leaves_nothing(
    book: Book, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    mine = filed_result(book, put_result(tmp_path / "garden", pictures=True))

    def no_room(content: bytes) -> bytes:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export, "without_faces", no_room)
    before = sorted(p.name for p in tmp_path.iterdir())
    for out in (tmp_path / "mine", tmp_path / "mine.zip"):
        with pytest.raises(OutputError, match="No space left"):
            export.export_pupil(book, mine.pupil, out)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_purge_takes_what_is_old_and_leaves_results(book: Book, tmp_path: Path) -> None:
    folder = put_result(tmp_path / "garden", unsure=False, pictures=True)
    filed_result(book, folder)
    (folder / "evidence" / "mine.txt").write_text("a note of the teacher's own")
    sign(book, 1, TEACHER)
    assert purge.due_for_purge(book, 30) == []
    later = datetime.now(UTC) + timedelta(days=31)
    (due,) = purge.due_for_purge(book, 30, later)
    assert (due.set_id, due.signed, due.left_alone) == (1, True, None)
    # Clip, markers, six strips; of the stills the goal's and five of each shot.
    assert len(due.files) == 8 + 31
    assert purge.purge(book, [due]) == 39
    left = sorted(p.name for p in folder.rglob("*") if p.is_file())
    assert left == [
        "analysis.json", "mine.txt", "overview.svg", "stills.json", "written-by-shoegoal.txt",
    ]  # fmt: skip
    assert not (tmp_path / "garden" / "yard.mp4").exists()
    assert purge.due_for_purge(book, 30, later) == []
    proof = verify_book(book)
    assert (proof.sets, proof.signatures) == (1, 1)


def test_purge_leaves_a_clip_alone_that_is_another(book: Book, tmp_path: Path) -> None:
    filed_result(book, put_result(tmp_path / "garden"))
    clip = tmp_path / "garden" / "yard.mp4"
    clip.write_bytes(b"somebody's own holiday")
    (due,) = purge.due_for_purge(book, 0)
    assert (due.files, due.left_alone, due.signed) == ((), clip, False)
    purge.purge(book, [due])
    assert clip.read_bytes() == b"somebody's own holiday"
