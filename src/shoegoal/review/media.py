"""Clip and pictures of a set. What is asked for is a number; paths come from the book alone."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, Response

from shoegoal.clip.reader import clip_sha256
from shoegoal.pictures.evidence import EVIDENCE_FOLDER_NAME, STILLS_FOLDER_NAME
from shoegoal.record.history import SetHistory
from shoegoal.record.pictures import SetPictures

MOST_REMEMBERED = 300

CLIP_TYPES = {
    ".mp4": "video/mp4",
    ".m4v": "video/mp4",
    ".mov": "video/mp4",  # browsers that play it at all play it under this name
    ".webm": "video/webm",
    ".mkv": "video/x-matroska",
    ".avi": "video/x-msvideo",
}


class Clips:
    """Hands clips out, each checked once to be the one that was counted."""

    def __init__(self) -> None:
        self._known: dict[tuple[Path, int, int], str] = {}

    def answer(self, history: SetHistory) -> FileResponse:
        """Answer with a set's clip; parts of it where the browser asks for parts (RFC 9110, 14).

        Raises
        ------
        HTTPException
            404 where there is no clip, 409 where it is not the one that was counted.
        """
        clip = history.clip_path
        if clip is None or not clip.is_file():
            raise HTTPException(404, "the clip is not where it was")
        if self._hash(clip) != history.clip_sha256:
            raise HTTPException(409, "the clip was changed since it was counted")
        kind = CLIP_TYPES.get(clip.suffix.lower(), "application/octet-stream")
        return FileResponse(clip, media_type=kind)

    def is_as_counted(self, history: SetHistory) -> bool:
        """Whether a set's clip lies where it was and is the one that was counted."""
        clip = history.clip_path
        return clip is not None and clip.is_file() and self._hash(clip) == history.clip_sha256

    def _hash(self, clip: Path) -> str:
        seen = clip.stat()
        key = (clip, seen.st_mtime_ns, seen.st_size)
        if key not in self._known:
            self._known[key] = clip_sha256(clip)
        return self._known[key]


class Pictures:
    """Hands pictures out, and remembers those drawn last: a page asks for them again and again."""

    def __init__(self) -> None:
        self._drawn: OrderedDict[tuple[str, str, int, int], bytes] = OrderedDict()

    def strip(self, history: SetHistory, number: int) -> Response:
        """Answer with a shot's strip; 404 where there is none."""
        return self._answer(history, "strip", number, lambda pictures: pictures.strip(number))

    def moment(self, history: SetHistory, kick_time_s: float, name: str) -> Response:
        """Answer with one moment of a shot, zoomed on the ball's way; 404 where none was kept."""
        key = round(1000 * kick_time_s)
        return self._answer(history, name, key, lambda pictures: pictures.moment(kick_time_s, name))

    def glance(self, history: SetHistory) -> Response:
        """Answer with a small still of every shot; 404 where none was kept."""
        return self._answer(history, "glance", 0, lambda pictures: pictures.glance())

    def plain_goal(self, history: SetHistory) -> Response:
        """Answer with a still to point at markers in; 404 where none was kept."""

        def draw(pictures: SetPictures) -> bytes | None:
            found = pictures.plain_goal()
            return None if found is None else found[0]

        return self._answer(history, "goal", 0, draw)

    def blind(self, history: SetHistory, place: int, kick_time_s: float) -> Response:
        """Answer with a shot's stills and nothing about it; 404 where none were kept."""
        return self._answer(
            history, "blind", place, lambda pictures: pictures.blind_strip(kick_time_s)
        )

    def _answer(
        self,
        history: SetHistory,
        what: str,
        number: int,
        draw: Callable[[SetPictures], bytes | None],
    ) -> Response:
        # The folder's time of change is part of it: what was purged is not shown from memory.
        key = (what, history.count.sha256, number, _changed_ns(history.folder_path))
        content = self._drawn.get(key)
        if content is None:
            content = draw(SetPictures(history, history.count.analysis()))
        if content is None:
            raise HTTPException(404, "there is no such picture")
        self._drawn[key] = content
        while len(self._drawn) > MOST_REMEMBERED:
            self._drawn.popitem(last=False)
        return Response(content, media_type="image/jpeg")


def _changed_ns(folder: Path | None) -> int:
    """When pictures were last put into or taken from a result folder."""
    if folder is None:
        return 0
    times = [0]
    for name in (EVIDENCE_FOLDER_NAME, STILLS_FOLDER_NAME):
        with suppress(OSError):
            times.append((folder / name).stat().st_mtime_ns)
    return sum(times)
