"""Uploads in parts: the core of tus 1.0 with creation and termination (https://tus.io).

The offset of an upload is the length of its file and nothing else. After a lost connection, a
closed page or a killed server, it continues from there. Existing libraries keep another file beside
every upload and need another framework; here the book's row says whose clip it is.
"""

from __future__ import annotations

import base64
import binascii
import os
import shutil
from collections.abc import Awaitable, Callable
from datetime import UTC, datetime, timedelta
from io import FileIO
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from shoegoal.analysis.model import StageRecord
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import BadSettingsError, ClipUnreadableError, ShoegoalError
from shoegoal.record.book import Book
from shoegoal.record.class_settings import SlipHolder
from shoegoal.record.handed_in import (
    ClipState,
    HandedIn,
    begin,
    by_token,
    clips_folder,
    count_since,
    move,
    twin_of,
)
from shoegoal.review.guard import PLACE, find_holder, secret_of
from shoegoal.review.showing import status_of
from shoegoal.scale.assignments import suffix_of

VERSION = "1.0.0"
UPLOADS = f"{PLACE}/uploads"
PART_TYPE = "application/offset+octet-stream"
KEPT_FREE_BYTES = 1_000_000_000  # of the disk, left free for counting and for other programs
MB = 1_000_000
HANDED_IN_BEFORE = "this clip was handed in before"
_TUS = {"tus-resumable": VERSION}


class Uploads:
    """The addresses to which clips are sent, over one book."""

    def __init__(self, book: Book) -> None:
        self._book = book
        self._writer_of: dict[str, object] = {}  # only the newest sender of a clip may write

    def routes(self) -> list[Route]:
        """List the addresses, as seen below `PLACE`."""
        one = "/uploads/{token}"
        return [
            Route("/uploads", self._options, methods=["OPTIONS"]),
            Route("/uploads", self._answering(self._create), methods=["POST"]),
            Route(one, self._options, methods=["OPTIONS"]),
            Route(one, self._answering(self._offset), methods=["HEAD"]),
            Route(one, self._answering(self._append), methods=["PATCH"]),
            Route(one, self._answering(self._drop), methods=["DELETE"]),
        ]

    async def _options(self, request: Request) -> Response:
        headers = {"tus-version": VERSION, "tus-extension": "creation,termination"}
        return Response(status_code=204, headers=_TUS | headers)

    def _answering(
        self, answer: Callable[[Request, SlipHolder], Awaitable[Response]]
    ) -> Callable[[Request], Awaitable[Response]]:
        async def guarded(request: Request) -> Response:
            """Check slip and version first; answer errors in one line."""
            try:
                if request.headers.get("tus-resumable") != VERSION:
                    headers = {"tus-version": VERSION}
                    raise HTTPException(412, f"speak tus {VERSION}", headers)
                holder = await run_in_threadpool(find_holder, self._book, secret_of(request))
                if holder is None:
                    raise HTTPException(403, "open this page with your slip first")
                return await answer(request, holder)
            except HTTPException as error:
                headers = _TUS | dict(error.headers or {})
                return PlainTextResponse(error.detail, error.status_code, headers)
            except ShoegoalError as error:
                return PlainTextResponse(str(error), status_of(error), _TUS)

        return guarded

    async def _create(self, request: Request, by: SlipHolder) -> Response:
        length = request.headers.get("upload-length", "")
        if not length.isdecimal() or len(length) > 15 or int(length) < 1:
            raise HTTPException(400, "Upload-Length is missing, or is not a length of a clip")
        given = _metadata(request.headers.get("upload-metadata", ""))
        clip = await run_in_threadpool(self._begin, by, int(length), given)
        headers = _TUS | {"location": f"{UPLOADS}/{clip.token}"}
        return Response(status_code=201, headers=headers)

    def _begin(self, by: SlipHolder, size_bytes: int, given: dict[str, str]) -> HandedIn:
        settings, limits = by.settings, by.settings.limits
        suffix = suffix_of(given.get("filename", ""))
        if suffix is None and given.get("filetype", "").startswith("video/"):
            suffix = ".mp4"  # some phones send no ending; the content shows the type
        if suffix is None:
            raise HTTPException(415, "That is not a clip. Choose a video.")
        if size_bytes > limits.largest_mb * MB:
            raise HTTPException(
                413,
                f"The clip has {size_bytes / MB:.0f} MB; at most {limits.largest_mb} MB can be "
                "sent. Film at 1080p, 30 pictures a second, and only the set itself.",
            )
        try:
            stage = settings.ladder.stage_by_name(given.get("stage", ""))
        except BadSettingsError as error:
            raise HTTPException(400, str(error)) from error
        folder = clips_folder(self._book)
        if shutil.disk_usage(folder).free < size_bytes + KEPT_FREE_BYTES:
            raise HTTPException(507, "There is no room for more clips today. Tell your teacher.")
        since = datetime.now(UTC) - timedelta(days=1)
        with self._book.writing(history=False) as connection:
            if count_since(connection, by.pupil_id, since) >= limits.most_a_day:
                raise HTTPException(
                    429,
                    f"You have sent {limits.most_a_day} clips since yesterday. That is enough for "
                    "a day: try again tomorrow.",
                )
            clip = begin(
                connection, by.pupil_id, settings.ladder_id, StageRecord.of(stage), folder,
                f"{by.pupil}_{stage.name}{suffix}".replace("/", "-"), size_bytes,
            )  # fmt: skip
            clip.part_path.parent.mkdir(mode=0o700)
            clip.part_path.touch(mode=0o600)
        return clip

    async def _offset(self, request: Request, by: SlipHolder) -> Response:
        clip = await run_in_threadpool(self._own, request, by)
        offset = await run_in_threadpool(self._settled_offset, clip)
        headers = {"upload-offset": str(offset), "upload-length": str(clip.size_bytes)}
        return Response(headers=_TUS | headers)

    async def _append(self, request: Request, by: SlipHolder) -> Response:
        if request.headers.get("content-type") != PART_TYPE:
            raise HTTPException(415, f"send parts as {PART_TYPE}")
        clip = await run_in_threadpool(self._own, request, by)
        me = self._writer_of[clip.token] = object()
        offset = await run_in_threadpool(self._settled_offset, clip)
        if request.headers.get("upload-offset") != str(offset):
            raise HTTPException(409, f"the clip has come to {offset}")
        if offset < clip.size_bytes:
            offset = await self._write(request, clip, offset, me)
            offset = max(offset, await run_in_threadpool(self._settled_offset, clip))
        return Response(status_code=204, headers=_TUS | {"upload-offset": str(offset)})

    async def _write(self, request: Request, clip: HandedIn, offset: int, me: object) -> int:
        """Append data to the file; what arrived before a connection broke is kept."""
        try:
            with clip.part_path.open("r+b", buffering=0) as file:  # what arrived is stored
                file.seek(offset)
                async for part in request.stream():
                    if self._writer_of.get(clip.token) is not me:
                        raise HTTPException(423, "this clip is being sent by another page")
                    room = clip.size_bytes - offset
                    if len(part) > room:
                        raise HTTPException(413, "more bytes arrived than were announced")
                    await run_in_threadpool(_write_all, file, part)
                    offset += len(part)
                await run_in_threadpool(os.fsync, file.fileno())
        except ClientDisconnect:
            raise HTTPException(408, "the connection broke") from None
        except FileNotFoundError:
            raise HTTPException(410, "this clip is not taken any more") from None
        except OSError as error:
            raise HTTPException(507, "There is no room for the clip. Tell your teacher.") from error
        return offset

    async def _drop(self, request: Request, by: SlipHolder) -> Response:
        clip = await run_in_threadpool(self._own, request, by)
        if clip.state is not ClipState.RECEIVING:
            raise HTTPException(403, "this clip is whole already")
        self._writer_of.pop(clip.token, None)
        await run_in_threadpool(set_aside, self._book, clip)
        return Response(status_code=204, headers=_TUS)

    def _own(self, request: Request, by: SlipHolder) -> HandedIn:
        with self._book.reading() as connection:
            clip = by_token(connection, str(request.path_params["token"]))
        if clip is None or clip.pupil_id != by.pupil_id or clip.state is ClipState.SET_ASIDE:
            raise HTTPException(404, "there is no such clip of yours")
        return clip

    def _settled_offset(self, clip: HandedIn) -> int:
        return settle(self._book, clip)


