"""Makes the windows, trains the network and measures it: `python -m training --out DIR`."""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

import numpy as np
import numpy.typing as npt

from training.export import read_onnx, write_onnx
from training.make import Stock, make_stock, warm_up
from training.photographs import photograph_windows
from training.windows import Windows, joined

HELD_OUT_EVERY = 10  # the scenes with a number that this divides are only measured on
SAMPLED = 900  # held-out windows that are written out to look at
F32 = npt.NDArray[np.float32]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Train the ball gauge's network.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0, help="number of the first scene")
    parser.add_argument("--scenes", type=int, default=5_000, help="at most so many scenes")
    parser.add_argument("--make-s", type=float, default=300.0, help="no scene is begun after that")
    parser.add_argument("--train-s", type=float, default=180.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    parser.add_argument("--start", type=Path, help="an ONNX file to go on from")
    parser.add_argument("--peak-rate", type=float, default=4e-3)
    parser.add_argument("--photographs", type=Path, help="a folder to learn from as well")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    warm_up()
    _say(begun, "painters compiled")
    left = options.make_s - (time.time() - begun)
    stock = make_stock(options.first, options.scenes, left, options.workers)
    _say(begun, f"{len(stock.scene_of)} windows of {len(stock.scenes)} scenes")
    if options.photographs is not None:
        photographs = photograph_windows(options.photographs, options.workers)
        _say(begun, f"{len(photographs.crops)} windows of photographs")
    # Only now: the processes that make windows do without torch.
    from training.fit import Course, read, train
    from training.network import SIDE, folded

    held = np.array([s.number % HELD_OUT_EVERY == 0 for s in stock.scenes])
    learnt, unseen = _part(stock, ~held), _part(stock, held)
    start = None if options.start is None else read_onnx(options.start)
    course = Course(options.train_s, peak_rate=options.peak_rate, start=start)
    windows = learnt.windows
    if options.photographs is not None:
        windows = joined([windows, photographs])
    network = train(windows, course)
    write_onnx(
        folded(network.blocks), options.out / "ball_gauge.onnx", "ball_gauge", SIDE, flat=True
    )
    _say(begun, "trained")
    from training.measure import report

    answers = read(network, unseen.windows.crops)
    scenes = f"Trained on {len(learnt.scenes)} scenes ({len(learnt.scene_of)} windows); held out: "
    table = scenes + report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)
    _write_sample(options.out / "sample.npz", unseen, answers)
    _say(begun, "measured")


def _part(stock: Stock, of_scenes: npt.NDArray[np.bool_]) -> Stock:
    rows = of_scenes[stock.scene_of]
    w = stock.windows
    number = np.cumsum(of_scenes, dtype=np.int32) - 1
    return Stock(
        Windows(w.crops[rows], w.answers[rows], w.facts[rows]),
        number[stock.scene_of[rows]],
        [s for s, chosen in zip(stock.scenes, of_scenes, strict=True) if chosen],
    )


def _write_sample(path: Path, stock: Stock, answers: F32) -> None:
    rng = np.random.default_rng(1)
    rows = rng.permutation(len(answers))[:SAMPLED]
    w = stock.windows
    np.savez_compressed(
        path, crops=w.crops[rows], answers=w.answers[rows], facts=w.facts[rows], told=answers[rows]
    )


def _say(begun: float, what: str) -> None:
    print(f"{time.time() - begun:.0f} s: {what}", file=sys.stderr)


if __name__ == "__main__":
    main()
