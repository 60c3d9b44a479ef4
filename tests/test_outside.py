"""Files and names from outside: refused in one clear line, at once, whatever they are."""

from __future__ import annotations

import base64
import json
import os
import struct
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from class_books import CLASS
from record_books import analysis_of, put_result
from shoegoal.analysis.file import MAX_BYTES, analysis_from_json, analysis_to_json, load_analysis
from shoegoal.cli.main import cli
from shoegoal.clip.reader import clip_sha256, open_clip
from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.ladder.ladders import load_ladder
from shoegoal.outside import MAX_KEY_PARTS, is_inside, is_plain_name, longest_key, shown
from shoegoal.pictures.evidence import (
    EVIDENCE_FOLDER_NAME,
    MARKERS_NAME,
    STILLS_FOLDER_NAME,
    KeptStills,
    decoded_picture,
    strip_name,
)
from shoegoal.record.book import Book
from shoegoal.record.filing import file_count
from shoegoal.record.history import load_set
from shoegoal.record.pictures import SetPictures, files_of_pictures
from shoegoal.scale.assignments import read_manifest
from shoegoal.scale.results import class_results
from shoegoal.scene.calibration import read_calibration
from shoegoal.scene.lens import read_lens

LOADERS: dict[str, Callable[[Path], object]] = {
    "analysis": load_analysis,
    "calibration": read_calibration,
    "lens": read_lens,
    "ladder": load_ladder,
    "manifest": lambda path: read_manifest(path, path.parent, load_ladder()),
    "clip": open_clip,
    "hash of a clip": clip_sha256,
}
CALIBRATION = """
format = "shoegoal calibration"
version = 1
width_px = 640
height_px = 360
left_px = [200.0, 250.0]
right_px = [400.0, 250.0]
"""
LENS = """
format = "shoegoal lens"
version = 1
width_px = 640
height_px = 360
focal_px = 500.0
cx_px = 319.5
cy_px = 179.5
"""


def refused(load: Callable[[Path], object], path: Path) -> str:
    with pytest.raises(ShoegoalError) as caught:
        load(path)
    return str(caught.value)


@pytest.mark.parametrize("what", LOADERS)
def test_what_is_no_regular_file_is_not_waited_for(what: str, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "fifo")
    (tmp_path / "folder").mkdir()
    for place in (tmp_path / "fifo", Path("/dev/zero"), tmp_path / "folder", Path("a\0b")):
        assert refused(LOADERS[what], place)


@pytest.mark.parametrize("what", ["analysis", "calibration", "lens", "ladder", "manifest"])
def test_a_file_that_is_too_long_is_not_read(what: str, tmp_path: Path) -> None:
    file = tmp_path / "long"
    with file.open("wb") as stream:
        stream.truncate(MAX_BYTES + 1)  # no block of it is on the disk
    assert "longer than" in refused(LOADERS[what], file)


def test_many_small_parts_are_not_read_either(tmp_path: Path) -> None:
    """30 MB of these took 2 GB once read."""
    (tmp_path / "analysis.json").write_bytes(b"[" + b"[]," * 2_000_000 + b"[]]")
    assert "more than any count" in refused(load_analysis, tmp_path)


@pytest.mark.parametrize("what", ["calibration", "lens", "ladder"])
@pytest.mark.parametrize(
    "text",
    [
        "a." * 20_000 + "a = 1",
        "[" + "a." * 20_000 + "a]",
        "a = {" + '"b" . ' * 20_000 + "b = 1}",
        "a = " + "[" * 20_000,
        "a = " + "{ a = " * 10_000,
        "".join(f"[{'a.' * 30}b{n}]\n" for n in range(1_000)),
        f"title = {'9' * 5_000}",
    ],
    ids=["key", "table", "inline", "brackets", "braces", "tables", "digits"],
)
def test_toml_nested_without_end(what: str, text: str, tmp_path: Path) -> None:
    file = tmp_path / "file.toml"
    file.write_text(text)
    assert len(refused(LOADERS[what], file)) < 1_000


