"""The evidence of a count: a strip per shot, the set from above, and the goal as it was taken.

A set of touches has a strip per touch and loss, and a chart of them over time in place of the goal.
Plain stills are kept beside them, so that the pictures can be drawn again without the clip.
"""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np

from shoegoal.analysis.file import ANALYSIS_FILE_NAME, save_analysis
from shoegoal.analysis.folders import fresh_folder
from shoegoal.analysis.model import Analysis
from shoegoal.clip.frame import U8
from shoegoal.outside import is_inside, read_inside, read_outside
from shoegoal.pictures.goal_picture import draw_goal_picture
from shoegoal.pictures.marks import coded_picture
from shoegoal.pictures.overview import draw_overview
from shoegoal.pictures.stills import SceneView, StillPicture
from shoegoal.pictures.strip import draw_strip
from shoegoal.pictures.touch_pictures import draw_touch_chart, draw_touch_strip
from shoegoal.types import Shot

EVIDENCE_FOLDER_NAME = "evidence"
OVERVIEW_NAME = "overview.svg"
MARKERS_NAME = "markers.jpg"
STILLS_FOLDER_NAME = "stills"
INDEX_NAME = "stills.json"
GOAL_NAME = "goal.jpg"
JPEG_QUALITY = 85
MAX_INDEX_BYTES = 2_000_000
LARGEST_PICTURE_BYTES, LARGEST_PICTURE_PX = 20_000_000, 60_000_000
LARGEST_SCALE = 100.0  # of a still to the clip's picture
SAME_KICK_S = 0.4  # two kicks of one ball are further apart


def strip_name(number: int) -> str:
    """File name of a shot's strip."""
    return f"shot-{number:02d}.jpg"


def write_result(
    folder: Path,
    analysis: Analysis,
    stills_by_shot: Mapping[int, Sequence[StillPicture]],
    markers_still: StillPicture,
) -> None:
    """Write the analysis file, evidence and plain stills as one folder, whole or not at all.

    Parameters
    ----------
    folder : to be written; one that shoegoal wrote is replaced.
    analysis : the counted clip.
    stills_by_shot : by shot number; a shot without stills gets no strip.
    markers_still : a picture in which the markers can be seen.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds what shoegoal did not write, or the analysis holds a
        value that is not a number.
    """
    with fresh_folder(folder) as fresh:
        save_analysis(fresh / ANALYSIS_FILE_NAME, analysis)
        evidence = fresh / EVIDENCE_FOLDER_NAME
        evidence.mkdir()
        _write_pictures(evidence, analysis, stills_by_shot, markers_still)
        if analysis.scene is not None:  # markers may be moved, and pictures drawn again
            stills = fresh / STILLS_FOLDER_NAME
            stills.mkdir()
            keep_stills(stills, analysis, stills_by_shot, markers_still)


def _write_pictures(
    folder: Path,
    analysis: Analysis,
    stills_by_shot: Mapping[int, Sequence[StillPicture]],
    markers_still: StillPicture,
) -> None:
    start_s = analysis.clip.start_s
    if analysis.scene is None:
        (folder / OVERVIEW_NAME).write_bytes(draw_touch_chart(analysis))
        draw = partial(draw_touch_strip, start_s=start_s)
    else:
        view = SceneView.of(analysis.scene)
        (folder / OVERVIEW_NAME).write_bytes(draw_overview(analysis))
        goal = draw_goal_picture(analysis, markers_still, view)
        (folder / MARKERS_NAME).write_bytes(coded_picture(goal))
        draw = partial(draw_strip, view=view, start_s=start_s)
    for shot in analysis.shots:
        stills = _in_order(stills_by_shot, shot)
        if stills:
            (folder / strip_name(shot.number)).write_bytes(coded_picture(draw(shot, stills)))


def _in_order(
    stills_by_shot: Mapping[int, Sequence[StillPicture]], shot: Shot
) -> list[StillPicture]:
    return sorted(stills_by_shot.get(shot.number, ()), key=lambda still: still.time_s)


@dataclass(frozen=True, slots=True)
class _KeptStill:
    time_s: float
    scale: float


@dataclass(frozen=True, slots=True)
class _KeptShot:
    kick_time_s: float
    stills: tuple[_KeptStill, ...]


