"""A count and its form as tables and sentences for a person."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import groupby
from pathlib import Path

import click
from rich import box
from rich.table import Table
from rich.text import Text

from shoegoal.analysis.form_file import FORM_FOLDER_NAME, PAGE_NAME, SHEET_NAME, SetForm, ShotForm
from shoegoal.analysis.model import Analysis, SceneRecord
from shoegoal.analysis.words import call_word, chance_text, event_name, shown_call
from shoegoal.card.cautions import SHORT_CAUTION
from shoegoal.cli.terminal import print_parts
from shoegoal.clip.clock import clock_text
from shoegoal.cues.reading import Answer, Reading
from shoegoal.ladder.verdict import Decision
from shoegoal.pictures.evidence import strip_name
from shoegoal.types import Call, Estimate, EventKind, Shot

FORM_WIDTH = 100
TWO_SIDED_95 = 1.96  # standard normal quantile at 0.975
CALLS = {
    Call.MAKE: ("● MAKE", "bold blue"),
    Call.MISS: ("✕ miss", "bold dark_orange3"),
    Call.UNSURE: ("? UNSURE", "bold magenta"),
}
_DECISIONS = {
    Decision.ADVANCE: "bold blue",
    Decision.TRY_AGAIN: "bold dark_orange3",
    Decision.NOT_FINISHED: "bold",
    Decision.LOOK: "bold magenta",
}


def print_report(analysis: Analysis, evidence: Path | None) -> None:
    """Print the table, the tally, the verdict and what a person should know.

    Parameters
    ----------
    analysis : the counted clip.
    evidence : folder with the pictures; None when there is none to point to.
    """
    tables = [_shot_table(analysis)] if analysis.shots else []
    heading = Text(analysis.stage.heading, style="bold")
    print_parts([heading, *tables, titled(_sentences(analysis, evidence))])


def titled(sentences: Iterable[tuple[str, str | Text]]) -> Table:
    """Lay sentences out, each behind its title."""
    table = Table.grid(padding=(0, 2))
    table.add_column(style="bold", no_wrap=True)
    table.add_column(overflow="fold")
    for title, text in sentences:
        table.add_row(title, text)
    return table


def where_text(shot: Shot) -> str:
    """Where the ball crossed the line, or how the shot ended."""
    crossing = shot.crossing_x_m
    if crossing is None:
        return shot.outcome.value
    side = "right" if crossing.value >= 0 else "left"
    return f"{100 * abs(crossing.value):.0f} ± {100 * crossing.sigma:.0f} cm {side}"


def interval_text(estimate: Estimate, unit: str, digits: int) -> str:
    """Write a value and its 95 % interval, the lower end not below zero."""
    half = TWO_SIDED_95 * estimate.sigma
    low, high = max(0.0, estimate.value - half), estimate.value + half
    return f"{estimate.value:.{digits}f} {unit} ({low:.{digits}f} to {high:.{digits}f})"


def call_text(kind: EventKind, call: Call) -> Text:
    """Write a call with its symbol and colour; a loss that happened has those of a miss."""
    word, style = CALLS[shown_call(kind, call)]
    if kind is not EventKind.SHOT and call is not Call.UNSURE:
        word = f"{word.split()[0]} {call_word(kind, call)}"
    return Text(word, style=style)


def _touch_table(analysis: Analysis) -> Table:
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("no.", "time", "call", "P"):
        table.add_column(title, no_wrap=True, justify="left" if title == "call" else "right")
    table.add_column("why")
    for event in analysis.shots:
        table.add_row(
            str(event.number), analysis.clock(event.kick_time_s),
            call_text(event.kind, event.call), chance_text(event.p_make), event.reason,
        )  # fmt: skip
    return table


def _shot_table(analysis: Analysis) -> Table:
    if analysis.scene is None:
        return _touch_table(analysis)
    table = Table(box=box.SIMPLE_HEAD, pad_edge=False)
    for title in ("shot", "time", "call", "P(make)"):
        table.add_column(title, no_wrap=True, justify="left" if title == "call" else "right")
    table.add_column("from the middle", no_wrap=True)
    table.add_column("m/s", no_wrap=True, justify="right")
    table.add_column("why")
    for shot in analysis.shots:
        word, style = CALLS[shot.call]
        speed = "" if shot.speed_mps is None else f"{shot.speed_mps.value:.1f}"
        table.add_row(
            str(shot.number), analysis.clock(shot.kick_time_s), Text(word, style=style),
            chance_text(shot.p_make), where_text(shot), speed, shot.reason,
        )  # fmt: skip
    return table


def _sentences(analysis: Analysis, evidence: Path | None) -> Iterable[tuple[str, Text]]:
    yield "Tally", Text(analysis.tally.sentence)
    decision = analysis.verdict.decision
    yield "Verdict", Text(analysis.verdict.sentence, style=_DECISIONS[decision])
    named = set()
    for shot in analysis.shots_to_look_at:
        named.add(shot.number)
        yield "Look at", Text(_look_text(analysis, shot))
    for shot in analysis.shots:
        if shot.call is Call.UNSURE and shot.number not in named:
            yield "Unsure", Text(_look_text(analysis, shot))
    scene = analysis.scene
    if scene is not None:
        yield "Goal", Text(_goal_text(scene))
    left_out: dict[str, list[str]] = {}
    for kick in analysis.left_out:
        left_out.setdefault(kick.why, []).append(analysis.clock(kick.time_s))
    for why, times in left_out.items():
        yield (
            "Not a shot" if scene is not None else "No touch",
            Text(f"{', '.join(times)}: {why}"),
        )
    for problem in analysis.problems:
        yield "Mind", Text(problem, style="bold")
    for note in scene.notes if scene is not None else ():
        yield "Note", Text(note)
    if evidence is not None:
        for shot in analysis.shots:
            if not (evidence / strip_name(shot.number)).exists():
                at = analysis.clock(shot.kick_time_s)
                name = event_name(shot.kind, shot.number)
                yield "Mind", Text(f"no picture shows {name}: see the clip at {at}")
        first = "look at markers.jpg first: is that your goal?"
        if scene is None:
            first = "overview.svg shows every touch over time"
        yield "Evidence", Text(f"{evidence} ({first})")
    yield "Care", Text(SHORT_CAUTION, style="dim")


def _look_text(analysis: Analysis, shot: Shot) -> str:
    return (
        f"{event_name(shot.kind, shot.number)} at {analysis.clock(shot.kick_time_s)}: {shot.reason}"
    )


def _goal_text(scene: SceneRecord) -> str:
    parts = [f"{interval_text(scene.goal_width_m, 'm', 2)} wide"]
    if scene.kick_distance_m is not None:
        parts.append(f"kicked from {interval_text(scene.kick_distance_m, 'm', 1)}")
    if scene.step_m is not None:
        parts.append(f"one step is {interval_text(scene.step_m, 'm', 2)}")
    if scene.steps_sentence:
        parts.append(scene.steps_sentence)
    source = scene.markers_source.value
    parts.append(
        f"markers {source}" if source != "calibration file" else f"markers from the {source}"
    )
    return "; ".join(parts)


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
    lines += [f"  {words}" for words in form.advice.went_well] or [
        "  No cue could be judged for sure. That says nothing about the kicks."
    ]
    lines += ["To try"]
    lines += [f"  {n}. {words}" for n, words in enumerate(form.advice.to_try, start=1)] or [
        "  Nothing that this clip shows for sure."
    ]
    place = folder / FORM_FOLDER_NAME
    lines += ["", f"Pictures: {place} ({PAGE_NAME}, {SHEET_NAME})"]
    lines += ["Prompts to look, not a grade or medical advice; a coach decides."]
    lines += [SHORT_CAUTION]
    click.echo("\n".join(lines))


def _shot_lines(shot: ShotForm, start_s: float) -> Iterator[str]:
    foot = "kicking foot not seen" if shot.side is None else f"{shot.side.value} foot"
    view = "view unknown" if shot.view is None else f"filmed {shot.view.words}"
    yield f"Shot {shot.number} at {clock_text(shot.kick_time_s - start_s)}, {foot}, {view}"
    for reading in shot.given:
        yield f"  {reading.answer.value:<8} {reading.title}: {reading.sentence}"
    unjudged = sorted(
        (r for r in shot.readings if r.answer is Answer.CANNOT_TELL), key=lambda r: r.sentence
    )
    for sentence, those in groupby(unjudged, key=_why):
        words = f"{sentence}: " + "; ".join(_words(reading) for reading in those)
        yield click.wrap_text(words, FORM_WIDTH, initial_indent="  ", subsequent_indent="    ")


def _why(reading: Reading) -> str:
    if reading.value is not None:
        return "too near the edge of the band to tell"
    return f"{reading.answer.value}, {reading.sentence}"


def _words(reading: Reading) -> str:
    if reading.value is None:
        return reading.title
    return f"{reading.title} ({reading.value:.0f} ± {reading.sigma:.0f} {reading.unit})"
