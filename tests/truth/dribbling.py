"""A dribble: the ball tapped from foot to foot, lost now and then, with exact truth of each touch.

The pupil stands or moves on slowly and taps the ball inwards with one foot after the other. A
touch that loses the ball sends it away; the pupil walks after it and begins again where it lies.
"""

from __future__ import annotations

import json
import math
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field
from scipy.spatial.transform import Rotation

from truth.arrays import Floats
from truth.collect import Play
from truth.evaluation import Painter
from truth.extras import Part
from truth.figure import Figure, dress
from truth.footwork import LEFT, RIGHT, Step, Walker, ahead, leftward
from truth.motion import RATE_HZ, roll_along
from truth.people import FIGURE_HZ, Person
from truth.record import FrameTruth
from truth.render import film_stage
from truth.scenes import Scene, ShotPart
from truth.stage import Stage, set_stage
from truth.things import make_figure

START_S = 1.2  # the ball lies between the feet before the first touch
FOOT_HALF = 0.032  # of body height: ankle to the inner side of the foot
REACH_OUT_S, BACK_IN_S = 0.15, 0.15  # a foot's way to the ball, and back to where it stands
FOOT_NAMES = ("left", "right")


class DribblePart(Part):
    """How a pupil dribbles.

    `facing_deg`: 0 looks at the goal, 180 at a camera behind the kick line. `spread_m` is how far
    the ball rolls between touches, `advance_m` how far the pupil moves on with each. `dwell_s` is
    how long a foot stays at the ball. After each of the touches in `lost_after` (1-based) the ball
    runs away at `lost_mps`.
    """

    touches: int = Field(default=20, ge=1)
    facing_deg: float = 180.0
    beat_s: float = 0.45
    beat_jitter: float = 0.12
    spread_m: float = 0.24
    spread_jitter: float = 0.2
    advance_m: float = 0.0
    dwell_s: float = 0.03
    first_foot: Literal["left", "right"] = "right"
    lost_after: tuple[int, ...] = ()
    lost_mps: float = 2.4
    place_m: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class TouchTruth:
    """One touch: when the foot is at the ball, and which foot."""

    number: int
    time_s: float
    foot: str


@dataclass(frozen=True, slots=True)
class DribbleTruth:
    """All that is exactly known of a dribble clip.

    `losses_s` are the times at which the ball ran away; `runs` the touches between them.
    """

    name: str
    seed: int
    width_px: int
    height_px: int
    touches: list[TouchTruth]
    losses_s: list[float]
    runs: list[int]
    frames: list[FrameTruth] = field(default_factory=list)

    @property
    def longest_run(self) -> int:
        """Most touches in a row without losing the ball."""
        return max(self.runs, default=0)

    def write(self, path: Path) -> None:
        """Save as JSON."""
        path.write_text(json.dumps(asdict(self), indent=1) + "\n", encoding="utf-8")

    @classmethod
    def read(cls, path: Path) -> DribbleTruth:
        """Read again what `write` saved."""
        plain: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        plain["touches"] = [TouchTruth(**t) for t in plain["touches"]]
        plain["frames"] = [FrameTruth(**f) for f in plain["frames"]]
        return cls(**plain)


