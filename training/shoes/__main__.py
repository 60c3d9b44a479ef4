"""Makes windows round shoes, trains the networks and measures them: `python -m training.shoes`."""

from __future__ import annotations

import multiprocessing
import os
import time
from functools import partial
from pathlib import Path

import numpy as np

from shoegoal.cues.sight import SIDE_PX
from training.export import F32, write_onnx
from training.making import Clock, command_line, make
from training.shoes.windows import STILLS, Windows, painted, windows_of_kick
from truth.bodies.person import GROUPS

HELD_OUT_EVERY = 21  # the kicks with a number that this divides are only measured on


def main() -> None:
    """Command line."""
    parser = command_line(
        "Train the network that sees the ends of shoes.", "kick", 130.0, 150.0, 3e-3
    )
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    clock = Clock()
    stills = options.out / "stills.npy"
    np.save(stills, np.stack([painted(number) for number in range(STILLS)]))
    clock.say("yards painted")
    one = partial(windows_of_kick, stills=stills)
    until = time.time() + options.make_s
    made = make(one, options.first, options.most, until, options.workers)
    clock.say(f"windows of {len(made)} kicks")
    windows = Windows.of([w for _, w in made])
    kicks = np.repeat([kick for kick, _ in made], [len(w.ends) for _, w in made])
    np.savez(options.out / "windows.npz", levels=windows.levels, ends=windows.ends, kicks=kicks)
    import torch  # only now: the processes that make windows do without it

    gpus = max(1, torch.cuda.device_count())
    # Side by side, shared out over the machine's GPUs: one network of all bodies, which the tool
    # uses, and for each group of bodies one that never saw them.
    spawn = multiprocessing.get_context("spawn")
    trainings = []
    for number, without in enumerate((None, *range(GROUPS))):
        os.environ["CUDA_VISIBLE_DEVICES"] = str(number % gpus)
        work = (options.out, without, options.train_s, options.peak_rate)
        trainings.append(spawn.Process(target=train_one, args=work))
        trainings[-1].start()
    for training in trainings:
        training.join()
    clock.say(f"trained, {sum(training.exitcode != 0 for training in trainings)} failed")
    table = "\n".join(file.read_text() for file in sorted(options.out.glob("table-*.md")))
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)


def train_one(out: Path, without: int | None, seconds: float, peak_rate: float) -> None:
    """Train a network on all bodies or without a group; write it and how it does."""
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


if __name__ == "__main__":
    main()
