"""Stills for the evidence: which moments are kept while a clip passes, and what is where in them.

Whether a moving ball was a shot is known only once the goal is, and the clip is decoded once. So
pictures of each flight-like track are kept, coded small, and dropped when no shot claims them.
"""

from __future__ import annotations

import tempfile
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from shoegoal.analysis.model import SceneRecord
from shoegoal.ball.tracks import LIKE_A_BALL, MAX_GAP_S, TOLD_EVERY_S, BallTrack, since_it_left
from shoegoal.clip.frame import U8, ColourMatrix, Frame, planes_to_bgr
from shoegoal.clip.last_seconds import Still, StillRing
from shoegoal.clip.reduced import SmallFrame
from shoegoal.scene.camera import Camera
from shoegoal.scene.goal import GoalFrame, goal_from_markers
from shoegoal.types import ImagePoint, Shot

F64 = npt.NDArray[np.float64]

AROUND_S = 0.5  # how long before the kick and after the end the outer stills are
BEFORE_S = (1.0, 0.7, 0.45, 0.25, 0.12, 0.05, 0.0)  # dense near contact, which is still unknown
ALONG_STEP_S, ALONG_S = 0.15, 1.5  # within this time most balls have crossed or stopped
AFTER_S = (0.0, 0.3, 0.6)  # after the track's end
BALL_AROUND_S = 0.4  # of a ball that is kept all along, before and after
SETTLE_S = 0.65  # after a track's end until the last of its pictures has passed
# From the first picture wanted of a track until the track is known and its last one has passed.
SPAN_S = BEFORE_S[0] + TOLD_EVERY_S + MAX_GAP_S + SETTLE_S
BUDGET_BYTES = 148_000_000  # so long at 30 pictures a second, 1280 x 720
JPEG_QUALITY = 90


@dataclass(frozen=True, slots=True, eq=False)
class StillPicture:
    """A picture of the clip at its own or a smaller size.

    Attributes
    ----------
    time_s : presentation time.
    bgr : (H, W, 3) uint8, displayed orientation.
    scale : still px per px of the displayed picture.
    """

    time_s: float
    bgr: U8
    scale: float

    @property
    def native_size_px(self) -> tuple[float, float]:
        """Width and height of the displayed picture that this was made from."""
        return self.bgr.shape[1] / self.scale, self.bgr.shape[0] / self.scale


@dataclass(frozen=True, slots=True)
class Moment:
    """A time worth a still, and what it shows."""

    time_s: float
    name: str


def strip_moments(shot: Shot) -> tuple[Moment, ...]:
    """Return the five moments of a shot's strip, in order of time."""
    crossed_s = shot.crossing_time_s
    line_s = shot.end_time_s if crossed_s is None else crossed_s
    line_name = "last seen" if crossed_s is None else "at the line"
    return (
        Moment(shot.kick_time_s - AROUND_S, "before the kick"),
        Moment(shot.kick_time_s, "contact"),
        Moment((shot.kick_time_s + line_s) / 2, "on its way"),
        Moment(line_s, line_name),
        Moment(max(line_s, shot.end_time_s) + AROUND_S, "after"),
    )


@dataclass(frozen=True, slots=True)
class SceneView:
    """What is needed to draw the scene over a picture; all px are of the displayed picture."""

    camera: Camera
    goal: GoalFrame
    ball_diameter_m: float
    left_px: ImagePoint
    right_px: ImagePoint

    @classmethod
    def of(cls, scene: SceneRecord) -> SceneView:
        """Take the view from a stored scene.

        Raises
        ------
        GoalNotPlausibleError
            The stored markers do not stand on the stored ground.
        """
        goal = goal_from_markers(scene.camera, scene.left_px, scene.right_px)
        return cls(scene.camera, goal, scene.ball_diameter_m.value, scene.left_px, scene.right_px)

    def to_px(self, goal_m: npt.ArrayLike) -> F64:
        """Image (N, 2) px of goal-frame points (N, 3) m; NaN behind the camera."""
        return self.goal.to_px(self.camera, goal_m)

    def ball_px(self, spot_m: tuple[float, float]) -> tuple[ImagePoint, float]:
        """Outline, centre and diameter in px, of a ball lying at (x, y) of the goal frame."""
        place = self.goal.from_goal([[*spot_m, self.ball_diameter_m / 2]])
        centre, diameter = self.camera.ball_image(place, self.ball_diameter_m)
        return ImagePoint(float(centre[0, 0]), float(centre[0, 1])), float(diameter[0])

    def spot_m(self, centre_px: ImagePoint) -> tuple[float, float] | None:
        """(x, y) in the goal frame of a lying ball whose disc is centred here; None off ground."""
        pixels = [(centre_px.x_px, centre_px.y_px)]
        ground = self.camera.ball_on_ground(pixels, self.ball_diameter_m)
        x_m, y_m = self.goal.to_goal(ground)[0]
        return (float(x_m), float(y_m)) if np.isfinite([x_m, y_m]).all() else None

    def goal_line_px(self, pieces: int = 24) -> F64:
        """Goal line from left to right marker as (pieces + 1, 2) px; curved where the lens is."""
        half = self.goal.width_m / 2
        along = np.linspace(-half, half, pieces + 1)
        return self.to_px(np.column_stack([along, np.zeros_like(along), np.zeros_like(along)]))


