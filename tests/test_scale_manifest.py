"""Whose clips they are: a CSV table or file names, and every mistake with its place.

Quoting, commas and line ends after RFC 4180 (from memory); the reading itself is Python's csv.
"""

from __future__ import annotations

import csv
import unicodedata
from pathlib import Path

import pytest

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import load_ladder
from shoegoal.scale.assignments import (
    Assignment,
    NotAssigned,
    assignments_by_file_name,
    read_manifest,
)

LADDER = load_ladder()
HEAD = "clip,pupil,stage\n"


def read(folder: Path, text: str | bytes) -> list[Assignment]:
    file = folder / "class.csv"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_manifest(file, folder, LADDER)


def refused(folder: Path, text: str | bytes) -> list[str]:
    with pytest.raises(BadSettingsError) as caught:
        read(folder, text)
    return str(caught.value).splitlines()


def test_a_table_as_spreadsheets_write_it(tmp_path: Path) -> None:
    plain = HEAD + "a.mp4,Otter 17,five-of-ten\nweek 2/b.mov,Wren 20,first-five\n"
    for text in (
        plain,
        "\ufeff" + plain.replace("\n", "\r\n"),
        plain.replace(",", ";"),
        plain.replace(",", "\t"),
        "Stage, Pupil ,CLIP\n\nFIVE-of-ten,  Otter   17 ,a.mp4\n,,\n"
        "first-five,Wren 20,week 2/b.mov",
        HEAD + '"a.mp4","Otter 17","five-of-ten"\n"week 2/b.mov",Wren 20,"first-five"\n',
    ):
        first, second = read(tmp_path, text)
        assert (first.clip, first.pupil) == (tmp_path / "a.mp4", "Otter 17")
        assert first.stage == LADDER.stage_by_name("five-of-ten")
        assert (second.clip, second.pupil) == (tmp_path / "week 2" / "b.mov", "Wren 20")
    assert second.source == "class.csv, line 3"


def test_names_with_commas_quotes_line_feeds_and_any_letters(tmp_path: Path) -> None:
    rows = [
        ('a, "b" c.mp4', "Zoë 山 17", "first-five"),
        ("line\nfeed.mp4", "Łukasz's otter", "first-five"),
        ("last.mp4", "Otter 1", "first-five"),
    ]
    file = tmp_path / "class.csv"
    with file.open("w", newline="", encoding="utf-8") as written:
        csv.writer(written).writerows([("clip", "pupil", "stage"), *rows])
    read_back = read_manifest(file, tmp_path, LADDER)
    assert [(one.clip.name, one.pupil, one.stage.name) for one in read_back] == rows
    assert read_back[-1].source == "class.csv, line 5"  # the record before it takes two lines


def test_a_file_name_made_of_other_characters_for_the_same_letters_is_found(tmp_path: Path) -> None:
    on_disk = tmp_path / unicodedata.normalize("NFD", "Zoë.mp4")
    on_disk.touch()
    (one,) = read(tmp_path, HEAD + unicodedata.normalize("NFC", "Zoë.mp4,Zoë 1,first-five"))
    assert one.clip == on_disk
    (one,) = read(tmp_path, HEAD + unicodedata.normalize("NFD", "Zoë.mp4,Zoë 1,first-five"))
    assert one.clip == on_disk and one.pupil == unicodedata.normalize("NFC", "Zoë 1")


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("", "class.csv is empty", "first line is clip,pupil,stage"),
        (HEAD, "class.csv names no clip", "one line a clip"),
        ("clip,pupil\na,b\n", "line 1, column 1", 'the column "stage" is missing'),
        ("clip,pupil,stag\n", "line 1, column 12", 'no column "stag"'),
        ("clip,pupil,stage,clip\n", "line 1, column 18", "is here twice"),
        (HEAD + "a.mp4,Otter 17\n", "line 2, column 7", "2 fields instead of 3"),
        (HEAD + "a.mp4,Otter 17,first-five,x\n", "line 2, column 27", "4 fields instead of 3"),
        (HEAD + "a.mp4,,first-five\n", "line 2, column 7", "no pupil's name"),
        (HEAD + f"a.mp4,{'x' * 81},first-five\n", "line 2, column 7", "at most 80"),
        (HEAD + "a.mp4,a\x07b,first-five\n", "line 2, column 7", "cannot be printed"),
        (HEAD + ",Otter 17,first-five\n", "line 2, column 1", "no clip's name"),
        (HEAD + "a.mp4,Otter 17,\n", "line 2, column 16", "no stage's name"),
        (HEAD + "a.mp4,Otter 17,frist-five\n", "line 2, column 16", 'mean "first-five"'),
        (HEAD + "../a.mp4,Otter 17,first-five\n", "line 2, column 1", "path of the clip in the"),
        (HEAD + "/a.mp4,Otter 17,first-five\n", "line 2, column 1", "path of the clip in the"),
        (HEAD + 'a.mp4,"Otter 17,first-five\nb.mp4,x,y\n', "line 2, column 7", "never closed"),
        (HEAD + 'a.mp4,"Otter" 17,first-five\n', "line 2, column 1", "expected after"),
        (HEAD + '"a\n.mp4",Otter 17,no-such\n', "line 3, column 16", "no stage"),
        (
            HEAD + "a.mp4,Otter 17,first-five\nb.mp4,Otter 17,first-five\na.mp4,Wren,first-five\n",
            "line 4, column 1",
            "is already on line 2",
        ),
        (
            HEAD + "a.mp4,Otter 17,first-five\nb.mp4,otter 17,five-of-ten\n",
            "class.csv, line 3",
            'is "Otter 17" at class.csv, line 2',
        ),
        (HEAD.encode() + b"a.mp4,Zo\xeb,first-five\n", "line 2, column 9", "not UTF-8"),
        (HEAD.encode("utf-16"), "line 1, column 1", "not UTF-8"),
    ],
)
def test_every_mistake_is_named_with_its_place(
    tmp_path: Path, text: str | bytes, place: str, words: str
) -> None:
    told = " ".join(refused(tmp_path, text))
    assert place in told and words in told


