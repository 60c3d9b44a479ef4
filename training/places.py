"""What stands where in each picture of a drawn clip: balls, limbs, markers, bare ground."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from truth.camera import Camera
from truth.editing import Film
from truth.motion import RATE_HZ
from truth.painter import swayed
from truth.people import FIGURE_HZ
from truth.record import FrameTruth
from truth.sight import ball_in_view
from truth.stage import Stage
from truth.video import TIME_BASE

Guess = tuple[float, float, float]  # x, y, diameter in native pixels
F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class SeenBall:
    """A ball in one picture; size is that of the disc with its outline's area."""

    x_px: float
    y_px: float
    diameter_px: float
    visible: float
    speed_mps: float
    in_play: bool
    number: int


@dataclass(slots=True)
class Places:
    """Where things are in the pictures of one stage."""

    stage: Stage
    taken_s: list[float]
    clear: npt.NDArray[np.float32]

    @classmethod
    def of(cls, stage: Stage) -> Places:
        """Places of a stage whose film is the one that a clip was rendered from."""
        taken, _ = Film.of(stage.scene, stage.play.duration_s).ticks(stage.scene)
        size = (stage.camera.height_px, stage.camera.width_px)
        return cls(stage, [float(t * TIME_BASE) for t in taken], np.full(size, 1e6, np.float32))

    def camera(self, frame: int) -> Camera:
        """Return the camera as it hangs in a picture."""
        return swayed(self.stage, self.taken_s[frame])

    def balls(self, frame: int, truth: FrameTruth) -> list[SeenBall]:
        """Every ball in front of the camera."""
        play, radius = self.stage.play, self.stage.body.radius_m
        at_s, camera = self.taken_s[frame], self.camera(frame)
        lens = camera.numbers()
        now = _row(play.balls, at_s * RATE_HZ)
        before = _row(play.balls, (at_s - 0.02) * RATE_HZ)
        bodies = self._solids(at_s)
        out = []
        for number, at in enumerate(now):
            x, y, long, short = camera.outline_px(at, radius)
            if not np.isfinite([x, y, long, short]).all():
                continue
            if number == truth.ball:
                seen = truth.visible
            else:
                others = np.delete(now, number, axis=0)
                x_m, y_m, z_m = at.tolist()
                seen = ball_in_view(lens, self.clear, bodies, others, x_m, y_m, z_m, radius)
            speed = float(np.linalg.norm(at - before[number])) / 0.02
            size = float(np.sqrt(long * short))
            out.append(SeenBall(x, y, size, seen, speed, number == truth.ball, number))
        return out

    def _solids(self, at_s: float) -> F64:
        moving = self.stage.play.solids[_index(self.stage.play.solids, at_s * FIGURE_HZ)]
        return np.concatenate([moving, self.stage.still.solids])

    def limbs(self, frame: int, rng: np.random.Generator, count: int) -> list[Guess]:
        """Guesses at heads, hands, knees, feet of people and animals."""
        casters = self.stage.play.casters
        now = casters[_index(casters, self.taken_s[frame] * FIGURE_HZ)]
        return self._ends(frame, now, rng, count)

    def things(self, frame: int, rng: np.random.Generator, count: int) -> list[Guess]:
        """Guesses at markers and at what stands about."""
        return self._ends(frame, self.stage.still.casters, rng, count)

    def _ends(self, frame: int, casters: F64, rng: np.random.Generator, count: int) -> list[Guess]:
        if len(casters) == 0 or count == 0:
            return []
        camera, out = self.camera(frame), []
        for row in casters[rng.integers(0, len(casters), count)]:
            end = row[:4] if rng.random() < 0.5 else row[4:]
            size = float(camera.diameter_px(end[:3], 2.0 * end[3]))
            x, y = camera.project(end[:3])
            if size > 0 and np.isfinite([x, y]).all():
                out.append((float(x), float(y), size * float(np.exp(rng.uniform(-0.35, 0.7)))))
        return out

    def bare(self, frame: int, rng: np.random.Generator, count: int) -> list[Guess]:
        """Guesses of a ball's size on the ground, and of any size anywhere."""
        camera, scene = self.camera(frame), self.stage.scene
        radius, out = self.stage.body.radius_m, []
        for k in range(count):
            if k % 2:
                size = float(np.exp(rng.uniform(np.log(7), np.log(0.12 * camera.width_px))))
                x, y = rng.uniform(0, camera.width_px), rng.uniform(0, camera.height_px)
                out.append((float(x), float(y), size))
                continue
            at = np.array([rng.normal(0, 2.0), rng.uniform(-scene.back_m - 2, 2.0), radius])
            x, y, long, short = camera.outline_px(at, radius)
            if np.isfinite([x, y, long, short]).all():
                stretch = float(np.exp(rng.uniform(-0.5, 0.5)))
                out.append((float(x), float(y), float(np.sqrt(long * short)) * stretch))
        return out


def _index(rows: F64, at: float) -> int:
    return int(np.clip(round(at), 0, len(rows) - 1))


def _row(tracks: F64, at: float) -> F64:
    """Points (m, 3) of tracks (m, n, 3) at a place between their rows."""
    at = float(np.clip(at, 0, tracks.shape[1] - 1.001))
    i = int(at)
    return np.asarray(tracks[:, i] * (1 - (at - i)) + tracks[:, i + 1] * (at - i))
