"""Who may come in: only whoever was given this run's key, and only to this computer.

The page listens on loopback alone. Loopback is shared by everybody on the computer and by every
page that a browser has open, so a key that nobody can guess is asked for besides: it stands in the
address that `shoegoal review` prints, and from then on in a cookie that no other site can send.
"""

from __future__ import annotations

import hmac
from urllib.parse import urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "shoegoal_key"
KEY_FIELD = "key"
HOSTS = ("127.0.0.1", "localhost")
SAFE = ("GET", "HEAD")
_HEADERS = {
    # Nothing from elsewhere, nothing written into the page itself, no framing by others.
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "img-src 'self'; media-src 'self'; connect-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",  # children's pictures do not stay behind in a browser
}


class Guard:
    """ASGI middleware that lets requests with the key through, and hardens every answer."""

    def __init__(self, app: ASGIApp, key: str) -> None:
        self._app = app
        self._key = key

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_hardened(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        answer = self._refusal(Request(scope))
        await (answer or self._app)(scope, receive, send_hardened)

    def _refusal(self, request: Request) -> Response | None:
        if request.url.hostname not in HOSTS:
            return PlainTextResponse("this page answers to this computer only", 421)
        given = request.query_params.get(KEY_FIELD)
        if given is not None and request.method in SAFE and self._fits(given):
            # The key leaves the address at once, so that it is not copied along with it.
            answer = RedirectResponse(request.url.path, 303)
            answer.set_cookie(COOKIE, self._key, httponly=True, samesite="strict", path="/")
            return answer
        if not self._fits(request.cookies.get(COOKIE, "")):
            return PlainTextResponse(
                "open the whole address that shoegoal review printed; it holds the key", 403
            )
        if request.method not in SAFE and not _same_origin(request):
            return PlainTextResponse("that did not come from this page", 403)
        return None

    def _fits(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), self._key.encode())


def _same_origin(request: Request) -> bool:
    """Whether a page of ours asked for a change; browsers say where every POST comes from."""
    origin = request.headers.get("origin")
    return origin is not None and urlsplit(origin).netloc == request.url.netloc
