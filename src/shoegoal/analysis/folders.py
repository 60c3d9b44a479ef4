"""Folders that appear whole or not at all, and replace only what shoegoal itself wrote."""

from __future__ import annotations

import os
import shutil
import tempfile
import time
from collections.abc import Generator
from contextlib import contextmanager
from pathlib import Path

from shoegoal.errors import OutputError
from shoegoal.outside import read_outside

MARK_FILE_NAME = "written-by-shoegoal.txt"
MOST_MARK_BYTES = 1_000_000
_MARK = "shoegoal wrote this folder and replaces it whole when the clip is counted again.\n"
_MARK += "Files written by shoegoal:\n"
STALE_S = 3600.0  # what a killed run left aside is cleared away after this


@contextmanager
def fresh_folder(final: Path) -> Generator[Path, None, None]:
    """Give an empty folder to write into, and put it in place of ``final`` at the end.

    It lies beside ``final`` so that the renaming is one step on one file system. When the body
    raises, nothing of it is left and an earlier folder stands as it was.

    Raises
    ------
    OutputError
        ``final`` is something that shoegoal did not write, or cannot be written.
    """
    final = final.absolute()  # "." has no name to put the new folder beside
    check_replaceable(final)
    _clear_stale(final)
    try:
        aside = Path(
            tempfile.mkdtemp(prefix=_aside_prefix(final), suffix=".part", dir=final.parent)
        )
    except OSError as error:
        raise cannot_write(final, error) from error
    try:
        yield aside
        _write_mark(aside)
        _swap(aside, final)
    except OSError as error:
        raise cannot_write(final, error) from error
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def check_replaceable(final: Path) -> None:
    """Refuse to replace anything but a missing or empty folder, or one that shoegoal wrote.

    Raises
    ------
    OutputError
        Names what stands in the way.
    """
    final = final.absolute()
    try:
        if not final.parent.is_dir():
            raise OutputError(
                f"{final.parent} is not a folder, so {final.name} cannot be written in it; "
                "make the folder or name another with --out"
            )
        if not os.path.lexists(final):
            return
        if final.is_symlink() or not final.is_dir():
            raise OutputError(
                f"{final} exists and is not a folder; move it away or name another one with --out"
            )
        present = {
            path.relative_to(final).as_posix() for path in final.rglob("*") if not path.is_dir()
        }
        if not present:
            return
        written = _written_files(final)
    except OSError as error:
        raise cannot_write(final, error) from error
    if written is None:
        raise OutputError(
            f"{final} was not written by shoegoal, so it is left alone; "
            "name another folder with --out"
        )
    foreign = sorted(present - written)
    if foreign:
        raise OutputError(
            f"{final} also holds {foreign[0]}, which shoegoal did not write, so it is left alone; "
            "move that file away or name another folder with --out"
        )


def check_writable_file(path: Path) -> None:
    """Refuse a place where no file can be written, before long work is done for it.

    Raises
    ------
    OutputError
        Names what stands in the way.
    """
    if path.is_dir():
        raise OutputError(f"{path} is a folder; name a file")
    if not path.absolute().parent.is_dir():
        raise OutputError(f"{path.absolute().parent} is not a folder; make it or name another file")
    if not os.access(path.absolute().parent, os.W_OK):
        raise OutputError(f"{path.absolute().parent} may not be written in; name another file")


def cannot_write(place: Path, error: OSError) -> OutputError:
    """Word a refusal of the file system."""
    return OutputError(
        f"{place} cannot be written ({error.strerror or error}); check the folder and the free "
        "space, or name another with --out"
    )


def _aside_prefix(final: Path) -> str:
    return f".{final.name}."


def _write_mark(folder: Path) -> None:
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    text = _MARK + "".join(f"{name}\n" for name in [*names, MARK_FILE_NAME])
    (folder / MARK_FILE_NAME).write_text(text, encoding="utf-8")


def _written_files(folder: Path) -> set[str] | None:
    """Names that the mark file lists; None where there is no mark of ours."""
    mark = folder / MARK_FILE_NAME
    if not mark.is_file():
        return None
    try:
        text = read_outside(mark, MOST_MARK_BYTES).decode(errors="replace")
    except OSError:
        return None
    return set(text[len(_MARK) :].splitlines()) if text.startswith(_MARK) else None


def _swap(aside: Path, final: Path) -> None:
    # mkdtemp's mode is for the owner alone; a result folder has the mode that any folder gets.
    mask = os.umask(0o022)
    os.umask(mask)
    aside.chmod(0o777 & ~mask)
    check_replaceable(final)
    if not final.exists():
        aside.replace(final)
        return
    old = Path(tempfile.mkdtemp(prefix=_aside_prefix(final), suffix=".part", dir=final.parent))
    try:
        final.replace(old / final.name)
        try:
            aside.replace(final)
        except BaseException:
            (old / final.name).replace(final)
            raise
    finally:
        shutil.rmtree(old, ignore_errors=True)


def _clear_stale(final: Path) -> None:
    """Remove what earlier, killed runs left beside ``final``; younger ones may still be at work."""
    try:
        for left in final.parent.glob(_glob_literal(_aside_prefix(final)) + "*.part"):
            if left.is_dir() and time.time() - left.stat().st_mtime > STALE_S:
                shutil.rmtree(left, ignore_errors=True)
    except OSError:
        return  # tidying up is no reason to fail


def _glob_literal(text: str) -> str:
    return "".join(f"[{letter}]" if letter in "*?[" else letter for letter in text)
