"""``shoegoal show``: print what was counted earlier."""

from __future__ import annotations

from pathlib import Path

import click

from shoegoal.cli.options import FilePath, with_options
from shoegoal.errors import EXIT_NEEDS_A_LOOK


@click.command()
@click.argument("analysis", type=FilePath("ANALYSIS"))
@with_options("--json")
def show(analysis: Path, json: bool) -> int:
    """Print the table of an earlier count again.

    ANALYSIS is the folder that count wrote, or the analysis.json in it. Exits as count did: 0 with
    a verdict, 3 when a person needs to look.
    """
    from shoegoal.analysis.evidence import EVIDENCE_FOLDER_NAME
    from shoegoal.analysis.file import analysis_to_json, load_analysis

    counted = load_analysis(analysis)
    if json:
        click.echo(analysis_to_json(counted), nl=False)
    else:
        from shoegoal.cli.report import print_report

        folder = analysis if analysis.is_dir() else analysis.parent
        evidence = folder / EVIDENCE_FOLDER_NAME
        print_report(counted, evidence if evidence.is_dir() else None)
    return EXIT_NEEDS_A_LOOK if counted.needs_a_look else 0
