"""``shoegoal record``: what was counted, kept for a class and proved to be unchanged."""

from __future__ import annotations

import json as json_text
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import click

from shoegoal.cli.options import MAX_ID, BookOptions, Commands, FilePath, meaning, with_options
from shoegoal.errors import BadSettingsError, ShoegoalError

if TYPE_CHECKING:
    from shoegoal.analysis.model import StageRecord
    from shoegoal.ladder.ladders import Ladder
    from shoegoal.record.purge import Due


@click.group(cls=Commands)
def record() -> None:
    """Keep counts in a record book that shows every later change.

    Start with: shoegoal record add FOLDER, where FOLDER is what count wrote.
    """


@dataclass(frozen=True, kw_only=True)
class AddOptions(BookOptions):
    """Options of ``record add``."""

    stage: str | None = None
    ladder: Path | None = None
    class_name: str | None = None
    pupil: str | None = None
    enrol: bool = False


@record.command()
@click.argument("analyses", metavar="ANALYSIS...", nargs=-1, required=True, type=FilePath("PATH"))
@with_options(AddOptions)
def add(given: AddOptions, analyses: tuple[Path, ...]) -> int:
    """Add counts to the book; each clip is one set.

    ANALYSIS is a folder that count wrote. Without --pupil, each clip is for a new pupil with a
    made-up name. With --enrol, a --pupil who is not in the book yet is added to --class. With
    --stage the sets are judged by that stage; the goal must be the one that was counted. Adding a
    folder again from another place records the new place.
    """
    import shoegoal
    from shoegoal.record.book import Book
    from shoegoal.record.filing import enter_missing, file_count

    class_name, pupil = given.class_name, given.pupil
    if given.enrol and (pupil is None or class_name is None):
        raise click.UsageError("--enrol needs --pupil and --class")
    asked, from_ladder = _asked(given.stage, given.ladder)
    loaded = [(_folder(path), shoegoal.load(path)) for path in analyses]
    opened = Book(given.book)
    if given.enrol and pupil is not None and class_name is not None:
        enter_missing(opened, class_name, pupil)
    filed, refused = [], None
    for folder, analysis in loaded:
        try:
            with opened.writing() as connection:
                filed.append(
                    file_count(
                        connection,
                        analysis,
                        folder,
                        class_name=class_name,
                        pupil=pupil,
                        stage=asked,
                        ladder=from_ladder,
                    )
                )
        except ShoegoalError as error:
            refused = error
            break
    if given.json:
        click.echo(json_text.dumps([asdict(one) for one in filed], indent=1, ensure_ascii=False))
    else:
        for one in filed:
            click.echo(f"set {one.set_id}  {one.pupil}  {one.news}")
    for one in filed:
        if not one.clip_found:
            click.echo(f"shoegoal: the clip of set {one.set_id} is not beside its result", err=True)
    if refused is not None:
        raise refused
    return 0


@dataclass(frozen=True, kw_only=True)
class EnrolOptions(BookOptions):
    """Options of ``record enrol``."""

    class_name: str
    pupil: str | None = None
    invent: int | None = None


@record.command()
@with_options(EnrolOptions)
def enrol(given: EnrolOptions) -> int:
    """Enter pupils of a class, with made-up names unless --pupil gives one."""
    from shoegoal.record.book import Book
    from shoegoal.record.filing import enrol as enrol_pupils

    names = () if given.pupil is None else (given.pupil,)
    invented = given.invent if given.invent is not None else 1 - len(names)
    with Book(given.book).writing() as connection:
        entered = enrol_pupils(connection, given.class_name, names, invented)
    if given.json:
        click.echo(json_text.dumps(entered, ensure_ascii=False))
    else:
        for name in entered:
            click.echo(name)
    return 0


@dataclass(frozen=True, kw_only=True)
class ListOptions(BookOptions):
    """Options of ``record list``."""

    class_name: str | None = None
    pupil: str | None = None


