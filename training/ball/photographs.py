"""Windows cut out of real photographs, for the ball network to learn from and to be measured on.

The pictures stay outside this project. `photographs.csv` says where balls are in them: two
detectors found each (a ball that only one of them saw was looked at), its outline was fitted by
colour, and every circle was looked at. "rough": a ball whose outline is not exact, as of one that
is smeared or cut by the picture's edge. "doubtful": hardly to be seen, or perhaps no ball; nobody
learns from it.
"""

from __future__ import annotations

import csv
import multiprocessing
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.ball.ball_net import SIDE, Place, look_through, window_round
from shoegoal.ball.lying import spots_in
from shoegoal.clip.reduced import Halvings, Planes, Window
from training.ball.places import SeenBall
from training.ball.windows import Cutter, Kind, Windows, joined

LABELS = Path(__file__).with_name("photographs.csv")
WITH_BALL, WITHOUT_BALL = "with_ball", "without_ball"
APART_OF = 5  # one in so many runs of ten pictures is kept apart; pictures of a run are alike
LONG_SIDE_PX = 640  # of what is learnt from: a ball of 19 px fills its window's pixels
RADII = tuple(0.004 * 1.32**k for k in range(11))  # as `lying.RADII`, finer and further
U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class PhotoBall:
    """A ball in a photograph; as `photographs.csv` says."""

    x_px: float
    y_px: float
    diameter_px: float
    sight: str

    @property
    def place(self) -> Place:
        """As the ball network takes it."""
        return self.x_px, self.y_px, self.diameter_px

    def seen(self) -> SeenBall:
        """As the windows of drawn clips are cut."""
        return SeenBall(self.x_px, self.y_px, self.diameter_px, 1.0, 1.0, True, 0)


@cache
def labels() -> dict[str, tuple[PhotoBall, ...]]:
    """Balls of each picture with a ball, by its name without suffix."""
    balls: dict[str, tuple[PhotoBall, ...]] = {}
    with LABELS.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            x, y, size = (float(row[name]) for name in ("x_px", "y_px", "diameter_px"))
            ball = PhotoBall(x, y, size, row["sight"])
            balls[row["picture"]] = (*balls.get(row["picture"], ()), ball)
    return balls


def is_kept_apart(picture: str) -> bool:
    """Whether a picture is only measured on: it goes by the name without its last digit."""
    return zlib.crc32(picture[:-1].encode()) % APART_OF == 1


def pictures(folder: Path, *, apart: bool) -> list[Path]:
    """Pictures of a folder's two parts that are, or are not, kept apart."""
    found = sorted((folder / WITH_BALL).iterdir()) + sorted((folder / WITHOUT_BALL).iterdir())
    return [path for path in found if is_kept_apart(path.stem) == apart]


