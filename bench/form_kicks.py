"""Kicks whose form is known: their clips, the poses seen in them, and the space round each.

Poses and the windows round their shoes are kept beside the clips, so that cues can be measured
again, and by another network for shoes, without looking again.
"""

from __future__ import annotations

import hashlib
import math
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import click
import numpy as np
import numpy.typing as npt

from evaluation import ROOT
from shoegoal.clip.frame import U8
from shoegoal.clip.reader import open_clip
from shoegoal.cues.pose import JOINTS, MediaPipePose, Pose, open_pose_model
from shoegoal.cues.sight import SIDE_PX, ShoeSight, find_poses
from shoegoal.cues.space import ShotSpace, cameras_round
from shoegoal.errors import ShoegoalError
from shoegoal.networks import Network, read_network
from shoegoal.scene.ball_size import BallSize, ball_ruler
from shoegoal.scene.camera import Camera
from shoegoal.scene.fit import SceneFit, fit_scene
from shoegoal.scene.goal import GoalFrame
from shoegoal.scene.ground import GroundFit, fit_ground
from shoegoal.types import Detection, ImagePoint
from truth.bodies.film import KickClip, film_kicks
from truth.bodies.person import GROUPS, people
from truth.yards import yards

F64 = npt.NDArray[np.float64]
CACHE = ROOT / ".cache" / "form"
# The tool finds the moment of contact to about a third of a picture at 30 a second.
CONTACT_SIGMA_S = 0.012
# How the network sees balls on scenes kept apart, in shares of a diameter.
CENTRE_SIGMA, SIZE_SIGMA, SIZE_BIAS_SIGMA = 0.02, 0.02, 0.01
MARKER_SIGMA_PX = 1.5
LEAST_AHEAD_M = 1.0  # a marker less far ahead of the camera is not clicked on
RESTING_SEEN, ROLLING_SEEN, ROLLED_M = 4, 14, 0.5  # of each kick
KNOWN_SIZES = (BallSize.THREE, BallSize.FOUR, BallSize.FIVE)
# Of each pose, beside its time: the shape of what is kept of a joint.
KEPT: dict[str, tuple[int, ...]] = {
    "points_px": (2,),
    "visibility": (),
    "presence": (),
    "world_m": (3,),
}
POSE_ROOMS = ("pose.py", "sight.py", "models/pose_full.task")
# Networks that see shoes, each trained without one group of the bodies to develop on.
APART = ROOT / "training" / "shoes" / "apart"


Looked = list[tuple[Pose, U8]]  # poses of one kick, and the windows round their shoes


@dataclass(frozen=True, slots=True, eq=False)
class KnownKick:
    """One kick: what is true of it, and what was seen of it."""

    clip: KickClip
    number: int
    truth: dict[str, Any]
    space: ShotSpace
    contact_s: float
    poses: tuple[Pose, ...]


def known_kicks(
    clips: list[KickClip], folder: Path, rendered_only: bool, fitted: bool
) -> Iterator[list[KnownKick]]:
    """Kicks of each clip in turn; what is missing is filmed, and looked at once.

    With ``fitted`` their space is not the true one, but as `fitted_space` has it.
    """
    with ExitStack() as stack:
        model: MediaPipePose | None = None
        for clip in clips:
            truth_file = folder / f"{clip.name}.json"
            if not truth_file.exists():
                if rendered_only:
                    continue
                click.echo(f"filming {clip.name}", err=True)
                film(clip, folder)
            path, truth = film_kicks(clip, folder)
            kept = folder / f"{clip.name}.{_mark(path, truth)}.npz"
            if not kept.exists():
                click.echo(f"looking at {clip.name}", err=True)
                model = model or stack.enter_context(open_pose_model())
                _keep(kept, _look(path, truth, model))
            yield _kicks(clip, truth, kept, fitted)


def film(clip: KickClip, folder: Path) -> None:
    """Film a clip in a process of its own."""
    words = [clip.split, str(clip.number), clip.view, "--out", str(folder)]
    subprocess.run(
        [sys.executable, "-m", "truth.bodies.film", *words],
        check=True,
        stdout=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": str(ROOT / "tests")},
    )


