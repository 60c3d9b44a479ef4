"""The triggers that keep rows from being changed, and whether a book still has them."""

from __future__ import annotations

from sqlalchemy import Connection, text

from shoegoal.record.migrations.append_only import (
    postgresql_bodies,
    postgresql_guards,
    sqlite_guards,
)

# tgtype is a sum of bits (pg_trigger.h): for each row 1, before 2, insert 4, delete 8, update 16,
# truncate 32. A condition or a list of columns would let some changes through.
_POSTGRESQL_TYPES = {"journal_signed": 7, "change": 27, "truncate": 34}
_POSTGRESQL_TRIGGERS = text(
    "SELECT c.relname, t.tgname, p.proname, t.tgtype, t.tgenabled = 'O' AND t.tgqual IS NULL "
    "AND t.tgattr::text = '' AS whole FROM pg_trigger t "
    "JOIN pg_class c ON c.oid = t.tgrelid JOIN pg_proc p ON p.oid = t.tgfoid "
    "WHERE NOT t.tgisinternal AND c.relnamespace = current_schema()::regnamespace"
)
_POSTGRESQL_BODIES = text(
    "SELECT proname, prosrc FROM pg_proc WHERE pronamespace = current_schema()::regnamespace"
)


def missing_guard(connection: Connection) -> str | None:
    """Say which trigger is missing, changed or strange; None where all is as it was made."""
    if connection.dialect.name == "sqlite":
        return _missing_in_sqlite(connection)
    found = set()
    for table, name, function, kind, whole in connection.execute(_POSTGRESQL_TRIGGERS):
        wanted = _POSTGRESQL_TYPES.get(name) or _POSTGRESQL_TYPES.get(name.rsplit("_", 1)[-1])
        if not whole or kind != wanted:
            return f"the trigger {name} was changed"
        found.add((table, name, function))
    strange = found ^ postgresql_guards()
    if strange:
        table, name, _ = min(strange)
        return f"the trigger {name} of {table} is missing, or was added"
    bodies = {row.proname: row.prosrc for row in connection.execute(_POSTGRESQL_BODIES)}
    changed = [name for name, body in postgresql_bodies().items() if bodies.get(name) != body]
    return f"the function {changed[0]} was changed" if changed else None


def _missing_in_sqlite(connection: Connection) -> str | None:
    found = connection.execute(
        text("SELECT name, sql FROM sqlite_master WHERE type IN ('trigger', 'view')")
    )
    there, wanted = {row.name: row.sql for row in found}, sqlite_guards()
    for name in sorted({*there, *wanted}):
        if there.get(name) != wanted.get(name):
            what = "is missing" if name not in there else "was changed or added"
            return f"the trigger {name} {what}"
    return None
