"""Makes the windows, trains the ball network, measures it: `python -m training.ball --out DIR`."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from shoegoal.ball.ball_net import SIDE
from training.ball.photographs import photograph_windows
from training.ball.windows import Stock, joined, windows_of_scene
from training.export import mixed, read_onnx, write_onnx
from training.making import Clock, command_line, make, warm_up

HELD_OUT_EVERY = 10  # the scenes with a number that this divides are only measured on
SAMPLED = 900  # held-out windows that are written out to look at


def main() -> None:
    """Command line."""
    parser = command_line("Train the ball network.", "scene", 300.0, 180.0, 4e-3)
    parser.add_argument("--start", type=Path, help="an ONNX file to go on from")
    parser.add_argument(
        "--share", type=float, default=1.0, help="of new weights beside the start's"
    )
    parser.add_argument("--photographs", type=Path, help="a folder to learn from as well")
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    clock = Clock()
    warm_up()
    clock.say("painters compiled")
    until = clock.begun + options.make_s
    made = make(windows_of_scene, options.first, options.most, until, options.workers)
    stock = Stock.of([pair for _, pair in made])
    clock.say(f"{len(stock.scene_of)} windows of {len(stock.scenes)} scenes")
    held = np.array([s.number % HELD_OUT_EVERY == 0 for s in stock.scenes])
    learnt, unseen = stock.part(~held), stock.part(held)
    windows = learnt.windows
    if options.photographs is not None:
        photographs = photograph_windows(options.photographs, options.workers)
        clock.say(f"{len(photographs.crops)} windows of photographs")
        windows = joined([windows, photographs])
    # Only now: the processes that make windows do without torch.
    from training.ball.fit import BATCH, train
    from training.ball.measure import report
    from training.course import Course, read

    start = None if options.start is None else read_onnx(options.start)
    network = train(windows, Course(options.train_s, options.peak_rate, BATCH), start)
    if start is not None:
        network.take_over(mixed(start, network.layers(), options.share))
    write_onnx(network.layers(), options.out / "ball_gauge.onnx", "ball_gauge", SIDE, flat=True)
    clock.say("trained")
    answers = read(network, unseen.windows.crops)
    table = f"Trained on {len(learnt.scenes)} scenes ({len(learnt.scene_of)} windows); held out: "
    table += report(answers, unseen)
    (options.out / "RESULTS.md").write_text(table, encoding="utf-8")
    print(table)
    rows = np.random.default_rng(1).permutation(len(answers))[:SAMPLED]
    w = unseen.windows
    np.savez_compressed(
        options.out / "sample.npz", crops=w.crops[rows], answers=w.answers[rows],
        facts=w.facts[rows], readings=answers[rows],
    )  # fmt: skip
    clock.say("measured")


if __name__ == "__main__":
    main()
