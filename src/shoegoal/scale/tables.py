"""A class's results as files: CSV and XLSX for spreadsheets, JSON for programs.

Users choose the names, and a spreadsheet runs text that begins like a formula. Such text is written
so that it stays text (OWASP, "CSV Injection").
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any, TypeAlias

from shoegoal.ladder.next_setup import Advice, NextSetUp
from shoegoal.scale.results import ClassResults, PupilRow, SetRow, Share, StageRow

if TYPE_CHECKING:
    from openpyxl.worksheet.worksheet import Worksheet

RESULTS_FORMAT = 1
Cell: TypeAlias = str | int | float | bool | None
# First characters that may begin a formula (OWASP).
_FORMULA = re.compile(r"^\s*[=+\-@\t\r\n|%＝＋－＠]")  # noqa: RUF001
_NOT_IN_XML = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_SET_TITLES = (
    "set", "pupil", "stage", "verified", "state", "counted in", "makes", "misses", "unsure",
    "counted", "verdict", "sentence", "signed by", "signed at", "clip", "added at",
)  # fmt: skip
_STAGE_TITLES = (
    "stage", "title", "verified sets", "verified makes", "verified shots", "share",
    "95 % from", "95 % to", "not verified sets", "not verified makes", "not verified shots",
)  # fmt: skip
_PUPIL_TITLES = (
    "pupil", "stages passed", "stages", "next", "next if all were signed", "verified makes",
    "verified shots", "share", "95 % from", "95 % to", "not verified makes", "not verified shots",
    "to try next",
)  # fmt: skip


def results_csv(results: ClassResults) -> bytes:
    """Write the sets as CSV: one line each, UTF-8 with a byte order mark for spreadsheets."""
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(_SET_TITLES)
    for row in results.sets:
        writer.writerow([_guarded(cell) for cell in _set_cells(row)])
    return text.getvalue().encode("utf-8-sig")


def results_xlsx(results: ClassResults) -> bytes:
    """Write sets, stages and pupils as the three sheets of a workbook."""
    from openpyxl import Workbook

    book = Workbook()
    first = book.active
    assert first is not None
    book.remove(first)
    _fill(book.create_sheet("Pupils"), _PUPIL_TITLES, map(_pupil_cells, results.pupils))
    _fill(book.create_sheet("Stages"), _STAGE_TITLES, map(_stage_cells, results.stages))
    _fill(book.create_sheet("Sets"), _SET_TITLES, map(_set_cells, results.sets))
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def results_json(results: ClassResults) -> str:
    """Write everything except single shots as indented JSON, ending in a line feed."""
    content = {
        "format": RESULTS_FORMAT,
        "class": results.class_name,
        "ladder": results.ladder,
        "made_at": results.made_at,
        "sets": [asdict(row) | {"shots": row.shots} for row in results.sets],
        "stages": [
            {
                "stage": row.stage,
                "title": row.title,
                "verified": _share_json(row.verified),
                "not_verified": _share_json(row.not_verified),
            }
            for row in results.stages
        ],
        "pupils": [_pupil_json(row) for row in results.pupils],
    }
    return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def advice_json(advice: Advice) -> dict[str, Any]:
    """Describe what to try next; infinite numbers become None."""
    if not isinstance(advice, NextSetUp):
        return {"enough_shots": False, "shots": advice.shots, "sentence": advice.sentence}
    fit = advice.fit
    return {
        "enough_shots": True,
        "shots": fit.directions + fit.short,
        "sentence": advice.sentence,
        "now": asdict(advice.now),
        "next": asdict(advice.next),
        "expected_now": asdict(advice.expected_now),
        "expected_next": asdict(advice.expected_next),
        "width_for_75_percent_steps": _finite(asdict(advice.width_steps)),
        "distance_for_75_percent_steps": _finite(asdict(advice.back_steps)),
        "bias_rad": {"value": fit.bias_rad, **_ends(fit.bias_interval_rad)},
        "spread_rad": {"value": fit.spread_rad, **_ends(fit.spread_interval_rad)},
        "reach_share": fit.reach,
    }


def _pupil_json(row: PupilRow) -> dict[str, Any]:
    return {
        "pupil": row.pupil,
        "stages_passed": row.passed,
        "stages": row.rungs,
        "next": row.next_step,
        "next_if_all_were_signed": row.next_if_signed or row.next_step,
        "verified": _share_json(row.verified),
        "not_verified": _share_json(row.counted),
        "to_try_next": advice_json(row.advice),
    }


def _share_json(share: Share) -> dict[str, Any]:
    low, high = share.interval
    return asdict(share) | {"share": share.share, "low": low, "high": high}


def _ends(interval: tuple[float, float]) -> dict[str, float]:
    return {"low": interval[0], "high": interval[1]}


def _finite(values: dict[str, float]) -> dict[str, float | None]:
    return {key: value if abs(value) < float("inf") else None for key, value in values.items()}


def _set_cells(row: SetRow) -> Sequence[Cell]:
    return (
        row.set_id, row.pupil, row.stage, "yes" if row.verified else "no", row.state,
        row.counted_in, row.makes, row.misses, row.unsure, row.shots, row.decision, row.sentence,
        row.signed_by, row.signed_at, row.clip, row.added_at,
    )  # fmt: skip


def _stage_cells(row: StageRow) -> Sequence[Cell]:
    waiting = row.not_verified
    return (
        row.stage, row.title, row.verified.sets, row.verified.makes, row.verified.shots,
        *_share_cells(row.verified), waiting.sets, waiting.makes, waiting.shots,
    )  # fmt: skip


def _pupil_cells(row: PupilRow) -> Sequence[Cell]:
    return (
        row.pupil, row.passed, row.rungs, row.next_step, row.next_if_signed, row.verified.makes,
        row.verified.shots, *_share_cells(row.verified), row.counted.makes, row.counted.shots,
        row.advice.sentence,
    )  # fmt: skip


def _share_cells(share: Share) -> Sequence[Cell]:
    if share.share is None:
        return None, None, None
    return round(share.share, 4), *(round(end, 4) for end in share.interval)


def _guarded(cell: Cell) -> Cell:
    """Put a quotation mark before text that a spreadsheet might run."""
    if isinstance(cell, str) and _FORMULA.match(cell):
        return f"'{cell}"
    return cell


def _fill(sheet: Worksheet, titles: Sequence[str], rows: Iterable[Sequence[Cell]]) -> None:
    from openpyxl.styles import Font
    from openpyxl.utils import get_column_letter

    sheet.append(list(titles))
    for row in rows:
        sheet.append([_NOT_IN_XML.sub("", c) if isinstance(c, str) else c for c in row])
    for cells in sheet.iter_rows(min_row=2):
        for cell in cells:
            if isinstance(cell.value, str):
                cell.data_type = "s"  # as text, whatever it begins with
                cell.quotePrefix = bool(_FORMULA.match(cell.value))
    for column, cells in enumerate(sheet.iter_cols(), start=1):
        cells[0].font = Font(bold=True)
        longest = max(len(str(cell.value or "")) for cell in cells)
        sheet.column_dimensions[get_column_letter(column)].width = min(60, max(8, longest + 2))
    sheet.freeze_panes = "A2"
