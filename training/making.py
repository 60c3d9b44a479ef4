"""Makes windows on all cores by the clock, and the options that all three networks share."""

from __future__ import annotations

import argparse
import multiprocessing
import os
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeVar

import cv2

from truth.render import render_clip
from truth.scenes import random_scene

Made = TypeVar("Made")
GRACE_S = 30.0
WARM_UP_SEED = 199_999


def command_line(
    description: str, what: str, make_s: float, train_s: float, peak_rate: float
) -> argparse.ArgumentParser:
    """Return the options that every network's command has."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--first", type=int, default=0, help=f"number of the first {what}")
    parser.add_argument("--most", type=int, default=20_000, help=f"at most so many {what}s")
    parser.add_argument("--make-s", type=float, default=make_s, help=f"no {what} begins after that")
    parser.add_argument("--train-s", type=float, default=train_s)
    parser.add_argument("--peak-rate", type=float, default=peak_rate)
    parser.add_argument("--workers", type=int, default=os.cpu_count() or 1)
    return parser


class Clock:
    """Says on standard error what was done when."""

    def __init__(self) -> None:
        self.begun = time.time()

    def say(self, what: str) -> None:
        """Say what has been done by now."""
        print(f"{time.time() - self.begun:.0f} s: {what}", file=sys.stderr)


def warm_up() -> None:
    """Compile the painters once, before the work is shared out; the code is kept on disk."""
    scene = random_scene(
        WARM_UP_SEED, shot_count=1, picture={"width_px": 320, "height_px": 180, "fps": 4.0}
    )
    with tempfile.TemporaryDirectory() as folder:
        for painter in ("traced", "plain"):
            render_clip(scene, Path(folder) / "warm.mp4", painter=painter)


def make(
    one: Callable[[int], Made], first: int, most: int, deadline: float, workers: int
) -> list[tuple[int, Made]]:
    """Make numbers `first`, `first` + 1, ... until `most` are done or the clock says stop.

    Parameters
    ----------
    one : what is made of a number; it runs in other processes.
    deadline : time after which no further one is begun; what is not ready `GRACE_S` later is given
        up.

    Returns
    -------
    Each number with what was made of it, in order; refused ones are left out and named on standard
    error.
    """
    work = partial(_made_or_refused, one, deadline=deadline)
    numbers = range(first, first + most)
    done: list[tuple[int, Made]] = []
    refused: list[str] = []

    def take(answer: tuple[int, Made] | str) -> None:
        if isinstance(answer, str):
            refused.extend([answer] if answer else [])
        else:
            done.append(answer)

    if workers < 2:
        for number in numbers:
            take(work(number))
    else:
        # Not forked: OpenCV's threads do not live on in a fork, which would wait for them for ever.
        with multiprocessing.get_context("spawn").Pool(workers) as pool:
            answers = pool.imap_unordered(work, numbers)
            for _ in numbers:
                try:
                    take(answers.next(timeout=max(0.1, deadline + GRACE_S - time.time())))
                except multiprocessing.TimeoutError:
                    print("some took too long and are left out", file=sys.stderr)
                    break
    print(f"{len(done)} made, {len(refused)} refused: {refused[:5]}", file=sys.stderr)
    return sorted(done, key=lambda pair: pair[0])


def _made_or_refused(
    one: Callable[[int], Made], number: int, deadline: float
) -> tuple[int, Made] | str:
    """Return what was made of a number, or why nothing was; nothing is said of a late one."""
    if time.time() > deadline:
        return ""
    cv2.setNumThreads(1)
    try:
        return number, one(number)
    except Exception as error:  # one in hundreds must not end the run
        return f"{number}: {type(error).__name__}: {error}"
