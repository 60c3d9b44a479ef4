"""Clips whose file names say whose they are: ``Otter 17_five-of-ten.mp4``.

A name has parts, between underscores or between `` - ``. The first part after the pupil that is
called like a stage of the ladder is the stage; what follows it is a remark (``_2``, ``_again``).
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from pathlib import Path

from shoegoal.errors import BadSettingsError
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.rules import Stage
from shoegoal.scale.assignment import (
    VIDEO_ENDINGS,
    Assignment,
    NotAssigned,
    name_trouble,
    spelt_differently,
    tidy_name,
)

_BETWEEN_PARTS = re.compile(r"_+|\s+-\s+")
PATTERN = "PUPIL_STAGE.mp4"


def assignments_by_file_name(
    folder: Path, ladder: Ladder
) -> tuple[list[Assignment], list[NotAssigned]]:
    """Read whose clips lie in a folder from their names, in order of their names.

    Parameters
    ----------
    folder : its video files are taken, those in folders below it are not.
    ladder : whose stages the names speak of.

    Raises
    ------
    BadSettingsError
        It cannot be read, holds no clip, or one pupil's name is spelt in two ways.
    """
    clips = videos_in(folder)
    if not clips:
        raise BadSettingsError(
            f"{folder} holds no clip (a file ending in {', '.join(sorted(VIDEO_ENDINGS))})"
        )
    told: list[Assignment] = []
    untold: list[NotAssigned] = []
    for clip in clips:
        found = _read_name(clip, ladder)
        if isinstance(found, Assignment):
            told.append(found)
        else:
            untold.append(NotAssigned(clip, found))
    twice = spelt_differently((one.pupil, one.told_by) for one in told)
    if twice:
        raise BadSettingsError("\n".join(["one pupil's name is spelt in two ways:", *twice]))
    return told, untold


def videos_in(folder: Path) -> list[Path]:
    """List a folder's video files by name; hidden ones are left out.

    Raises
    ------
    BadSettingsError
        The folder cannot be read.
    """
    try:
        files = [path for path in folder.iterdir() if path.suffix.casefold() in VIDEO_ENDINGS]
    except OSError as error:
        raise BadSettingsError(
            f"{folder} cannot be read ({error.strerror or error}); name the folder with the clips"
        ) from error
    return sorted(path for path in files if path.is_file() and not path.name.startswith("."))


def _read_name(clip: Path, ladder: Ladder) -> Assignment | str:
    """Take a file name apart, or say why that cannot be done."""
    parts = [part for raw in _BETWEEN_PARTS.split(clip.stem) if (part := tidy_name(raw))]
    stages = {stage.name.casefold(): stage for stage in ladder.all_stages}
    place = next((i for i, part in enumerate(parts) if i and part.casefold() in stages), None)
    if place is None:
        return (
            f"its name tells no stage{_closest(parts[1:], ladder.all_stages)}; call it {PATTERN} "
            "(shoegoal stages lists the stages), or give a --manifest"
        )
    pupil = " ".join(parts[:place])
    trouble = name_trouble(pupil)
    if trouble:
        return f"{trouble}; call it {PATTERN}"
    return Assignment(clip, pupil, stages[parts[place].casefold()], clip.name)


def _closest(parts: Sequence[str], stages: Sequence[Stage]) -> str:
    names = [stage.name for stage in stages]
    for part in parts:
        close = difflib.get_close_matches(part.casefold(), names, n=1, cutoff=0.7)
        if close:
            return f' of the ladder (did you mean "{close[0]}"?)'
    return " of the ladder"
