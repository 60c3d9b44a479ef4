"""Clip and pictures of a set. What is asked for is a number; paths come from the book alone."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from starlette.exceptions import HTTPException
from starlette.responses import FileResponse

from shoegoal.analysis.evidence import EVIDENCE_FOLDER_NAME, MARKERS_NAME, strip_name
from shoegoal.clip.reader import clip_sha256
from shoegoal.record.history import SetHistory

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

    def _hash(self, clip: Path) -> str:
        seen = clip.stat()
        key = (clip, seen.st_mtime_ns, seen.st_size)
        if key not in self._known:
            self._known[key] = clip_sha256(clip)
        return self._known[key]


def strip_of(history: SetHistory, number: int) -> FileResponse:
    """Answer with a shot's strip; 404 where there is none."""
    return _picture(history, lambda folder: folder / strip_name(number))


def markers_of(history: SetHistory) -> FileResponse:
    """Answer with the picture of the goal as it was taken; 404 where there is none."""
    return _picture(history, lambda folder: folder / MARKERS_NAME)


def _picture(history: SetHistory, within: Callable[[Path], Path]) -> FileResponse:
    folder = history.folder_path
    picture = None if folder is None else within(folder / EVIDENCE_FOLDER_NAME)
    if picture is None or not picture.is_file():
        raise HTTPException(404, "there is no such picture")
    return FileResponse(picture, media_type="image/jpeg")
