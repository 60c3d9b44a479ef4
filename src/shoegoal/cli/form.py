"""``shoegoal form``: what a coach would look at, or an honest "can't tell from here"."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from shoegoal.cli.count import COUNTING, count_clip
from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import BadSettingsError, ClipUnreadableError

if TYPE_CHECKING:
    from shoegoal.analysis.form_model import SetForm


@click.command()
@click.argument("clip", type=FilePath("CLIP"))
@with_options(*COUNTING, "--out", "--json", "--quiet")
def form(clip: Path, out: Path | None, json: bool, quiet: bool, **given: Any) -> int:
    """Say what a coach would look at in each kick of CLIP.

    Plant foot, swing, contact, follow-through and eyes: each in band, look, or can't tell from here
    with what to film instead. Prompts to look, never a grade and no medical advice. CLIP is counted
    first, with the options of count; or name the folder that count wrote, with the clip still
    beside it. Writes the folder "form" with a picture of each shot and a summary page.
    """
    if _is_counted(clip):
        told = [name for name, value in given.items() if value]
        if told or out is not None:
            flag = "--" + (told[0] if told else "out").replace("_", "-")
            raise click.UsageError(f"{flag} is for counting a clip; {clip} was counted already")
        folder, set_form = _form_of_counted(clip, quiet)
    else:
        folder, _, read = count_clip(clip, out, given, with_form=True, quiet=quiet)
        assert read is not None
        set_form = read
    if json:
        from shoegoal.analysis.form_file import form_to_json

        click.echo(form_to_json(set_form), nl=False)
    else:
        from shoegoal.cli.form_report import print_form

        print_form(set_form, folder)
    return 0


def _is_counted(path: Path) -> bool:
    return path.is_dir() or path.suffix == ".json"


def _form_of_counted(place: Path, quiet: bool) -> tuple[Path, SetForm]:
    from shoegoal.analysis.file import load_analysis
    from shoegoal.analysis.folders import check_replaceable
    from shoegoal.analysis.form_file import add_form
    from shoegoal.analysis.form_run import read_form
    from shoegoal.cli.progress import shown_progress

    analysis = load_analysis(place)
    folder = (place if place.is_dir() else place.parent).absolute()
    check_replaceable(folder)
    clip = folder.parent / Path(analysis.clip.name).name
    if not clip.is_file():
        raise ClipUnreadableError(
            f"{clip} is not there, and form needs the pictures: put the clip back beside the "
            "folder, or count it again with --form"
        )
    if not analysis.shots:
        raise BadSettingsError(f"{place} holds no shot whose form could be read")
    with shown_progress(f"reading form in {clip.name}", quiet=quiet) as on_progress:
        seen = read_form(clip, analysis, on_progress)
    add_form(folder, seen)
    return folder, seen.form
