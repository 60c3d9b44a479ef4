"""Makes windows round shoes, trains the networks and measures them: `python -m training.shoes`."""

from __future__ import annotations

import multiprocessing
import os
import time
from functools import partial

import numpy as np

from training.making import Clock, command_line, make
from training.shoes.one import train_one
from training.shoes.windows import STILLS, Windows, painted, windows_of_kick
from truth.bodies.person import GROUPS


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
    clock.say("trained")
    table = "\n".join(file.read_text() for file in sorted(options.out.glob("table-*.md")))
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)
    if any(training.exitcode for training in trainings):
        raise SystemExit("a training failed: its error stands above")


if __name__ == "__main__":
    main()