def test_dots_in_texts_are_no_keys() -> None:
    assert longest_key(f"a.b = {'x.' * MAX_KEY_PARTS!r} # and so on...") == 2
    assert longest_key('x = {a = """"#"""", ' + "b." * 30 + "c = 1}") == 31
    assert longest_key("note = 'e.g. this... and that. So there.'\nx . y.'z' = 1") == 3


def _calibration(line: str) -> str:
    name = line.split(" ")[0]
    kept = [old for old in CALIBRATION.splitlines() if not old.startswith(f"{name} ")]
    return "\n".join([*kept, line])


def _png(wide: int, high: int) -> bytes:
    """A PNG of nothing but its size and a little data (PNG, third edition, 5.2)."""

    def chunk(name: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + name + data + struct.pack(">I", zlib.crc32(name + data))
        )

    head = struct.pack(">IIBBBBB", wide, high, 8, 0, 0, 0, 0)
    data = zlib.compress(b"\0" * 161 * 90)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", data) + chunk(b"IEND", b"")


@pytest.mark.parametrize(
    "line",
    [
        "width_px = 1000000000",
        "left_px = [1e308, 0.0]",
        "left_px = [nan, 0.0]",
        f'thumbnail_png = "{base64.b64encode(_png(60_000, 60_000)).decode()}"',
        f'thumbnail_png = "{base64.b64encode(_png(160, 90)[:20]).decode()}"',
        "camera = { focal_px = 1e300, cx_px = 0, cy_px = 0, height_m = 1, pitch_deg = 1, "
        "roll_deg = 0 }",
    ],
)  # fmt: skip
def test_numbers_of_a_calibration_are_bounded(line: str, tmp_path: Path) -> None:
    file = tmp_path / "calibration.toml"
    file.write_text(CALIBRATION)
    assert read_calibration(file).image_size_px == (640, 360)
    file.write_text(_calibration(line))
    refused(read_calibration, file)


@pytest.mark.parametrize(
    "line",
    ["width_px = 999999999", "focal_px = 1e300", "cx_px = -1e20", "focal_sigma_rel = 1e-300"],
)
def test_numbers_of_a_lens_are_bounded(line: str, tmp_path: Path) -> None:
    file = tmp_path / "lens.toml"
    file.write_text(LENS)
    assert read_lens(file).width_px == 640
    kept = [old for old in LENS.splitlines() if not old.startswith(line.split(" ")[0])]
    file.write_text("\n".join([*kept, line]))
    refused(read_lens, file)


def _changed(path: tuple[str | int, ...], value: object) -> bytes:
    plain: Any = json.loads(analysis_to_json(analysis_of("yard.mp4")[0]))
    part = plain
    for key in path[:-1]:
        part = part[key]
    part[path[-1]] = value
    return json.dumps(plain).encode()


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("shots", 1, "crossing_x_m", "value"), 1e308),
        (("shots", 1, "crossing_x_m", "value"), -1e20),
        (("scene", "theta", 0), 1e300),
        (("clip", "size_bytes"), 10**30),
        (("clip", "frames"), -(10**18)),
        (("verdict", "confidence"), 0.0),
        (("verdict", "confidence"), 7.0),
    ],
)
def test_numbers_of_an_analysis_are_bounded(path: tuple[str | int, ...], value: object) -> None:
    with pytest.raises(BadSettingsError, match="damaged"):
        analysis_from_json(_changed(path, value), "analysis.json")


