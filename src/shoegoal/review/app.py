"""The page put together: its addresses, its files, and the guard before all of them."""

from __future__ import annotations

from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.routing import BaseRoute, Mount
from starlette.staticfiles import StaticFiles

from shoegoal.errors import ShoegoalError
from shoegoal.record.book import Book
from shoegoal.review.accuracy import AccuracyPage
from shoegoal.review.checks import CheckPages
from shoegoal.review.glances import Glances
from shoegoal.review.guard import Entrance, Guard, Part
from shoegoal.review.login import LoginPages
from shoegoal.review.media import Clips
from shoegoal.review.phone import make_phone_app
from shoegoal.review.phone_guard import PLACE
from shoegoal.review.queue import QueuePages
from shoegoal.review.sets import SetPages
from shoegoal.review.showing import HERE, Showing


def make_app(book: Book, entrance: Entrance) -> Starlette:
    """Build the application.

    Parameters
    ----------
    book : the record book.
    entrance : how visitors are known; see `shoegoal.review.guard`.
    """
    showing, clips = Showing(), Clips()
    doors = [
        *QueuePages(book, showing, Glances()).doors(),
        *SetPages(book, showing, clips).doors(),
        *CheckPages(book, showing, clips).doors(),
        *AccuracyPage(book, showing).doors(),
    ]
    routes: list[BaseRoute] = [Mount("/static", StaticFiles(directory=HERE / "static"))]
    if entrance.with_accounts:
        login = LoginPages(book, showing)
        routes += login.open_routes()
        doors += login.doors()
    routes += [door.route() for door in doors]
    handlers: Any = {HTTPException: showing.trouble, ShoegoalError: showing.trouble}
    teachers = Starlette(
        routes=routes,
        exception_handlers=handlers,
        middleware=[Middleware(Guard, entrance=entrance, trouble=showing.trouble, part=Part())],
    )
    # Pupils bring a slip in place of key or account, so their pages stand before the guard.
    phones = make_phone_app(book, entrance, showing)
    return Starlette(routes=[Mount(PLACE, phones), Mount("/", teachers)])