def settle(book: Book, clip: HandedIn) -> int:
    """Return an upload's offset, and accept the clip once it is complete.

    It can be repeated after any interruption: the file is moved first, and recognised by its place.
    """
    if clip.state is not ClipState.RECEIVING:
        return clip.size_bytes
    part, whole = clip.part_path, clip.clip_path
    if not whole.exists():
        if not part.exists():
            raise HTTPException(410, "this clip is not taken any more")
        size = part.stat().st_size
        if size < clip.size_bytes:
            return size
        part.replace(whole)
    _accept(book, clip, whole)
    return clip.size_bytes


def set_aside(book: Book, clip: HandedIn) -> bool:
    """Set a clip aside for which another one is filmed; its file is deleted at once."""
    with book.writing(history=False) as connection:
        gone = move(connection, clip, ClipState.SET_ASIDE, why=clip.why)
    if gone:
        shutil.rmtree(clip.clip_path.parent, ignore_errors=True)
    return gone


def _accept(book: Book, clip: HandedIn, whole: Path) -> None:
    try:
        sha256 = clip_sha256(whole)
    except ClipUnreadableError as error:
        raise HTTPException(410, "this clip is not taken any more") from error
    with book.writing(history=False) as connection:
        twin = twin_of(connection, clip, sha256)
        if twin is None:
            move(connection, clip, ClipState.RECEIVED, sha256=sha256)
        else:
            whose = "" if twin == clip.pupil else ", by somebody else"
            why = f"{HANDED_IN_BEFORE}{whose}"
            move(connection, clip, ClipState.NOT_COUNTED, why=why, sha256=sha256)


def _write_all(file: FileIO, part: bytes) -> None:
    left = memoryview(part)
    while left:
        left = left[file.write(left) :]


def _metadata(header: str) -> dict[str, str]:
    """Read ``Upload-Metadata``: keys, each with a value in Base64 (RFC 4648)."""
    given = {}
    for pair in filter(None, (part.strip() for part in header.split(","))):
        key, _, value = pair.partition(" ")
        try:
            given[key] = base64.b64decode(value, validate=True).decode("utf-8")
        except (binascii.Error, UnicodeDecodeError):
            raise HTTPException(400, "Upload-Metadata cannot be read") from None
    return given
