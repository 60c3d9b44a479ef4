"""Books with made-up sets in them, and hands that meddle with them. All names invented."""

from __future__ import annotations

import hashlib
import resource
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import psycopg
from sqlalchemy import Connection, text

from analysis_examples import example_analysis, example_stills, still_at
from shoegoal.analysis.file import save_analysis
from shoegoal.analysis.model import Analysis
from shoegoal.pictures.evidence import write_result
from shoegoal.record.book import Book
from shoegoal.record.filing import Filed, file_count

TEACHER = "T. Quill"


def analysis_of(clip_name: str, *, unsure: bool = True) -> tuple[Analysis, bytes]:
    """A count of a made-up clip: any bytes of their own will do for one."""
    content = f"pictures of {clip_name}".encode()
    analysis = example_analysis(unsure=unsure)
    sha256 = hashlib.sha256(content).hexdigest()
    clip = replace(analysis.clip, name=clip_name, sha256=sha256, size_bytes=len(content))
    return replace(analysis, clip=clip), content


def put_result(
    folder: Path, clip_name: str = "yard.mp4", *, unsure: bool = True, pictures: bool = False
) -> Path:
    """A clip and, beside it, the folder that `count` would write."""
    analysis, content = analysis_of(clip_name, unsure=unsure)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / clip_name).write_bytes(content)
    result = folder / f"{Path(clip_name).stem}.shoegoal"
    if pictures:
        stills = {shot.number: example_stills(shot, 0.5) for shot in analysis.shots}
        still = still_at(analysis.shots[0], analysis.clip.start_s, 0.5)
        write_result(result, analysis, stills, still)
    else:
        result.mkdir()
        save_analysis(result / "analysis.json", analysis)
    return result


def file_set(book: Book, name: str = "yard.mp4", *, unsure: bool = True) -> Filed:
    """A set in the book whose clip is nowhere."""
    analysis, _ = analysis_of(name, unsure=unsure)
    with book.writing() as connection:
        return file_count(connection, analysis, Path("nowhere") / name, class_name="7b")


def meddle(book: Book, act: Callable[[Connection], object]) -> None:
    """Do to the tables what the book itself refuses, as somebody with the file in hand could."""
    with book.writing() as connection:
        if book.file is not None:
            names = connection.execute(
                text("SELECT name FROM sqlite_master WHERE type = 'trigger'")
            ).scalars()
            for name in list(names):
                connection.execute(text(f"DROP TRIGGER {name}"))
        else:
            connection.execute(text("SET session_replication_role = replica"))
        act(connection)


@contextmanager
def no_room(book: Book) -> Iterator[None]:
    """Let a book's file grow no further, as on a full disk; what is there can still be read.

    The system's limit on a file's size (setrlimit(2), RLIMIT_FSIZE) stops the write-ahead log. A
    reader that holds on to its moment keeps SQLite from starting that log anew.
    """
    assert book.file is not None
    log = book.file.with_name(f"{book.file.name}-wal")
    before, most = resource.getrlimit(resource.RLIMIT_FSIZE)
    with closing(sqlite3.connect(book.file, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM journal").fetchone()
        with book.writing() as connection:
            connection.execute(text("CREATE TABLE ballast (words TEXT)"))
            connection.execute(text("INSERT INTO ballast VALUES (:words)"), {"words": "x" * 50_000})
        resource.setrlimit(resource.RLIMIT_FSIZE, (log.stat().st_size, most))
        try:
            yield
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (before, most))
            with book.writing() as connection:
                connection.execute(text("DROP TABLE ballast"))


def administer(url: str, statement: str) -> None:
    """Run one statement on a PostgreSQL database outside the book."""
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(statement.encode())
