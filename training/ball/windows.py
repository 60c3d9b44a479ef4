"""Windows with their answers, cut from one rendered clip by the tool's own front end."""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import IntEnum
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import numpy.typing as npt

from shoegoal.ball.background import BackgroundModel
from shoegoal.ball.ball_net import look_through, window_round
from shoegoal.ball.motion import MotionWatcher
from shoegoal.clip.reader import open_clip
from shoegoal.clip.reduced import Halvings, small_frame
from training.ball.places import Guess, Places, SeenBall
from training.ball.scenes import FIRST_SEED, drawn_scene
from truth.record import FrameTruth, Truth
from truth.render import render_clip
from truth.scenes import Scene
from truth.stage import set_stage

CLEARLY_SEEN, HARDLY_SEEN = 0.45, 0.15
MOVES_MPS = 0.25
MOST_OFF = 0.4  # diameters off the ball up to which a guess means it
NOT_MEANT = 0.8  # diameters off the ball from which on a guess means something else
MOST_SIZE_LOG = 0.72
KEPT_S = 0.4  # between old pictures that are kept
MOST_OF_A_KIND = 130  # windows of one clip
TOO_LONG_FRAMES = 420


class Kind(IntEnum):
    """What a window is laid round."""

    MOVING = 0
    RESTING = 1
    WAITING = 2
    PUT_DOWN = 3  # a ball of an earlier picture before a later settled one
    BLOB = 4
    LIMB = 5
    THING = 6
    BARE = 7
    LEFT = 8  # where a ball lay until a moment ago
    BESIDE = 9  # a ball is in the window, but the guess is not of it
    PHOTO_MOVING = 10  # a ball of a photograph, before a background model that lacks it
    PHOTO_LYING = 11  # a ball of a photograph in both pictures
    PHOTO_OTHER = 12


IS_BALL = (
    Kind.MOVING,
    Kind.RESTING,
    Kind.WAITING,
    Kind.PUT_DOWN,
    Kind.PHOTO_MOVING,
    Kind.PHOTO_LYING,
)


@dataclass(slots=True)
class Windows:
    """Windows of one clip or of many.

    Attributes
    ----------
    crops : (n, 6, 48, 48) uint8.
    answers : (n, 3) float32: x, y off the middle and log diameter, in shares of the side.
    facts : (n, 5) float32: kind, size of the guess or ball in px, visible share, whether the
        picture differs from the settled one where the ball is, jitter of the guess (log size).
    """

    crops: npt.NDArray[np.uint8]
    answers: npt.NDArray[np.float32]
    facts: npt.NDArray[np.float32]


def joined(parts: Sequence[Windows]) -> Windows:
    """Lay parts together."""
    return Windows(
        np.concatenate([p.crops for p in parts]),
        np.concatenate([p.answers for p in parts]),
        np.concatenate([p.facts for p in parts]),
    )


