"""The tables of the book. `migrations` creates them; queries use these definitions.

Times are UTC in ISO 8601 and structured values are canonical JSON, both as text: so either database
gives back, byte for byte, what was hashed.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    ColumnElement,
    Float,
    ForeignKey,
    ForeignKeyConstraint,
    Index,
    Integer,
    MetaData,
    PrimaryKeyConstraint,
    Table,
    Text,
    UniqueConstraint,
    exists,
    select,
)

REVISION = "0110"  # of the newest migration
WITHDRAWN = "withdrawn"  # kind of the entry that takes a signature back

metadata = MetaData()

classes = Table(
    "classes",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
)

pupils = Table(
    "pupils",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("class_id", ForeignKey("classes.id")),
    Column("name", Text, nullable=False, unique=True),
)

ladders = Table(
    "ladders",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("title", Text, nullable=False),
    Column("sha256", Text, nullable=False, unique=True),
    Column("content", Text, nullable=False),
)

sets = Table(
    "sets",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("pupil_id", ForeignKey("pupils.id"), nullable=False),
    Column("ladder_id", ForeignKey("ladders.id")),
    Column("clip_sha256", Text, nullable=False, unique=True),
    Column("clip_name", Text, nullable=False),
    Column("stage", Text, nullable=False),
    Column("added_at", Text, nullable=False),
    Index("sets_of_pupil", "pupil_id"),
)

# Where a set's files are: the only facts about a set that may change or be deleted.
places = Table(
    "places",
    metadata,
    Column("set_id", ForeignKey("sets.id"), primary_key=True),
    Column("clip_path", Text),
    Column("folder_path", Text),
)

# UNIQUE (set_id, set_version): of two people who change the same version, only one succeeds. UNIQUE
# (previous): the chain cannot fork. Entries without a set are about the whole book. ``seal`` is a
# signature of ``hash`` by the key ``sealed_by``; entries from before keys have none.
journal = Table(
    "journal",
    metadata,
    Column("seq", Integer, primary_key=True, autoincrement=False),
    Column("set_id", ForeignKey("sets.id")),
    Column("set_version", Integer, nullable=False),
    Column("kind", Text, nullable=False),
    Column("at", Text, nullable=False),
    Column("payload", Text, nullable=False),
    Column("previous", Text, nullable=False, unique=True),
    Column("hash", Text, nullable=False, unique=True),
    Column("sealed_by", Text),
    Column("seal", Text),
    UniqueConstraint("set_id", "set_version"),
    Index("journal_kind", "kind"),
)

# What a set waits for, derived from the rest; ``unknown`` after a change.
set_states = Table(
    "set_states",
    metadata,
    Column("set_id", ForeignKey("sets.id"), primary_key=True),
    Column("state", Text, nullable=False),
    Column("questions", Integer, nullable=False),
    Column("stage", Text, nullable=False),
    Column("trust", Text, nullable=False),
    Column("signed_at", Text, nullable=False),
    Index("set_states_waiting", "state", "questions", "set_id"),
    Index("set_states_signed", "state", "signed_at"),
    Index("set_states_stage", "stage"),
)

analyses = Table(
    "analyses",
    metadata,
    Column("seq", ForeignKey("journal.seq"), primary_key=True, autoincrement=False),
    Column("set_id", ForeignKey("sets.id"), nullable=False),
    Column("sha256", Text, nullable=False),
    Column("tool_version", Text, nullable=False),
    Column("calibration_sha256", Text, nullable=False),
    Column("content", Text, nullable=False),
    Index("analyses_of_set", "set_id"),
)

calls = Table(
    "calls",
    metadata,
    Column("analysis_seq", ForeignKey("analyses.seq"), nullable=False),
    Column("shot", Integer, nullable=False),
    Column("kick_time_s", Float, nullable=False),
    Column("call", Text, nullable=False),
    Column("p_make", Float, nullable=False),
    PrimaryKeyConstraint("analysis_seq", "shot"),
)

corrections = Table(
    "corrections",
    metadata,
    Column("seq", ForeignKey("journal.seq"), primary_key=True, autoincrement=False),
    Column("set_id", ForeignKey("sets.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("content", Text, nullable=False),
    Index("corrections_of_set", "set_id"),
)

signatures = Table(
    "signatures",
    metadata,
    Column("seq", ForeignKey("journal.seq"), primary_key=True, autoincrement=False),
    Column("set_id", ForeignKey("sets.id"), nullable=False),
    Column("by_name", Text, nullable=False),
    Column("content", Text, nullable=False),
    Index("signatures_of_set", "set_id"),
)

# A round of spot checks: shots drawn at random, and what a coach saw without knowing the count.
coach_rounds = Table(
    "coach_rounds",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("class_id", ForeignKey("classes.id"), nullable=False),
    Column("seed", Integer, nullable=False),
    Column("made_at", Text, nullable=False),
)

coach_items = Table(
    "coach_items",
    metadata,
    Column("round_id", ForeignKey("coach_rounds.id"), nullable=False),
    Column("place", Integer, nullable=False),
    Column("set_id", ForeignKey("sets.id"), nullable=False),
    Column("analysis_seq", ForeignKey("analyses.seq"), nullable=False),
    Column("kick_time_s", Float, nullable=False),
    Column("counted", Text, nullable=False),
    Column("cue", Text, nullable=False, server_default=""),
    PrimaryKeyConstraint("round_id", "place"),
)

coach_answers = Table(
    "coach_answers",
    metadata,
    Column("round_id", Integer, nullable=False),
    Column("place", Integer, nullable=False),
    Column("answer", Text, nullable=False),
    Column("by_name", Text, nullable=False),
    Column("at", Text, nullable=False),
    PrimaryKeyConstraint("round_id", "place"),
    ForeignKeyConstraint(["round_id", "place"], ["coach_items.round_id", "coach_items.place"]),
)

# Who may open the page from elsewhere. ``login`` is the name as it is compared.
accounts = Table(
    "accounts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("login", Text, nullable=False, unique=True),
    Column("name", Text, nullable=False),
    Column("role", Text, nullable=False),
    Column("pupil_id", ForeignKey("pupils.id")),
    Column("class_id", ForeignKey("classes.id")),
    Column("password", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("disabled_at", Text),
)

# Only a hash of the browser's token: reading the book does not let anybody log in.
sessions = Table(
    "sessions",
    metadata,
    Column("token_sha256", Text, primary_key=True),
    Column("account_id", ForeignKey("accounts.id"), nullable=False),
    Column("csrf", Text, nullable=False),
    Column("made_at", Text, nullable=False),
    Column("seen_at", Text, nullable=False),
)

login_tries = Table(
    "login_tries",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("login", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("at", Text, nullable=False),
)

# A class's ladder and limits for handing in; empty limits are the defaults.
class_settings = Table(
    "class_settings",
    metadata,
    Column("class_id", ForeignKey("classes.id"), primary_key=True),
    Column("code", Text, nullable=False, unique=True),
    Column("ladder_id", ForeignKey("ladders.id")),
    Column("largest_mb", Integer),
    Column("longest_min", Integer),
    Column("most_a_day", Integer),
)

# Only a hash of a slip's secret: reading the book does not let anybody hand in for others.
slips = Table(
    "slips",
    metadata,
    Column("pupil_id", ForeignKey("pupils.id"), primary_key=True),
    Column("secret_sha256", Text, nullable=False, unique=True),
    Column("made_at", Text, nullable=False),
)

# Clips from phones, from the first byte to the set: the workers' queue.
handed_in = Table(
    "handed_in",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("token", Text, nullable=False, unique=True),
    Column("pupil_id", ForeignKey("pupils.id"), nullable=False),
    Column("ladder_id", ForeignKey("ladders.id")),
    Column("stage", Text, nullable=False),
    Column("clip_path", Text, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("sha256", Text),
    Column("state", Text, nullable=False, index=True),
    Column("why", Text, nullable=False, server_default=""),
    Column("filming", Text),
    Column("markers", Text),
    Column("made_at", Text, nullable=False),
    Column("changed_at", Text, nullable=False),
    Column("claim", Text),
    Column("claimed_until", Text),
    Column("tries", Integer, nullable=False, server_default="0"),
    Column("set_id", ForeignKey("sets.id")),
)


def stands_signed(set_id: ColumnElement[int]) -> ColumnElement[bool]:
    """Whether a set is signed, as a condition of a query; a trigger says the same."""
    signed, later = signatures.c, journal.alias().c
    withdrawn = select(later.seq).where(
        later.set_id == signed.set_id, later.kind == WITHDRAWN, later.seq > signed.seq
    )
    return exists().where(signed.set_id == set_id, ~withdrawn.exists())
