"""Sets at a glance, for queue and sheet: counted by the database, fifty of them looked at."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from sqlalchemy import Connection, Select, func, select

from shoegoal.errors import BadSettingsError, OutputError, RecordBookError, ShoegoalError
from shoegoal.ladder.verdict import Decision
from shoegoal.record import schema
from shoegoal.record.accuracy import Trust, trust_of
from shoegoal.record.book import Book
from shoegoal.record.handed_in import ClipState, HandedIn, clips_of
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.journal import UNKNOWN, set_version
from shoegoal.record.pictures import SetPictures
from shoegoal.record.plain import counted_text, summary
from shoegoal.record.standing import Standing
from shoegoal.record.states import COUNT_AGAIN, LOOK, SIGNED, TO_SIGN, are_known, work_out
from shoegoal.review.above import Above, seen_from_above
from shoegoal.review.phone_views import task_of
from shoegoal.review.views import tally_words

PAGE_SIZE = 50
MOST_KEPT = 1_000  # glances; some kB each
WAIT_FOR_STATES_S = 5.0  # of a page; the next one goes on from there
STATE_WORDS = {
    "look": "needs a look",
    "to sign": "ready to sign",
    "count again": "count again",
    "signed": "signed",
}


@dataclass(frozen=True, slots=True)
class Glance:
    """A set in short.

    Attributes
    ----------
    state : what it waits for; see `shoegoal.record.plain.state_of`.
    questions : how many looks settle it.
    word, is_met : the verdict in a word, and whether the stage is met.
    above : the goal and what lies round it; None for touches, or a count of another version.
    first_time_s : kick that its small picture shows; None without one.
    has_stills : small stills of its shots were kept.
    """

    set_id: int
    version: int
    pupil_id: int
    pupil: str
    class_name: str
    stage: str
    task: str
    state: str
    sentence: str
    counted: str
    questions: int
    word: str
    is_met: bool
    above: Above | None
    first_time_s: float | None
    has_stills: bool
    signed_by: str
    signed_at: str

    @property
    def state_words(self) -> str:
        """Its state, said."""
        return STATE_WORDS[self.state]


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is asked for: a class, a stage, words of the pupil's name; empty for all."""

    class_name: str = ""
    stage: str = ""
    words: str = ""

    def fits(self, class_name: str, stage: str, pupil: str) -> bool:
        """Whether a clip is among it."""
        return (
            self.class_name in ("", class_name)
            and self.stage in ("", stage)
            and self.words.casefold() in pupil.casefold()
        )

    @property
    def query(self) -> str:
        """The same as part of an address, to be carried from page to page."""
        said = {"class": self.class_name, "stage": self.stage, "words": self.words}
        return urlencode({name: value for name, value in said.items() if value})


class Glances:
    """Glances of sets, the last ones kept by the version that each set was in, and its trust."""

    def __init__(self) -> None:
        self._known: OrderedDict[tuple[int, int, Trust], Glance] = OrderedDict()

    def of(self, connection: Connection, set_ids: Iterable[int]) -> list[Glance]:
        """Give those of some sets, in the order in which they are named."""
        trust = trust_of(connection)
        return [self._of(connection, set_id, trust) for set_id in set_ids]

    def _of(self, connection: Connection, set_id: int, trust: Trust) -> Glance:
        key = (set_id, set_version(connection, set_id), trust)
        if key not in self._known:
            self._known[key] = glance_at(load_set(connection, set_id))
            while len(self._known) > MOST_KEPT:
                self._known.popitem(last=False)
        self._known.move_to_end(key)
        return self._known[key]


@dataclass(frozen=True, slots=True)
class Overview:
    """How far the work is, of what was asked for.

    Attributes
    ----------
    not_counted : clips that were handed in and could not be counted.
    to_look_at, ready, signed : how many sets.
    unknown : sets whose state is still being worked out.
    under_way : clips that are still being checked or counted.
    classes, stages : names to choose from, of the whole book.
    """

    not_counted: tuple[HandedIn, ...]
    to_look_at: int
    ready: int
    signed: int
    unknown: int
    under_way: int
    classes: tuple[str, ...]
    stages: tuple[str, ...]

    @property
    def waiting(self) -> int:
        """Sets and clips that somebody has to look at."""
        return self.to_look_at + len(self.not_counted)

    @property
    def total(self) -> int:
        """Everything but what is under way."""
        return max(1, self.waiting + self.ready + self.signed)


def bring_up_to_date(book: Book) -> None:
    """Work out what sets wait for where that is not known; a book that is busy is left alone."""
    with book.reading() as connection:
        if are_known(connection):
            return
    until, left = time.monotonic() + WAIT_FOR_STATES_S, True
    with suppress(RecordBookError, OutputError):
        while left and time.monotonic() < until:
            with book.writing(history=False) as connection:
                left = work_out(connection, within_s=until - time.monotonic())