@dataclass(slots=True)
class Cutter:
    """Lays windows in pictures and keeps a share of each kind, `most` of it."""

    rng: np.random.Generator
    most: int = MOST_OF_A_KIND
    rows: dict[Kind, list[tuple[npt.NDArray[np.uint8], list[float], list[float]]]] = field(
        default_factory=dict
    )
    met: dict[Kind, int] = field(default_factory=dict)

    def cut(
        self,
        kind: Kind,
        guess: Guess,
        now: Halvings,
        settled: Halvings,
        ball: SeenBall | None,
        spread: float = 0.0,
    ) -> None:
        """Cut a window; once a kind is full, a new one takes the place of a chance old one."""
        x, y, size = guess
        height, width = now.planes[0].shape
        if not (4.0 <= size <= 0.3 * width and 0 <= x < width and 0 <= y < height):
            return
        rows = self.rows.setdefault(kind, [])
        self.met[kind] = self.met.get(kind, 0) + 1
        at = len(rows) if len(rows) < self.most else int(self.rng.integers(self.met[kind]))
        if at >= self.most:
            return
        window = window_round(x, y, size)
        crops = look_through([window], now, settled)[0]
        answer, facts = [0.0, 0.0, 0.0], [float(kind), size, 0.0, 0.0, spread]
        if ball is not None:
            middle = (window.side - 1) / 2
            answer = [
                (ball.x_px - window.x0 - middle) / window.side,
                (ball.y_px - window.y0 - middle) / window.side,
                float(np.log(ball.diameter_px / window.side)),
            ]
            changed = _changed(crops, answer)
            facts = [float(kind), ball.diameter_px, ball.visible, changed, spread]
        row = (crops, answer, facts)
        if at == len(rows):
            rows.append(row)
        else:
            rows[at] = row

    def cut_ball(
        self, kind: Kind, ball: SeenBall, now: Halvings, settled: Halvings, times: int
    ) -> None:
        """Cut windows round guesses of a ball, every other one a good guess."""
        for k in range(times):
            if (k + int(self.rng.integers(2))) % 2:
                grow, off = self.rng.uniform(-0.65, 0.65), self.rng.uniform(-0.3, 0.3, 2)
            else:
                grow, off = self.rng.normal(0, 0.12), self.rng.normal(0, 0.08, 2)
            size = ball.diameter_px
            guess = (ball.x_px + size * off[0], ball.y_px + size * off[1], size * np.exp(grow))
            self.cut(kind, guess, now, settled, ball, float(abs(grow)))

    def cut_other(
        self, kind: Kind, guess: Guess, now: Halvings, settled: Halvings, balls: list[SeenBall]
    ) -> None:
        """Cut a window round a guess that need not be of a ball; leave the doubtful ones out."""
        x, y, size = guess
        near = [b for b in balls if b.visible >= 0.05 and _gap(b, x, y) < _reach(b, size)]
        if not near:
            self.cut(kind, guess, now, settled, None)
            return
        ball = min(near, key=lambda b: _gap(b, x, y))
        off = _gap(ball, x, y) / max(size, ball.diameter_px)
        alike = abs(np.log(ball.diameter_px / size)) < MOST_SIZE_LOG
        if off < MOST_OFF and alike and ball.visible >= CLEARLY_SEEN:
            means = Kind.MOVING if ball.speed_mps > MOVES_MPS else Kind.RESTING
            self.cut(means, guess, now, settled, ball, 1.0)
        elif all(b.visible < HARDLY_SEEN for b in near):
            self.cut(kind, guess, now, settled, None)

    def windows(self) -> Windows:
        """All that was kept."""
        rows = [row for kind in sorted(self.rows) for row in self.rows[kind]]
        return Windows(
            np.array([r[0] for r in rows], np.uint8).reshape(-1, 6, 48, 48),
            np.array([r[1] for r in rows], np.float32).reshape(-1, 3),
            np.array([r[2] for r in rows], np.float32).reshape(-1, 5),
        )


def _gap(ball: SeenBall, x: float, y: float) -> float:
    return float(np.hypot(ball.x_px - x, ball.y_px - y))


def _reach(ball: SeenBall, size: float) -> float:
    return NOT_MEANT * max(size, ball.diameter_px)


def _changed(crops: npt.NDArray[np.uint8], answer: list[float]) -> float:
    """1 where the picture differs from the settled one on most of the ball's disc."""
    at = (np.arange(48) - 23.5) / 48
    x, y, size = answer[0], answer[1], float(np.exp(answer[2]))
    disc = (at[None, :] - x) ** 2 + (at[:, None] - y) ** 2 < (0.4 * size) ** 2
    step = np.abs(crops[:3].astype(np.int16) - crops[3:].astype(np.int16)).max(axis=0)
    return float(np.median(step[disc]) > 14) if disc.any() else 0.0


@dataclass(slots=True)
class Memory:
    """Old pictures with a ball at rest, and the places that balls have left."""

    pictures: deque[tuple[float, Halvings, list[SeenBall]]] = field(
        default_factory=lambda: deque(maxlen=4)
    )
    rested: dict[int, SeenBall] = field(default_factory=dict)
    left: deque[tuple[float, SeenBall]] = field(default_factory=lambda: deque(maxlen=3))

    def update(self, time_s: float, picture: Halvings, balls: list[SeenBall]) -> None:
        """Take one picture's balls in."""
        still = [b for b in balls if b.speed_mps < 0.05 and b.visible > 0.6]
        if still and (not self.pictures or time_s - self.pictures[-1][0] > KEPT_S):
            self.pictures.append((time_s, picture, still))
        for ball in balls:
            if ball in still:
                self.rested[ball.number] = ball
            elif ball.number in self.rested and ball.speed_mps > 0.5:
                self.left.append((time_s, self.rested.pop(ball.number)))


def windows_of(clip: Path, truth: Truth, places: Places, rng: np.random.Generator) -> Windows:
    """Cut a clip's windows."""
    cutter, memory, motion = Cutter(rng), Memory(), MotionWatcher()
    settled: BackgroundModel | None = None
    with open_clip(clip) as film:
        for number, (frame, frame_truth) in enumerate(
            zip(film.frames(ahead=0), truth.frames, strict=False)
        ):
            small = small_frame(frame)
            if settled is None:
                settled = BackgroundModel(frame, small)
            blobs = motion.update(small, settled).blobs
            guesses = [(b.x_px, b.y_px, b.size_px) for b in blobs]
            _look_round(
                cutter, memory, places, number, frame_truth, small.halvings, settled.native, guesses
            )
            settled.update(frame, small)
    return cutter.windows()


