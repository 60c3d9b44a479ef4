"""What was told of the form of a set's shots, for a coach to look at without knowing it."""

from __future__ import annotations

from collections.abc import Iterator

from shoegoal.analysis.form_file import load_form
from shoegoal.cues.bands import load_bands
from shoegoal.cues.reading import Answer
from shoegoal.errors import BadSettingsError
from shoegoal.record.history import SetHistory

BANDS = (Answer.IN_BAND.value, Answer.LOOK.value)


def cues_told(history: SetHistory) -> Iterator[tuple[float, str, str]]:
    """List time of the kick, cue and band of all that was told; nothing where no form was read."""
    if history.folder_path is None:
        return
    try:
        form = load_form(history.folder_path)
    except BadSettingsError:
        return  # damaged, or of another version: there is nothing to agree with
    if form is None or form.clip_sha256 != history.clip_sha256:
        return
    for shot in form.shots:
        yield from ((shot.kick_time_s, given.cue, given.answer.value) for given in shot.given)


def cue_words(cue: str) -> tuple[str, str]:
    """Return a cue's title and what is looked for in it; of one not known any more, its key."""
    band = load_bands().get(cue)
    return (cue, "") if band is None else (band.title, band.well)
