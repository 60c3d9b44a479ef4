"""The cards as one HTML page that needs nothing else: print it, or look at it on a phone."""

from __future__ import annotations

from collections.abc import Sequence
from importlib import resources
from typing import Any

from shoegoal.card.content import StageCard, Timed, TimedCard
from shoegoal.card.drawing import svg_of


def html_of(cards: Sequence[StageCard], timed: TimedCard) -> str:
    """Lay the cards out, one printed page each."""
    from jinja2 import Environment

    template = (resources.files("shoegoal.card") / "card.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True).from_string(template)
    return page.render(cards=cards, timed=timed, svg_of=svg_of, clocked=clocked)


def clocked(lines: Sequence[Timed]) -> list[dict[str, Any]]:
    """Put a running clock beside timed lines: ``0:30`` to ``1:00``."""
    rows, now_s = [], 0
    for line in lines:
        rows.append(
            {
                "line": line,
                "from": clock(now_s),
                "to": clock(now_s + line.time_s),
            }
        )
        now_s += line.time_s
    return rows


def clock(time_s: int) -> str:
    """Minutes and seconds."""
    return f"{time_s // 60}:{time_s % 60:02d}"
