"""A pupil's phone without the pupil: it opens a slip's link and sends a clip, over real HTTP."""

from __future__ import annotations

import base64
from contextlib import closing
from http.client import HTTPConnection, HTTPException
from pathlib import Path
from urllib.parse import urlsplit

from shoegoal.errors import ShoegoalError
from shoegoal.review.phone_guard import SLIP_COOKIE
from shoegoal.review.tus import PART_TYPE, UPLOADS, VERSION

PART_BYTES = 200_000  # several parts a clip, as from a phone
TIMEOUT_S = 60.0


class SendingError(ShoegoalError):
    """The page did not take a clip."""


def hand_in(slip_link: str, clip: Path, stage: str) -> None:
    """Hand a clip in with a slip, as the page's own script does (tus 1.0).

    Parameters
    ----------
    slip_link : as on the slip.
    clip, stage : what is sent, and what it was filmed for.

    Raises
    ------
    SendingError
        The page is away, or refuses the slip or the clip.
    """
    where = urlsplit(slip_link)
    content = clip.read_bytes()
    try:
        with closing(HTTPConnection(where.netloc, timeout=TIMEOUT_S)) as line:
            # The link's answer leads on to the page and lets the phone remember the secret.
            cookie = _asked(line, "GET", where.path, {}, 303)["set-cookie"].split(";")[0]
            if not cookie.startswith(SLIP_COOKIE):
                raise SendingError(f"{slip_link} is the link of no slip")
            headers = {
                "cookie": cookie,
                "origin": f"{where.scheme}://{where.netloc}",
                "tus-resumable": VERSION,
            }
            metadata = {"filename": clip.name, "filetype": "video/mp4", "stage": stage}
            pairs = (f"{k} {base64.b64encode(v.encode()).decode()}" for k, v in metadata.items())
            begin = {"upload-length": str(len(content)), "upload-metadata": ",".join(pairs)}
            place = _asked(line, "POST", UPLOADS, headers | begin, 201)["location"]
            for offset in range(0, len(content), PART_BYTES):
                part = {"upload-offset": str(offset), "content-type": PART_TYPE}
                body = content[offset : offset + PART_BYTES]
                _asked(line, "PATCH", place, headers | part, 204, body)
    except (OSError, HTTPException) as error:
        raise SendingError(f"the page did not take {clip.name} ({error})") from error


def _asked(
    line: HTTPConnection,
    method: str,
    path: str,
    headers: dict[str, str],
    wanted: int,
    body: bytes = b"",
) -> dict[str, str]:
    """Ask for something, and return the headers of the answer."""
    line.request(method, path, body or None, headers)
    answer = line.getresponse()
    said = answer.read().decode("utf-8", "replace")
    if answer.status != wanted:
        raise SendingError(f"the page answered {answer.status}: {' '.join(said.split())[:200]}")
    return {name.casefold(): value for name, value in answer.getheaders()}
