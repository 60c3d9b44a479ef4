"""Triggers that refuse to change or delete rows, for both databases."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

REFUSAL = "shoegoal: rows of this table are never changed or deleted"
SIGNED = "shoegoal: this set is signed"


def sqlite_triggers(tables: Iterable[str]) -> Iterator[str]:
    """Statements for SQLite."""
    for table in tables:
        for act in ("UPDATE", "DELETE"):
            yield (
                f"CREATE TRIGGER {table}_no_{act.lower()} BEFORE {act} ON {table} "
                f"BEGIN SELECT RAISE(ABORT, '{REFUSAL}'); END"
            )


def postgresql_triggers(tables: Iterable[str]) -> Iterator[str]:
    """Statements for PostgreSQL, which can also empty a whole table at once."""
    for table in tables:
        yield (
            f"CREATE TRIGGER {table}_no_change BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION shoegoal_refuse()"
        )
        yield (
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table} "
            "FOR EACH STATEMENT EXECUTE FUNCTION shoegoal_refuse()"
        )


POSTGRESQL_REFUSE = (
    "CREATE FUNCTION shoegoal_refuse() RETURNS trigger LANGUAGE plpgsql AS "
    f"$$ BEGIN RAISE EXCEPTION '{REFUSAL}'; END $$"
)
SQLITE_SIGNED = (
    "CREATE TRIGGER journal_signed BEFORE INSERT ON journal "
    "WHEN EXISTS (SELECT 1 FROM signatures WHERE set_id = NEW.set_id) "
    f"BEGIN SELECT RAISE(ABORT, '{SIGNED}'); END"
)
POSTGRESQL_SIGNED = (
    "CREATE FUNCTION shoegoal_signed() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
    "IF EXISTS (SELECT 1 FROM signatures WHERE set_id = NEW.set_id) "
    f"THEN RAISE EXCEPTION '{SIGNED}'; END IF; RETURN NEW; END $$",
    "CREATE TRIGGER journal_signed BEFORE INSERT ON journal "
    "FOR EACH ROW EXECUTE FUNCTION shoegoal_signed()",
)

# From step 0050 on a signature can be withdrawn: it counts while no withdrawal comes after it.
_STANDS = (
    "SELECT 1 FROM signatures s WHERE s.set_id = NEW.set_id AND NOT EXISTS "
    "(SELECT 1 FROM journal w WHERE w.set_id = s.set_id AND w.kind = 'withdrawn' AND w.seq > s.seq)"
)
SQLITE_SIGNED_UNLESS_WITHDRAWN = (
    "CREATE TRIGGER journal_signed BEFORE INSERT ON journal "
    f"WHEN NEW.kind <> 'withdrawn' AND EXISTS ({_STANDS}) "
    f"BEGIN SELECT RAISE(ABORT, '{SIGNED}'); END"
)
POSTGRESQL_SIGNED_UNLESS_WITHDRAWN = (
    "CREATE OR REPLACE FUNCTION shoegoal_signed() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
    f"IF NEW.kind <> 'withdrawn' AND EXISTS ({_STANDS}) "
    f"THEN RAISE EXCEPTION '{SIGNED}'; END IF; RETURN NEW; END $$"
)

APPEND_ONLY = (
    "journal", "analyses", "calls", "corrections", "signatures", "sets", "ladders",
    "coach_rounds", "coach_items", "coach_answers",
)  # fmt: skip


def sqlite_guards() -> dict[str, str]:
    """Return every trigger of an up-to-date book by name, as SQLite stores it."""
    statements = [*sqlite_triggers(APPEND_ONLY), SQLITE_SIGNED_UNLESS_WITHDRAWN]
    return {statement.split()[2]: statement for statement in statements}


def postgresql_guards() -> set[tuple[str, str, str]]:
    """Return every trigger of an up-to-date book: its table, name and function."""
    guards = {("journal", "journal_signed", "shoegoal_signed")}
    for table in APPEND_ONLY:
        guards |= {(table, f"{table}_no_{what}", "shoegoal_refuse") for what in _POSTGRESQL_ACTS}
    return guards


def postgresql_bodies() -> dict[str, str]:
    """Return the bodies of the triggers' functions, by name."""
    functions = (POSTGRESQL_REFUSE, POSTGRESQL_SIGNED_UNLESS_WITHDRAWN)
    names = ("shoegoal_refuse", "shoegoal_signed")
    return {name: text.split("$$")[1] for name, text in zip(names, functions, strict=True)}


_POSTGRESQL_ACTS = ("change", "truncate")