@dataclass(slots=True)
class _Dribbler:
    """Plans feet and ball touch by touch."""

    part: DribblePart
    walker: Walker
    stage: Stage
    rng: np.random.Generator
    ball: Floats  # (2,) where it is now
    keys: list[Floats] = field(default_factory=list)  # pieces of the ball's path, (n, 3)
    touches: list[TouchTruth] = field(default_factory=list)
    losses_s: list[float] = field(default_factory=list)
    runs: list[int] = field(default_factory=list)

    @property
    def heading(self) -> float:
        return math.radians(self.part.facing_deg)

    def foot_place(self, foot: int) -> Floats:
        """Where a foot stands between touches, off the middle between the feet."""
        gap = self.stage.body.radius_m + FOOT_HALF * self.walker.height_m
        wide: Floats = leftward(self.heading) * (0.5 * self.part.spread_m + gap + 0.03)
        return wide if foot == LEFT else -wide

    def rest_until(self, time_s: float) -> None:
        """Let the ball lie until a time."""
        steps = max(0, round(time_s * RATE_HZ) - self.sampled)
        self.keys.append(np.tile(self._centre(self.ball), (steps, 1)))

    @property
    def sampled(self) -> int:
        return sum(len(piece) for piece in self.keys)

    def _centre(self, at: Floats) -> Floats:
        return np.append(at, self.stage.body.radius_m)

    def tap(self, foot: int, contact_s: float, middle: Floats) -> None:
        """Bring a foot to the ball at a moment, and back to its place beside ``middle``."""
        w, part = self.walker, self.part
        out = leftward(self.heading) * (1.0 if foot == LEFT else -1.0)
        gap = self.stage.body.radius_m + FOOT_HALF * w.height_m
        meet = self.ball + out * gap
        ankle = 0.045 * w.height_m
        begin = max(contact_s - REACH_OUT_S, self._free_from(foot))
        stand = middle + self.foot_place(foot)
        yaw = self.heading + 0.5 * (
            1.0 if foot == RIGHT else -1.0
        )  # toes out: the inner side meets
        start = w.feet[foot]
        end = contact_s + part.dwell_s + BACK_IN_S
        rows = [
            (begin, *start, ankle, w.yaws[foot], 0.0),
            (0.5 * (begin + contact_s), *(0.5 * (start + meet) + 0.02 * out), 0.09, yaw, 0.15),
            (contact_s, *meet, max(ankle, 0.075), yaw, 0.1),
            (contact_s + part.dwell_s, *meet, max(ankle, 0.075), yaw, 0.1),
            (end, *stand, ankle, self.heading, 0.0),
        ]
        w.steps.append(Step(foot, begin, end, stand, self.heading, 0.05, np.array(rows)))
        w.feet[foot], w.yaws[foot], w.last_foot = stand, self.heading, foot
        w.now_s = end
        self.touches.append(TouchTruth(len(self.touches) + 1, contact_s, FOOT_NAMES[foot]))

    def _free_from(self, foot: int) -> float:
        return max((s.t1_s for s in self.walker.steps if s.foot == foot), default=0.0) + 0.01

    def roll(self, to: Floats, until_s: float, dwell_s: float) -> None:
        """Let the ball stay at the foot, then roll on, slowing down, until it meets the next."""
        n = max(2, round(until_s * RATE_HZ) - self.sampled)
        held = min(n - 2, round(dwell_s * RATE_HZ))
        seconds = (n - held) / RATE_HZ
        t = np.arange(n - held) / RATE_HZ
        length = float(np.linalg.norm(to - self.ball))
        # No slower at the end than a third of the start: a ball that stops is not a dribble.
        slow = min(self.stage.body.going.roll_mps2, length / seconds**2)
        start_mps = length / seconds + 0.5 * slow * seconds
        share = (start_mps * t - 0.5 * slow * t**2) / max(1e-9, length)
        xy = self.ball + share[:, None] * (to - self.ball)
        xy = np.concatenate([np.tile(self.ball, (held, 1)), xy])
        self.keys.append(np.column_stack([xy, np.full(n, self.stage.body.radius_m)]))
        self.ball = to

    def run_away(self, contact_s: float, foot: int) -> float:
        """Lose the ball; returns when it rests."""
        out = leftward(self.heading) * (-1.0 if foot == LEFT else 1.0)
        turn = float(self.rng.uniform(-0.9, 0.9))
        way = math.cos(turn) * out + math.sin(turn) * ahead(self.heading)
        speed = self.part.lost_mps * float(self.rng.uniform(0.85, 1.15))
        run = self.stage.body.launch(self._centre(self.ball), np.append(way * speed, 0.0), 1.0)
        self.rest_until(contact_s)
        # On smooth ground it would never stop: somebody's fence is near.
        path = run.path_m[: round(2.6 * RATE_HZ)].copy()
        ease = np.linspace(0.0, 1.0, len(path))
        ease = ease - 0.5 * ease**2  # slows down to a stop at half the way
        far = path[-1] - path[0] if len(path) == len(run.path_m) else 0.6 * (path[-1] - path[0])
        if len(path) < len(run.path_m):
            path = path[0] + 2.0 * ease[:, None] * far
        self.keys.append(path)
        self.ball = path[-1, :2].copy()
        return contact_s + len(path) / RATE_HZ


