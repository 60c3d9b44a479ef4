"""The pages about all sets: those that need a look, the sheet to sign together, the signed ones.

And the clips that could not be counted, which are repaired by pointing at the markers.
"""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, func, select
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from shoegoal.errors import BadSettingsError, OutputError, RecordBookError, ShoegoalError
from shoegoal.filming_check.pupil import PupilAnswer
from shoegoal.ladder.verdict import Decision
from shoegoal.pictures.from_above import SMALL, FromAbove, from_above
from shoegoal.record import schema
from shoegoal.record.accounts import Role
from shoegoal.record.accuracy import Trust, trust_of
from shoegoal.record.book import Book
from shoegoal.record.handed_in import ClipState, HandedIn, by_id, clips_of, count_again, move
from shoegoal.record.history import SetHistory, counted_text, load_set, summary
from shoegoal.record.journal import UNKNOWN, set_version
from shoegoal.record.pictures import SetPictures
from shoegoal.record.reviewing import sign
from shoegoal.record.set_states import COUNT_AGAIN, LOOK, SIGNED, TO_SIGN, are_known, work_out
from shoegoal.record.status import SetStatus
from shoegoal.review.media import CLIP_TYPES
from shoegoal.review.routes import (
    EVERYBODY,
    TEACHERS,
    Asked,
    PageRoute,
    Wanted,
    name_of,
    pointed_at,
    remember_name,
    wanted_of,
)
from shoegoal.review.showing import Showing, status_of
from shoegoal.review.views import TimeMark, over_time, tally_words, task_of
from shoegoal.scale.work import PLAIN_NAME

FILM_AGAIN = "Your teacher asks you to film this set again."
PAGE_SIZE = 50
MOST_KEPT = 1_000  # glances; some kB each
WAIT_FOR_STATES_S = 5.0  # for each page view; the next one continues
_UNDER_WAY = (ClipState.RECEIVED, ClipState.WAITING, ClipState.COUNTING)
_ORDERS = {
    # Sets with the fewest looks come first; unreadable ones come last.
    LOOK: (schema.set_states.c.state.desc(), "questions", "set_id"),
    TO_SIGN: ("set_id",),
    SIGNED: (schema.set_states.c.signed_at.desc(), "set_id"),
}
_WORDS = {
    Decision.ADVANCE.value: "advance",
    Decision.TRY_AGAIN.value: "try again",
    Decision.NOT_FINISHED.value: "not finished",
}


