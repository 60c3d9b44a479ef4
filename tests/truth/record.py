"""The truth file: what is exactly known about a rendered clip, as JSON in the goal frame."""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from truth.arrays import Floats
from truth.camera import Camera
from truth.contacts import Contact, Rest
from truth.motion import RATE_HZ
from truth.moves import Aside, Kick

FORMAT = 1
HALF = 0.5  # of a ball: seen for less, it counts as covered
CLOSE_M = 0.04  # nearer to a marker's inner base than this, nobody can call it from a clip


@dataclass(frozen=True, slots=True)
class FrameTruth:
    """The ball in play at one frame.

    Attributes
    ----------
    pts_s : presentation time; the exposure is centred on it.
    ball : number of the ball in play.
    centre_px : image of the ball's centre. diameter_px : f D / depth.
    outline_px : centre x, y, long and short axis of the ellipse it draws.
    centre_m : goal frame. visible : share of its disc that the camera sees.
    other_balls_m : goal-frame centres of further balls, by number.
    others_px : of each, image x, y, diameter and the share of its disc that the camera sees.
    """

    pts_s: float
    ball: int
    centre_px: tuple[float, float]
    diameter_px: float
    outline_px: tuple[float, float, float, float]
    centre_m: tuple[float, float, float]
    visible: float
    other_balls_m: list[tuple[float, float, float]]
    others_px: list[tuple[float, float, float, float]] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class ShotTruth:
    """One shot, as a person who saw all of it would call it.

    `outcome` is inside, wide left, wide right, short, marker in, marker out or blocked. Where
    `may_ask` gives a reason, a count that asks a person is as honest as one that calls the shot.
    `closer_m`: how far in front of the kick line the ball lay. `ball`: its number. `covered`: the
    share of the frames from the kick until it crossed the line or ended in which less than half of
    the ball is seen. `marker_gap_m`: the least gap between ball and marker bodies near the line.
    """

    number: int
    kick_time_s: float
    kick_spot_m: tuple[float, float]
    speed_mps: float
    loft_deg: float
    outcome: str
    is_make: bool
    crossing_time_s: float | None
    crossing_x_m: float | None
    crossing_z_m: float | None
    crossing_speed_mps: float | None
    clearance_m: float | None
    end_time_s: float
    closer_m: float = 0.0
    may_ask: str = ""
    ball: int = 0
    meets_marker: bool = False
    marker_gap_m: float | None = None
    covered: float = 0.0

    @property
    def decided_s(self) -> float:
        """When it was plain how it ended."""
        return self.end_time_s if self.crossing_time_s is None else self.crossing_time_s + 0.05


@dataclass(frozen=True, slots=True)
class Truth:
    """All of it. `camera` holds f, cx, cy, pose and the 3 x 4 matrix from goal frame to pixels.

    `asides` are plays that are no shots; a count may ask about those with `may_ask`. `contacts` are
    all meetings of a ball with somebody or something, `rests` where balls lay. `gaps_s` are
    the pairs of presentation times between which the film lacks something. `stage["verdicts"]`
    lists what may be told of the set without being wrong.
    """

    name: str
    seed: int
    width_px: int
    height_px: int
    rotation_deg: int
    duration_s: float
    camera: dict[str, Any]
    goal: dict[str, Any]
    ball: dict[str, Any]
    stage: dict[str, Any]
    kicker: dict[str, Any]
    tally: dict[str, Any]
    shots: list[ShotTruth]
    frames: list[FrameTruth]
    nuisance: str = ""
    honest: str = "judge"
    asides: list[Aside] = field(default_factory=list)
    contacts: list[Contact] = field(default_factory=list)
    rests: list[Rest] = field(default_factory=list)
    gaps_s: list[tuple[float, float]] = field(default_factory=list)

    def write(self, path: Path) -> None:
        """Save as JSON, one frame a line, numbers rounded to a tenth of a millimetre or finer."""
        body = _rounded(asdict(self))
        frames = body.pop("frames")
        head = json.dumps({"format": FORMAT, **body}, indent=1)
        lines = ",\n".join(json.dumps(f, separators=(",", ":")) for f in frames)
        path.write_text(f'{head[:-2]},\n "frames": [\n{lines}\n]}}\n', encoding="utf-8")


def _rounded(value: Any) -> Any:
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return None if math.isnan(value) else round(value, 5)
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    return value


def to_goal(point: Floats) -> tuple[float, float, float]:
    """Inner-frame point (x, y forward, z) in the goal frame (x, y back, z)."""
    return float(point[0]), -float(point[1]), float(point[2])


