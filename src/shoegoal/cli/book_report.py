"""The record book and a class as tables and sentences for a person."""

from __future__ import annotations

import json as json_text
import math
import shlex
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import click
from rich import box
from rich.table import Table
from rich.text import Text

from shoegoal.analysis.model import Analysis
from shoegoal.analysis.words import call_word, chance_text, event_name
from shoegoal.cli.report import call_text, titled
from shoegoal.cli.terminal import print_parts
from shoegoal.ladder.next_setup import NextSetUp
from shoegoal.record.accuracy import Accuracy
from shoegoal.record.history import SetHistory, counted_text, state_of
from shoegoal.record.status import Answer, SetStatus, ShotStatus
from shoegoal.scale.class_run import NEWS, ClipOutcome
from shoegoal.scale.results import ClassResults, PupilRow, Share, share_text

_ANSWERS = {
    Answer.MAKE: "a person saw a make",
    Answer.MISS: "a person saw a miss",
    Answer.NOT_A_SHOT: "a person saw no shot",
    Answer.RETAKE: "a person saw a retake",
    Answer.TOUCH: "a person saw a touch",
    Answer.NO_TOUCH: "a person saw no touch",
    Answer.LOST: "a person saw the ball lost",
    Answer.NOT_LOST: "a person saw no loss",
}


def print_summaries(summaries: list[dict[str, Any]], *, json: bool, none: str = "no sets") -> None:
    """Print sets in short, one a line; ``none`` is said where there are none."""
    if json:
        click.echo(json_text.dumps(summaries, indent=1, ensure_ascii=False))
        return
    if not summaries:
        click.echo(none)
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


def print_set(history: SetHistory, status: SetStatus, analysis: Analysis) -> None:
    """Print a set with its corrections."""
    table = table_of(("shot", "time", "call", "P(make)", "why"))
    for shot in status.shots:
        table.add_row(
            str(shot.number),
            analysis.clock(shot.time_s),
            call_text(shot.kind, shot.call) if shot.counts else Text("- does not count"),
            chance_text(shot.p_make) if shot.counts else "",
            _why(shot),
        )
    who = " ".join(part for part in (history.class_name, history.pupil) if part)
    heading = f"Set {history.set_id}, {who}: {history.stage.heading}"
    sentences = titled(_set_sentences(history, status, analysis))
    print_parts([Text(heading, style="bold"), table, sentences])


def _set_sentences(
    history: SetHistory, status: SetStatus, analysis: Analysis
) -> Iterable[tuple[str, str]]:
    yield "Tally", status.tally.sentence
    yield "Verdict", status.verdict.sentence
    by_number = {shot.number: shot for shot in status.shots}
    for number in status.looks:
        shot = by_number[number]
        yield (
            "Look at",
            f"{event_name(shot.kind, number)} at {analysis.clock(shot.time_s)}: {_why(shot)}",
        )
    if status.needs_a_look:
        for place, doubt in enumerate(status.doubts, start=1):
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
    for withdrawal in history.withdrawals:
        yield "Note", f"{withdrawal.sentence} ({withdrawal.by}, {withdrawal.at})"
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
    yield "State", f"{state_of(history, status)} (version {history.version})"


def _why(shot: ShotStatus) -> str:
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


def print_accuracy(accuracy: Accuracy) -> None:
    """Print how often people changed calls that were made without asking."""
    for found in accuracy.found:
        title = Text(found.source.value.capitalize(), style="bold")
        if not found.all.called:
            print_parts([title, Text("nothing checked yet")])
            continue
        table = table_of(("calls", "changed", "95 % interval"))
        for row in (found.all, *found.by_call, *found.by_view, *found.by_class):
            interval = f"{100 * row.low:.1f} to {100 * row.high:.1f} %"
            table.add_row(row.what, f"{row.changed} of {row.called}", interval)
        print_parts([title, table])
    lines = [("Not called", accuracy.missed_sentence)]
    lines += [("Trust", one.sentence) for one in accuracy.trust.classes] or [
        ("Trust", "the checks so far give no reason to trust calls more or less than usual")
    ]
    print_parts([titled(lines)])


def print_outcomes(outcomes: Sequence[ClipOutcome], wall_s: float, book: str | None) -> None:
    """Print what became of every clip, and what to do next."""
    print_parts([outcome_table(outcomes), titled(_outcome_sentences(outcomes, wall_s, book))])