def space_of(truth: dict[str, Any], kick: dict[str, Any]) -> ShotSpace:
    """The true scene in the tool's terms."""
    c = truth["camera"]
    camera = Camera(
        c["focal_px"], c["cx_px"], c["cy_px"], c["height_m"], c["pitch_deg"], c["roll_deg"]
    )
    x, back, _ = c["position_m"]
    yaw = math.radians(c["yaw_deg"])

    def on_ground(base: list[float]) -> tuple[float, float]:
        """Goal frame to the ground under the camera: right, ahead of it."""
        right, ahead = base[0] - x, back - base[1]
        return (
            right * math.cos(yaw) - ahead * math.sin(yaw),
            right * math.sin(yaw) + ahead * math.cos(yaw),
        )

    left, right = (on_ground(base) for base in truth["inner_bases_m"])
    spot = kick["spot_m"]
    return ShotSpace(camera, GoalFrame(left, right), (spot[0], spot[1]), truth["ball_diameter_m"])


def fitted_scene(clip: KickClip, truth: dict[str, Any]) -> SceneFit | GroundFit:
    """The scene as the tool would fit it to the balls of such a clip.

    Balls at rest and rolling to the goal are seen as the network saw them on scenes kept apart
    (`training/RESULTS.md`); the size printed on the ball is known, and the goal in steps. A goal
    that lies beside or behind the camera has no say.
    """
    true = space_of(truth, truth["kicks"][0])
    camera, diameter_m = true.camera, truth["ball_diameter_m"]
    rng = np.random.default_rng(list(truth["name"].encode()))
    middle = (np.array(true.goal.left_m) + np.array(true.goal.right_m)) / 2
    bias = rng.normal(1.0, SIZE_BIAS_SIGMA)
    size_px = _size_px(truth)
    sightings = []
    for number, kick in enumerate(truth["kicks"]):
        spot = _spot_on_ground(space_of(truth, kick))
        ways = np.append(np.zeros(RESTING_SEEN), np.arange(1, ROLLING_SEEN + 1) * ROLLED_M)
        ahead = (middle - spot) / np.hypot(*(middle - spot))
        places = np.column_stack([spot + ways[:, None] * ahead, np.full(len(ways), diameter_m / 2)])
        centres, diameters = camera.ball_image(places, diameter_m)
        for i, ((x, y), d) in enumerate(zip(centres, diameters, strict=True)):
            if not (d > 0 and 0 < x < size_px[0] and 0 < y < size_px[1]):
                continue
            x, y = rng.normal((x, y), CENTRE_SIGMA * d)
            seen = rng.normal(d * bias, SIZE_SIGMA * d)
            time_s = number * 10.0 + i / 30
            sightings.append(
                Detection(time_s, x, y, seen, CENTRE_SIGMA * d, SIZE_SIGMA * d, ways[i] == 0)
            )
    size = min(KNOWN_SIZES, key=lambda size: abs(ball_ruler(size).diameter_m - diameter_m))
    goal_m = np.array([[*true.goal.left_m, 0.0], [*true.goal.right_m, 0.0]])
    ahead_m = (goal_m - [0.0, 0.0, camera.height_m]) @ camera.rotation()[2]
    if ahead_m.min() < LEAST_AHEAD_M:
        return fit_ground(sightings, size_px, ball=size)
    every = yards(clip.split)
    goal = every[clip.number % len(every)].tables["goal"]
    marks_px = camera.project(goal_m) + rng.normal(0.0, MARKER_SIGMA_PX, (2, 2))
    left_px, right_px = (ImagePoint(float(x), float(y)) for x, y in marks_px)
    spot_px, _ = true.ball_px
    try:
        return fit_scene(
            sightings,
            size_px,
            left_px,
            right_px,
            ball=size,
            kick_spot_px=spot_px,
            width_steps=goal["width_steps"],
            back_steps=goal["back_steps"],
            marker_sigma_px=MARKER_SIGMA_PX,
        )
    except ShoegoalError:
        return fit_ground(sightings, size_px, ball=size)


def fitted_space(scene: SceneFit | GroundFit, true: ShotSpace) -> ShotSpace:
    """A kick's space on a fitted ground, with what the fit leaves open.

    Where the goal lies as seen from the camera is taken as known: it stands outside most of these
    pictures.
    """
    ball_px, _ = true.ball_px

    def on(camera: Camera, ball_m: float) -> ShotSpace:
        here = camera.ball_on_ground([[ball_px.x_px, ball_px.y_px]], ball_m)[0]
        larger = float(np.hypot(*here) / np.hypot(*_spot_on_ground(true)))
        left, right = (
            (larger * float(x), larger * float(y)) for x, y in (true.goal.left_m, true.goal.right_m)
        )
        goal = GoalFrame(left, right)
        x, y = goal.to_goal(here[None])[0]
        return ShotSpace(camera, goal, (float(x), float(y)), ball_m)

    best = on(scene.camera, scene.ball_diameter_m.value)
    others = cameras_round(scene.camera, scene.theta, scene.covariance)
    return replace(best, neighbours=tuple(on(camera, ball_m) for camera, ball_m in others))