def camera_record(camera: Camera) -> dict[str, Any]:
    """Numbers of the camera, goal frame.

    The goal frame is left-handed (right, back, up), so the left 3 x 3 of [R | t] has
    determinant -1.
    """
    k = np.array(
        [[camera.focal_px, 0, camera.cx_px], [0, camera.focal_px, camera.cy_px], [0, 0, 1.0]]
    )
    flip = np.diag([1.0, -1.0, 1.0])
    r = camera.rotation() @ flip
    t = -camera.rotation() @ np.asarray(camera.position_m)
    return {
        "focal_px": camera.focal_px,
        "cx_px": camera.cx_px,
        "cy_px": camera.cy_px,
        "k1": camera.k1,
        "position_m": list(to_goal(np.asarray(camera.position_m))),
        "height_m": camera.position_m[2],
        "yaw_deg": camera.yaw_deg,
        "pitch_deg": camera.pitch_deg,
        "roll_deg": camera.roll_deg,
        "rotation_goal_to_camera": r.tolist(),
        "translation_m": t.tolist(),
        "projection_goal_to_px": (k @ np.column_stack([r, t])).tolist(),
        "pixel_centres": "whole numbers; (0, 0) is the middle of the top left pixel",
    }


def covered_share(shot: ShotTruth, frames: list[FrameTruth]) -> float:
    """Share of a shot's frames, until it crossed the line or ended, that hide half the ball."""
    until = shot.end_time_s if shot.crossing_time_s is None else shot.crossing_time_s
    seen = [
        f.visible for f in frames if f.ball == shot.ball and shot.kick_time_s <= f.pts_s <= until
    ]
    return sum(v < HALF for v in seen) / len(seen) if seen else 1.0


def judge(number: int, kick: Kick, width_m: float, radius_m: float) -> ShotTruth:
    """Say how a shot ended, from its path alone.

    A make: the whole width of the ball passes between the inner marker bases and the whole ball
    crosses the line. There is no crossbar. The crossing is where the ball's centre meets the
    plane over the goal line.
    """
    path = kick.run.path_m
    y = path[:, 1]
    over = np.flatnonzero((y[:-1] < 0.0) & (y[1:] >= 0.0))
    speed = float(np.linalg.norm(kick.run.velocities_mps[0]))
    far = float(y.max())
    # A ball that comes back off a wall and meets a marker from behind has been judged by then.
    over_whole = np.flatnonzero(y >= radius_m)
    hit = kick.run.post_step
    if len(over_whole) and hit > over_whole[0]:
        hit = -1
    at: dict[str, float | None] = dict.fromkeys(("t", "x", "z", "v", "c"))
    make = False
    outcome = "short" if hit < 0 else "marker out"
    if len(over):
        i = int(over[0])
        q = -y[i] / (y[i + 1] - y[i])
        p = path[i] + q * (path[i + 1] - path[i])
        at["t"] = kick.contact_s + (i + q) / RATE_HZ
        at["x"], at["z"] = float(p[0]), float(p[2])
        at["v"] = float(np.linalg.norm(kick.run.velocities_mps[i]))
        room = width_m / 2.0 - abs(float(p[0])) - radius_m
        at["c"] = room
        whole = bool((y[i:] >= radius_m).any())
        make = whole and room >= 0.0
        if make:
            outcome = "inside" if hit < 0 else "marker in"
        elif hit >= 0:
            outcome = "marker out"
        elif room >= 0.0:
            outcome = "short"
        else:
            outcome = "wide left" if p[0] < 0 else "wide right"
    if kick.run.block_step >= 0 and not make:
        outcome = "blocked"
    may_ask = ""
    if outcome == "short" and far > -2.0 * radius_m:
        may_ask = "it stopped on the line or just before it"
    elif make and far < 3.0 * radius_m:
        may_ask = "it stopped just over the line"
    elif at["c"] is not None and abs(at["c"]) < CLOSE_M:
        may_ask = "it passed too close to a marker for the eye"
    return ShotTruth(
        number=number,
        kick_time_s=kick.contact_s,
        kick_spot_m=(float(kick.start_m[0]), -float(kick.start_m[1])),
        speed_mps=speed,
        loft_deg=kick.shot.loft_deg,
        outcome=outcome,
        is_make=make,
        crossing_time_s=at["t"],
        crossing_x_m=at["x"],
        crossing_z_m=at["z"],
        crossing_speed_mps=at["v"],
        clearance_m=at["c"],
        end_time_s=kick.contact_s + kick.run.duration_s,
        closer_m=kick.shot.closer_m,
        may_ask=may_ask,
        ball=kick.ball,
        meets_marker=hit >= 0,
    )
