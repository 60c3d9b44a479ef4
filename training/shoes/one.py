"""Trains one of the networks and measures it, in a process of its own."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from shoegoal.cues.sight import SIDE_PX
from training.export import F32, write_onnx
from training.shoes.windows import Windows
from truth.bodies.person import GROUPS

HELD_OUT_EVERY = 21  # the kicks with a number that this divides are only measured on


def train_one(out: Path, without: int | None, seconds: float, peak_rate: float) -> None:
    """Train a network on all bodies or without a group; write it and how it does."""
    # Only here: the processes that make windows do without torch.
    from training.course import Course, read
    from training.shoes.fit import BATCH, WEIGHT_DECAY, train

    with np.load(out / "windows.npz") as file:
        levels, ends, kicks = file["levels"], file["ends"], file["kicks"]
    apart = kicks % HELD_OUT_EVERY == 0
    known = np.ones(len(kicks), bool) if without is None else kicks % GROUPS != without
    network = train(
        Windows(levels[known & ~apart], ends[known & ~apart]),
        Course(seconds, peak_rate, BATCH, WEIGHT_DECAY),
    )
    name = "shoe_ends" if without is None else f"shoe_ends_without_{without}"
    write_onnx(network.layers(), out / f"{name}.onnx", name, SIDE_PX, flat=True)
    of = len(np.unique(kicks[known & ~apart]))
    rows = [f"{name}: trained on {np.sum(known & ~apart)} windows of {of} kicks.\n"]
    for what, chosen in (("known", known & apart), ("new", ~known)):
        if chosen.any():
            rows.append(f"Apart, of {what} bodies: {chosen.sum()} windows.\n")
            rows.append(report(read(network, levels[chosen]), ends[chosen]))
    (out / f"table-{name}.md").write_text("\n".join(rows), encoding="utf-8")


def report(answers: F32, ends: F32) -> str:
    """How far off heels, toes and ankles are, and how far the network thinks."""
    off = np.abs(answers[:, :6] - ends).reshape(-1, 3, 2)
    sigma = np.exp(answers[:, 6:])[:, :, None]
    rows = ["| end | median off, of the window's side | 9 in 10 within | in 1 and 2 sigma |",
            "|---|---|---|---|"]  # fmt: skip
    for k, end in enumerate(("heel", "toe", "ankle")):
        far, z = np.linalg.norm(off[:, k], axis=1), off[:, k] / sigma[:, k]
        rows.append(
            f"| {end} | {np.median(far):.1%} | {np.quantile(far, 0.9):.1%} | "
            f"{np.mean(z < 1):.0%}, {np.mean(z < 2):.0%} |"
        )
    return "\n".join(rows) + "\n"
