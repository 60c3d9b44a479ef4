"""The pages about all sets: what needs a look, the sheet that is signed together, what is signed.

And the clips that could not be counted, which are repaired by pointing at their markers.
"""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, RedirectResponse, Response

from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.filming_check.pupil import Filmed
from shoegoal.record.accounts import Role
from shoegoal.record.book import Book
from shoegoal.record.handed_in import ClipState, HandedIn, by_id, count_again, move
from shoegoal.record.reviewing import sign
from shoegoal.record.states import LOOK, SIGNED, TO_SIGN
from shoegoal.review.actions import pointed_at
from shoegoal.review.doors import EVERYBODY, TEACHERS, Asked, Door
from shoegoal.review.glances import (
    Glance,
    Glances,
    Overview,
    PageNumber,
    bring_up_to_date,
    overview,
    sets_of_pupil,
    waiting_for,
)
from shoegoal.review.media import CLIP_TYPES
from shoegoal.review.sets import name_of, remember_name, wanted_of
from shoegoal.review.showing import Showing, status_of
from shoegoal.scale.work import PLAIN_NAME

FILM_AGAIN = "Your teacher asks you to film this set again."


class QueuePages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, glances: Glances) -> None:
        self._book = book
        self._showing = showing
        self._glances = glances

    def doors(self) -> list[Door]:
        """List the addresses."""
        clip = "/clips/{clip_id:int}"
        return [
            Door("GET", "/", EVERYBODY, self._queue),
            Door("GET", "/ready", TEACHERS, self._ready),
            Door("POST", "/ready/sign", TEACHERS, self._sign),
            Door("GET", "/signed", TEACHERS, self._signed),
            Door("GET", clip, TEACHERS, self._clip),
            Door("GET", f"{clip}/still.jpg", TEACHERS, self._still),
            Door("GET", f"{clip}/clip", TEACHERS, self._film),
            Door("POST", f"{clip}/point", TEACHERS, self._pointed),
            Door("POST", f"{clip}/again", TEACHERS, self._again),
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
            "queue.html", asked.by, seen=seen, wanted=wanted, at=at, clips=clips, sets=shown
        )

    def _own(self, asked: Asked) -> Response:
        """Show a student's own sets, with an account in place of a slip."""
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
        """Sign every set that was ticked, each with an entry of its own, as it was seen."""
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
        filmed = None if clip.filming is None else Filmed.from_plain(clip.filming)
        return self._showing.page(
            "clip.html", asked.by, status, seen=seen, wanted=wanted, one=clip, filmed=filmed,
            trouble=trouble, said="", why=plain_reason(clip.why),
            has_still=clip.clip_path.with_name(PLAIN_NAME).is_file(),
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
            raise HTTPException(404, "the clip is not there any more")
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


def plain_reason(why: str) -> str:
    """Say why a clip cannot be counted without the words of the command line."""
    first = why.split(";")[0].split(": give")[0].split("--")[0].strip()
    return first.rstrip(".") + "." if first else "It could not be counted."


def _signed_so_far(count: int) -> str:
    return f"{count} signed. Then: " if count else ""


def _page(asked: Asked) -> int:
    said = asked.request.query_params.get("page", "1")
    return int(said) if said.isdecimal() and len(said) < 6 else 1