@record.command("list")
@with_options(ListOptions)
def list_sets(given: ListOptions) -> int:
    """List the sets in the book, in the order in which they came."""
    from shoegoal.cli.book_report import print_summaries
    from shoegoal.record.book import Book
    from shoegoal.record.history import load_sets, summary

    with Book.existing(given.book).reading() as connection:
        histories = load_sets(connection, class_name=given.class_name, pupil=given.pupil)
    summaries = [summary(history, history.open_status()) for history in histories]
    print_summaries(summaries, json=given.json, none="no sets (shoegoal record add adds them)")
    return 0


@dataclass(frozen=True, kw_only=True)
class VerifyOptions(BookOptions):
    """Options of ``record verify``."""

    head: str | None = None
    receipt: tuple[Path, ...] = ()
    key: tuple[str, ...] = ()
    restored: bool = False


@record.command()
@with_options(VerifyOptions)
def verify(given: VerifyOptions) -> int:
    """Prove that nothing in the book was changed afterwards; name the first entry that was.

    Computes every hash, seal, tally and verdict again, and compares every table with the journal.
    The book alone can only prove that it agrees with itself. To prove that nothing was cut off or
    rewritten as a whole, it takes something from outside: this computer's note of the last
    signature, a receipt, a noted head, or the name of the key.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.receipts import read_receipt
    from shoegoal.record.verify import proof_lines, verify_book

    proof = verify_book(
        Book.existing(given.book),
        given.head,
        receipts=[read_receipt(file) for file in given.receipt],
        keys=given.key,
        restored=given.restored,
    )
    if given.json:
        click.echo(json_text.dumps(asdict(proof), indent=1))
    else:
        for line in proof_lines(proof):
            click.echo(line)
    return 0


@dataclass(frozen=True, kw_only=True)
class ReceiptOptions:
    """Options of ``record receipt``."""

    out: Path = field(metadata=meaning("The receipt to write, ending in .json or .pdf."))
    book: str | None = None


@record.command("receipt")
@click.argument("set_id", metavar="[SET]", required=False, type=click.IntRange(1, MAX_ID))
@with_options(ReceiptOptions)
def write_receipt(given: ReceiptOptions, set_id: int | None) -> int:
    """Write a receipt of a signed SET, or of the whole book as it is now.

    As JSON, or on a page with a QR code where --out ends in .pdf. Keep it elsewhere: record verify
    --receipt then says whether a later book still holds the same. It holds the result, and the
    pupil's name in the book.
    """
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.record.book import Book
    from shoegoal.record.receipts import receipt_of_book, receipt_of_set, receipt_pdf, receipt_text
    from shoegoal.written import replace_file

    out = given.out
    check_writable_file(out)
    with Book.existing(given.book).reading() as connection:
        made = receipt_of_book(connection) if set_id is None else receipt_of_set(connection, set_id)
    pdf = out.suffix.lower() == ".pdf"
    replace_file(out, receipt_pdf(*made) if pdf else receipt_text(*made).encode())
    click.echo(f"wrote {out}: entry {made[0].seq}, head {made[0].hash}")
    return 0


@dataclass(frozen=True, kw_only=True)
class KeyOptions:
    """Options of ``record key``."""

    out: Path | None = field(
        default=None,
        metadata=meaning("The file to copy the key into; keep it apart from the book."),
    )
    take: Path | None = None


@record.command("key")
@with_options(KeyOptions)
def show_key(given: KeyOptions) -> int:
    """Name the key that seals entries made on this computer; if there is none, make it.

    --out writes the key itself, to keep in a safe place or to use on another computer with --take.
    Anyone who has it can seal as you do: keep it apart from the book.
    """
    from shoegoal.analysis.folders import check_writable_file
    from shoegoal.record.keys import own_key, take_key, write_key

    key = own_key() if given.take is None else take_key(given.take)
    if given.out is not None:
        check_writable_file(given.out)
        write_key(given.out, key)
    click.echo(key.name)
    return 0


@dataclass(frozen=True, kw_only=True)
class ExportOptions:
    """Options of ``record export``."""

    pupil: str
    out: Path = field(metadata=meaning("The folder to write, or a file ending in .zip."))
    book: str | None = None


@record.command()
@with_options(ExportOptions)
def export(given: ExportOptions) -> int:
    """Write all that the book holds of one pupil to a folder, or a file ending in .zip.

    Faces in the pictures are covered. Look at them before you hand them on: clothes, build and
    place are not.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.export import export_pupil

    sets = export_pupil(Book.existing(given.book), given.pupil, given.out)
    of = f"{sets} {'set' if sets == 1 else 'sets'} of {given.pupil}"
    click.echo(f"wrote {given.out}: {of}, faces covered")
    return 0


