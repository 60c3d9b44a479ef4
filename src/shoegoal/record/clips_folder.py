"""Where the clips that are handed in lie: beside the book's file, or where a variable says."""

from __future__ import annotations

import os
from pathlib import Path

from shoegoal.errors import OutputError
from shoegoal.record.book import Book

CLIPS_VARIABLE = "SHOEGOAL_CLIPS"


def clips_folder(book: Book) -> Path:
    """Make the folder if need be, for its owner alone, and return it.

    The variable ``SHOEGOAL_CLIPS`` names another one; workers on other computers have to see it
    under the same name.

    Raises
    ------
    OutputError
        It cannot be made.
    """
    named = os.environ.get(CLIPS_VARIABLE)
    if named:
        folder = Path(named).expanduser().absolute()
    elif book.file is not None:
        folder = book.file.with_name(f"{book.file.stem}-clips")
    else:
        from platformdirs import user_data_path

        folder = user_data_path("shoegoal", appauthor=False) / "clips"
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"the folder {folder} for the clips cannot be made ({error.strerror or error}); name "
            f"another one in the variable {CLIPS_VARIABLE}"
        ) from error
    return folder
