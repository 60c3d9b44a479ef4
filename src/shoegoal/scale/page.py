"""A class on one page to print: HTML that needs nothing else, drawings included."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from shoegoal.ladder.next_setup import NextSetUp
from shoegoal.scale.results import ClassResults, share_text

if TYPE_CHECKING:
    from jinja2 import Environment

TEMPLATE_NAME = "class_page.html"


def class_page(results: ClassResults) -> str:
    """Lay out the page."""
    from markupsafe import Markup

    from shoegoal.scale.drawings import draw_aim, draw_map, draw_stages

    # Drawings are ours, and matplotlib escapes what stands in them.
    drawn = [
        (
            row,
            Markup(draw_map(row.shots, f"map{place}")),
            Markup(draw_aim(row.shots, row.advice, f"aim{place}")),
        )
        for place, row in enumerate(results.pupils)
        if row.shots
    ]
    stages = Markup(draw_stages(results.stages, "stages")) if results.stages else None
    template = _environment().get_template(TEMPLATE_NAME)
    return template.render(results=results, drawn=drawn, stages=stages)


@cache
def _environment() -> Environment:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("shoegoal.scale"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["percent"] = share_text
    environment.tests["told"] = lambda advice: isinstance(advice, NextSetUp)
    return environment
