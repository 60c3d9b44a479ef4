"""Makes windows round shoes, trains the network and measures it: `python -m training.shoes`."""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

from shoegoal.cues.sight import SIDE_PX
from training.shoes.windows import STILLS, STILLS_NAME, Windows, painted

HELD_OUT_EVERY = 20  # the kicks with a number that this divides are only measured on


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="Train the network that sees the ends of shoes.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0, help="number of the first kick")
    parser.add_argument("--make-s", type=float, default=150.0, help="no kick is begun after that")
    parser.add_argument("--train-s", type=float, default=80.0)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    begun = time.time()
    stock, scenes = _made(options.out, options.first, options.make_s, options.workers)
    print(f"{time.time() - begun:.0f} s: {len(stock.ends)} windows", file=sys.stderr)
    # Only now: the processes that make windows do without torch.
    import torch

    from training.export import write_onnx
    from training.network import folded
    from training.shoes.fit import read, train

    held = scenes % HELD_OUT_EVERY == 0
    learnt, unseen = (Windows(stock.levels[rows], stock.ends[rows]) for rows in (~held, held))
    network = train(learnt, options.train_s)
    answers = read(network, unseen).numpy()
    write_onnx(folded(network.blocks), options.out / "shoe_ends.onnx", "shoe_ends",
               SIDE_PX, flat=True)  # fmt: skip
    torch.save(network.cpu().state_dict(), options.out / "shoe_ends.pt")
    kicks = len(set(scenes[~held].tolist()))
    table = f"Trained on {len(learnt.ends)} windows of {kicks} kicks.\n\n"
    table += report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)


def report(told: np.ndarray, unseen: Windows) -> str:
    """How far off heels and toes are on kicks kept apart, and how far the network thinks."""
    off = np.abs(told[:, :4] - unseen.ends).reshape(-1, 2, 2)
    sigma = np.exp(told[:, 4:6])[:, :, None]
    rows = ["| end | median off, of the window's side | 9 in 10 within | in 1 and 2 sigma |",
            "|---|---|---|---|"]  # fmt: skip
    for k, end in enumerate(("heel", "toe")):
        far, z = np.linalg.norm(off[:, k], axis=1), off[:, k] / sigma[:, k]
        rows.append(
            f"| {end} | {np.median(far):.1%} | {np.quantile(far, 0.9):.1%} | "
            f"{np.mean(z < 1):.0%}, {np.mean(z < 2):.0%} |"
        )
    return f"Held out: {len(told)} windows.\n\n" + "\n".join(rows) + "\n"


def _made(folder: Path, first: int, make_s: float, workers: int) -> tuple[Windows, np.ndarray]:
    """Windows, and each one's kick, from processes of their own."""
    np.save(folder / STILLS_NAME, np.stack([painted(number) for number in range(STILLS)]))
    print("yards painted", file=sys.stderr)
    files = [folder / f"windows_{k}.npz" for k in range(workers)]
    command = [sys.executable, "-m", "training.shoes.windows", "--seconds", str(make_s)]
    running = [
        subprocess.Popen(
            [*command, "--out", str(file), "--first", str(first + k), "--step", str(workers)]
        )
        for k, file in enumerate(files)
    ]
    for process in running:
        process.wait()
    parts = [np.load(file) for file in files if file.exists()]
    levels, ends, kicks = (
        np.concatenate([part[name] for part in parts]) for name in ("levels", "ends", "kicks")
    )
    return Windows(levels, ends), kicks


if __name__ == "__main__":
    main()
