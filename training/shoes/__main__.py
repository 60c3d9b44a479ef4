"""Makes windows round shoes, trains the network and measures it: `python -m training.shoes`."""

from __future__ import annotations

import time
from functools import partial

import numpy as np

from shoegoal.cues.sight import SIDE_PX
from training.export import F32, write_onnx
from training.making import Clock, command_line, make
from training.shoes.windows import STILLS, Windows, painted, windows_of_kick

HELD_OUT_EVERY = 20  # the kicks with a number that this divides are only measured on


def main() -> None:
    """Command line."""
    parser = command_line(
        "Train the network that sees the ends of shoes.", "kick", 150.0, 80.0, 3e-3
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
    # Only now: the processes that make windows do without torch.
    from training.course import Course, read
    from training.shoes.fit import BATCH, WEIGHT_DECAY, train

    learnt = Windows.of([w for kick, w in made if kick % HELD_OUT_EVERY])
    unseen = Windows.of([w for kick, w in made if not kick % HELD_OUT_EVERY])
    network = train(learnt, Course(options.train_s, options.peak_rate, BATCH, WEIGHT_DECAY))
    answers = read(network, unseen.levels)
    write_onnx(network.layers(), options.out / "shoe_ends.onnx", "shoe_ends", SIDE_PX, flat=True)
    kicks = sum(bool(kick % HELD_OUT_EVERY) for kick, _ in made)
    table = f"Trained on {len(learnt.ends)} windows of {kicks} kicks.\n\n"
    table += report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)


def report(answers: F32, unseen: Windows) -> str:
    """How far off heels and toes are on kicks kept apart, and how far the network thinks."""
    off = np.abs(answers[:, :4] - unseen.ends).reshape(-1, 2, 2)
    sigma = np.exp(answers[:, 4:6])[:, :, None]
    rows = ["| end | median off, of the window's side | 9 in 10 within | in 1 and 2 sigma |",
            "|---|---|---|---|"]  # fmt: skip
    for k, end in enumerate(("heel", "toe")):
        far, z = np.linalg.norm(off[:, k], axis=1), off[:, k] / sigma[:, k]
        rows.append(
            f"| {end} | {np.median(far):.1%} | {np.quantile(far, 0.9):.1%} | "
            f"{np.mean(z < 1):.0%}, {np.mean(z < 2):.0%} |"
        )
    return f"Held out: {len(answers)} windows.\n\n" + "\n".join(rows) + "\n"


if __name__ == "__main__":
    main()
