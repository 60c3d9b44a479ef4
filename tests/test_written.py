"""Files that are whole or not there."""

from __future__ import annotations

import stat
from pathlib import Path

import pytest

from shoegoal.errors import OutputError
from shoegoal.written import replace_file, whole_file


def test_a_file_appears_whole_or_not_at_all(tmp_path: Path) -> None:
    file = tmp_path / "page.html"
    with pytest.raises(ValueError, match="midway"), whole_file(file) as stream:
        stream.write(b"half")
        assert not file.exists()
        raise ValueError("midway")
    assert list(tmp_path.iterdir()) == []
    replace_file(file, b"whole")
    with pytest.raises(ValueError, match="midway"), whole_file(file) as stream:
        stream.write(b"half")
        raise ValueError("midway")
    assert file.read_bytes() == b"whole"
    assert [path.name for path in tmp_path.iterdir()] == ["page.html"]


def test_one_that_is_there_may_stay_and_another_be_private(tmp_path: Path) -> None:
    file = tmp_path / "key"
    with whole_file(file, private=True, replace=False) as stream:
        stream.write(b"first")
    with pytest.raises(FileExistsError), whole_file(file, replace=False) as stream:
        stream.write(b"second")
    assert file.read_bytes() == b"first" and stat.S_IMODE(file.stat().st_mode) == 0o600
    assert len(list(tmp_path.iterdir())) == 1


def test_a_folder_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="choose another folder"):
        replace_file(tmp_path / "none" / "page.html", b"whole")
