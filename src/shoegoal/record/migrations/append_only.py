"""Triggers that refuse to change or delete rows, in both databases' own words."""

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
    """Statements for PostgreSQL, where whole tables can be emptied at once, too."""
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

# A set is shut while a signature of it was not withdrawn; the withdrawal itself may still come in.
_SHUT = (
    "EXISTS (SELECT 1 FROM signatures AS s WHERE s.set_id = NEW.set_id AND NOT EXISTS "
    "(SELECT 1 FROM journal AS j WHERE j.set_id = s.set_id AND j.kind = 'withdrawn' "
    "AND j.seq > s.seq))"
)
SQLITE_SIGNED_UNLESS_WITHDRAWN = (
    "CREATE TRIGGER journal_signed BEFORE INSERT ON journal "
    f"WHEN NEW.kind <> 'withdrawn' AND {_SHUT} "
    f"BEGIN SELECT RAISE(ABORT, '{SIGNED}'); END"
)
POSTGRESQL_SIGNED_UNLESS_WITHDRAWN = (
    "CREATE OR REPLACE FUNCTION shoegoal_signed() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN "
    f"IF NEW.kind <> 'withdrawn' AND {_SHUT} "
    f"THEN RAISE EXCEPTION '{SIGNED}'; END IF; RETURN NEW; END $$"
)