def planes_of(bgr: U8) -> Planes:
    """Luma and halved chroma of a picture, of which an odd last row or column is left out."""
    height, width = (side // 2 * 2 for side in bgr.shape[:2])
    yuv = cv2.cvtColor(bgr[:height, :width], cv2.COLOR_BGR2YUV_I420)
    u, v = np.split(yuv[height:].reshape(-1, width // 2), 2)
    return np.ascontiguousarray(yuv[:height], np.uint8), u.astype(np.uint8), v.astype(np.uint8)


@dataclass(frozen=True, slots=True)
class Photograph:
    """One photograph and its balls."""

    now: Halvings
    balls: tuple[PhotoBall, ...]

    @classmethod
    def read(cls, path: Path, long_side_px: int = 0, quality: int = 0) -> Photograph:
        """Read a picture, made smaller and coded anew where that is asked for."""
        bgr = cv2.imread(str(path))
        assert bgr is not None, f"{path} is no picture"
        height, wide = bgr.shape[:2]
        # Labels are in pixels of the pictures as handed out: 640 x 480 or 1280 x 720.
        labelled = 1280 if 16 * height == 9 * wide else 640
        wanted = long_side_px // 2 * 2 or wide
        size = (wanted, round(wanted * height / wide / 2) * 2)
        if size != (wide, height):
            bgr = cv2.resize(bgr, size, interpolation=cv2.INTER_AREA)
        if quality:
            coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
            bgr = cv2.imdecode(coded, cv2.IMREAD_COLOR)
        by = wanted / labelled
        balls = [
            PhotoBall(
                (b.x_px + 0.5) * by - 0.5, (b.y_px + 0.5) * by - 0.5, b.diameter_px * by, b.sight
            )
            for b in labels().get(path.stem, ())
        ]
        return cls(Halvings(planes_of(np.asarray(bgr, np.uint8))), tuple(balls))

    @property
    def size(self) -> tuple[int, int]:
        """Width and height."""
        height, width = self.now.planes[0].shape
        return width, height

    def near(self, place: Place, reach: float = 0.8) -> bool:
        """Whether a ball of any sight is near a place."""
        x, y, size = place
        return any(
            np.hypot(b.x_px - x, b.y_px - y) < reach * max(size, b.diameter_px) for b in self.balls
        )

    def spots(self, radii: Sequence[float], each: int) -> list[Place]:
        """Round spots, as the tool looks at them at a clip's start."""
        return spots_in(self.now.planes, 1.0, radii, each)

    def emptied(self, rng: np.random.Generator) -> Halvings:
        """Return the picture without its balls: over each lies a piece from beside it."""
        luma, u, v = self.now.planes
        planes = (luma.copy(), u.copy(), v.copy())
        for ball in self.balls:
            step, soft = self._beside(ball, rng), float(rng.uniform(0.06, 0.25))
            for plane, by in zip(planes, (1, 2, 2), strict=True):
                _lay_over(plane, ball, step, by, soft)
        return Halvings(planes)

    def _beside(self, ball: PhotoBall, rng: np.random.Generator) -> tuple[int, int]:
        """Return an even step to a piece of ground that holds no ball."""
        width, height = self.size
        best, best_room = (0, 0), -1.0
        for _ in range(24):
            far = rng.uniform(1.4, 2.6) * ball.diameter_px * rng.choice([-1, 1])
            step = (round(far / 2) * 2, round(rng.normal(0, 0.25) * ball.diameter_px / 2) * 2)
            x, y = ball.x_px + step[0], ball.y_px + step[1]
            if not (0 <= x < width and 0 <= y < height):
                continue
            others = [np.hypot(b.x_px - x, b.y_px - y) / b.diameter_px for b in self.balls]
            inside = min(x, width - x, y, height - y) / ball.diameter_px
            room = min([*others, 0.7 + inside, 1.3])
            if room > best_room:
                best, best_room = step, room
        return best


def _lay_over(plane: U8, ball: PhotoBall, step: tuple[int, int], by: int, soft: float) -> None:
    """Lay what is a step beside a ball over it, with a soft edge, `soft` diameters wide."""
    height, width = plane.shape
    x, y = ((v + 0.5) / by - 0.5 for v in (ball.x_px, ball.y_px))
    size = ball.diameter_px / by
    reach = (0.62 + soft) * size + 1
    x0, x1 = max(0, int(x - reach)), min(width, int(x + reach) + 2)
    y0, y1 = max(0, int(y - reach)), min(height, int(y + reach) + 2)
    rows = np.clip(np.arange(y0, y1) + step[1] // by, 0, height - 1)
    columns = np.clip(np.arange(x0, x1) + step[0] // by, 0, width - 1)
    away = np.hypot(np.arange(x0, x1)[None, :] - x, np.arange(y0, y1)[:, None] - y)
    share = np.clip((reach - away) / (soft * size + 1), 0, 1)
    old = plane[y0:y1, x0:x1].astype(np.float32)
    new = plane[np.ix_(rows, columns)].astype(np.float32)
    plane[y0:y1, x0:x1] = np.round(old + share * (new - old)).astype(np.uint8)


def other_windows(
    photo: Photograph, places: list[Place], rng: np.random.Generator
) -> list[tuple[U8, U8]]:
    """Cut windows round what is no ball: as it lies there, and as if it had just come."""
    out = []
    for place in places:
        window = window_round(*place)
        way, far = rng.uniform(0, 2 * np.pi), rng.uniform(0.5, 1.2) * window.side
        step = (far * np.cos(way), far * np.sin(way))
        moved = (place[0] + step[0], place[1] + step[1], place[2])
        if photo.near(moved, 1.6):
            moved = place
        pair = look_through([window, _placed(window, moved)], photo.now, photo.now)
        lies = pair[0]
        comes = lies.copy()
        share = np.ones((SIDE, SIDE)) if rng.random() < 0.3 else _thing(rng)
        settled = lies[3:].astype(np.float32)
        comes[3:] = np.round(settled + share * (pair[1][3:] - settled)).astype(np.uint8)
        out.append((lies, comes))
    return out


def _thing(rng: np.random.Generator) -> npt.NDArray[np.float64]:
    """Share (48, 48) of something longish in the middle of a window."""
    at = (np.arange(SIDE) - (SIDE - 1) / 2) / SIDE
    x, y = at[None, :] - rng.normal(0, 0.05), at[:, None] - rng.normal(0, 0.05)
    angle, stretch = rng.uniform(0, np.pi), float(np.exp(rng.uniform(0, 0.9)))
    along = (x * np.cos(angle) + y * np.sin(angle)) / stretch
    across = (y * np.cos(angle) - x * np.sin(angle)) * stretch
    room = rng.uniform(0.18, 0.34) - np.hypot(along, across)
    return np.asarray(np.clip(room * rng.uniform(6, 30) + 0.5, 0, 1), np.float64)


def _placed(window: Window, place: Place) -> Window:
    """Return a window of the same size round another place."""
    step = max(2, 1 << window.halvings)
    x0, y0 = (step * round((at + 0.5 - window.side / 2) / step) for at in place[:2])
    return replace(window, x0=x0, y0=y0)


def anywhere(photo: Photograph, rng: np.random.Generator, count: int) -> list[Place]:
    """Places of any size all over a picture."""
    width, height = photo.size
    sizes = np.exp(rng.uniform(np.log(6), np.log(0.2 * width), count))
    return [(rng.uniform(0, width), rng.uniform(0, height), float(size)) for size in sizes]


def windows_of_photograph(path: Path, versions: int = 3) -> Windows:
    """Cut a photograph's windows, out of it as it is and out of smaller, worse copies."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([11, zlib.crc32(path.stem.encode())])
    parts = []
    for k in range(versions):
        share = 1.0 if k == 0 else float(np.exp(rng.uniform(np.log(0.22), 0)))
        quality = 0 if k == 0 else int(rng.integers(25, 90))
        photo = Photograph.read(path, round(share * LONG_SIDE_PX), quality)
        cutter = Cutter(rng, most=400)
        settled = photo.emptied(rng)
        for ball in photo.balls:
            if ball.sight == "ball" and ball.diameter_px >= 6:
                for kind, behind in ((Kind.PHOTO_MOVING, settled), (Kind.PHOTO_LYING, photo.now)):
                    cutter.cut_ball(kind, ball.seen(), photo.now, behind, 10)
        rows = list(_others(photo, rng, few=bool(photo.balls)))
        parts += [cutter.windows(), _as_windows(rows)]
    return joined(parts)


def _others(
    photo: Photograph, rng: np.random.Generator, *, few: bool
) -> Iterator[tuple[U8, float]]:
    """Both pictures of windows that hold no ball, and the size of what they were laid round."""
    spots = photo.spots(RADII, 4 if few else 14)
    places = [(x, y, size * float(np.exp(rng.normal(0, 0.2)))) for x, y, size in spots]
    places += anywhere(photo, rng, 12 if few else 40)
    for ball in photo.balls:
        for _ in range(6):
            way, far = rng.uniform(0, 2 * np.pi), ball.diameter_px * rng.uniform(0.85, 1.6)
            size = ball.diameter_px * float(np.exp(rng.uniform(-0.6, 0.05)))
            x, y = ball.x_px + far * np.cos(way), ball.y_px + far * np.sin(way)
            places.append((x, y, size))
    width, height = photo.size
    kept = [p for p in places if 0 <= p[0] < width and 0 <= p[1] < height and not photo.near(p)]
    for place, pair in zip(kept, other_windows(photo, kept, rng), strict=True):
        for crops in pair:
            yield crops, place[2]


def _as_windows(rows: list[tuple[U8, float]]) -> Windows:
    facts = [[float(Kind.PHOTO_OTHER), size, 0.0, 0.0, 0.0] for _, size in rows]
    return Windows(
        np.array([crops for crops, _ in rows], np.uint8).reshape(-1, 6, SIDE, SIDE),
        np.zeros((len(rows), 3), np.float32),
        np.array(facts, np.float32).reshape(-1, 5),
    )


def photograph_windows(folder: Path, workers: int) -> Windows:
    """Cut the windows of all photographs of a folder that may be learnt from."""
    paths = pictures(folder, apart=False)
    if workers < 2:
        return joined([windows_of_photograph(path) for path in paths])
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        return joined(pool.map(windows_of_photograph, paths, chunksize=4))