@dataclass(frozen=True, kw_only=True)
class PurgeOptions:
    """Options of ``record purge``."""

    older_than_days: float
    yes: bool = False
    book: str | None = None


@record.command()
@with_options(PurgeOptions)
def purge(given: PurgeOptions) -> int:
    """Delete clips and pictures added to the book more than --older-than-days ago; results stay.

    This includes clips that were handed in and never counted, and interrupted uploads. A clip that
    was changed since it was counted is kept.
    """
    from shoegoal.record.book import Book
    from shoegoal.record.purge import due_for_purge
    from shoegoal.record.purge import purge as delete_due

    opened = Book.existing(given.book)
    due = due_for_purge(opened, given.older_than_days)
    _print_due(due)
    if not any(one.files for one in due):
        click.echo("nothing to delete")
        return 0
    if not given.yes:
        click.confirm("Delete these files for good?", abort=True, err=True)
    click.echo(f"deleted {delete_due(opened, due)} files; every result is still in the book")
    return 0


@dataclass(frozen=True, kw_only=True)
class AccuracyOptions(BookOptions):
    """Options of ``record accuracy``."""

    class_name: str | None = field(
        default=None, metadata=meaning("Only this class; default: the whole book.")
    )


@record.command()
@with_options(AccuracyOptions)
def accuracy(given: AccuracyOptions) -> int:
    """Say how many of the calls made without asking turned out to be wrong.

    Taken from coaches' blind checks and from teachers' corrections in signed sets, by view and by
    class of evidence, each with its 95 % Wilson interval. Where a class of calls does worse in this
    book than in shoegoal's own evaluation, open sets trust it less, and this command says so.
    """
    from shoegoal.cli.book_report import print_accuracy
    from shoegoal.record.accuracy import accuracy_of
    from shoegoal.record.book import Book

    with Book.existing(given.book).reading() as connection:
        found = accuracy_of(connection, given.class_name)
    if given.json:
        click.echo(json_text.dumps(asdict(found), indent=1, ensure_ascii=False))
    else:
        print_accuracy(found)
    return 0


def _folder(path: Path) -> Path:
    return (path if path.is_dir() else path.parent).absolute()


def _asked(stage: str | None, ladder: Path | None) -> tuple[StageRecord | None, Ladder | None]:
    if stage is None:
        if ladder is not None:
            raise click.UsageError("--ladder needs --stage with the name of one of its stages")
        return None, None
    from shoegoal.analysis.model import StageRecord
    from shoegoal.ladder.ladders import load_ladder
    from shoegoal.ladder.rules import TouchesInARow

    loaded = load_ladder(ladder)
    found = loaded.stage_by_name(stage)
    if isinstance(found.rule, TouchesInARow):
        raise BadSettingsError(f'the stage "{found.name}" counts touches; choose one with shots')
    return StageRecord.of(found), loaded


def _print_due(due: list[Due]) -> None:
    for one in due:
        for file in one.files:
            click.echo(f"{one.name}: {file}", err=True)
        if one.left_alone is not None:
            click.echo(f"{one.name}: {one.left_alone} was changed; left alone", err=True)
    unsigned = [str(one.set_id) for one in due if one.files and one.set_id and not one.signed]
    if unsigned:
        click.echo(
            "not signed yet, and nobody can check it once this is deleted: set "
            f"{', '.join(unsigned)}",
            err=True,
        )