def overview(connection: Connection, wanted: Wanted) -> Overview:
    """Count a book's sets and clips by what they wait for."""
    states = schema.set_states.c
    query = _asked_for(connection, select(states.state, func.count()), wanted)
    rows = connection.execute(query.group_by(states.state))
    counts: dict[str, int] = {row[0]: row[1] for row in rows}
    clips = clips_of(connection, states=[ClipState.NOT_COUNTED, *_UNDER_WAY])
    asked = [one for one in clips if wanted.fits(one.class_name, one.stage.name, one.pupil)]
    stages = connection.scalars(select(states.stage).where(states.stage != "").distinct())
    return Overview(
        tuple(one for one in reversed(asked) if one.state is ClipState.NOT_COUNTED),
        counts.get(LOOK, 0) + counts.get(COUNT_AGAIN, 0),
        counts.get(TO_SIGN, 0),
        counts.get(SIGNED, 0),
        counts.get(UNKNOWN, 0),
        sum(one.state in _UNDER_WAY for one in asked),
        tuple(connection.scalars(select(schema.classes.c.name).order_by(schema.classes.c.name))),
        tuple(sorted({*stages, *(one.stage.name for one in clips)})),
    )


_UNDER_WAY = (ClipState.RECEIVED, ClipState.WAITING, ClipState.COUNTING)
_ORDERS = {
    # Those that the fewest looks settle come first; what cannot be read comes last.
    LOOK: (schema.set_states.c.state.desc(), "questions", "set_id"),
    TO_SIGN: ("set_id",),
    SIGNED: (schema.set_states.c.signed_at.desc(), "set_id"),
}


def waiting_for(
    connection: Connection, state: str, wanted: Wanted, first: int = 0, most: int = 1
) -> list[int]:
    """List sets in one state, in the order in which they are shown; what to look at is one."""
    states = schema.set_states.c
    alike = (LOOK, COUNT_AGAIN) if state == LOOK else (state,)
    query = _asked_for(connection, select(states.set_id), wanted).where(states.state.in_(alike))
    order = [getattr(states, one) if isinstance(one, str) else one for one in _ORDERS[state]]
    return list(connection.scalars(query.order_by(*order).offset(first).limit(most)))


def sets_of_pupil(connection: Connection, pupil_id: int) -> list[int]:
    """List a pupil's sets."""
    sets = schema.sets.c
    return list(
        connection.scalars(select(sets.id).where(sets.pupil_id == pupil_id).order_by(sets.id))
    )


def _asked_for(connection: Connection, query: Select[Any], wanted: Wanted) -> Select[Any]:
    states, sets, pupils = schema.set_states.c, schema.sets.c, schema.pupils.c
    if wanted.stage:
        query = query.where(states.stage == wanted.stage)
    if not (wanted.class_name or wanted.words):
        return query
    ids = select(pupils.id)
    if wanted.class_name:
        classes = schema.classes.c
        named = select(classes.id).where(classes.name == wanted.class_name)
        ids = ids.where(pupils.class_id.in_(named))
    if wanted.words.isascii():
        ids = ids.where(pupils.name.icontains(wanted.words, autoescape=True))
    else:  # compared as Python does, for databases fold few other letters
        words = wanted.words.casefold()
        rows = connection.execute(select(pupils.id, pupils.name)).all()
        ids = ids.where(pupils.id.in_([row.id for row in rows if words in row.name.casefold()]))
    return query.join(schema.sets, sets.id == states.set_id).where(sets.pupil_id.in_(ids))


@dataclass(frozen=True, slots=True)
class PageNumber:
    """Which page of rows is shown, of how many."""

    page: int
    pages: int
    size: int

    @classmethod
    def of(cls, rows: int, page: int) -> PageNumber:
        """Keep a page's number within what there is."""
        pages = max(1, -(-rows // PAGE_SIZE))
        return cls(min(max(1, page), pages), pages, PAGE_SIZE)

    @property
    def first(self) -> int:
        """Place of its first row."""
        return (self.page - 1) * self.size


def glance_at(history: SetHistory) -> Glance:
    """Work a set's glance out."""
    above, standing, first_s, stills = None, None, None, False
    try:
        analysis = history.count.analysis()
        standing = history.standing(analysis)
        if analysis.scene is not None:
            above = seen_from_above(analysis, standing, near=True)
        if standing.shots:
            look = standing.looks[0] if standing.looks else standing.shots[0].number
            first_s = next(s.time_s for s in standing.shots if s.number == look)
        stills = SetPictures(history, analysis).has_any_stills
    except BadSettingsError:
        pass  # counted by another version
    except ShoegoalError:
        above = None
    told = summary(history, None if history.signature is not None else standing)
    decision = told["decision"]
    return Glance(
        history.set_id,
        history.version,
        history.pupil_id,
        history.pupil,
        history.class_name or "",
        history.stage.name,
        task_of(history.stage.to_stage()),
        told["state"],
        _sentence(told["sentence"], standing, touches=history.counts_touches),
        counted_text(told),
        0 if standing is None else len(standing.looks) + len(standing.doubts),
        _WORDS.get(decision, ""),
        decision == Decision.ADVANCE.value,
        above,
        first_s,
        stills,
        told["signed_by"] or "",
        told["signed_at"] or "",
    )


def _sentence(said: str, standing: Standing | None, *, touches: bool) -> str:
    """Say what a set waits for: which shots settle it, or its verdict."""
    if standing is None or not standing.needs_a_look:
        return said
    shots = ", ".join(str(number) for number in standing.looks)
    what = ("touch" if touches else "shot") + ("" if len(standing.looks) == 1 else "s")
    settles = f"{what} {shots} settle{'s' if len(standing.looks) == 1 else ''} it"
    if not standing.looks:
        settles = "something may be hidden in a part of the clip"
    return f"{tally_words(standing.tally, touches=touches)}: {settles}"


_WORDS = {
    Decision.ADVANCE.value: "advance",
    Decision.TRY_AGAIN.value: "try again",
    Decision.NOT_FINISHED.value: "not finished",
}