def _look_round(
    cutter: Cutter,
    memory: Memory,
    places: Places,
    number: int,
    frame_truth: FrameTruth,
    now: Halvings,
    settled: Halvings,
    blobs: list[Guess],
) -> None:
    """Cut the windows of one picture."""
    rng = cutter.rng
    balls = places.balls(number, frame_truth)
    memory.update(frame_truth.pts_s, now, balls)
    now_and_then = number % 9 == 4
    for ball in balls:
        if ball.visible < CLEARLY_SEEN:
            continue
        if ball.speed_mps > MOVES_MPS:
            cutter.cut_ball(Kind.MOVING, ball, now, settled, 3)
        elif now_and_then:
            kind = Kind.RESTING if ball.in_play else Kind.WAITING
            cutter.cut_ball(kind, ball, now, settled, 2)
        if rng.random() < 0.25:
            way, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.85, 1.6)
            beside = (
                ball.x_px + far * ball.diameter_px * np.cos(way),
                ball.y_px + far * ball.diameter_px * np.sin(way),
                ball.diameter_px * float(np.exp(rng.uniform(-0.6, 0.05))),
            )
            cutter.cut_other(Kind.BESIDE, beside, now, settled, balls)
    if blobs:
        for k in rng.permutation(len(blobs))[:4]:
            x, y, size = blobs[k]
            grow = float(rng.choice([1.0, 1.0, 0.6, 1.6]))
            cutter.cut_other(Kind.BLOB, (x, y, grow * size), now, settled, balls)
    if blobs or now_and_then:
        for guess in places.limbs(number, rng, 2):
            cutter.cut_other(Kind.LIMB, guess, now, settled, balls)
    if now_and_then:
        for guess in places.things(number, rng, 4):
            cutter.cut_other(Kind.THING, guess, now, settled, balls)
        for guess in places.bare(number, rng, 6):
            cutter.cut_other(Kind.BARE, guess, now, settled, balls)
    if number % 2 == 0:
        for _, ball in memory.left:
            grow = float(np.exp(rng.normal(0, 0.15)))
            guess = (ball.x_px, ball.y_px, grow * ball.diameter_px)
            cutter.cut_other(Kind.LEFT, guess, now, settled, balls)
    if number % 6 == 0 and memory.pictures:
        _, old, lay = memory.pictures[0]
        for ball in lay:
            if all(_gap(b, ball.x_px, ball.y_px) > 2 * ball.diameter_px for b in balls):
                cutter.cut_ball(Kind.PUT_DOWN, ball, old, settled, 2)


@dataclass(frozen=True, slots=True)
class SceneFacts:
    """What a scene was, for the tables of results."""

    number: int
    design: str
    ground: str
    painter: str
    view: str
    lines: int


def windows_of_scene(number: int) -> tuple[SceneFacts, Windows]:
    """Render a scene and cut its windows."""
    scene, painter = drawn_scene(number)
    stage = set_stage(scene)
    places = Places.of(stage)
    if not 10 < len(places.taken_s) < TOO_LONG_FRAMES:
        raise ValueError(f"{len(places.taken_s)} frames")
    with TemporaryDirectory() as folder:
        clip = Path(folder) / "clip.mp4"
        truth = render_clip(scene, clip, painter=painter)
        windows = windows_of(clip, truth, places, np.random.default_rng([FIRST_SEED, number]))
    return _facts(scene, number, painter), windows


def _facts(scene: Scene, number: int, painter: str) -> SceneFacts:
    place = scene.camera.position_m
    view = "facing" if place[1] < 0 else "behind" if place[1] > scene.back_m else "side"
    lines = min(scene.picture.height_px, scene.picture.width_px)
    return SceneFacts(number, scene.ball.design, scene.ground, painter, view, lines)


@dataclass(slots=True)
class Stock:
    """All windows of drawn scenes; `scene_of` gives each window's row in `scenes`."""

    windows: Windows
    scene_of: npt.NDArray[np.int32]
    scenes: list[SceneFacts]

    @classmethod
    def of(cls, parts: Sequence[tuple[SceneFacts, Windows]]) -> Stock:
        """Lay the windows of scenes together."""
        counts = [len(windows.crops) for _, windows in parts]
        return cls(
            joined([windows for _, windows in parts]),
            np.repeat(np.arange(len(parts), dtype=np.int32), counts),
            [facts for facts, _ in parts],
        )

    def part(self, chosen: npt.NDArray[np.bool_]) -> Stock:
        """Return the windows of some of the scenes."""
        rows, w = chosen[self.scene_of], self.windows
        number = np.cumsum(chosen, dtype=np.int32) - 1
        return Stock(
            Windows(w.crops[rows], w.answers[rows], w.facts[rows]),
            number[self.scene_of[rows]],
            [facts for facts, kept in zip(self.scenes, chosen, strict=True) if kept],
        )
