"""A made-up count of six shots, with pictures drawn from its own camera. All names invented."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal import __version__
from shoegoal.analysis.file import analysis_to_json
from shoegoal.analysis.model import (
    FORMAT_VERSION,
    Analysis,
    ClipRecord,
    Evidence,
    MarkersSource,
    SceneRecord,
    StageRecord,
)
from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.ladder.rules import MakesOfShots, Stage
from shoegoal.ladder.verdict import judge_shots
from shoegoal.pictures.stills import SceneView, StillPicture, strip_moments
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalFrame, goal_from_markers
from shoegoal.shots.judge import LeftOut
from shoegoal.types import Call, Detection, Estimate, ImagePoint, Outcome, Shot

SIZE_PX = (1280, 720)
BALL_M = 0.205
WIDTH_M = 2.2
BACK_M = 5.4
START_S = 1.5
CAMERA = Camera(focal_px=985.0, cx_px=639.5, cy_px=359.5, height_m=1.25, pitch_deg=9.0)
GOAL = GoalFrame((-WIDTH_M / 2, 9.0), (WIDTH_M / 2, 9.0))
STAGE = Stage("four-of-six", "Four of six", MakesOfShots(4, 6), 4, 10, ball_size=4)

# crossing x (None: stopped short), call, outcome, P(make), reason
_ENDS: list[tuple[float | None, Call, Outcome, float, str]] = [
    (0.30, Call.MAKE, Outcome.INSIDE, 0.997, "inside by 70 cm on the right"),
    (-1.70, Call.MISS, Outcome.WIDE_LEFT, 0.003, "wide of the left marker by 70 cm"),
    (-0.55, Call.MAKE, Outcome.INSIDE, 0.997, "inside by 45 cm on the left"),
    (None, Call.MISS, Outcome.SHORT, 0.003, "stopped 1.5 m before the line"),
    (1.02, Call.UNSURE, Outcome.INSIDE, 0.40, "too close to the right marker to call (2 cm)"),
    (0.05, Call.MAKE, Outcome.INSIDE, 0.997, "inside by 95 cm on the right"),
]


def ball_at(shot_x_m: float | None, since_kick_s: float) -> tuple[float, float, float]:
    """Ball centre in the goal frame; 6 m/s to the line in 0.9 s, or to a stop before it."""
    share = min(1.2, since_kick_s / 0.9) if since_kick_s > 0 else 0.0
    if shot_x_m is None:
        share = min(share, (BACK_M - 1.5) / BACK_M)
        return 0.1, BACK_M * (1 - share), BALL_M / 2
    return 0.1 + (shot_x_m - 0.1) * share, BACK_M * (1 - share), BALL_M / 2


def sighting(time_s: float, place_m: tuple[float, float, float]) -> Detection:
    centre, diameter = CAMERA.ball_image(GOAL.from_goal([place_m]), BALL_M)
    return Detection(time_s, float(centre[0, 0]), float(centre[0, 1]), float(diameter[0]), 0.4, 0.5)


def example_shot(number: int) -> Shot:
    x_m, call, outcome, p_make, reason = _ENDS[number - 1]
    kick_s = START_S + 4.0 * number
    times = [kick_s + 0.1 * k for k in range(11)]
    path = tuple(sighting(t, ball_at(x_m, t - kick_s)) for t in times)
    return Shot(
        number=number,
        kick_time_s=kick_s,
        end_time_s=times[-1],
        call=call,
        outcome=outcome,
        p_make=p_make,
        reason=reason,
        crossing_time_s=None if x_m is None else kick_s + 0.9,
        crossing_x_m=None if x_m is None else Estimate(x_m, 0.05),
        crossing_z_m=None if x_m is None else Estimate(BALL_M / 2, 0.02),
        speed_mps=Estimate(6.0, 0.3),
        kick_spot_m=(0.1, BACK_M),
        path=path,
        fitted_path_px=tuple(ImagePoint(s.x_px, s.y_px) for s in path),
    )


def example_analysis(*, unsure: bool = True) -> Analysis:
    """Six shots: three makes, two misses and one unsure, which the verdict hangs on."""
    shots = [example_shot(number) for number in range(1, 7)]
    if not unsure:
        shots[4] = replace(shots[4], call=Call.MAKE, p_make=0.997, reason="inside by 12 cm")
    tally, verdict = judge_shots(STAGE.rule, shots, confidence=0.95)
    left, right = GOAL.line_px(CAMERA)
    return Analysis(
        format_version=FORMAT_VERSION,
        tool_version=__version__,
        clip=ClipRecord(
            name="yard.mp4",
            sha256="0" * 64,
            size_bytes=4_000_000,
            width_px=SIZE_PX[0],
            height_px=SIZE_PX[1],
            rotation_deg=0,
            duration_s=30.0,
            start_s=START_S,
            end_s=START_S + 30.0,
            frames=900,
            nominal_rate_hz=30.0,
            codec="h264",
        ),
        stage=StageRecord.of(STAGE),
        scene=SceneRecord(
            camera=CAMERA,
            left_px=left,
            right_px=right,
            markers_source=MarkersSource.FOUND,
            marker_sigma_px=2.5,
            goal_width_m=Estimate(WIDTH_M, 0.11),
            kick_distance_m=Estimate(BACK_M, 0.4),
            ball_diameter_m=Estimate(BALL_M, 0.003),
            step_m=Estimate(0.54, 0.04),
            steps_sentence="goal looks 4.1 of your steps wide (3.6 to 4.6), the stage asks 4",
            unknowns=("log_focal_px", "log_height_m"),
            theta=(6.89, 0.22),
            covariance=((0.004, 0.001), (0.001, 0.002)),
            notes=("no lens file: distances along the view depend on phones' usual field of view",),
        ),
        shots=tuple(shots),
        left_out=(LeftOut(START_S + 10.0, "it did not head for the goal"),),
        tally=tally,
        verdict=verdict,
        problems=("the clip breaks off at 0:29.1",),
    )


def example_view() -> SceneView:
    return SceneView.of(example_analysis().goal_scene)


def still_at(shot: Shot, time_s: float, scale: float = 1.0) -> StillPicture:
    """A plain picture of ground, markers and ball at one moment of a shot."""
    width, height = round(SIZE_PX[0] * scale), round(SIZE_PX[1] * scale)
    picture: npt.NDArray[np.uint8] = np.full((height, width, 3), (96, 140, 110), np.uint8)
    horizon_row = int(np.clip((CAMERA.cy_px - 985.0 * np.tan(np.deg2rad(9.0))) * scale, 0, height))
    picture[:horizon_row] = (210, 200, 180)
    for end in GOAL.line_px(CAMERA):
        place = (round(end.x_px * scale), round(end.y_px * scale))
        cv2.circle(picture, place, max(3, round(12 * scale)), (40, 40, 60), -1)
    ball = sighting(time_s, ball_at(_ENDS[shot.number - 1][0], time_s - shot.kick_time_s))
    centre = (round(ball.x_px * scale), round(ball.y_px * scale))
    cv2.circle(picture, centre, max(2, round(ball.diameter_px / 2 * scale)), (245, 245, 245), -1)
    return StillPicture(time_s, picture, scale)


def example_stills(shot: Shot, scale: float = 1.0) -> list[StillPicture]:
    return [still_at(shot, moment.time_s, scale) for moment in strip_moments(shot)]


def goal_of_view() -> GoalFrame:
    left, right = GOAL.line_px(CAMERA)
    return goal_from_markers(CAMERA, left, right)


def with_evidence(analysis: Analysis) -> Analysis:
    """The same count with what a watcher would have kept of its shots."""
    tracks, resting = [], []
    for shot in analysis.shots:
        x_m, kick_s = shot.crossing_x_m, shot.kick_time_s
        times = [kick_s + k / 30 for k in range(-3, 40)]
        side_m = None if x_m is None else x_m.value
        seen = tuple(sighting(t, ball_at(side_m, t - kick_s)) for t in times)
        tracks.append(BallTrack(seen, 0.99))
        lay = replace(seen[0], at_rest=True, time_s=kick_s - 0.1)
        resting.append(RestingBall(lay, kick_s - 0.1, kick_s + 1.5, arrived=False, ball_score=0.99))
    return replace(analysis, evidence=Evidence(BallRecord(tuple(tracks), tuple(resting))))


def marker_px(x_m: float) -> ImagePoint:
    """Where a marker at x on the example's goal line is seen."""
    ((x_px, y_px),) = GOAL.to_px(CAMERA, [(x_m, 0.0, 0.0)])
    return ImagePoint(float(x_px), float(y_px))


def only(analysis: Analysis, *numbers: int) -> Analysis:
    """The same count with fewer shots."""
    shots = tuple(
        replace(analysis.shots[number - 1], number=place)
        for place, number in enumerate(numbers, start=1)
    )
    tally, verdict = judge_shots(STAGE.rule, shots, confidence=0.95)
    return replace(analysis, shots=shots, tally=tally, verdict=verdict)


def old_format(analysis: Analysis) -> str:
    """An analysis as shoegoal wrote it in format 3, which kept less."""
    plain = json.loads(analysis_to_json(analysis))
    plain["format_version"] = 3
    del plain["evidence"], plain["tally"]["maybe_shots"]
    for shot in plain["shots"]:
        del shot["p_shot"]
        for sighting in shot["path"]:
            del sighting["ball_score"]
    return json.dumps(plain, indent=1, ensure_ascii=False) + "\n"
