"""Result folders: whole or absent, and nobody else's files touched."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from analysis_examples import example_analysis, example_stills, still_at
from shoegoal.analysis.file import load_analysis
from shoegoal.analysis.folders import MARK_FILE_NAME, STALE_S, check_writable_file, fresh_folder
from shoegoal.errors import OutputError
from shoegoal.pictures.evidence import write_result


def _tree(folder: Path) -> dict[str, bytes]:
    return {
        str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()
    }


def _write(folder: Path, *, unsure: bool = True) -> None:
    analysis = example_analysis(unsure=unsure)
    stills = {shot.number: example_stills(shot, 0.25) for shot in analysis.shots[:2]}
    write_result(folder, analysis, stills, still_at(analysis.shots[0], 0.0, 0.25))


def test_result_folder_holds_what_it_says(tmp_path: Path) -> None:
    folder = tmp_path / "yard.shoegoal"
    _write(folder)
    names = set(_tree(folder))
    stills = {name for name in names if name.startswith("stills/")}
    assert "stills/stills.json" in stills and all(
        name.endswith((".jpg", ".json")) for name in stills
    )
    assert names - stills == {
        "analysis.json",
        "evidence/markers.jpg",
        "evidence/overview.svg",
        "evidence/shot-01.jpg",
        "evidence/shot-02.jpg",
        MARK_FILE_NAME,
    }
    assert load_analysis(folder) == example_analysis()
    assert [p.name for p in tmp_path.iterdir()] == ["yard.shoegoal"]


def test_an_earlier_result_is_replaced_whole(tmp_path: Path) -> None:
    folder = tmp_path / "yard.shoegoal"
    _write(folder)
    _write(folder, unsure=False)
    assert load_analysis(folder) == example_analysis(unsure=False)
    assert [p.name for p in tmp_path.iterdir()] == ["yard.shoegoal"]


@pytest.mark.parametrize("where", ["analysis.json", "notes.txt", "sub/notes.txt"])
def test_a_folder_of_somebody_else_is_left_alone(tmp_path: Path, where: str) -> None:
    folder = tmp_path / "holiday"
    (folder / where).parent.mkdir(parents=True)
    (folder / where).write_text("mine")
    with pytest.raises(OutputError, match="not written by shoegoal"):
        _write(folder)
    assert _tree(folder) == {where: b"mine"}


def test_a_file_added_to_a_result_is_not_thrown_away(tmp_path: Path) -> None:
    folder = tmp_path / "yard.shoegoal"
    _write(folder)
    (folder / "evidence" / "teacher.txt").write_text("shot 5 was in")
    before = _tree(folder)
    with pytest.raises(OutputError, match=r"also holds evidence/teacher\.txt"):
        _write(folder, unsure=False)
    assert _tree(folder) == before


def test_a_file_or_a_link_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("mine")
    with pytest.raises(OutputError, match="is not a folder"):
        _write(tmp_path / "file")
    (tmp_path / "empty").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "empty")
    with pytest.raises(OutputError, match="is not a folder"):
        _write(tmp_path / "link")
    with pytest.raises(OutputError, match="is not a folder, so"):
        _write(tmp_path / "nowhere" / "yard.shoegoal")
    assert (tmp_path / "file").read_text() == "mine"


def test_an_empty_folder_is_used(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    _write(tmp_path / "empty")
    assert load_analysis(tmp_path / "empty") == example_analysis()


@pytest.mark.parametrize("error", [OSError(28, "No space left on device"), KeyboardInterrupt()])
@pytest.mark.parametrize("earlier", [False, True])
def test_a_failure_midway_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, error: BaseException, earlier: bool
) -> None:
    folder = tmp_path / "yard.shoegoal"
    if earlier:
        _write(folder)
    before = _tree(tmp_path)

    def fail(*args: object, **named: object) -> None:
        raise error

    monkeypatch.setattr("shoegoal.pictures.evidence.draw_strip", fail)
    expected = OutputError if isinstance(error, OSError) else KeyboardInterrupt
    with pytest.raises(expected):
        _write(folder, unsure=False)
    assert _tree(tmp_path) == before
    assert {p.name for p in tmp_path.iterdir()} == ({"yard.shoegoal"} if earlier else set())


def test_a_failure_in_the_last_step_brings_the_old_folder_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "yard.shoegoal"
    _write(folder)
    before = _tree(folder)
    replace = Path.replace
    calls: list[Path] = []

    def fail_second(self: Path, target: Path) -> Path:
        if target.name == folder.name or self.name == folder.name:
            calls.append(self)
            if len(calls) == 2:
                raise OSError(5, "Input/output error")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", fail_second)
    with pytest.raises(OutputError, match="Input/output error"):
        _write(folder, unsure=False)
    assert len(calls) == 3  # old aside, new in place (failed), old back
    assert _tree(folder) == before
    assert [p.name for p in tmp_path.iterdir()] == ["yard.shoegoal"]


def test_what_a_killed_run_left_is_cleared_later(tmp_path: Path) -> None:
    folder = tmp_path / "yard.shoegoal"
    old, young, other = (
        tmp_path / name
        for name in (".yard.shoegoal.aa.part", ".yard.shoegoal.bb.part", ".other.aa.part")
    )
    for left in (old, young, other):
        left.mkdir()
        (left / "half").write_text("half")
    past = old.stat().st_mtime - STALE_S - 60
    for left in (old, other):
        os.utime(left, (past, past))
    with fresh_folder(folder) as fresh:
        (fresh / "whole").write_text("whole")
    assert not old.exists() and young.exists() and other.exists()
    assert (folder / "whole").read_text() == "whole"


def test_places_for_a_single_file(tmp_path: Path) -> None:
    check_writable_file(tmp_path / "new.toml")
    with pytest.raises(OutputError, match="is a folder"):
        check_writable_file(tmp_path)
    with pytest.raises(OutputError, match="is not a folder"):
        check_writable_file(tmp_path / "nowhere" / "new.toml")
