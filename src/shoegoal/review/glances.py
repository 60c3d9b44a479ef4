"""All sets at a glance, for queue and sheet; each is worked out once for every state it is in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar
from urllib.parse import urlencode

from sqlalchemy import Connection, func, select

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.ladder.verdict import Decision
from shoegoal.record import schema
from shoegoal.record.accuracy import AS_SHIPPED, trust_of
from shoegoal.record.handed_in import ClipState, HandedIn, clips_of
from shoegoal.record.history import SetHistory, load_set
from shoegoal.record.pictures import SetPictures
from shoegoal.record.plain import counted_text, summary
from shoegoal.record.standing import Standing
from shoegoal.review.above import Above, seen_from_above
from shoegoal.review.phone_views import task_of
from shoegoal.review.views import tally_words

PAGE_SIZE = 50
_Row = TypeVar("_Row")
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
        """Whether a set is among it."""
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
    """Glances of a book's sets, remembered by the version that each set was in, and its trust."""

    def __init__(self) -> None:
        self._known: dict[int, Glance] = {}
        self._trust = AS_SHIPPED

    def all(self, connection: Connection) -> list[Glance]:
        """Give every set's, in order of their numbers."""
        trust = trust_of(connection)
        if trust != self._trust:  # which bears on every set that is open
            self._known, self._trust = {}, trust
        journal = schema.journal.c
        versions = connection.execute(
            select(journal.set_id, func.max(journal.set_version))
            .where(journal.set_id.is_not(None))
            .group_by(journal.set_id)
            .order_by(journal.set_id)
        ).all()
        for set_id, version in versions:
            known = self._known.get(set_id)
            if known is None or known.version != version:
                self._known[set_id] = glance_at(load_set(connection, set_id))
        return [self._known[set_id] for set_id, _ in versions]


@dataclass(frozen=True, slots=True)
class Overview:
    """How far the work is: what is to look at, ready and signed, of what was asked for.

    Attributes
    ----------
    to_look_at : doubtful sets, the ones that the fewest looks settle first.
    not_counted : clips that were handed in and could not be counted.
    ready, signed : sets.
    under_way : clips that are still being checked or counted.
    classes, stages : names to choose from, of the whole book.
    """

    to_look_at: tuple[Glance, ...]
    not_counted: tuple[HandedIn, ...]
    ready: tuple[Glance, ...]
    signed: tuple[Glance, ...]
    under_way: int
    classes: tuple[str, ...]
    stages: tuple[str, ...]

    @property
    def waiting(self) -> int:
        """Sets and clips that somebody has to look at."""
        return len(self.to_look_at) + len(self.not_counted)

    @property
    def total(self) -> int:
        """Everything but what is under way."""
        return max(1, self.waiting + len(self.ready) + len(self.signed))


def overview(connection: Connection, glances: Glances, wanted: Wanted) -> Overview:
    """Sort a book's sets and clips by what they wait for."""
    known = glances.all(connection)
    clips = clips_of(connection)
    mine = [one for one in known if wanted.fits(one.class_name, one.stage, one.pupil)]
    asked = [one for one in clips if wanted.fits(one.class_name, one.stage.name, one.pupil)]
    by_state: dict[str, list[Glance]] = {state: [] for state in STATE_WORDS}
    for one in mine:
        by_state[one.state].append(one)
    look = sorted(by_state["look"], key=lambda one: (one.questions, one.set_id))
    return Overview(
        (*look, *by_state["count again"]),
        tuple(one for one in reversed(asked) if one.state is ClipState.NOT_COUNTED),
        tuple(by_state["to sign"]),
        tuple(sorted(by_state["signed"], key=lambda one: one.signed_at, reverse=True)),
        sum(one.state in _UNDER_WAY for one in asked),
        tuple(sorted({one.class_name for one in known} | {one.class_name for one in clips})),
        tuple(dict.fromkeys([one.stage for one in known] + [one.stage.name for one in clips])),
    )


_UNDER_WAY = (ClipState.RECEIVED, ClipState.WAITING, ClipState.COUNTING)


def page_of(rows: Sequence[_Row], page: int) -> tuple[Sequence[_Row], int, int]:
    """Cut a page out of rows: its rows, its number, and how many there are."""
    pages = max(1, -(-len(rows) // PAGE_SIZE))
    page = min(max(1, page), pages)
    return rows[(page - 1) * PAGE_SIZE : page * PAGE_SIZE], page, pages


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
