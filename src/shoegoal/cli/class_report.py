"""A class as tables and sentences for a person."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence

from rich.table import Table
from rich.text import Text

from shoegoal.cli.standing import print_parts, table_of
from shoegoal.scale.class_run import NEWS, ClipOutcome


def print_outcomes(outcomes: Sequence[ClipOutcome], wall_s: float) -> None:
    """Print what became of every clip, and what to do next."""
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
    lines = Table.grid(padding=(0, 2))
    lines.add_column(style="bold", no_wrap=True)
    lines.add_column(overflow="fold")
    for title, text in _sentences(outcomes, wall_s):
        lines.add_row(title, text)
    print_parts([table, lines])


def _sentences(outcomes: Sequence[ClipOutcome], wall_s: float) -> Iterable[tuple[str, str]]:
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
        yield "Next", f"shoegoal review --open: {look} need a look, {to_sign} can be signed"
    if news["failed"]:
        yield (
            "Failed",
            "a clip may still be counted by hand (shoegoal count, with --left and --right or a "
            "--calibration): the next class run takes such a result in",
        )