def typed(command: str, **options: object) -> str:
    """Write a command as it is typed, with those of the options that have a value."""
    given = [(name, str(value)) for name, value in options.items() if value is not None]
    words = [f"--{name.removesuffix('_')} {shlex.quote(value)}" for name, value in given]
    return " ".join([f"shoegoal {command}", *words])


def outcome_table(outcomes: Sequence[ClipOutcome]) -> Table:
    """Lay out what became of every clip."""
    table = table_of(("set", "clip", "pupil", "stage", "news", "verdict"))
    for one in outcomes:
        failed = one.news == "failed"
        table.add_row(
            "" if one.set_id is None else str(one.set_id),
            one.clip,
            one.pupil or "",
            one.stage or "",
            Text(one.news, style="bold dark_orange3" if failed else ""),
            one.sentence,
        )
    return table


def _outcome_sentences(
    outcomes: Sequence[ClipOutcome], wall_s: float, book: str | None
) -> Iterable[tuple[str, str]]:
    news = Counter(one.news for one in outcomes)
    words = [f"{news[word]} {word}" for word in NEWS if news[word]]
    yield "Clips", ", ".join(words) or "none"
    counted = [one for one in outcomes if one.news == "counted"]
    film_min = sum(one.film_s for one in counted) / 60
    if film_min and wall_s:
        cost_s = sum(one.cpu_s for one in counted) / film_min
        yield (
            "Time",
            f"{film_min:.1f} minutes of film in {wall_s / 60:.1f} minutes: "
            f"{len(counted) / wall_s * 3600:.0f} clips an hour, {cost_s:.0f} s of CPU time for "
            "each minute of film",
        )
    look, to_sign = (sum(one.state == state for one in outcomes) for state in ("look", "to sign"))
    if look or to_sign:
        command = typed("review --open", book=book)
        yield "Next", f"{command}: {look} need a look, {to_sign} can be signed"
    if news["failed"]:
        yield (
            "Failed",
            "you can still count such a clip by hand (shoegoal count with --left and --right, or "
            "with --calibration); the next class run uses that result",
        )


def print_results(results: ClassResults, ladder: Path | None, book: str | None) -> None:
    """Print a class in short: pupils, then stages."""
    signed = sum(row.verified for row in results.sets)
    command = typed(
        "class results", class_=results.class_name, ladder=ladder, book=book, out="class.html"
    )
    lines = [
        ("Sets", f"{len(results.sets)}, of which {signed} are signed; only these count"),
        ("Page", f"{command} writes it all, with drawings"),
    ]
    print_parts([*result_tables(results), titled(lines)])


def result_tables(results: ClassResults) -> list[Table]:
    """Lay a class out in short: pupils, then stages."""
    pupils = table_of(("pupil", "passed", "makes signed", "not signed", "next"))
    for row in results.pupils:
        pupils.add_row(
            row.pupil,
            f"{row.passed} of {row.rungs}",
            _makes(row.verified),
            _makes(row.counted),
            _next_text(row),
        )
    stages = table_of(("stage", "makes signed", "not signed", "share of makes, 95 % interval"))
    for stage in results.stages:
        stages.add_row(
            stage.stage,
            _makes(stage.verified),
            _makes(stage.not_verified),
            share_text(stage.verified),
        )
    return [pupils, stages] if results.stages else [pupils]


def print_advice(rows: Sequence[PupilRow]) -> None:
    """Print what each pupil could try next."""
    table = table_of(("pupil", "bias", "spread", "to try next"))
    for row in rows:
        advice = row.advice
        bias = spread = ""
        if isinstance(advice, NextSetUp):
            side = "right" if advice.fit.bias_rad >= 0 else "left"
            bias = f"{abs(math.degrees(advice.fit.bias_rad)):.1f} deg {side}"
            spread = f"{math.degrees(advice.fit.spread_rad):.1f} deg"
        table.add_row(row.pupil, bias, spread, advice.sentence)
    print_parts([table])


def _next_text(row: PupilRow) -> str:
    if not row.next_if_signed:
        return row.next_step
    return f"{row.next_step} (once all sets are signed: {row.next_if_signed})"


def _makes(share: Share) -> str:
    return f"{share.makes} of {share.shots}" if share.shots else ""
