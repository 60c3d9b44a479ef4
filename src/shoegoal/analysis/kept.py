"""Plain stills kept beside a count, so that its pictures can be drawn anew without the clip."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from shoegoal.analysis.marks import coded_picture
from shoegoal.analysis.model import Analysis
from shoegoal.analysis.stills import StillPicture

STILLS_FOLDER_NAME = "stills"
INDEX_NAME = "stills.json"
GOAL_NAME = "goal.jpg"
JPEG_QUALITY = 85
SAME_KICK_S = 0.4  # two kicks of one ball are further apart


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
        stills = sorted(stills_by_shot.get(shot.number, ()), key=lambda still: still.time_s)
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
            content = (folder / INDEX_NAME).read_bytes()
            return cls(folder, TypeAdapter(_Index).validate_json(content))
        except (OSError, ValidationError):
            return None

    def goal(self) -> StillPicture | None:
        """Picture in which the markers can be seen."""
        return _read(self._folder / GOAL_NAME, self._index.goal)

    def has_kick(self, kick_time_s: float) -> bool:
        """Whether there are any of a kick, without reading them."""
        place = self._place(kick_time_s)
        return place is not None and (self._folder / _name(place, 1)).is_file()

    def of_kick(self, kick_time_s: float) -> list[StillPicture]:
        """Pictures round a kick, in order of time; kick times wander a little in a recount."""
        shot = self._place(kick_time_s)
        if shot is None:
            return []
        stills = enumerate(self._index.shots[shot - 1].stills, start=1)
        read = (_read(self._folder / _name(shot, place), about) for place, about in stills)
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


def _read(path: Path, about: _KeptStill) -> StillPicture | None:
    try:
        coded = np.frombuffer(path.read_bytes(), np.uint8)
    except OSError:
        return None
    bgr = cv2.imdecode(coded, cv2.IMREAD_COLOR) if len(coded) else None
    if bgr is None:
        return None
    return StillPicture(about.time_s, np.asarray(bgr, np.uint8), about.scale)
