"""Sets of the record book as tables and sentences for a person."""

from __future__ import annotations

import json as json_text
from collections.abc import Iterable
from typing import Any

import click
from rich import box
from rich.table import Table
from rich.text import Text

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.words import call_word, event_name
from shoegoal.cli.report import call_text, titled
from shoegoal.cli.terminal import print_parts
from shoegoal.record.corrections import Answer
from shoegoal.record.history import SetHistory
from shoegoal.record.plain import counted_text, state_of
from shoegoal.record.standing import Standing, StandingShot

_ANSWERS = {
    Answer.MAKE: "a person saw a make",
    Answer.MISS: "a person saw a miss",
    Answer.NOT_A_SHOT: "no shot, says a person",
    Answer.RETAKE: "taken again, says a person",
    Answer.TOUCH: "a person saw a touch",
    Answer.NO_TOUCH: "no touch, says a person",
    Answer.LOST: "a person saw the ball lost",
    Answer.NOT_LOST: "not lost, says a person",
}


def print_summaries(summaries: list[dict[str, Any]], *, json: bool) -> None:
    """Print sets in short, one a line."""
    if json:
        click.echo(json_text.dumps(summaries, indent=1, ensure_ascii=False))
        return
    if not summaries:
        click.echo("no sets")
        return
    table = table_of(("set", "state", "class", "pupil", "stage", "counted", "verdict"))
    for one in summaries:
        said = (
            f"{one['decision']}, signed by {one['signed_by']}"
            if one["signed_by"]
            else one["sentence"]
        )
        table.add_row(
            str(one["set"]), one["state"], one["class"] or "", one["pupil"], one["stage"],
            counted_text(one), said,
        )  # fmt: skip
    print_parts([table])


def print_set(history: SetHistory, standing: Standing, analysis: Analysis) -> None:
    """Print a set as it stands."""
    table = table_of(("shot", "time", "call", "P(make)", "why"))
    for shot in standing.shots:
        table.add_row(
            str(shot.number),
            analysis.clock(shot.time_s),
            call_text(shot.kind, shot.call) if shot.counts else Text("- does not count"),
            f"{shot.p_make:.3f}" if shot.counts else "",
            _why(shot),
        )
    who = " ".join(part for part in (history.class_name, history.pupil) if part)
    heading = f"Set {history.set_id}, {who}: {history.stage.heading}"
    sentences = titled(_sentences(history, standing, analysis))
    print_parts([Text(heading, style="bold"), table, sentences])


def _sentences(
    history: SetHistory, standing: Standing, analysis: Analysis
) -> Iterable[tuple[str, str]]:
    yield "Tally", standing.tally.sentence
    yield "Verdict", standing.verdict.sentence
    by_number = {shot.number: shot for shot in standing.shots}
    for number in standing.looks:
        shot = by_number[number]
        yield (
            "Look at",
            f"{event_name(shot.kind, number)} at {analysis.clock(shot.time_s)}: {_why(shot)}",
        )
    if standing.needs_a_look:
        for place, doubt in enumerate(standing.doubts, start=1):
            yield (
                "Look through",
                f"{place}: {analysis.clock_span(doubt.time_s, doubt.until_s)}: {doubt.doubt}",
            )
    for problem in analysis.problems:
        yield "Mind", problem
    for correction in history.held:
        note = getattr(correction.change, "note", "")
        if note:
            yield "Note", f"{note} ({correction.by})" if correction.by else note
    state = history.clip_state()
    if state == "changed":
        yield "Mind", f"{history.clip_path} was changed since it was counted"
    yield (
        "Clip",
        f"{history.clip_path}" if state != "not found" else f"{history.clip_name}: {state}",
    )
    signature = history.signature
    if signature is not None:
        yield "Signed", f"by {signature.by} at {signature.at}"
    yield "State", f"{state_of(history, standing)} (version {history.version})"


def _why(shot: StandingShot) -> str:
    counted = "added by hand" if shot.counted is None else shot.counted.reason
    if shot.answer is None or shot.counted is None:
        return counted
    return (
        f"{_ANSWERS[shot.answer]} (counted as {call_word(shot.kind, shot.counted.call)}: {counted})"
    )


def table_of(titles: tuple[str, ...]) -> Table:
    """Begin a table whose last column takes the long texts."""
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in titles[:-1]:
        table.add_column(title, no_wrap=True)
    table.add_column(titles[-1])
    return table