def test_many_mistakes_are_told_at_once_but_not_without_end(tmp_path: Path) -> None:
    lines = refused(tmp_path, HEAD + "".join(f"{n}.mp4,Otter {n},nowhere\n" for n in range(40)))
    assert len(lines) == 7 and "line 6" in lines[5] and lines[6] == "  and 35 more"


def test_a_file_that_is_no_table(tmp_path: Path) -> None:
    with pytest.raises(BadSettingsError, match="cannot be read"):
        read_manifest(tmp_path / "nowhere.csv", tmp_path, LADDER)
    with pytest.raises(BadSettingsError, match="cannot be read"):
        read_manifest(tmp_path, tmp_path, LADDER)


def test_second_rounds_of_the_ladder_are_stages_too(tmp_path: Path) -> None:
    (one,) = read(tmp_path, HEAD + "a.mp4,Otter 1,Five-of-ten-easier\n")
    assert one.stage.width_steps == 6


def test_ten_thousand_rows_are_read_at_once(tmp_path: Path) -> None:
    rows = "".join(
        f"week {n % 40}/clip {n}.mp4,Otter {n % 900},five-of-ten\n" for n in range(10_000)
    )
    assert len(read(tmp_path, HEAD + rows)) == 10_000  # every row against all others takes minutes


def test_file_names_tell_pupil_and_stage(tmp_path: Path) -> None:
    source = {
        "Otter 17_five-of-ten.mp4": ("Otter 17", "five-of-ten"),
        "Otter 17_five-of-ten_2.MOV": ("Otter 17", "five-of-ten"),
        "Zoë 山 - First-Five - windy.webm": ("Zoë 山", "first-five"),
        "wren_20__three-in-a-row.mkv": ("wren 20", "three-in-a-row"),
        "Wren 21_five-of-ten-harder.mp4": ("Wren 21", "five-of-ten-harder"),  # a second round
    }
    for name in (*source, ".hidden_first-five.mp4", "notes.txt"):
        (tmp_path / name).touch()
    (tmp_path / "Otter 17_first-five.shoegoal").mkdir()
    (tmp_path / "a folder_first-five.mp4").mkdir()
    told, unassigned = assignments_by_file_name(tmp_path, LADDER)
    assert unassigned == []
    assert {one.clip.name: (one.pupil, one.stage.name) for one in told} == source


def test_a_clip_for_no_stage_does_not_stop_the_rest(tmp_path: Path) -> None:
    for name in ("Otter 17_fiveoften.mp4", "VID_2026.mp4", "first-five.mp4", "A_first-five.mp4"):
        (tmp_path / name).touch()
    told, unassigned = assignments_by_file_name(tmp_path, LADDER)
    assert [one.clip.name for one in told] == ["A_first-five.mp4"]
    reasons = {one.clip.name: one.reason for one in unassigned}
    assert all(isinstance(one, NotAssigned) for one in unassigned) and len(reasons) == 3
    assert 'did you mean "five-of-ten"?' in reasons["Otter 17_fiveoften.mp4"]
    assert "PUPIL_STAGE.mp4" in reasons["VID_2026.mp4"]


def test_folders_that_cannot_be_used(tmp_path: Path) -> None:
    with pytest.raises(BadSettingsError, match="holds no clip"):
        assignments_by_file_name(tmp_path, LADDER)
    with pytest.raises(BadSettingsError, match="cannot be read"):
        assignments_by_file_name(tmp_path / "nowhere", LADDER)
    for name in ("otter 17_first-five.mp4", "Otter 17_five-of-ten.mp4"):
        (tmp_path / name).touch()
    with pytest.raises(BadSettingsError, match="spelt in two ways"):
        assignments_by_file_name(tmp_path, LADDER)
