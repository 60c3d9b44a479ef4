"""Makes windows of yards, trains the network and measures it: `python -m training.markers`."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

import numpy as np

from training.make import shared_out, warm_up
from training.markers.windows import Windows, windows_or_word

HELD_OUT_EVERY = 10  # the yards with a number that this divides are only measured on


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Train the network that sees standing things.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0, help="number of the first yard")
    parser.add_argument("--yards", type=int, default=20_000, help="at most so many yards")
    parser.add_argument("--make-s", type=float, default=330.0, help="no yard is begun after that")
    parser.add_argument("--train-s", type=float, default=150.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--start", type=Path, help="weights to go on from")
    parser.add_argument("--peak-rate", type=float, default=3e-3)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    warm_up()
    print(f"{time.time() - begun:.0f} s: painters compiled", file=sys.stderr)
    windows = _made(options.first, options.yards, begun + options.make_s, options.workers)
    print(f"{time.time() - begun:.0f} s: {len(windows.bgr)} windows", file=sys.stderr)
    # Only now: the processes that make windows do without torch.
    import torch

    from training.export import write_onnx
    from training.markers.fit import train
    from training.markers.measure import read, report
    from training.network import folded

    held = windows.scene % HELD_OUT_EVERY == 0
    start = None if options.start is None else torch.load(options.start, weights_only=True)
    learnt, unseen = _part(windows, ~held), _part(windows, held)
    network = train(learnt, options.train_s, peak=options.peak_rate, start=start)
    write_onnx(folded(network.blocks), options.out / "standing_things.onnx", "standing_things")
    torch.save(network.cpu().state_dict(), options.out / "standing_things.pt")
    answers = read(network, unseen.bgr)
    yards = len(set(learnt.scene.tolist())), len(set(unseen.scene.tolist()))
    table = f"Trained on {yards[0]} yards ({len(learnt.bgr)} windows); held out: {yards[1]} yards, "
    table += report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)
    rows = np.random.default_rng(1).permutation(len(unseen.bgr))[:60]
    np.savez_compressed(
        options.out / "sample.npz", bgr=unseen.bgr[rows], things=unseen.things[rows],
        feet=unseen.feet[rows], told=answers[rows],
    )  # fmt: skip


def _made(first: int, most: int, deadline: float, workers: int) -> Windows:
    parts: list[Windows] = []
    refused: list[str] = []
    for answer in shared_out(windows_or_word, first, most, deadline, workers):
        if isinstance(answer, str):
            refused += [answer] if answer != "late" else []
        else:
            parts.append(answer)
    print(f"{len(parts)} yards, {len(refused)} refused: {refused[:5]}", file=sys.stderr)
    parts.sort(key=lambda p: int(p.scene[0]))
    return Windows(
        np.concatenate([p.bgr for p in parts]),
        np.concatenate([p.things for p in parts]),
        np.concatenate([p.feet for p in parts]),
        np.concatenate([p.scene for p in parts]),
    )


def _part(windows: Windows, rows: np.ndarray) -> Windows:
    return Windows(windows.bgr[rows], windows.things[rows], windows.feet[rows], windows.scene[rows])


if __name__ == "__main__":
    main()