def stage_dribble(
    scene: Scene, part: DribblePart
) -> tuple[Stage, list[TouchTruth], list[float], list[int]]:
    """Make a scene ready whose play is a dribble.

    Parameters
    ----------
    scene
        Its shots are not played.
    part
        The dribble; ``place_m`` is in the goal frame.

    Returns
    -------
    tuple
        The stage, its touches, the times of losses, and the touches of each run.
    """
    stage = set_stage(scene)
    rng = np.random.default_rng([scene.seed, 61])
    figure = make_figure(
        scene.kicker.height_m, scene.kicker.outfit, scene.kicker.skin,
        np.random.default_rng([scene.seed, 2]),
    )  # fmt: skip
    middle = np.array([part.place_m[0], -part.place_m[1]])
    heading = math.radians(part.facing_deg)
    walker = Walker(scene.kicker.height_m, 0.0, middle, heading)
    fore = ahead(heading) * 0.09 * scene.kicker.height_m  # the ball lies before the feet
    d = _Dribbler(part, walker, stage, rng, middle + fore)
    walker.begin(middle)
    walker.feet = [middle + d.foot_place(foot) for foot in (LEFT, RIGHT)]
    walker.starts = [place.copy() for place in walker.feet]
    duration_s = _play(d, fore)
    return replace(stage, play=_sampled(d, figure, duration_s)), d.touches, d.losses_s, d.runs


def _play(d: _Dribbler, fore: Floats) -> float:
    """Plan all touches; returns when the clip ends."""
    part, w = d.part, d.walker
    foot = LEFT if part.first_foot == "left" else RIGHT
    middle = w.spot.copy()
    time_s, since = START_S, 0
    for number in range(1, part.touches + 1):
        if number == 1 or number - 1 in part.lost_after:
            d.rest_until(time_s)
        out = leftward(d.heading) * (1.0 if foot == LEFT else -1.0)
        d.tap(foot, time_s, middle)
        since += 1
        last = number == part.touches
        if number in part.lost_after or last:
            d.runs.append(since)
            since = 0
        if last:
            break
        if number in part.lost_after:
            d.losses_s.append(time_s)
            rests_s = d.run_away(time_s, foot)
            w.now_s = max(w.now_s, time_s + 0.7)
            middle = d.ball - fore
            w.walk([middle], 1.6, d.heading)
            time_s = max(rests_s, w.now_s) + 0.5
            w.now_s = time_s - 0.3
        else:
            beat_s = part.beat_s * float(rng_normal(d.rng, 1.0, part.beat_jitter))
            spread = part.spread_m * float(rng_normal(d.rng, 1.0, part.spread_jitter))
            middle = middle + ahead(d.heading) * part.advance_m
            side = middle + fore - out * 0.5 * spread
            wobble = ahead(d.heading) * float(d.rng.normal(0.0, 0.03))
            time_s += beat_s
            d.roll(side + wobble, time_s, part.dwell_s)
        foot = 1 - foot
    w.now_s = time_s + 1.5
    d.rest_until(w.now_s)
    return w.now_s


