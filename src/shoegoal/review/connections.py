"""How long a connection may take, and how many there may be: nobody can hold the page shut.

uvicorn limits how long a connection may idle after an answer, but waits for a first request, or for
the rest of a half-sent one, for ever.
"""

from __future__ import annotations

import asyncio
import functools
import time
from collections import OrderedDict
from typing import Any, ClassVar

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

MOST_CONNECTIONS = 400
REQUEST_WITHIN_S = 10.0  # from its first byte, or from connecting, to the end of its headers
HANDSHAKE_WITHIN_S = 10.0
KEEP_ALIVE_S = 5
OPEN_FILES = 4096


class PatientProtocol(H11Protocol):
    """HTTP/1.1 that closes a connection whose request does not come, the oldest first.

    When there are too many, the one that has waited longest without a request makes room.
    """

    _waiting: ClassVar[OrderedDict[PatientProtocol, float]] = OrderedDict()
    _open: ClassVar[set[PatientProtocol]] = set()

    def connection_made(self, transport: Any) -> None:
        """Take a connection on."""
        super().connection_made(transport)
        self._open.add(self)
        self._wait()
        if len(self._open) > MOST_CONNECTIONS:
            next(iter(self._waiting)).transport.abort()

    def connection_lost(self, exc: Exception | None) -> None:
        """Let it go."""
        self._open.discard(self)
        self._waiting.pop(self, None)
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Take in what came; a request that is whole waits no longer."""
        super().data_received(data)
        if self.cycle is not None and not self.cycle.response_complete:
            self._waiting.pop(self, None)
        elif self not in self._waiting:
            self._wait()

    def on_response_complete(self) -> None:
        """Go on to the next request."""
        super().on_response_complete()
        if not self.transport.is_closing() and (self.cycle is None or self.cycle.response_complete):
            self._waiting[self] = time.monotonic()

    @classmethod
    def close_late(cls) -> None:
        """Close every connection that has waited too long."""
        until = time.monotonic() - REQUEST_WITHIN_S
        for late in [one for one, since in cls._waiting.items() if since < until]:
            late.transport.abort()

    def _wait(self) -> None:
        self._waiting[self] = time.monotonic()


class PatientServer(uvicorn.Server):
    """A server whose connections have their time."""

    async def startup(self, sockets: list[Any] | None = None) -> None:
        """Begin to listen, with a limit on how long agreeing on TLS may take."""
        loop: Any = asyncio.get_running_loop()
        if self.config.is_ssl:
            loop.create_server = functools.partial(
                loop.create_server,
                ssl_handshake_timeout=HANDSHAKE_WITHIN_S,
                ssl_shutdown_timeout=HANDSHAKE_WITHIN_S,
            )
        await super().startup(sockets)

    async def on_tick(self, counter: int) -> bool:
        """Look after the connections once a second."""
        if counter % 10 == 0:
            PatientProtocol.close_late()
        return await super().on_tick(counter)


def allow_open_files() -> None:
    """Let this process have as many files and connections open as it may, up to some thousand."""
    try:
        import resource
    except ImportError:  # not on this platform
        return
    now, most = resource.getrlimit(resource.RLIMIT_NOFILE)
    wanted = OPEN_FILES if most == resource.RLIM_INFINITY else min(OPEN_FILES, most)
    if now != resource.RLIM_INFINITY and now < wanted:
        resource.setrlimit(resource.RLIMIT_NOFILE, (wanted, most))
