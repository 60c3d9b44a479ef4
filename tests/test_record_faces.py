"""Heads are covered in what leaves the book: those of rendered kickers, whose places are known, and
those of real people, which a pose model finds that the covering does not use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import av
import cv2
import numpy as np
import numpy.typing as npt
import pytest

from shoegoal.record.export import Box, cover_faces, face_boxes, head_boxes
from truth.people import FIGURE_HZ
from truth.scenes import load_scene
from truth.stage import Stage, set_stage

U8 = npt.NDArray[np.uint8]
SAMPLES = Path(__file__).parents[1] / "sample_clips"
POSE_MODEL = Path(__file__).parents[2] / "shared" / "models" / "pose_full.task"
HEADS_IN_VIEW = (  # the other real clips show feet and a wall
    "fullbody_side_kick.mp4", "juggling_moving_camera.avi", "juggling_still.avi",
    "lawn_mini_goal.mp4", "lawn_side_kick.mp4",
)  # fmt: skip
HEAD_LANDMARKS = range(11)  # nose, eyes, ears, mouth: MediaPipe's pose landmark model card
# The skull's half axes over body height, as tests/truth/figure.py draws it.
SKULL = (0.049, 0.072, 0.060)
CLEAR_SIGHT = 0.6  # visibility from which the pose model is taken to see a head


def pictures_at(clip: Path, times_s: list[float]) -> Iterator[tuple[float, U8]]:
    """The pictures nearest after some times, reached by seeking, the right way up."""
    with av.open(str(clip)) as container:
        stream = container.streams.video[0]
        for wanted_s in times_s:
            assert stream.time_base is not None
            container.seek(int(wanted_s / stream.time_base), stream=stream)
            for frame in container.decode(stream):
                if frame.time is not None and frame.time >= wanted_s:
                    stored = np.asarray(frame.to_ndarray(format="bgr24"), np.uint8)
                    # PyAV tells the display rotation counter-clockwise, as rot90 turns.
                    yield frame.time, np.ascontiguousarray(np.rot90(stored, frame.rotation // 90))
                    break


def head_px(stage: Stage, time_s: float) -> tuple[float, float, float]:
    """Middle and half height of the rendered kicker's head in the picture."""
    solids = stage.play.solids[round(time_s * FIGURE_HZ)]
    height_m = stage.scene.kicker.height_m
    radii = 1 / np.linalg.norm(solids[:, 4:13].reshape(-1, 3, 3), axis=2).clip(1e-9)
    skull = np.abs(radii / height_m - SKULL).max(axis=1) + 9 * (solids[:, 0] != 1.0)
    centre_m = solids[int(np.argmin(skull)), 1:4]
    assert skull.min() < 1e-6
    x_px, y_px = stage.camera.project(centre_m)
    half_px = stage.camera.diameter_px(centre_m, 2 * SKULL[1] * height_m) / 2
    return float(x_px), float(y_px), float(half_px)


def covers(boxes: list[Box], x_px: float, y_px: float, half_px: float) -> bool:
    """Whether the middle of a head, most of its height and width lie in one patch."""
    return any(
        left <= x_px - 0.5 * half_px
        and x_px + 0.5 * half_px <= right
        and top <= y_px - 0.7 * half_px
        and y_px + 0.7 * half_px <= bottom
        for left, top, right, bottom in boxes
    )


@pytest.mark.parametrize(
    ("name", "times_s"),
    [
        ("behind_six", [1.9, 10.0]),
        ("side_view", [10.0]),
        ("portrait_vfr", [6.0]),
    ],
)
def test_heads_of_rendered_kickers_are_covered(name: str, times_s: list[float]) -> None:
    stage = set_stage(load_scene(SAMPLES / f"{name}.toml"))
    for time_s, picture in pictures_at(SAMPLES / f"{name}.mp4", times_s):
        x_px, y_px, half_px = head_px(stage, time_s)
        height, width = picture.shape[:2]
        assert half_px <= x_px <= width - half_px and half_px <= y_px <= height - half_px
        assert covers(head_boxes(picture), x_px, y_px, half_px), f"{name} at {time_s:.2f} s"


def test_what_is_covered_is_past_knowing() -> None:
    """Only a few flat cells are left of a patch, whatever it held."""
    stage = set_stage(load_scene(SAMPLES / "behind_six.toml"))
    ((time_s, picture),) = pictures_at(SAMPLES / "behind_six.mp4", [1.9])
    x_px, y_px, half_px = head_px(stage, time_s)
    before = picture.copy()
    covered, patches = cover_faces(picture)
    assert patches > 0
    assert (picture == before).all()  # the picture given is left as it is
    x, y, half = round(x_px), round(y_px), round(0.7 * half_px)
    head = covered[y - half : y + half, x - half : x + half]
    original = picture[y - half : y + half, x - half : x + half]
    assert len(np.unique(original.reshape(-1, 3), axis=0)) > 200
    assert len(np.unique(head.reshape(-1, 3), axis=0)) <= 16
    ball_row = covered[round(0.8 * len(covered)) :]
    assert (ball_row == picture[round(0.8 * len(picture)) :]).mean() > 0.9  # the rest can be seen


def test_an_empty_place_stays_as_it_is() -> None:
    grass = np.full((360, 640, 3), (70, 140, 90), np.uint8)
    covered, patches = cover_faces(grass)
    assert patches == 0 and (covered == grass).all()


@pytest.mark.real_clips
def test_heads_of_real_people_are_covered(real_clips: Path) -> None:
    if not POSE_MODEL.is_file():
        pytest.skip("the pose model is not beside this checkout")
    seen = covered = 0
    for clip in (real_clips / name for name in HEADS_IN_VIEW):
        with av.open(str(clip)) as container:
            length_s = float((container.duration or 0) / 1e6)
        times_s = [share * length_s for share in (0.25, 0.5, 0.75)]
        for _, picture in pictures_at(clip, times_s):
            for x_px, y_px, half_px in _heads_by_pose(picture):
                seen += 1
                covered += covers(head_boxes(picture) + face_boxes(picture), x_px, y_px, half_px)
    assert seen >= 8
    assert covered == seen


def _heads_by_pose(picture: U8) -> list[tuple[float, float, float]]:
    """Heads that the pose model sees clearly: middle and half height, px."""
    import mediapipe as mp
    from mediapipe.tasks.python import BaseOptions
    from mediapipe.tasks.python.vision import PoseLandmarker, PoseLandmarkerOptions

    options = PoseLandmarkerOptions(BaseOptions(str(POSE_MODEL)), num_poses=3)
    with PoseLandmarker.create_from_options(options) as landmarker:
        rgb = cv2.cvtColor(picture, cv2.COLOR_BGR2RGB)
        found = landmarker.detect(mp.Image(image_format=mp.ImageFormat.SRGB, data=rgb))
    height, width = picture.shape[:2]
    heads = []
    for landmarks in found.pose_landmarks:
        head = [landmarks[i] for i in HEAD_LANDMARKS]
        if min(mark.visibility for mark in head) < CLEAR_SIGHT:
            continue
        points = np.array([(mark.x * width, mark.y * height) for mark in head])
        if (points < 0).any() or (points > [width, height]).any():
            continue
        x_px, y_px = points.mean(axis=0)
        heads.append((float(x_px), float(y_px), float(np.ptp(points[:, 1]))))
    return heads
