"""The demo: what it costs, and whether its calls are true."""

from __future__ import annotations

import resource
import tempfile
import time
from pathlib import Path

import click


@click.command("demo")
def demo_cost() -> None:
    """Run the whole demo in a temporary folder; its calls beside the truth of its clips."""
    from demo_truths import wrong_calls
    from shoegoal.analysis.file import load_analysis
    from shoegoal.demo.run import DemoFolder, page_with_workers, run_demo
    from shoegoal.record.book import Book
    from shoegoal.record.history import load_set
    from shoegoal.threads import usable_cores
    from shoegoal.types import Call

    cores = usable_cores()
    with tempfile.TemporaryDirectory() as scratch:
        folder = DemoFolder(Path(scratch) / "demo")
        began = time.perf_counter()
        folder.prepare()
        seen = run_demo(folder, lambda book: page_with_workers(book, cores))
        wall_s = time.perf_counter() - began
        for outcome in seen.outcomes:
            if outcome.news == "failed":
                click.echo(f"{outcome.clip}: {outcome.sentence}")
                continue
            assert outcome.set_id is not None
            with Book(str(folder.book)).reading() as connection:
                result = load_set(connection, outcome.set_id).folder_path
            assert result is not None
            counted = load_analysis(result)
            unsure = sum(shot.call is Call.UNSURE for shot in counted.shots)
            wrong = wrong_calls(counted)
            click.echo(
                f"{outcome.clip}: "
                f"{len(counted.shots)} calls, {unsure} unsure, "
                f"{'; '.join(wrong) or 'none wrong'}; {outcome.sentence}"
            )
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    cpu_s = sum(one.ru_utime + one.ru_stime for one in used)
    click.echo(f"in all {wall_s:.0f} s on {cores} cores, {cpu_s:.0f} s CPU")
