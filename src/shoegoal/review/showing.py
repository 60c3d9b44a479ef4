"""Laying pages out, and saying any refusal on one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from shoegoal.errors import (
    BadSettingsError,
    NotLetInError,
    NotYetCertainError,
    RecordChangedError,
    ShoegoalError,
    TooManyTriesError,
)
from shoegoal.review.visitor import Visitor

HERE = Path(__file__).parent
_STATUS = (
    (RecordChangedError, 409),
    (NotYetCertainError, 409),
    (NotLetInError, 403),
    (TooManyTriesError, 429),
    (BadSettingsError, 422),
    (ShoegoalError, 500),
)


class Showing:
    """The templates, and what all of them are told."""

    def __init__(self) -> None:
        self._templates = Environment(
            loader=FileSystemLoader(HERE / "templates"),
            autoescape=select_autoescape(),
            undefined=StrictUndefined,
            trim_blocks=True,
            lstrip_blocks=True,
        )

    def page(
        self, name: str, visitor: Visitor | None, status: int = 200, **shown: Any
    ) -> HTMLResponse:
        """Lay a page out for somebody."""
        text = self._templates.get_template(name).render(visitor=visitor, **shown)
        return HTMLResponse(text, status)

    def trouble(self, request: Request, error: Exception) -> Response:
        """Say any refusal on a page of its own, or in the part of a page that asked."""
        if isinstance(error, HTTPException):
            status, words = error.status_code, error.detail
        else:
            status, words = status_of(error), str(error)
        name = "refused.html" if "hx-request" in request.headers else "trouble.html"
        return self.page(name, request.state.visitor, status, words=words)


def status_of(error: Exception) -> int:
    """HTTP status for one of ours."""
    return next(status for kind, status in _STATUS if isinstance(error, kind))
