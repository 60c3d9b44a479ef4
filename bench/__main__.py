"""The measurements: ``python bench count`` (time, memory), ``accuracy``, ``class`` and others."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests"))  # the sets and their truth

import click

from accuracy import accuracy
from attack import attack
from bench_count import main as count
from class_cost import class_cost
from demo_cost import demo_cost
from drawn import drawn
from evaluation import sets
from evidence import evidence
from filming import filming
from form import form
from form_cost import form_cost
from hand_in_cost import hand_in_cost
from markers import markers
from mutate import mutate
from page_cost import page_cost
from sameness import same
from things import things
from touches import touches


@click.group()
def bench() -> None:
    """Measure how fast and how right the count is."""


bench.add_command(count, "count")
bench.add_command(accuracy)
bench.add_command(attack)
bench.add_command(class_cost)
bench.add_command(sets)
bench.add_command(filming)
bench.add_command(form)
bench.add_command(form_cost)
bench.add_command(hand_in_cost)
bench.add_command(same)
bench.add_command(things)
bench.add_command(touches)
bench.add_command(demo_cost)
bench.add_command(evidence)
bench.add_command(drawn)
bench.add_command(markers)
bench.add_command(mutate)
bench.add_command(page_cost)

if __name__ == "__main__":
    bench(prog_name="python bench")
