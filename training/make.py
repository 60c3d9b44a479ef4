"""Renders drawn scenes on all cores and cuts their windows."""

from __future__ import annotations

import multiprocessing
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TypeVar

import cv2
import numpy as np
import numpy.typing as npt

from training.places import Places
from training.scenes import FIRST_SEED, drawn_scene
from training.windows import Windows, joined, windows_of
from truth.render import render_clip
from truth.scenes import Scene, random_scene
from truth.stage import set_stage

Made = TypeVar("Made")
TOO_LONG_FRAMES = 420
GRACE_S = 30.0


@dataclass(frozen=True, slots=True)
class SceneFacts:
    """What a scene was, for the tables of results."""

    number: int
    design: str
    ground: str
    painter: str
    view: str
    lines: int


@dataclass(slots=True)
class Stock:
    """All windows; `scene_of` gives each window's row in `scenes`."""

    windows: Windows
    scene_of: npt.NDArray[np.int32]
    scenes: list[SceneFacts]


def warm_up() -> None:
    """Compile the painters once, before the work is shared out; the code is kept on disk."""
    table = {"picture": {"width_px": 320, "height_px": 180, "fps": 4.0}}
    scene = random_scene(FIRST_SEED - 1, shot_count=1, **table)
    with tempfile.TemporaryDirectory() as folder:
        for painter in ("traced", "plain"):
            render_clip(scene, Path(folder) / "warm.mp4", painter=painter)


def windows_of_scene(number: int, deadline: float = np.inf) -> tuple[SceneFacts, Windows] | str:
    """Render a scene and cut its windows; a scene that cannot be staged is told in words."""
    if time.time() > deadline:
        return "late"
    cv2.setNumThreads(1)
    try:
        scene, painter = drawn_scene(number)
        stage = set_stage(scene)
        places = Places.of(stage)
        if not 10 < len(places.taken_s) < TOO_LONG_FRAMES:
            return f"scene {number} has {len(places.taken_s)} frames"
        with tempfile.TemporaryDirectory() as folder:
            clip = Path(folder) / "clip.mp4"
            truth = render_clip(scene, clip, painter=painter)
            windows = windows_of(clip, truth, places, np.random.default_rng([FIRST_SEED, number]))
    except Exception as error:  # one scene in hundreds must not end the run
        return f"scene {number}: {type(error).__name__}: {error}"
    return _facts(scene, number, painter), windows


def _facts(scene: Scene, number: int, painter: str) -> SceneFacts:
    place = scene.camera.position_m
    view = "facing" if place[1] < 0 else "behind" if place[1] > scene.back_m else "side"
    lines = min(scene.picture.height_px, scene.picture.width_px)
    return SceneFacts(number, scene.ball.design, scene.ground, painter, view, lines)


def make_stock(first: int, most: int, seconds: float, workers: int) -> Stock:
    """Make windows of scenes `first`, `first` + 1, ... until `most` are done or time is up.

    Parameters
    ----------
    seconds : after which no further scene is begun.
    """
    begun = time.time()
    parts: list[Windows] = []
    scenes: list[SceneFacts] = []
    refused: list[str] = []
    for answer in shared_out(windows_of_scene, first, most, begun + seconds, workers):
        if isinstance(answer, str):
            refused += [answer] if answer != "late" else []
            continue
        scenes.append(answer[0])
        parts.append(answer[1])
        if len(scenes) % 25 == 0:
            print(f"{len(scenes)} scenes, {time.time() - begun:.0f} s", file=sys.stderr)
    print(f"{len(scenes)} scenes, {len(refused)} refused: {refused[:5]}", file=sys.stderr)
    order = np.argsort([s.number for s in scenes])
    parts = [parts[k] for k in order]
    scenes = [scenes[k] for k in order]
    return Stock(
        joined(parts),
        np.repeat(np.arange(len(parts), dtype=np.int32), [len(p.crops) for p in parts]),
        scenes,
    )


def shared_out(
    make: Callable[[int, float], Made | str], first: int, most: int, deadline: float, workers: int
) -> Iterator[Made | str]:
    """Answers as they come; what is not ready `GRACE_S` after the deadline is given up."""
    work = partial(make, deadline=deadline)
    if workers < 2:
        yield from map(work, range(first, first + most))
        return
    # Not forked: OpenCV's threads do not live on in a fork, and it would wait for them for ever.
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        answers = pool.imap_unordered(work, range(first, first + most))
        for _ in range(most):
            try:
                yield answers.next(timeout=max(0.1, deadline + GRACE_S - time.time()))
            except multiprocessing.TimeoutError:
                print("some scenes took too long and are left out", file=sys.stderr)
                return