class QueuePages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, glances: Glances) -> None:
        self._book = book
        self._showing = showing
        self._glances = glances

    def routes(self) -> list[PageRoute]:
        """List the addresses."""
        clip = "/clips/{clip_id:int}"
        return [
            PageRoute("GET", "/", EVERYBODY, self._queue),
            PageRoute("GET", "/ready", TEACHERS, self._ready),
            PageRoute("POST", "/ready/sign", TEACHERS, self._sign),
            PageRoute("GET", "/signed", TEACHERS, self._signed),
            PageRoute("GET", clip, TEACHERS, self._clip),
            PageRoute("GET", f"{clip}/still.jpg", TEACHERS, self._still),
            PageRoute("GET", f"{clip}/clip", TEACHERS, self._film),
            PageRoute("POST", f"{clip}/point", TEACHERS, self._pointed),
            PageRoute("POST", f"{clip}/again", TEACHERS, self._again),
        ]

    def _queue(self, asked: Asked) -> Response:
        if asked.by.role is Role.COACH:
            return RedirectResponse("/checks", 303)
        if not asked.by.is_teacher:
            return self._own(asked)
        wanted = wanted_of(asked)
        bring_up_to_date(self._book)
        with self._book.reading() as connection:
            seen = overview(connection, wanted)
            at = PageNumber.of(seen.waiting, _page(asked))
            clips = seen.not_counted[at.first : at.first + at.size]  # these come first
            first = max(0, at.first - len(seen.not_counted))
            sets = waiting_for(connection, LOOK, wanted, first, at.size - len(clips))
            shown = self._glances.of(connection, sets)
        return self._showing.page(
            "queue.html", asked.by, seen=seen, wanted=wanted, at=at,
            clips=[_to_repair(one) for one in clips], sets=shown,
        )  # fmt: skip

    def _own(self, asked: Asked) -> Response:
        """Show a student with an account their own sets."""
        with self._book.reading() as connection:
            own = () if asked.by.pupil_id is None else sets_of_pupil(connection, asked.by.pupil_id)
            shown = self._glances.of(connection, own)
        return self._showing.page("own.html", asked.by, sets=shown)

    def _ready(self, asked: Asked) -> Response:
        return self._sheet(asked, "", 200)

    def _sheet(self, asked: Asked, trouble: str, status: int) -> Response:
        wanted = wanted_of(asked)
        seen, at, sets = self._of_state(asked, TO_SIGN)
        done = asked.request.query_params.get("signed", "")
        return self._showing.page(
            "ready.html", asked.by, status, seen=seen, wanted=wanted, at=at, sets=sets,
            signer=name_of(asked), trouble=trouble,
            said=f"Signed: {done}." if done.isdecimal() else "",
        )  # fmt: skip

    def _sign(self, asked: Asked) -> Response:
        """Sign every ticked set, each with its own entry, if it is still as the page showed it."""
        typed = asked.form.get("by", "")
        by = asked.by.name or (typed.strip() if isinstance(typed, str) else "")
        chosen = [str(one).partition(":") for one in asked.form.getlist("set")]
        signed, trouble, status = 0, "", 200
        try:
            if not chosen:
                raise BadSettingsError("tick the sets that you want to sign")
            for set_id, _, seen in chosen:
                if not (set_id.isdecimal() and seen.isdecimal()):
                    raise BadSettingsError("the page sent no usable set; load it again")
                sign(self._book, int(set_id), by, seen=int(seen))
                signed += 1
        except ShoegoalError as error:
            trouble, status = f"{_signed_so_far(signed)}{error}", status_of(error)
        if trouble:
            return self._sheet(asked, trouble, status)
        wanted = wanted_of(asked)
        rest = f"&{wanted.query}" if wanted.query else ""
        answer = RedirectResponse(f"/ready?signed={signed}{rest}", 303)
        if asked.by.name is None:
            remember_name(answer, by)
        return answer

    def _signed(self, asked: Asked) -> Response:
        seen, at, sets = self._of_state(asked, SIGNED)
        return self._showing.page(
            "signed.html", asked.by, seen=seen, wanted=wanted_of(asked), at=at, sets=sets
        )

    def _of_state(self, asked: Asked, state: str) -> tuple[Overview, PageNumber, list[Glance]]:
        wanted = wanted_of(asked)
        bring_up_to_date(self._book)
        with self._book.reading() as connection:
            seen = overview(connection, wanted)
            at = PageNumber.of(seen.ready if state == TO_SIGN else seen.signed, _page(asked))
            sets = waiting_for(connection, state, wanted, at.first, at.size)
            return seen, at, self._glances.of(connection, sets)

    def _clip(self, asked: Asked) -> Response:
        return self._clip_page(asked, self._handed_in(asked), "", 200)

    def _clip_page(self, asked: Asked, clip: HandedIn, trouble: str, status: int) -> Response:
        wanted = wanted_of(asked)
        with self._book.reading() as connection:
            seen = overview(connection, wanted)
        filmed = None if clip.filming is None else PupilAnswer.deserialise(clip.filming)
        return self._showing.page(
            "clip.html", asked.by, status, seen=seen, wanted=wanted, one=clip, filmed=filmed,
            trouble=trouble, said="", why=plain_reason(clip.why),
            has_still=_has_still(clip),
            has_clip=clip.clip_path.is_file(), waits=clip.state is ClipState.NOT_COUNTED,
        )  # fmt: skip

    def _still(self, asked: Asked) -> Response:
        file = self._handed_in(asked).clip_path.with_name(PLAIN_NAME)
        if not file.is_file():
            raise HTTPException(404, "there is no such picture")
        return FileResponse(file, media_type="image/jpeg")

    def _film(self, asked: Asked) -> Response:
        file = self._handed_in(asked).clip_path
        if not file.is_file():
            raise HTTPException(404, "the clip was deleted")
        kind = CLIP_TYPES.get(file.suffix.lower(), "application/octet-stream")
        return FileResponse(file, media_type=kind)

    def _pointed(self, asked: Asked) -> Response:
        clip = self._handed_in(asked)
        try:
            left, right = (pointed_at(str(asked.form.get(name, ""))) for name in ("left", "right"))
            with self._book.writing(history=False) as connection:
                taken = count_again(connection, clip, left, right)
            if clip.state is not ClipState.NOT_COUNTED or not taken:
                raise BadSettingsError("this clip is being counted already")
        except ShoegoalError as error:
            return self._clip_page(asked, clip, str(error), status_of(error))
        return self._to_queue(asked)

    def _again(self, asked: Asked) -> Response:
        clip = self._handed_in(asked)
        if clip.state is ClipState.NOT_COUNTED:
            with self._book.writing(history=False) as connection:
                move(connection, clip, ClipState.SET_ASIDE, why=FILM_AGAIN)
        return self._to_queue(asked)

    def _to_queue(self, asked: Asked) -> Response:
        query = wanted_of(asked).query
        return RedirectResponse(f"/?{query}" if query else "/", 303)

    def _handed_in(self, asked: Asked) -> HandedIn:
        clip_id = asked.number("clip_id")
        with self._book.reading() as connection:
            clip = by_id(connection, clip_id)
        if clip is None:
            raise HTTPException(404, f"there is no clip {clip_id}")
        return clip


@dataclass(frozen=True, slots=True)
class ToRepair:
    """A clip in the queue that could not be counted, why, and whether pointing may help."""

    clip: HandedIn
    why: str
    has_still: bool
    can_point: bool


def _to_repair(clip: HandedIn) -> ToRepair:
    has_still = _has_still(clip)
    can_point = has_still and clip.stage.width_steps is not None and clip.filming is not None
    return ToRepair(clip, plain_reason(clip.why), has_still, can_point)


def _has_still(clip: HandedIn) -> bool:
    return clip.clip_path.with_name(PLAIN_NAME).is_file()


