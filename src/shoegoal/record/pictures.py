"""A set's present pictures: as counted, or drawn again after a marker was moved."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from shoegoal.analysis.form_file import form_pictures
from shoegoal.analysis.model import Analysis
from shoegoal.outside import is_inside, read_inside
from shoegoal.pictures.evidence import (
    EVIDENCE_FOLDER_NAME,
    LARGEST_PICTURE_BYTES,
    MARKERS_NAME,
    OVERVIEW_NAME,
    STILLS_FOLDER_NAME,
    KeptStills,
    strip_name,
)
from shoegoal.pictures.goal_picture import draw_goal_picture
from shoegoal.pictures.marks import coded_picture
from shoegoal.pictures.overview import draw_overview
from shoegoal.pictures.stills import SceneView, strip_moments
from shoegoal.pictures.strip import draw_blind_strip, draw_strip, plain_cut
from shoegoal.record.history import SetHistory
from shoegoal.types import Shot

MOMENTS = ("before", "contact", "way", "line", "after")  # in the order of `strip_moments`
MOMENT_HEIGHT_PX, GLANCE_HEIGHT_PX = 360, 112  # twice what is shown, for sharp screens
MOMENT_ASPECT = 16 / 9  # as on the page, so that nothing of the shot is cut off
MOST_IN_GLANCE = 12


class SetPictures:
    """The pictures of one set.

    Those that `count` wrote show the goal as it was counted. After a marker was moved, they are
    drawn again from the stored stills; a picture that cannot be drawn is left out.

    Parameters
    ----------
    history, analysis : the set and its valid count.
    """

    def __init__(self, history: SetHistory, analysis: Analysis) -> None:
        self._analysis = analysis
        self._folder = history.folder_path
        self._kept = None if self._folder is None else KeptStills.beside(self._folder)
        self._as_counted = not history.is_recounted

    @property
    def _view(self) -> SceneView:
        """The scene to draw; only a set with a goal has markers to move."""
        return SceneView.of(self._analysis.goal_scene)

    def has_strip(self, shot: Shot) -> bool:
        """Whether there is a strip of a shot."""
        if self._as_counted:
            return self._has(strip_name(shot.number))
        return self._kept is not None and self._kept.has_kick(shot.kick_time_s)

    def strip(self, number: int) -> bytes | None:
        """Give a shot's strip as JPEG; None where there is none."""
        if self._as_counted:
            return self._read(strip_name(number))
        shot = next((s for s in self._analysis.shots if s.number == number), None)
        stills = [] if shot is None or self._kept is None else self._kept.of_kick(shot.kick_time_s)
        if shot is None or not stills:
            return None
        start_s = self._analysis.clip.start_s
        return coded_picture(draw_strip(shot, stills, self._view, start_s=start_s))

    def markers(self) -> bytes | None:
        """Give a picture of the present goal as JPEG; None where there is none."""
        if self._as_counted:
            return self._read(MARKERS_NAME)
        still = None if self._kept is None else self._kept.goal()
        return (
            None
            if still is None
            else coded_picture(draw_goal_picture(self._analysis, still, self._view))
        )

    def overview(self) -> bytes | None:
        """Give the set from above as SVG; None where there is none."""
        if self._analysis.scene is None:
            return self._read(OVERVIEW_NAME)
        return draw_overview(self._analysis)

    @property
    def has_any_stills(self) -> bool:
        """Whether stills of the set's shots were stored."""
        return self._kept is not None and self._analysis.scene is not None

    def has_stills(self, kick_time_s: float) -> bool:
        """Whether stills of a kick were stored."""
        return self._kept is not None and self._kept.has_kick(kick_time_s)

    def blind_strip(self, kick_time_s: float) -> bytes | None:
        """Give a shot's stills with nothing drawn or written on them; None where there are none."""
        near = self._shot_at(kick_time_s)
        stills = [] if self._kept is None else self._kept.of_kick(kick_time_s)
        if near is None or not stills:
            return None
        start_s = self._analysis.clip.start_s
        return coded_picture(draw_blind_strip(near, stills, self._view, start_s=start_s))

    def moment(self, kick_time_s: float, name: str) -> bytes | None:
        """Give one moment of a shot (of `MOMENTS`) as JPEG, zoomed on the ball's way.

        Nothing is drawn over it. None where there is no still.
        """
        shot = self._shot_at(kick_time_s)
        stills = [] if shot is None or self._kept is None else self._kept.of_kick(kick_time_s)
        if shot is None or not stills:
            return None
        wanted_s = strip_moments(shot)[MOMENTS.index(name)].time_s
        still = min(stills, key=lambda one: abs(one.time_s - wanted_s))
        return coded_picture(plain_cut(shot, still, self._view, MOMENT_HEIGHT_PX, MOMENT_ASPECT))

    def glance(self) -> bytes | None:
        """Give one small still of every shot side by side, at the line, as JPEG."""
        if self._kept is None or self._analysis.scene is None:
            return None
        tiles = []
        for shot in self._analysis.shots[:MOST_IN_GLANCE]:
            stills = self._kept.of_kick(shot.kick_time_s)
            if stills:
                line_s = strip_moments(shot)[MOMENTS.index("line")].time_s
                still = min(stills, key=lambda one: abs(one.time_s - line_s))
                tiles.append(plain_cut(shot, still, self._view, GLANCE_HEIGHT_PX))
        return coded_picture(np.hstack(tiles)) if tiles else None

    def plain_goal(self) -> tuple[bytes, tuple[int, int]] | None:
        """Give a still of the goal with nothing drawn, as JPEG, and the clip's picture size, px."""
        still = None if self._kept is None else self._kept.goal()
        if still is None:
            return None
        width, height = still.native_size_px
        return coded_picture(still.bgr), (round(width), round(height))

    def all(self) -> Iterator[tuple[str, bytes]]:
        """Every picture with its name; all but the overview show parts of the clip."""
        named = [(OVERVIEW_NAME, self.overview()), (MARKERS_NAME, self.markers())]
        named += [(strip_name(s.number), self.strip(s.number)) for s in self._analysis.shots]
        yield from ((name, content) for name, content in named if content is not None)

    def _shot_at(self, kick_time_s: float) -> Shot | None:
        return min(
            self._analysis.shots, key=lambda s: abs(s.kick_time_s - kick_time_s), default=None
        )

    def _has(self, name: str) -> bool:
        return self._folder is not None and is_inside(self._folder, _place(name))

    def _read(self, name: str) -> bytes | None:
        if self._folder is None:
            return None
        return read_inside(self._folder, _place(name), LARGEST_PICTURE_BYTES)


def _place(name: str) -> str:
    return f"{EVIDENCE_FOLDER_NAME}/{name}"


def files_of_pictures(folder: Path) -> list[Path]:
    """Return the pictures and stills that a count or its form wrote, and no other files."""
    evidence = folder / EVIDENCE_FOLDER_NAME
    files = [evidence / OVERVIEW_NAME, evidence / MARKERS_NAME]
    files += sorted(evidence.glob("shot-[0-9]*.jpg"))
    files += sorted((folder / STILLS_FOLDER_NAME).glob("*.jpg"))
    here = [file for file in files if is_inside(folder, str(file.relative_to(folder)))]
    return here + form_pictures(folder)
