"""The pupil's pages: the next stage, sending a clip, and its result."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import FileResponse, RedirectResponse, Response
from starlette.routing import BaseRoute, Mount, Route
from starlette.staticfiles import StaticFiles

from shoegoal.card.plan import DRIBBLE_STEPS, phone_place
from shoegoal.errors import BadSettingsError, ShoegoalError
from shoegoal.filming_check.pupil import PupilAnswer
from shoegoal.ladder.rules import Stage
from shoegoal.ladder.verdict import Decision
from shoegoal.pictures.from_above import SMALL, from_above
from shoegoal.record.book import Book
from shoegoal.record.class_settings import SlipHolder, settings_by_code
from shoegoal.record.handed_in import (
    OPEN_STATES,
    ClipState,
    HandedIn,
    by_token,
    clips_of,
    count_again,
    move,
)
from shoegoal.record.history import SetHistory, counted_text, load_set, summary
from shoegoal.review.guard import (
    PLACE,
    SLIP_COOKIE,
    Entrance,
    Guard,
    Part,
    PhoneAsked,
    find_holder,
    pupil_route,
    remember,
    secret_of,
)
from shoegoal.review.routes import pointed_at
from shoegoal.review.showing import HERE, Showing, status_of
from shoegoal.review.tus import HANDED_IN_BEFORE, UPLOADS, Uploads, set_aside, settle
from shoegoal.review.views import task_of
from shoegoal.scale.results import PupilResults, form_hints, pupil_results
from shoegoal.scale.work import FOUND_NAME, PLAIN_NAME

MOST_LISTED = 20
# Clips without a set; one that is being counted is not in this list.
_MAY_BE_FILMED_AGAIN = (
    ClipState.CHECKED,
    ClipState.RECEIVING,
    ClipState.WAITING,
    ClipState.NOT_COUNTED,
)
WAITED_FOR = (ClipState.RECEIVED,)


def make_phone_app(book: Book, entrance: Entrance, showing: Showing) -> Starlette:
    """Build the pupils' application, to be mounted at `PLACE`.

    Parameters
    ----------
    book, showing : the record book and the templates.
    entrance : of the teacher's page, for the same host name and HTTPS.
    """
    pages = PhonePages(book, showing, secure=entrance.with_accounts)
    return Starlette(
        routes=[*Uploads(book).routes(), *pages.routes()],
        exception_handlers={HTTPException: pages.trouble, ShoegoalError: pages.trouble},
        middleware=[
            Middleware(
                Guard,
                entrance=entrance,
                trouble=pages.trouble,
                part=Part(asks_who=False, shows_blobs=True, uploads=UPLOADS),
            )
        ],
    )


class PhonePages:
    """The answers, over one book."""

    def __init__(self, book: Book, showing: Showing, *, secure: bool) -> None:
        self._book = book
        self._showing = showing
        self._secure = secure

    def routes(self) -> list[BaseRoute]:
        """List the addresses, as seen below `PLACE`."""
        one = "/clips/{token}"

        def pupil(method: str, path: str, answer: Callable[[PhoneAsked], Response]) -> Route:
            return pupil_route(self._book, method, path, answer)

        return [
            Mount("/static", StaticFiles(directory=HERE / "static")),
            pupil("GET", "/", self._home),
            Route("/slip", self._ask_slip, methods=["GET"]),
            Route("/slip", self._post_slip, methods=["POST"]),
            pupil("POST", "/forget", self._forget),
            pupil("GET", one, self._clip),
            pupil("GET", f"{one}/point", self._point),
            pupil("POST", f"{one}/point", self._pointed),
            pupil("POST", f"{one}/anyway", self._anyway),
            pupil("POST", f"{one}/again", self._again),
            *(
                pupil("GET", f"{one}/{name}", self._picture(name))
                for name in (FOUND_NAME, PLAIN_NAME)
            ),
            Route("/{code}", self._class, methods=["GET"]),
            Route("/{code}/{secret}", self._slip, methods=["GET"]),
        ]

    def trouble(self, request: Request, error: Exception) -> Response:
        """Show a refusal as a page."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status, words = status_of(error), str(error)
        return self._showing.page("phone/trouble.html", None, status, trouble=words, holder=None)

    async def _ask_slip(self, request: Request) -> Response:
        return self._slip_page("", 200)

    async def _class(self, request: Request) -> Response:
        """Open the class's link; a phone that has not stored a slip is asked for one."""

        def find() -> tuple[SlipHolder | None, bool]:
            with self._book.reading() as connection:
                known = settings_by_code(connection, request.path_params["code"]) is not None
            return find_holder(self._book, secret_of(request)), known

        holder, known = await run_in_threadpool(find)
        if not known:
            raise HTTPException(404, "There is no such page. Scan the code on your slip again.")
        return RedirectResponse(f"{PLACE}/", 303) if holder else self._slip_page("", 200)

    async def _slip(self, request: Request) -> Response:
        return await self._open_with(str(request.path_params["secret"]))

    async def _post_slip(self, request: Request) -> Response:
        async with request.form(max_files=0, max_fields=5) as form:
            given = form.get("secret", "")
        return await self._open_with(given if isinstance(given, str) else "")

    async def _open_with(self, secret: str) -> Response:
        holder = await run_in_threadpool(find_holder, self._book, secret[:100])
        if holder is None:
            return self._slip_page("No slip has this code. Check it once more.", 404)
        answer = RedirectResponse(f"{PLACE}/", 303)
        remember(answer, secret, secure=self._secure)
        return answer

    def _slip_page(self, trouble: str, status: int) -> Response:
        return self._showing.page("phone/slip.html", None, status, trouble=trouble, holder=None)

    def _forget(self, asked: PhoneAsked) -> Response:
        answer = RedirectResponse(f"{PLACE}/slip", 303)
        answer.delete_cookie(SLIP_COOKIE, path=PLACE)
        return answer

    def _home(self, asked: PhoneAsked) -> Response:
        holder = asked.by
        ladder = holder.settings.ladder
        with self._book.reading() as connection:
            results = pupil_results(connection, holder.pupil, ladder)
            clips = clips_of(connection, pupil_id=holder.pupil_id)
            clips = [one for one in clips if one.state is not ClipState.SET_ASIDE][:MOST_LISTED]
            shown = [clip_view(one, self._history(connection, one)) for one in clips]
        try:
            wanted = asked.request.query_params.get("stage")
            stage = ladder.stage_by_name(wanted) if wanted else results.next_stage
        except BadSettingsError:
            stage = results.next_stage
        return self._showing.page(
            "phone/home.html", None, holder=holder, stage=set_up_view(stage), clips=shown,
            is_next=stage == results.next_stage, is_finished=results.is_finished,
            others=[(one.name, one.title, task_of(one)) for one in ladder.all_stages
                    if one != stage],
        )  # fmt: skip

    def _clip(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        settle(self._book, clip)
        clip = self._own(asked)
        with self._book.reading() as connection:
            history = self._history(connection, clip)
            results = pupil_results(connection, clip.pupil, asked.by.settings.ladder)
        is_signed = history is not None and history.signature is not None
        result = _result(history, results) if history is not None and is_signed else None
        return self._showing.page(
            "phone/clip.html", None, one=clip_view(clip, history), holder=asked.by, result=result
        )

    def _point(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        view = clip_view(clip, None)
        if view.filmed is None or not _file(clip, PLAIN_NAME).is_file():
            raise HTTPException(404, "there is no picture of this clip to point in")
        return self._showing.page("phone/point.html", None, one=view, holder=asked.by)

    def _pointed(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        left, right = (pointed_at(str(asked.form.get(side, ""))) for side in ("left", "right"))
        if clip.state in (ClipState.CHECKED, ClipState.WAITING, ClipState.NOT_COUNTED):
            with self._book.writing(history=False) as connection:
                count_again(connection, clip, left, right)
        return self._back_to(clip)

    def _anyway(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        if clip.state is ClipState.CHECKED:
            with self._book.writing(history=False) as connection:
                move(connection, clip, ClipState.WAITING)
        return self._back_to(clip)

    def _again(self, asked: PhoneAsked) -> Response:
        clip = self._own(asked)
        if clip.state in _MAY_BE_FILMED_AGAIN:
            set_aside(self._book, clip)
        return RedirectResponse(f"{PLACE}/?stage={clip.stage.name}", 303)

    def _picture(self, name: str) -> Callable[[PhoneAsked], Response]:
        def answer(asked: PhoneAsked) -> Response:
            file = _file(self._own(asked), name)
            if not file.is_file():
                raise HTTPException(404, "there is no such picture")
            return FileResponse(file, media_type="image/jpeg")

        return answer

    def _own(self, asked: PhoneAsked) -> HandedIn:
        """Read the clip of an address; 404 for another pupil's clip."""
        with self._book.reading() as connection:
            clip = by_token(connection, asked.token)
        if clip is None or clip.pupil_id != asked.by.pupil_id:
            raise HTTPException(404, "There is no such clip of yours.")
        return clip

    def _history(self, connection: Connection, clip: HandedIn) -> SetHistory | None:
        return None if clip.set_id is None else load_set(connection, clip.set_id)

    def _back_to(self, clip: HandedIn) -> Response:
        return RedirectResponse(f"{PLACE}/clips/{clip.token}", 303)


def _file(clip: HandedIn, name: str) -> Path:
    return clip.clip_path.with_name(name)


def _result(history: SetHistory, results: PupilResults) -> dict[str, object]:
    """Work out a signed set's result for its pupil."""
    above = None
    try:
        analysis = history.count.analysis()
        if analysis.scene is not None:
            above = from_above(analysis, history.status(analysis).to_draw, near=True, widest=SMALL)
    except BadSettingsError:
        pass  # counted by another version; its signature is still valid
    step = results.verified
    return {
        "above": above,
        "next": "The whole ladder is climbed!" if results.is_finished
        else None if step.stage is None else step.stage.title,
        "next_task": None if step.stage is None else task_of(step.stage),
        "next_goal": results.next_goal,
        "hints": form_hints(history),
    }  # fmt: skip


@dataclass(frozen=True, slots=True)
class ClipView:
    """A clip for its pupil's page.

    Attributes
    ----------
    token, stage, task : which.
    mark : symbol of its state: ``ok``, ``again``, ``wait``, ``made`` or ``not-yet``.
    heading, words : its state.
    short : the same for a line of a list.
    filmed : the answer of the filming check.
    has_picture : there is a picture of it.
    asks : the pupil has to decide whether to film again.
    may_film_again : it has no result yet, and another clip may be quicker.
    may_point : the goal was not found for sure, and the pupil may point at both markers.
    shows_goal : the picture shows a goal that the pupil should check.
    is_settling : the page should reload soon.
    """

    token: str
    stage: str
    task: str
    mark: str
    heading: str
    words: str
    short: str
    filmed: PupilAnswer | None
    has_picture: bool
    asks: bool
    may_film_again: bool
    may_point: bool
    shows_goal: bool
    is_settling: bool


@dataclass(frozen=True, slots=True)
class SetUpView:
    """How a stage is set up, for the drawing on a phone."""

    name: str
    title: str
    task: str
    is_dribble: bool
    width: str
    back: str
    phone: tuple[str, str]
    steps: tuple[str, ...]


def clip_view(clip: HandedIn, history: SetHistory | None) -> ClipView:
    """Put a clip's state into words for the pupil."""
    filmed = None if clip.filming is None else PupilAnswer.deserialise(clip.filming)
    mark, heading, words, short = _said(clip, history, filmed)
    open_ = clip.state in (ClipState.WAITING, ClipState.COUNTING, ClipState.CHECKED)
    unsure = filmed is not None and not (filmed.good and filmed.sure)
    to_repair = open_ or (clip.state is ClipState.NOT_COUNTED and not is_known(clip))
    return ClipView(
        clip.token,
        clip.stage.title,
        task_of(clip.stage.to_stage()),
        mark,
        heading,
        words,
        short,
        filmed,
        clip.clip_path.with_name(FOUND_NAME).is_file(),
        clip.state is ClipState.CHECKED,
        clip.state is ClipState.NOT_COUNTED or (clip.state is ClipState.WAITING and unsure),
        to_repair
        and clip.markers_px is None
        and clip.stage.width_steps is not None
        and clip.clip_path.with_name(PLAIN_NAME).is_file()
        and (unsure or clip.state is ClipState.NOT_COUNTED),
        open_ and clip.markers_px is None and filmed is not None and filmed.markers_px is not None,
        clip.state in WAITED_FOR or (unsure and clip.state in OPEN_STATES),
    )


def is_known(clip: HandedIn) -> bool:
    """Whether the same file had been handed in before."""
    return clip.why.startswith(HANDED_IN_BEFORE)


def _said(
    clip: HandedIn, history: SetHistory | None, filmed: PupilAnswer | None
) -> tuple[str, str, str, str]:
    handed_in = ("ok", "Handed in")
    match clip.state:
        case ClipState.RECEIVING:
            words = "Choose the same clip again: sending continues where it stopped."
            return "wait", "Not all of your clip has arrived", words, "not all of it has arrived"
        case ClipState.RECEIVED:
            words = "We are checking how it was filmed. That takes a few seconds."
            return "wait", "Your clip has arrived", words, "being looked at"
        case ClipState.CHECKED:
            saw = "" if filmed is None else filmed.saw
            return "again", "Film again", saw, "film again"
        case ClipState.WAITING | ClipState.COUNTING:
            saw = "" if filmed is None else f"{filmed.saw} "
            now = "Now it is being counted."
            if filmed is not None and not filmed.sure:
                now = "It is being counted anyway." if clip.markers_px is None else now
            return *handed_in, f"{saw}{now}", "being counted"
        case ClipState.NOT_COUNTED:
            if is_known(clip):
                words = "We know this clip already. Film a new one."
                return "again", "Handed in before", words, "handed in before"
            if filmed is not None and not filmed.sure:
                words = "We could not count this clip. Your teacher can see it, too."
                return "again", "Film again", words, "film again"
            words = "It could not be counted by itself. Your teacher will look at it."
            return *handed_in, words, "your teacher will look"
        case ClipState.SET_ASIDE:
            words = clip.why or "You are filming another one instead."
            return "again", "Set aside", words, "set aside"
        case ClipState.COUNTED:
            if history is None or history.signature is None:
                words = "Your teacher will look at the count."
                return *handed_in, words, "your teacher will look"
            return _signed(history)


def _signed(history: SetHistory) -> tuple[str, str, str, str]:
    said = summary(history, None)
    counted = counted_text(said)
    match Decision(said["decision"]):
        case Decision.ADVANCE:
            return "made", f"{counted}: reached!", "Your teacher has signed it.", "reached"
        case Decision.TRY_AGAIN:
            words = "Your teacher has signed it. Try once more; you know the way now."
            return "not-yet", f"{counted}: not yet", words, "not yet, try again"
        case _:
            words = "Your teacher has looked: some shots are missing. Film the whole set once more."
            return "not-yet", f"{counted}: not finished", words, "not finished"


def set_up_view(stage: Stage) -> SetUpView:
    """Work out the drawing and its three sentences."""
    place = phone_place(stage)
    first = "Warm up, clear the space, ask a grown-up."
    last = "One clip, the whole set. Nobody moves the phone."
    if stage.back_steps is None or stage.width_steps is None:
        return SetUpView(
            stage.name, stage.title, task_of(stage), True, "",
            f"{DRIBBLE_STEPS} by {DRIBBLE_STEPS} steps of space",
            (f"{place.behind_steps} steps in front", "of you"),
            (first, "Stand the phone up so that you and the whole space are in the picture.", last),
        )  # fmt: skip
    return SetUpView(
        stage.name, stage.title, task_of(stage), False,
        f"{stage.width_steps:g} of your steps", f"{stage.back_steps:g} steps",
        (f"{place.behind_steps} steps back,", f"{place.aside_steps} to the side"),
        (
            first,
            "Stand the phone up so that both markers and the ball are in the picture.",
            last,
        ),
    )  # fmt: skip