def rng_normal(rng: np.random.Generator, mean: float, share: float) -> float:
    """A value around a mean, never further off than two and a half of its spread."""
    return mean * (1.0 + share * float(np.clip(rng.normal(), -2.5, 2.5)))


def _sampled(d: _Dribbler, figure: Figure, duration_s: float) -> Play:
    times = np.arange(0.0, duration_s + 1.0, 1.0 / FIGURE_HZ)
    person = Person(d.walker, figure)
    # A dribbling pupil looks down and leans over a little.
    person.leans = [(0.0, 0.12), (duration_s, 0.12)]
    bones = person.skeleton(times)
    away = np.tile(np.array([0.0, 0.0, -50.0]), (len(times), 1))
    rows = dress(figure, bones, away, np.zeros(len(times)), d.stage.body.radius_m)
    count = int((duration_s + 1.0) * RATE_HZ)
    path = np.concatenate(d.keys)
    path = np.concatenate([path, np.tile(path[-1], (max(0, count - len(path)), 1))])[:count]
    turn = Rotation.random(rng=d.rng).as_matrix()
    turns = roll_along(path, turn, d.stage.body.radius_m)
    return Play(duration_s, path[None], turns[None], *rows, kicks=[], active=[(0.0, 0)])


def render_dribble(
    scene: Scene, part: DribblePart, out_path: Path, painter: Painter = "plain"
) -> DribbleTruth:
    """Film a dribble; returns what is true of it."""
    stage, touches, losses_s, runs = stage_dribble(scene, part)
    frames = film_stage(stage, out_path, painter=painter)
    p = scene.picture
    return DribbleTruth(
        scene.name, scene.seed, p.width_px, p.height_px, touches, losses_s, runs, frames
    )


View = Literal["front", "side", "back"]
_TURN_DEG = {"front": 180.0, "back": 0.0, "side": 90.0}


def random_dribble(
    seed: int, view: View = "front", touches: int = 24, losses: int | None = None, **scene: Any
) -> tuple[Scene, DribblePart]:
    """Draw a dribble from a seed: same seed, same clip.

    Parameters
    ----------
    view
        Where the pupil looks from the camera's side: at it, across, or away.
    losses
        How often the ball gets away; drawn where not given.
    scene
        Fields of the scene that replace the drawn ones.
    """
    from truth.scenes import random_scene

    rng = np.random.default_rng([seed, 62])

    def between(low: float, high: float) -> float:
        return round(float(rng.uniform(low, high)), 3)

    base = random_scene(seed, "behind", 1)
    back = base.back_m
    away = between(2.6, 5.0)
    height = between(0.35, 1.4)
    table = base.model_dump()
    table["shots"] = (ShotPart(aim_x_m=0.0, speed_mps=3.0).model_dump(),)
    table["camera"] = {
        "position_m": (between(-0.6, 0.6), back + away, height),
        "aim_m": (between(-0.2, 0.2), back, between(0.35, 0.6)),
        "roll_deg": between(-1.5, 1.5),
        "hfov_deg": between(60, 75),
    }
    table["picture"]["fps"] = 30.0
    table["name"] = f"dribble {seed} {view}"
    if losses is None:
        losses = int(rng.integers(0, 3))
    choices = rng.permutation(np.arange(4, touches - 2))[:losses]
    turn = _TURN_DEG[view] * (1 if view != "side" or rng.random() < 0.5 else -1)
    part = DribblePart(
        touches=touches,
        facing_deg=turn + between(-15, 15),
        beat_s=between(0.36, 0.6),
        spread_m=between(0.16, 0.36),
        advance_m=between(0.0, 0.03) if view != "side" else between(0.03, 0.1),
        dwell_s=between(0.01, 0.06),
        first_foot="left" if rng.random() < 0.5 else "right",
        lost_after=tuple(sorted(int(c) for c in choices)),
        lost_mps=between(1.6, 2.6),
        place_m=(0.0, back),
    )
    table.update(scene)
    return Scene.model_validate(table), part