@dataclass(frozen=True, slots=True)
class _Index:
    goal: _KeptStill
    shots: tuple[_KeptShot, ...]

    @property
    def makes_sense(self) -> bool:
        """Whether every number is one that `keep_stills` could have written."""
        stills = [self.goal, *(still for shot in self.shots for still in shot.stills)]
        times_s = [still.time_s for still in stills] + [shot.kick_time_s for shot in self.shots]
        return all(math.isfinite(time_s) for time_s in times_s) and all(
            1 / LARGEST_SCALE <= still.scale <= LARGEST_SCALE for still in stills
        )


def keep_stills(
    folder: Path,
    analysis: Analysis,
    stills_by_shot: Mapping[int, Sequence[StillPicture]],
    goal_still: StillPicture,
) -> None:
    """Write a count's stills and their index into a folder.

    Raises
    ------
    OSError
        They cannot be written.
    """
    from pydantic import TypeAdapter

    _write(folder / GOAL_NAME, goal_still)
    shots: list[_KeptShot] = []
    for shot in analysis.shots:
        stills = _in_order(stills_by_shot, shot)
        for place, still in enumerate(stills, start=1):
            _write(folder / _name(len(shots) + 1, place), still)
        shots.append(_KeptShot(shot.kick_time_s, tuple(_about(still) for still in stills)))
    index = _Index(_about(goal_still), tuple(shots))
    (folder / INDEX_NAME).write_bytes(TypeAdapter(_Index).dump_json(index))


class KeptStills:
    """The stills of a count that was written; those that are gone or damaged are left out."""

    def __init__(self, folder: Path, index: _Index) -> None:
        self._folder = folder
        self._index = index

    @classmethod
    def beside(cls, result_folder: Path) -> KeptStills | None:
        """Find them in a result folder; None where there are none."""
        from pydantic import TypeAdapter, ValidationError

        folder = result_folder / STILLS_FOLDER_NAME
        try:
            content = read_outside(folder / INDEX_NAME, MAX_INDEX_BYTES, follow=False)
            index = TypeAdapter(_Index).validate_json(content, strict=True)
        except (OSError, ValidationError):
            return None
        return cls(folder, index) if index.makes_sense else None

    def goal(self) -> StillPicture | None:
        """Picture in which the markers can be seen."""
        return _read(self._folder, GOAL_NAME, self._index.goal)

    def has_kick(self, kick_time_s: float) -> bool:
        """Whether there are any of a kick, without reading them."""
        place = self._place(kick_time_s)
        return place is not None and is_inside(self._folder, _name(place, 1))

    def of_kick(self, kick_time_s: float) -> list[StillPicture]:
        """Pictures round a kick, in order of time; kick times wander a little in a recount."""
        shot = self._place(kick_time_s)
        if shot is None:
            return []
        stills = enumerate(self._index.shots[shot - 1].stills, start=1)
        read = (_read(self._folder, _name(shot, place), about) for place, about in stills)
        return [still for still in read if still is not None]

    def _place(self, kick_time_s: float) -> int | None:
        apart = [abs(shot.kick_time_s - kick_time_s) for shot in self._index.shots]
        if not apart or min(apart) > SAME_KICK_S:
            return None
        return apart.index(min(apart)) + 1


def _name(shot: int, place: int) -> str:
    return f"shot-{shot:02d}-{place}.jpg"


def _about(still: StillPicture) -> _KeptStill:
    return _KeptStill(still.time_s, still.scale)


def _write(path: Path, still: StillPicture) -> None:
    path.write_bytes(coded_picture(still.bgr, quality=JPEG_QUALITY))


def _read(folder: Path, name: str, about: _KeptStill) -> StillPicture | None:
    coded = read_inside(folder, name, LARGEST_PICTURE_BYTES)
    bgr = None if coded is None else decoded_picture(coded)
    return None if bgr is None else StillPicture(about.time_s, bgr, about.scale)


def decoded_picture(coded: bytes) -> U8 | None:
    """Decode a picture from outside (BGR); None where it is none, or larger than any of ours."""
    from PIL import Image

    try:
        with Image.open(io.BytesIO(coded)) as head:  # reads no more than the size
            wide, high = head.size
    except (OSError, ValueError, Image.DecompressionBombError):
        return None
    if wide * high > LARGEST_PICTURE_PX:
        return None
    bgr = cv2.imdecode(np.frombuffer(coded, np.uint8), cv2.IMREAD_COLOR)
    return None if bgr is None else np.asarray(bgr, np.uint8)