def plain_reason(why: str) -> str:
    """Say why a clip cannot be counted, without words of the command line."""
    first = why.split(";")[0].split(": give")[0].split("--")[0].strip()
    return f"{first[0].upper()}{first[1:].rstrip('.')}." if first else "It could not be counted."


def _signed_so_far(count: int) -> str:
    return f"{count} signed. Then: " if count else ""


def _page(asked: Asked) -> int:
    said = asked.request.query_params.get("page", "1")
    return int(said) if said.isdecimal() and len(said) < 6 else 1


@dataclass(frozen=True, slots=True)
class Glance:
    """A set in the queue or on the sheet.

    Attributes
    ----------
    state : what it waits for; see `shoegoal.record.history.state_of`.
    questions : how many looks it needs.
    word, is_met : the verdict in a word, and whether the stage is met.
    above : the goal and its surroundings; None for touches, or a count of another version.
    over_time : touches and losses along a time line; empty for a set of shots.
    first_time_s : time of the kick that its small picture shows; None without a kick.
    has_stills : whether it has small stills of its shots.
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
    above: FromAbove | None
    over_time: list[TimeMark]
    first_time_s: float | None
    has_stills: bool
    signed_by: str
    signed_at: str


class Glances:
    """Glances of sets; the last ones are kept, by set, version and trust."""

    def __init__(self) -> None:
        self._known: OrderedDict[tuple[int, int, Trust], Glance] = OrderedDict()

    def of(self, connection: Connection, set_ids: Iterable[int]) -> list[Glance]:
        """Return the glances of some sets, in the given order."""
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
    """How far the work on the wanted sets is.

    Attributes
    ----------
    not_counted : clips that were handed in and could not be counted.
    to_look_at, ready, signed : how many sets.
    unknown : sets whose state is not worked out yet.
    under_way : clips that are being checked or counted.
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
        """Sets and clips that a person has to look at."""
        return self.to_look_at + len(self.not_counted)

    @property
    def total(self) -> int:
        """All sets and clips except those under way."""
        return max(1, self.waiting + self.ready + self.signed)


def bring_up_to_date(book: Book) -> None:
    """Work out unknown states of sets, unless the book is busy."""
    with book.reading() as connection:
        if are_known(connection):
            return
    until, left = time.monotonic() + WAIT_FOR_STATES_S, True
    with suppress(RecordBookError, OutputError):
        while left and time.monotonic() < until:
            with book.writing(history=False) as connection:
                left = work_out(connection, within_s=until - time.monotonic())


def overview(connection: Connection, wanted: Wanted) -> Overview:
    """Count a book's sets and clips by state."""
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


def waiting_for(
    connection: Connection, state: str, wanted: Wanted, first: int = 0, most: int = 1
) -> list[int]:
    """List the sets in one state, in the order of the page."""
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
    else:  # in Python, because databases fold the case of few letters
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
        """Limit a page's number to the existing pages."""
        pages = max(1, -(-rows // PAGE_SIZE))
        return cls(min(max(1, page), pages), pages, PAGE_SIZE)

    @property
    def first(self) -> int:
        """Place of the page's first row."""
        return (self.page - 1) * self.size


def glance_at(history: SetHistory) -> Glance:
    """Work out a set's glance."""
    above, status, first_s, stills = None, None, None, False
    marks: list[TimeMark] = []
    try:
        analysis = history.count.analysis()
        status = history.status(analysis)
        if analysis.scene is not None:
            above = from_above(analysis, status.to_draw, near=True, widest=SMALL)
        else:
            marks = over_time(status, analysis)
        if status.shots:
            look = status.looks[0] if status.looks else status.shots[0].number
            first_s = next(s.time_s for s in status.shots if s.number == look)
        stills = SetPictures(history, analysis).has_any_stills
    except BadSettingsError:
        pass  # counted by another version
    except ShoegoalError:
        above = None
    said = summary(history, None if history.signature is not None else status)
    decision = said["decision"]
    return Glance(
        history.set_id,
        history.version,
        history.pupil_id,
        history.pupil,
        history.class_name or "",
        history.stage.name,
        task_of(history.stage.to_stage()),
        said["state"],
        _sentence(said["sentence"], status, touches=history.counts_touches),
        counted_text(said),
        0 if status is None else len(status.looks) + len(status.doubts),
        _WORDS.get(decision, ""),
        decision == Decision.ADVANCE.value,
        above,
        marks,
        first_s,
        stills,
        said["signed_by"] or "",
        said["signed_at"] or "",
    )


def _sentence(said: str, status: SetStatus | None, *, touches: bool) -> str:
    """Say which shots settle a set, or its verdict."""
    if status is None or not status.needs_a_look:
        return said
    shots = ", ".join(str(number) for number in status.looks)
    what = ("touch" if touches else "shot") + ("" if len(status.looks) == 1 else "s")
    settles = f"{what} {shots} settle{'s' if len(status.looks) == 1 else ''} it"
    if not status.looks:
        settles = "a shot may be hidden in a part of the clip"
    return f"{tally_words(status.tally, touches=touches)}: {settles}"
