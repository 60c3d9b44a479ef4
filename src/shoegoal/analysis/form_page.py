"""The set's form as one page of HTML that needs nothing from anywhere else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from shoegoal.analysis.form_model import SetForm
from shoegoal.clip.clock import clock_text

TEMPLATES = Path(__file__).parent / "templates"


def page_html(form: SetForm, pictures: Mapping[int, str]) -> str:
    """Lay the page out.

    Parameters
    ----------
    form : the set's form.
    pictures : by shot number, file names beside the page.
    """
    from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape

    environment = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=select_autoescape(),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("form.html").render(
        form=form,
        pictures=pictures,
        clock=lambda time_s: clock_text(time_s - form.start_s),
        titles=[reading.title for reading in form.shots[0].readings] if form.shots else [],
    )
