"""What each kind of entry tells of: the rows that must stand beside it in the other tables."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import Table

from shoegoal.record import schema
from shoegoal.record.chain import Entry, canonical_text


@dataclass(frozen=True, slots=True)
class RowTold:
    """A row as the journal tells of it.

    Attributes
    ----------
    table : where it stands.
    key, values : columns by which it is found, and what others must hold.
    sha256_of : columns whose content is known by its SHA-256 alone.
    """

    table: Table
    key: dict[str, Any]
    values: dict[str, Any]
    sha256_of: dict[str, str] = field(default_factory=dict)


def rows_told(entry: Entry) -> list[RowTold]:
    """List the rows that an entry tells of; of an account only the newest entry's holds.

    Raises
    ------
    KeyError, TypeError, AttributeError
        The payload lacks what its kind must tell; a kind that is not known is a KeyError.
    """
    return _KINDS[entry.kind](entry, entry.payload)


def account_told(row: Mapping[str, Any]) -> dict[str, Any]:
    """Tell of an account's row; of the password's hash only a hash."""
    told = {name: row[name] for name in _ACCOUNT}
    password = hashlib.sha256(row["password"].encode()).hexdigest()
    return {"account": row["id"], "password_sha256": password, **told}


_ACCOUNT = ("login", "name", "role", "pupil_id", "class_id", "made_at", "disabled_at")


def _none(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    return []


def _class(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    return [RowTold(schema.classes, {"id": told["class"]}, {"name": told["name"]})]


def _pupil(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"class_id": told["class"], "name": told["name"]}
    return [RowTold(schema.pupils, {"id": told["pupil"]}, values)]


def _ladder(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"title": told["title"], "sha256": told["sha256"]}
    content = {"content": told["sha256"]}
    return [RowTold(schema.ladders, {"id": told["ladder"]}, values, content)]


def _set(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "pupil_id": told["pupil"],
        "ladder_id": told["ladder"],
        "clip_sha256": told["clip_sha256"],
        "clip_name": told["clip_name"],
        "stage": canonical_text(told["stage"]),
        "added_at": told["added_at"],
    }
    return [RowTold(schema.sets, {"id": told["set"]}, values)]


def _count(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "set_id": entry.set_id,
        "sha256": told["analysis_sha256"],
        "tool_version": told["tool_version"],
        "calibration_sha256": told["calibration_sha256"],
    }
    calls = [
        RowTold(
            schema.calls,
            {"analysis_seq": entry.seq, "shot": call["shot"]},
            {name: call[name] for name in ("kick_time_s", "call", "p_make")},
        )
        for call in told["calls"]
    ]
    content = {"content": told["analysis_sha256"]}
    return [RowTold(schema.analyses, {"seq": entry.seq}, values, content), *calls]


def _correction(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {
        "set_id": entry.set_id,
        "kind": told["what"],
        "content": canonical_text(told),
    }
    row = RowTold(schema.corrections, {"seq": entry.seq}, values)
    return [row, *(_count(entry, told) if told["what"] == "marker-moved" else ())]


def _signature(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"set_id": entry.set_id, "by_name": told["by"], "content": canonical_text(told)}
    return [RowTold(schema.signatures, {"seq": entry.seq}, values)]


def _round(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {"class_id": told["class"], "seed": told["seed"], "made_at": told["made_at"]}
    items = [
        RowTold(
            schema.coach_items,
            {"round_id": told["round"], "place": item["place"]},
            {name: value for name, value in item.items() if name != "place"},
        )
        for item in told["items"]
    ]
    return [RowTold(schema.coach_rounds, {"id": told["round"]}, values), *items]


def _check(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    key = {"round_id": told["round"], "place": told["place"]}
    values = {"answer": told["answer"], "by_name": told["by"], "at": told["at"]}
    return [RowTold(schema.coach_answers, key, values)]


def _account(entry: Entry, told: dict[str, Any]) -> list[RowTold]:
    values = {name: told[name] for name in _ACCOUNT}
    password = told["password_sha256"]
    return [RowTold(schema.accounts, {"id": told["account"]}, values, {"password": password})]


_KINDS: dict[str, Callable[[Entry, dict[str, Any]], list[RowTold]]] = {
    "book": _none,
    "key": _none,
    "class": _class,
    "pupil": _pupil,
    "ladder": _ladder,
    "set": _set,
    "analysis": _count,
    "correction": _correction,
    "signature": _signature,
    "withdrawn": _none,
    "round": _round,
    "check": _check,
    "account": _account,
}
