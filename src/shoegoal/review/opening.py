"""Opening the page in the browser without showing its key to others on this computer.

A command line can be read by everybody on the computer, so the browser is not handed the address
itself but a file that only its owner can read, and that sends it on.
"""

from __future__ import annotations

import html
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

_PAGE = (
    '<!doctype html><html lang="en"><meta charset="utf-8"><title>shoegoal</title>'
    '<meta name="referrer" content="no-referrer">'
    '<meta http-equiv="refresh" content="0; url={address}">'
    '<p><a href="{address}">Go on to shoegoal</a></p></html>\n'
)


@contextmanager
def unseen_opener(launch: Callable[[str], object]) -> Iterator[Callable[[str], None]]:
    """Give a function that opens an address; what it needs on disk is gone at the end.

    Parameters
    ----------
    launch : opens a file in the browser.
    """
    with tempfile.TemporaryDirectory(prefix="shoegoal-") as folder:  # made for its owner alone

        def open_address(address: str) -> None:
            page = Path(folder) / "open.html"
            page.write_text(_PAGE.format(address=html.escape(address)), encoding="utf-8")
            launch(str(page))

        yield open_address
