"""A set's form as lines for a person."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby
from pathlib import Path

import click

from shoegoal.analysis.form_file import FORM_FOLDER_NAME, PAGE_NAME, SHEET_NAME
from shoegoal.analysis.form_model import SetForm, ShotForm
from shoegoal.card.cautions import SHORT_CAUTION
from shoegoal.clip.clock import clock_text
from shoegoal.cues.reading import Answer, Reading

WIDTH = 100


def print_form(form: SetForm, folder: Path) -> None:
    """Print each shot's cues, then the set in a few words.

    Parameters
    ----------
    form : the set's form.
    folder : the result folder that holds its pictures.
    """
    lines = [f"Form in {form.clip_name}", ""]
    for shot in form.shots:
        lines += [*_shot_lines(shot, form.start_s), ""]
    lines += ["What went well"]
    lines += [f"  {words}" for words in form.advice.went_well] or ["  Nothing could be told for "
              "sure; that says nothing of the kicks."]  # fmt: skip
    lines += ["To try"]
    lines += [f"  {n}. {words}" for n, words in enumerate(form.advice.to_try, start=1)] or [
        "  Nothing that this clip shows for sure."
    ]
    place = folder / FORM_FOLDER_NAME
    lines += ["", f"Pictures: {place} ({PAGE_NAME}, {SHEET_NAME})"]
    lines += ["Prompts to look at, not a grade and no medical advice; a coach decides."]
    lines += [SHORT_CAUTION]
    click.echo("\n".join(lines))


def _shot_lines(shot: ShotForm, start_s: float) -> Iterator[str]:
    foot = "kicking foot not told" if shot.side is None else f"{shot.side.value} foot"
    view = "view unknown" if shot.view is None else f"filmed from: {shot.view.value}"
    yield f"Shot {shot.number} at {clock_text(shot.kick_time_s - start_s)}, {foot}, {view}"
    for reading in shot.told:
        yield f"  {reading.answer.value:<8} {reading.title}: {reading.sentence}"
    untold = sorted(
        (r for r in shot.readings if r.answer is Answer.CANNOT_TELL), key=lambda r: r.sentence
    )
    for sentence, those in groupby(untold, key=_why):
        words = f"{sentence}: " + "; ".join(_words(reading) for reading in those)
        yield click.wrap_text(words, WIDTH, initial_indent="  ", subsequent_indent="    ")


def _why(reading: Reading) -> str:
    if reading.value is not None:
        return "too near the edge of the band to tell"
    return f"{reading.answer.value}, {reading.sentence}"


def _words(reading: Reading) -> str:
    if reading.value is None:
        return reading.title
    return f"{reading.title} ({reading.value:.0f} ± {reading.sigma:.0f} {reading.unit})"
