"""Makes windows of yards, trains the network and measures it: `python -m training.markers`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from training.export import write_onnx
from training.making import Clock, command_line, make, warm_up
from training.markers.windows import Windows, windows_of_yard

HELD_OUT_EVERY = 10  # the yards with a number that this divides are only measured on


def main() -> None:
    """Command line."""
    parser = command_line(
        "Train the network that sees standing things.", "yard", 330.0, 150.0, 3e-3
    )
    parser.add_argument("--start", type=Path, help="a state (.pt) to go on from")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    clock = Clock()
    warm_up()
    clock.say("painters compiled")
    until = clock.begun + options.make_s
    made = make(windows_of_yard, options.first, options.most, until, options.workers)
    windows = Windows.of([windows for _, windows in made])
    clock.say(f"{len(windows.bgr)} windows")
    # Only now: the processes that make windows do without torch.
    import torch

    from training.course import Course, read
    from training.markers.fit import BATCH, train
    from training.markers.measure import report

    held = windows.scene % HELD_OUT_EVERY == 0
    start = None if options.start is None else torch.load(options.start, weights_only=True)
    learnt, unseen = windows.part(~held), windows.part(held)
    network = train(learnt, Course(options.train_s, options.peak_rate, BATCH), start)
    write_onnx(network.layers(), options.out / "standing_things.onnx", "standing_things")
    torch.save(network.state_dict(), options.out / "standing_things.pt")
    answers = read(network, np.ascontiguousarray(unseen.bgr.transpose(0, 3, 1, 2)), 512)
    yards = len(set(learnt.scene.tolist())), len(set(unseen.scene.tolist()))
    table = f"Trained on {yards[0]} yards ({len(learnt.bgr)} windows); held out: {yards[1]} yards, "
    table += report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)
    rows = np.random.default_rng(1).permutation(len(unseen.bgr))[:60]
    np.savez_compressed(
        options.out / "sample.npz", bgr=unseen.bgr[rows], things=unseen.things[rows],
        feet=unseen.feet[rows], readings=answers[rows],
    )  # fmt: skip


if __name__ == "__main__":
    main()