def _spot_on_ground(space: ShotSpace) -> F64:
    """(2,) metres of the camera's ground where the ball lies before the kick."""
    centre, _ = space.ball_px
    spots = space.camera.ball_on_ground([[centre.x_px, centre.y_px]], space.ball_diameter_m)
    return np.asarray(spots[0])


def seen_contact_s(truth: dict[str, Any], number: int) -> float:
    """The moment of contact as the tool would have it: off by a little, the same every time."""
    rng = np.random.default_rng([*truth["name"].encode(), number])
    return float(truth["kicks"][number]["contact_s"] + rng.normal(0.0, CONTACT_SIGMA_S))


def _size_px(truth: dict[str, Any]) -> tuple[int, int]:
    """Width and height of the picture, from its middle."""
    camera = truth["camera"]
    return round(2 * camera["cx_px"] + 1), round(2 * camera["cy_px"] + 1)


@cache
def _network_without(group: int) -> Network:
    return read_network(APART / f"shoe_ends_without_{group}.onnx")


def sight_of(clip: KickClip) -> ShoeSight:
    """What sees shoes in a clip: on bodies to develop on, a network that never saw this one."""
    if clip.split != "develop":
        return ShoeSight()
    group = clip.number % len(people(clip.split)) % GROUPS
    return ShoeSight(_network_without(group))


class WindowKeeper(ShoeSight):
    """Sees no shoes, but keeps the windows round them."""

    def __init__(self) -> None:
        super().__init__()
        self.windows: list[U8] = []

    def placed(self, pose: Pose, windows: U8) -> Pose:
        """Keep the windows."""
        self.windows.append(windows)
        return pose


def _look(path: Path, truth: dict[str, Any], model: MediaPipePose) -> list[Looked]:
    out = []
    with open_clip(path) as opened, opened.sampler() as sampler:
        for number, kick in enumerate(truth["kicks"]):
            square = space_of(truth, kick).square(_size_px(truth))
            contact_s = seen_contact_s(truth, number)
            keeper = WindowKeeper()
            seen = None if square is None else find_poses(sampler, model, square, contact_s, keeper)
            out.append([] if seen is None else list(zip(seen.poses, keeper.windows, strict=True)))
    return out


def _mark(path: Path, truth: dict[str, Any]) -> str:
    """Names what the poses hang on: the clip, the rooms that look at it, and where they look."""
    rooms = [ROOT / "src" / "shoegoal" / "cues" / name for name in POSE_ROOMS]
    digest = hashlib.sha256()
    for file in (path, *rooms):
        digest.update(file.read_bytes())
    for number, kick in enumerate(truth["kicks"]):
        square = space_of(truth, kick).square(_size_px(truth))
        digest.update(repr((square, seen_contact_s(truth, number))).encode())
    return digest.hexdigest()[:12]


def _keep(path: Path, kicks: list[Looked]) -> None:
    poses = [(i, pose, windows) for i, kick in enumerate(kicks) for pose, windows in kick]
    part = path.with_suffix(".part.npz")
    joints: dict[str, Any] = {
        name: np.array([getattr(p, name) for _, p, _ in poses]).reshape(-1, JOINTS, *shape)
        for name, shape in KEPT.items()
    }
    np.savez_compressed(
        part,
        kick=np.array([i for i, *_ in poses], int),
        time_s=np.array([p.time_s for _, p, _ in poses]),
        windows=np.array([w for *_, w in poses], np.uint8).reshape(-1, 2, 4, SIDE_PX, SIDE_PX),
        **joints,
    )
    part.replace(path)


def _kicks(clip: KickClip, truth: dict[str, Any], kept: Path, fitted: bool) -> list[KnownKick]:
    with np.load(kept) as file:
        data = {name: file[name] for name in file.files}
    poses: dict[int, list[Pose]] = {}
    sight = sight_of(clip)
    for kick, time_s, windows, *joints in zip(
        *(data[name] for name in ("kick", "time_s", "windows", *KEPT)), strict=True
    ):
        placed = sight.placed(Pose(float(time_s), *joints), windows)
        poses.setdefault(int(kick), []).append(placed)
    scene = fitted_scene(clip, truth) if fitted else None
    spaces = [space_of(truth, kick) for kick in truth["kicks"]]
    return [
        KnownKick(
            clip,
            number,
            kick,
            space if scene is None else fitted_space(scene, space),
            seen_contact_s(truth, number),
            tuple(poses.get(number, ())),
        )
        for number, (kick, space) in enumerate(zip(truth["kicks"], spaces, strict=True))
    ]
