"""Laying pages out, and showing refusals on them."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from shoegoal.errors import (
    BadSettingsError,
    ClipNotJudgeableError,
    ClipUnreadableError,
    NotLetInError,
    NotYetCertainError,
    OutputError,
    RecordBookError,
    RecordChangedError,
    ShoegoalError,
    TooManyTriesError,
)
from shoegoal.review.routes import Visitor

HERE = Path(__file__).parent
# Only the message is inserted: what the user typed stays, to be sent again.
_WORDS_ALONE = {"hx-retarget": "#said", "hx-reswap": "outerHTML"}
_STATUS = (
    (RecordChangedError, 409),
    (NotYetCertainError, 409),
    (NotLetInError, 403),
    (TooManyTriesError, 429),
    (BadSettingsError, 422),
    (RecordBookError, 503),  # RFC 9110, 15.6.4: not now; it may work in a moment
    (OutputError, 507),  # RFC 4918, 11.5: no room to store it
    (ClipNotJudgeableError, 422),  # a marker was moved to where nothing can be judged
    (ClipUnreadableError, 422),
    (ShoegoalError, 500),
)


class Showing:
    """The templates and their common values."""

    def page(
        self, name: str, visitor: Visitor | None, status: int = 200, **shown: Any
    ) -> HTMLResponse:
        """Lay a page out for a visitor."""
        text = _templates().get_template(name).render(visitor=visitor, **shown)
        return HTMLResponse(text, status)

    def trouble(self, request: Request, error: Exception) -> Response:
        """Show a refusal as its own page, or on the page that asked."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status, words = status_of(error), str(error)
        if "hx-request" not in request.headers:
            return self.page("trouble.html", request.state.visitor, status, trouble=words)
        answer = self.page("said.html", request.state.visitor, status, trouble=words)
        answer.headers.update(_WORDS_ALONE)
        return answer


@cache
def _templates() -> Environment:
    """Return the templates; each is read and compiled once."""
    templates = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    templates.filters["minute"] = _minute
    return templates


def _minute(at: str) -> str:
    """Write a time of the book for people, to the minute."""
    return f"{at[:10]}, {at[11:16]} UTC"


def status_of(error: Exception) -> int:
    """Return the HTTP status of one of our errors."""
    return next(status for kind, status in _STATUS if isinstance(error, kind))
