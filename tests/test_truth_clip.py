"""Rendered clips: what the pixels show is what the truth says."""

import json
import math
import shutil
import subprocess
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest
from numpy.testing import assert_allclose

from truth.arrays import Floats
from truth.figure import SHANK, THIGH, build_skeleton
from truth.footwork import LEFT, RIGHT, Walker
from truth.motion import GOINGS, RATE_HZ, Run
from truth.moves import Kick
from truth.record import Truth, judge
from truth.render import render_clip
from truth.scenes import Scene, ShotPart, load_scene, random_scene
from truth.stage import set_stage
from truth.studio import Studio, frames_of
from truth.things import ball_skin

SAMPLES = Path(__file__).parent.parent / "sample_clips"
NAMES = ["behind_six", "side_view", "portrait_vfr"]


def small_scene(**changes: Any) -> Scene:
    chosen: dict[str, Any] = {
        "ground": "grass",
        "picture": {"width_px": 256, "height_px": 144, "fps": 10.0, "crf": 20, "noise": 0.5},
        "shots": [{"aim_x_m": 0.2, "speed_mps": 6.0}],
        "props": 0,
    }
    return random_scene(5, **(chosen | changes))


@pytest.fixture(scope="module")
def upright(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    path = tmp_path_factory.mktemp("clip") / "upright.mp4"
    return path, render_clip(small_scene(), path)


def decode(path: Path) -> tuple[list[Floats], list[float], list[int]]:
    pictures, times, turns = [], [], []
    with av.open(str(path)) as box:
        for frame in box.decode(video=0):
            pictures.append(frame.to_ndarray(format="gray").astype(float))
            times.append(float(frame.time or 0.0))
            turns.append(int(frame.rotation))
    return pictures, times, turns


def test_same_seed_same_file_and_truth(upright: tuple[Path, Truth], tmp_path: Path) -> None:
    path, truth = upright
    again = render_clip(small_scene(), tmp_path / "again.mp4")
    assert (tmp_path / "again.mp4").read_bytes() == path.read_bytes()
    assert again == truth
    assert random_scene(8) == random_scene(8)
    assert random_scene(8) != random_scene(9)


def test_frames_come_at_the_times_of_the_truth(upright: tuple[Path, Truth]) -> None:
    path, truth = upright
    _, times, _ = decode(path)
    assert_allclose(times, [f.pts_s for f in truth.frames], atol=1e-4)


@pytest.mark.parametrize("turn", [90, 180, 270])
def test_rotation_is_in_the_file_and_brings_the_picture_upright(
    upright: tuple[Path, Truth], tmp_path: Path, turn: int
) -> None:
    scene = small_scene()
    turned = scene.model_copy(
        update={"picture": scene.picture.model_copy(update={"rotation_deg": turn})}
    )
    path = tmp_path / "turned.mp4"
    truth = render_clip(turned, path)
    assert (truth.width_px, truth.height_px) == (256, 144)
    pictures, _, turns = decode(path)
    # FFmpeg states the counter-clockwise angle that undoes the matrix, -180..180.
    assert turns[0] % 360 == (-turn) % 360
    if probe := shutil.which("ffprobe"):
        out = subprocess.run(
            [probe, "-v", "error", "-show_streams", "-of", "json", str(path)],
            capture_output=True,
            check=True,
            text=True,
        ).stdout
        side = json.loads(out)["streams"][0]["side_data_list"]
        said = next(d["rotation"] for d in side if "rotation" in d)
        assert said % 360 == (-turn) % 360
    plain, _, _ = decode(upright[0])
    # numpy turns counter-clockwise; a player turns clockwise by the matrix.
    shown = np.rot90(pictures[0], -turn // 90)
    assert shown.shape == plain[0].shape
    assert np.abs(shown - plain[0]).mean() < 3.0


def test_variable_rate_is_kept(tmp_path: Path) -> None:
    scene = small_scene()
    wobbly = scene.model_copy(
        update={"picture": scene.picture.model_copy(update={"variable_rate": True})}
    )
    truth = render_clip(wobbly, tmp_path / "vfr.mp4")
    _, times, _ = decode(tmp_path / "vfr.mp4")
    steps = np.diff(times)
    assert_allclose(times, [f.pts_s for f in truth.frames], atol=1e-4)
    assert steps.min() > 0
    assert steps.max() > 1.2 * steps.min()


def test_ball_is_drawn_where_the_truth_puts_it() -> None:
    # Two renderings that differ only in the ball's colour differ exactly on the ball's disc.
    scene = small_scene(
        picture={"width_px": 640, "height_px": 360, "shutter_s": 0.0005},
        camera={"position_m": [1.3, 9.0, 1.2], "aim_m": [0, 2.5, 0.3]},
    )
    stage = set_stage(scene)
    studio = Studio.open(stage, stage.camera, 1)
    kick = stage.play.kicks[0].contact_s
    checked = 0
    for at in (0.1, kick - 0.05, kick + 0.25, kick + 0.6, kick + 0.8):
        pair = []
        for design in ("white", "dark"):
            studio.skin = ball_skin(design)
            pair.append(studio.draw(stage.camera, at, studio.backdrop, studio.base))
        share = np.abs(pair[0] - pair[1]).sum(axis=2)
        truth = studio.frame_truth(stage.camera, at, studio.backdrop)
        mask = share > 0.02 * share.max()
        x, y, long_px, short_px = truth.outline_px
        whole = math.pi / 4 * long_px * short_px
        # Rim pixels are partly ball: their area counts by half on average.
        rim = 0.5 * math.pi * 0.5 * (long_px + short_px)
        assert mask.sum() == pytest.approx(whole * truth.visible + rim * truth.visible, rel=0.12)
        if truth.visible > 0.99:
            rows, cols = np.nonzero(mask)
            assert_allclose([cols.mean(), rows.mean()], [x, y], atol=0.3)
            checked += 1
    assert checked >= 2


def test_steps_do_not_slide_and_legs_keep_their_length() -> None:
    walker = Walker(1.5, 0.0, np.array([0.0, -6.0]), 0.0)
    walker.walk([np.array([1.0, -2.0]), np.array([0.0, 1.0])], 2.0, math.pi)
    contact = walker.run_up(np.array([0.3, -0.8]), 3.0, RIGHT, True, 0.11, 3)
    times = np.arange(0.0, walker.now_s + 0.5, 1 / 240)
    feet = walker.sample(times)
    for foot in (LEFT, RIGHT):
        planted = (feet.loose[foot][1:] == 0) & (feet.loose[foot][:-1] == 0)
        moved = np.linalg.norm(np.diff(feet.xyz[foot], axis=0), axis=1)
        assert moved[planted].max() < 1e-9
    bones = build_skeleton(1.5, 240.0, feet, np.zeros_like(times), np.zeros_like(times))
    for foot in (LEFT, RIGHT):
        thigh = np.linalg.norm(bones.knees[foot] - bones.hips[foot], axis=1)
        shank = np.linalg.norm(bones.ankles[foot] - bones.knees[foot], axis=1)
        assert_allclose(thigh, THIGH * 1.5, rtol=0.02)
        assert_allclose(shank, SHANK * 1.5, rtol=0.02)
        assert bones.toes[foot][:, 2].min() > 0.0
    # At contact the kicking ankle is just behind the ball.
    i = int(np.argmin(np.abs(times - contact)))
    gap = np.linalg.norm(feet.xyz[RIGHT][i, :2] - [0.3, -0.8])
    assert 0.11 < gap < 0.25


def run_to(x_m: float, end_y: float, hit: int = -1) -> Kick:
    y = np.linspace(-5.0, end_y, 960)
    path = np.stack([np.full(960, x_m), y, np.full(960, 0.11)], axis=1)
    speed = np.tile([0.0, float(y[1] - y[0]) * RATE_HZ, 0.0], (960, 1))
    run = Run(path, np.zeros((960, 3, 3)), speed, hit, -1)
    return Kick(0, 2.0, run, ShotPart(aim_x_m=x_m, speed_mps=5), path[0])


@pytest.mark.parametrize(
    ("x_m", "end_y", "hit", "outcome", "make"),
    [
        (0.0, 3.0, -1, "inside", True),
        (0.889, 3.0, -1, "inside", True),
        (0.891, 3.0, -1, "wide right", False),
        (-1.4, 3.0, -1, "wide left", False),
        (0.0, -0.5, -1, "short", False),
        # On the line but not wholly over it: no goal (IFAB Laws of the Game, Law 10).
        (0.0, 0.109, -1, "short", False),
        (0.0, 0.111, -1, "inside", True),
        (0.5, 2.0, 700, "marker in", True),
        (1.2, 2.0, 700, "marker out", False),
    ],
)
def test_outcomes(x_m: float, end_y: float, hit: int, outcome: str, make: bool) -> None:
    shot = judge(1, run_to(x_m, end_y, hit), 2.0, 0.11)
    assert (shot.outcome, shot.is_make) == (outcome, make)
    if shot.crossing_time_s is not None:
        assert shot.crossing_x_m == pytest.approx(x_m)
        assert shot.crossing_time_s == pytest.approx(
            2.0 + 959 / 960 * 5.0 / (end_y + 5.0), abs=1e-3
        )


@pytest.mark.parametrize("name", NAMES)
def test_sample_truth_follows_from_its_scene(name: str) -> None:
    scene = load_scene(SAMPLES / f"{name}.toml")
    stored = json.loads((SAMPLES / f"{name}.truth.json").read_text(encoding="utf-8"))
    stage = set_stage(scene)
    radius = stage.body.radius_m
    for i, kick in enumerate(stage.play.kicks):
        shot = judge(i + 1, kick, scene.width_m, radius)
        kept = stored["shots"][i]
        assert (shot.outcome, shot.is_make) == (kept["outcome"], kept["is_make"])
        assert shot.kick_time_s == pytest.approx(kept["kick_time_s"], abs=1e-4)
        if shot.crossing_x_m is not None:
            assert shot.crossing_x_m == pytest.approx(kept["crossing_x_m"], abs=1e-3)
            # The samples hold no close calls.
            assert shot.clearance_m is not None
            assert abs(shot.clearance_m) > 2 * radius
    assert stored["tally"]["shots"] == len(scene.shots) == len(stage.play.kicks)
    ball = stored["ball"]
    assert ball["roll_mps2"] == pytest.approx(GOINGS[scene.ground].roll_mps2, abs=1e-4)
    _, times, turns = decode_times(SAMPLES / f"{name}.mp4")
    assert_allclose(times, [f["pts_s"] for f in stored["frames"]], atol=1e-4)
    assert turns % 360 == (-scene.picture.rotation_deg) % 360


def decode_times(path: Path) -> tuple[int, list[float], int]:
    with av.open(str(path)) as box:
        stream = box.streams.video[0]
        first = next(box.decode(stream))
        turn = int(first.rotation)
        box.seek(0)
        times = sorted(
            float(p.pts * p.time_base)
            for p in box.demux(stream)
            if p.pts is not None and p.time_base is not None
        )
    return first.width, times, turn


def test_samples_hold_what_the_readme_promises() -> None:
    six = json.loads((SAMPLES / "behind_six.truth.json").read_text(encoding="utf-8"))
    outcomes = [s["outcome"] for s in six["shots"]]
    assert len(outcomes) == 6
    assert {"inside", "wide left", "wide right", "short"} <= set(outcomes)
    size = sum(p.stat().st_size for p in SAMPLES.iterdir())
    assert size <= 12 * 1024 * 1024


def test_unsteady_camera_moves_the_truth_with_the_picture() -> None:
    scene = small_scene(camera={"shake_deg": 0.0, "bump_at_s": 0.05, "bump_deg": [2.0, 0.0, 0.0]})
    stage = set_stage(scene)
    pair = list(frames_of(stage, [0, 90000]))
    a, b = pair[0][1], pair[1][1]
    # Turning right by 2 degrees moves everything left by about f tan(2 deg).
    moved = a.centre_px[0] - b.centre_px[0]
    assert moved == pytest.approx(stage.camera.focal_px * math.tan(math.radians(2.0)), rel=0.1)
    # The still pixels moved by the same amount: upper right part, away from the kicker.
    x, y = pair[0][0].mean(axis=2)[16:64, 48:240], pair[1][0].mean(axis=2)[16:64, 48:240]
    row_a, row_b = (v - v.mean() for v in (x.mean(axis=0), y.mean(axis=0)))
    score = [float(row_a[s:] @ row_b[: len(row_b) - s]) / (192 - s) for s in range(1, 30)]
    assert abs(int(np.argmax(score)) + 1 - moved) <= 1.5