def test_the_largest_numbers_allowed_break_no_class(tmp_path: Path) -> None:
    book = Book(str(tmp_path / "book.sqlite3"))
    changes: list[tuple[tuple[str | int, ...], float]] = [
        (("shots", 1, "crossing_x_m", "value"), 1e15),
        (("shots", 1, "crossing_x_m", "sigma"), 1e15),
        (("shots", 1, "kick_spot_m", 1), -1e15),
        (("scene", "goal_width_m", "value"), 1e15),
        (("scene", "step_m", "value"), 1e-300),
        (("clip", "duration_s"), -1e15),
    ]
    for number, (path, value) in enumerate(changes):
        plain = json.loads(_changed(path, value))
        plain["clip"]["sha256"] = f"{number:064x}"
        analysis = analysis_from_json(json.dumps(plain).encode(), "analysis.json")
        with book.writing() as connection:
            file_count(connection, analysis, Path("nowhere/x"), class_name=CLASS)
    assert len(class_results(book, CLASS, load_ladder()).pupils) == len(changes)


@pytest.mark.parametrize("name", ["../x.mp4", "/etc/passwd", "a/b.mp4", "..", ".", "", "a\0b"])
def test_a_clips_name_stays_in_its_folder(name: str) -> None:
    assert not is_plain_name(name)
    with pytest.raises(BadSettingsError, match=r"clip\.name: it must be the name of a file"):
        analysis_from_json(_changed(("clip", "name"), name), "analysis.json")


def test_a_link_in_a_result_folder_is_no_picture_of_it(tmp_path: Path) -> None:
    folder = put_result(tmp_path, pictures=True)
    analysis = load_analysis(folder)
    secret = tmp_path / "secret.jpg"
    secret.write_bytes(b"somebody's own")
    book = Book(str(tmp_path / "book.sqlite3"))
    with book.writing() as connection:
        file_count(connection, analysis, folder)
    with book.reading() as connection:
        pictures = SetPictures(load_set(connection, 1), analysis)
    evidence = folder / EVIDENCE_FOLDER_NAME
    assert pictures.strip(1) is not None and pictures.markers() is not None
    for name in (strip_name(1), MARKERS_NAME):
        (evidence / name).unlink()
        (evidence / name).symlink_to(secret)
    assert pictures.strip(1) is None and pictures.markers() is None
    assert all(not file.is_symlink() for file in files_of_pictures(folder))
    stills = KeptStills.beside(folder)
    assert stills is not None and stills.goal() is not None
    for name in (EVIDENCE_FOLDER_NAME, STILLS_FOLDER_NAME):
        (folder / name).rename(tmp_path / name)
        (folder / name).symlink_to(tmp_path / name)
    assert pictures.strip(2) is None
    assert files_of_pictures(folder) == []
    assert not is_inside(folder, f"{EVIDENCE_FOLDER_NAME}/{strip_name(2)}")


def test_a_picture_larger_than_any_of_ours_is_not_decoded() -> None:
    assert decoded_picture(_png(160, 90)) is not None
    assert decoded_picture(_png(60_000, 60_000)) is None
    assert decoded_picture(b"no picture") is None


def test_orders_to_the_terminal_are_shown(tmp_path: Path) -> None:
    assert shown("a\x1b[2Jb\x07\x9b1m\u202ec\n\td\x7f") == (
        "a\\u001b[2Jb\\u0007\\u009b1m\\u202ec\n\td\\u007f"
    )
    name = "a\x1b]0;owned\x07\x9b2J.json"
    (tmp_path / name).write_text("{}")
    said = CliRunner().invoke(cli, ["show", str(tmp_path / name)])
    assert said.exit_code == 6 and "\\u001b]0;owned" in said.stderr
    analysis = _changed(("clip", "name"), "b\x1b[2J\x9b.mp4")
    (tmp_path / "analysis.json").write_bytes(analysis)
    for options in ((), ("--json",)):
        result = CliRunner().invoke(cli, ["show", str(tmp_path), *options])
        assert not set(result.output) & set("\x1b\x07\x9b")
    assert json.loads(result.stdout)["clip"]["name"] == "b\x1b[2J\x9b.mp4"
