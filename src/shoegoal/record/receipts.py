"""Receipts: one sealed entry in a file or on paper, to check any later book against.

A receipt holds the whole entry, so its hash can be computed from it alone; the seal shows who made
it. The hash covers every entry before, so a book that still has this entry has them all.
"""

from __future__ import annotations

import io
import json
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import segno
from sqlalchemy import Connection, RowMapping, select

from shoegoal.errors import BadSettingsError
from shoegoal.outside import read_outside
from shoegoal.record import schema
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.journal import Entry, entry_of
from shoegoal.record.keys import seal_fits

RECEIPT_FORMAT = 1
LARGEST_BYTES = 1_000_000
_LINE = re.compile(
    r"shoegoal receipt entry ([1-9]\d{0,14}) head ([0-9a-f]{64})"
    r"(?: key ([0-9a-f]{64}) seal ([0-9a-f]{128}))?"
)
_HOW = (
    "Keep this. The code holds one line of text. Save that line as a file: shoegoal record verify "
    "--receipt FILE then checks whether a record book still holds this entry, and all before it, "
    "unchanged. It proves that nothing was changed since, not that the count was right."
)


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a receipt states.

    Attributes
    ----------
    seq, hash : the entry, and its hash; the book's head at that moment.
    sealed_by, seal : by which key, and its signature; None for an entry older than keys.
    """

    seq: int
    hash: str
    sealed_by: str | None
    seal: str | None

    @property
    def line(self) -> str:
        """The receipt in one line, as in the QR code."""
        sealed = "" if self.sealed_by is None else f" key {self.sealed_by} seal {self.seal}"
        return f"shoegoal receipt entry {self.seq} head {self.hash}{sealed}"


def receipt_of_set(connection: Connection, set_id: int) -> tuple[Receipt, dict[str, Any]]:
    """Make a receipt for a set's signature; return it with the content of its file.

    Raises
    ------
    BadSettingsError
        There is no such set, or it is not signed.
    """
    history = load_set(connection, set_id)
    if history.signature is None:
        raise BadSettingsError(f"set {set_id} is not signed, so it has no receipt yet")
    return _receipt(connection, history.signature.seq, _said(history))


def receipt_of_book(connection: Connection) -> tuple[Receipt, dict[str, Any]]:
    """Make a receipt for the book as it is now.

    Raises
    ------
    BadSettingsError
        The book is empty.
    """
    newest = select(schema.journal.c.seq).order_by(schema.journal.c.seq.desc()).limit(1)
    seq = connection.scalar(newest)
    if seq is None:
        raise BadSettingsError("the book is empty, so it has no receipt yet")
    return _receipt(connection, seq, {"of": f"the whole book, {seq} entries"})


def receipt_text(receipt: Receipt, content: dict[str, Any]) -> str:
    """Write a receipt as JSON."""
    return json.dumps(content | {"line": receipt.line}, indent=1, ensure_ascii=False) + "\n"


def read_receipt(file: Path) -> Receipt:
    """Read a receipt: the JSON, or a text file with the line from the QR code.

    Raises
    ------
    BadSettingsError
        It cannot be read, is not a receipt, or was changed.
    """
    content = _content(file)
    try:
        if not content.lstrip().startswith("{"):
            return _of_line(content.strip())
        values = json.loads(content)
        receipt = _of_line(str(values["line"]))
        entry = _entry(values["entry"])
        says, said, entry_hash = dict(values["says"]), _says(entry), entry.hash
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise BadSettingsError(
            f"{file} is not a receipt that shoegoal record receipt wrote"
        ) from error
    if (entry.seq, entry_hash) != (receipt.seq, receipt.hash) or any(
        says.get(name) != value for name, value in said.items()
    ):
        raise BadSettingsError(f"{file} was changed: its hash does not fit its content")
    return receipt


def receipt_pdf(receipt: Receipt, content: dict[str, Any]) -> bytes:
    """Draw a receipt on a page of A4, with its line as a QR code."""
    from shoegoal.card.printing import FONT, new_pdf

    said = [(name.replace("_", " "), str(value)) for name, value in content["says"].items()]
    code = io.BytesIO()
    segno.make_qr(receipt.line, error="m").save(code, kind="png", scale=6, border=4)
    code.seek(0)
    with new_pdf("shoegoal: receipt") as pdf:
        pdf.add_page()
        pdf.set_font(FONT, size=20, style="B")
        pdf.cell(
            0, 12, "Receipt of a signed set" if "set" in content["says"] else "Receipt of a book"
        )
        pdf.ln(16)
        for name, value in [*said, ("entry", str(receipt.seq)), ("head", receipt.hash)]:
            pdf.set_font(size=9)
            pdf.cell(38, 7, name)
            pdf.set_font(size=9 if len(value) > 60 else 11, style="B")
            pdf.multi_cell(0, 7, value, new_x="LMARGIN", new_y="NEXT")
        pdf.ln(4)
        pdf.image(code, w=70)
        pdf.set_font(size=9)
        pdf.ln(2)
        pdf.multi_cell(0, 5, _HOW)
        return bytes(pdf.output())


def _receipt(
    connection: Connection, seq: int, said: dict[str, Any]
) -> tuple[Receipt, dict[str, Any]]:
    query = select(schema.journal).where(schema.journal.c.seq == seq)
    row: RowMapping = connection.execute(query).mappings().one()
    entry = entry_of(row)
    receipt = Receipt(seq, row["hash"], row["sealed_by"], row["seal"])
    whole = {
        "seq": entry.seq,
        "set": entry.set_id,
        "set_version": entry.set_version,
        "kind": entry.kind,
        "at": entry.at,
        "payload": entry.payload,
        "previous": entry.previous,
    }
    return receipt, {"receipt": RECEIPT_FORMAT, "says": said | _says(entry), "entry": whole}


def _said(history: SetHistory) -> dict[str, Any]:
    names = {"set": history.set_id, "pupil": history.pupil, "class": history.class_name or ""}
    return names | {"stage": history.stage.sentence, "clip": history.clip_name}


def _says(entry: Entry) -> dict[str, Any]:
    """Put an entry into words."""
    said: dict[str, Any] = {"at": entry.at}
    if entry.kind == "signature":
        payload = entry.payload
        said |= {
            "set": entry.set_id,
            "stage": payload["stage"]["sentence"],
            "signed_by": payload["by"],
        }
        said |= {"result": payload["sentence"], "decision": payload["decision"]}
        said |= payload["tally"]
        if "pupil_name" in payload:  # older signatures name their pupil by number alone
            said |= {"pupil": payload["pupil_name"], "class": payload["class_name"] or ""}
            said |= {"clip": payload["clip_name"]}
    return said


def _content(file: Path) -> str:
    try:
        content = read_outside(file, LARGEST_BYTES)
    except OSError as error:
        raise BadSettingsError(
            f"{file} cannot be read ({error.strerror or error}); name a receipt"
        ) from error
    return content.decode("utf-8", errors="replace")


def _of_line(line: str) -> Receipt:
    found = _LINE.fullmatch(line)
    if found is None:
        raise ValueError("no line of a receipt")
    seq, head, key, seal = found.groups()
    if key is not None and not seal_fits(key, head, seal):
        raise ValueError("the seal does not fit")
    return Receipt(int(seq), head, key, seal)


def _entry(values: dict[str, Any]) -> Entry:
    return Entry(
        values["seq"], values["set"], values["set_version"], values["kind"], values["at"],
        dict(values["payload"]), values["previous"],
    )  # fmt: skip