@dataclass(frozen=True, slots=True)
class _Kept:
    """Where a still lies in the album, and what its planes alone do not say."""

    time_s: float
    scale: float
    full_range: bool
    matrix: ColourMatrix
    luma_size: tuple[int, int]  # width, height
    chroma_size: tuple[int, int]
    offset: int
    length: int


class PictureKeeper:
    """Takes every frame with its tracks, and gives a shot's pictures at the end."""

    def __init__(
        self,
        width_px: int,
        height_px: int,
        rate_hz: float | None,
        *,
        all_along_every_s: float | None = None,
    ) -> None:
        """Keep pictures of shots; or with ``all_along_every_s`` of every ball's whole way."""
        self._all_along_every_s = all_along_every_s
        self._ring = StillRing(
            width_px, height_px, rate_hz, span_s=SPAN_S, budget_bytes=BUDGET_BYTES
        )
        self._due: deque[BallTrack] = deque()
        self._kept: dict[float, _Kept] = {}
        # On disk, so that memory does not grow with the clip; gone with the process.
        self._album = tempfile.TemporaryFile()  # noqa: SIM115
        self._goal: Still | None = None

    def __del__(self) -> None:
        self._album.close()

    def add(self, frame: Frame, small: SmallFrame, tracks: Sequence[BallTrack]) -> None:
        """Take a frame, its small copy, and the tracks that are complete or under way at it."""
        self._ring.add(frame, small.halvings)
        if self._goal is None:
            self._goal = self._ring.at(frame.time_s)
        self._due.extend(track for track in tracks if track.ball_score >= LIKE_A_BALL)
        while self._due and frame.time_s >= self._due[0].end_s + SETTLE_S:
            self._keep(self._due.popleft())

    def finish(self) -> None:
        """Keep the pictures that are still due at the clip's end."""
        while self._due:
            self._keep(self._due.popleft())

    def of_shot(self, shot: Shot) -> list[StillPicture]:
        """Return the kept pictures nearest to the five moments of a shot's strip."""
        times = np.array(sorted(self._kept))
        if not len(times):
            return []
        chosen = {
            float(times[int(np.argmin(np.abs(times - moment.time_s)))])
            for moment in strip_moments(shot)
        }
        kept = (self._kept[time_s] for time_s in sorted(chosen))
        around = (shot.kick_time_s - 2.0, shot.end_time_s + 2.0)
        return [self._picture(k) for k in kept if around[0] <= k.time_s <= around[1]]

    def near(self, time_s: float, within_s: float) -> StillPicture | None:
        """Return the kept picture nearest to a time; None when none lies so near."""
        times = np.array(sorted(self._kept))
        if not len(times):
            return None
        nearest = float(times[int(np.argmin(np.abs(times - time_s)))])
        return self._picture(self._kept[nearest]) if abs(nearest - time_s) <= within_s else None

    def first(self) -> StillPicture:
        """Return the clip's first picture, on which the goal is shown to a person."""
        assert self._goal is not None
        return StillPicture(self._goal.time_s, self._goal.bgr(), self._goal.scale)

    def _keep(self, track: BallTrack) -> None:
        for time_s in self._wanted_s(track):
            still = self._ring.at(time_s)
            if still is None or still.time_s in self._kept:
                continue
            offset, coded = self._album.tell(), _coded(still)
            self._album.write(coded)
            self._kept[still.time_s] = _Kept(
                still.time_s,
                still.scale,
                still.full_range,
                still.matrix,
                still.luma.shape[::-1],
                still.chroma_u.shape[::-1],
                offset,
                len(coded),
            )

    def _wanted_s(self, track: BallTrack) -> list[float]:
        moving = since_it_left(track.sightings) or track.sightings
        start, end = moving[0].time_s, track.end_s
        if self._all_along_every_s is not None:
            # A track under way comes again and again: what has left the ring was kept before.
            start = max(start - BALL_AROUND_S, end - SPAN_S)
            return [
                float(t) for t in np.arange(start, end + BALL_AROUND_S, self._all_along_every_s)
            ]
        wanted = [start - s for s in BEFORE_S]
        wanted += np.arange(start, min(end, start + ALONG_S), ALONG_STEP_S).tolist()
        return wanted + [end + s for s in AFTER_S]

    def _picture(self, kept: _Kept) -> StillPicture:
        end = self._album.tell()
        self._album.seek(kept.offset)
        coded = np.frombuffer(self._album.read(kept.length), np.uint8)
        self._album.seek(end)
        sheet = np.asarray(cv2.imdecode(coded, cv2.IMREAD_GRAYSCALE), np.uint8)
        (width, height), (half_width, half_height) = kept.luma_size, kept.chroma_size
        below = sheet[height : height + half_height]
        bgr = planes_to_bgr(
            sheet[:height, :width],
            below[:, :half_width],
            below[:, half_width : 2 * half_width],
            full_range=kept.full_range,
            matrix=kept.matrix,
        )
        return StillPicture(kept.time_s, bgr, kept.scale)


def _coded(still: Still) -> bytes:
    """Code the planes as one grey picture, luma over u and v: few stills are ever looked at."""
    (height, width), (half_height, half_width) = still.luma.shape, still.chroma_u.shape
    sheet: U8 = np.zeros((height + half_height, max(width, 2 * half_width)), np.uint8)
    sheet[:height, :width] = still.luma
    sheet[height:, :half_width] = still.chroma_u
    sheet[height:, half_width : 2 * half_width] = still.chroma_v
    _, coded = cv2.imencode(".jpg", sheet, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return coded.tobytes()
