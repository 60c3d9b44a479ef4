"""The evidence of a count: a strip per shot, the set from above, and the goal as it was taken.

A set of touches has a strip per touch and loss, and a chart of them over time in place of the goal.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

from shoegoal.analysis.file import ANALYSIS_FILE_NAME, save_analysis
from shoegoal.analysis.folders import fresh_folder
from shoegoal.analysis.goal_picture import draw_goal_picture
from shoegoal.analysis.kept import STILLS_FOLDER_NAME, keep_stills
from shoegoal.analysis.marks import coded_picture
from shoegoal.analysis.model import Analysis
from shoegoal.analysis.overview import draw_overview
from shoegoal.analysis.stills import SceneView, StillPicture
from shoegoal.analysis.strip import draw_strip
from shoegoal.analysis.touch_chart import draw_touch_chart
from shoegoal.analysis.touch_strip import draw_touch_strip

__all__ = [
    "EVIDENCE_FOLDER_NAME",
    "SceneView",
    "StillPicture",
    "draw_overview",
    "draw_strip",
    "strip_name",
    "write_evidence",
    "write_result",
]

EVIDENCE_FOLDER_NAME = "evidence"
OVERVIEW_NAME = "overview.png"
MARKERS_NAME = "markers.jpg"


def strip_name(number: int) -> str:
    """File name of a shot's strip."""
    return f"shot-{number:02d}.jpg"


def write_evidence(
    folder: Path,
    analysis: Analysis,
    stills_by_shot: Mapping[int, Sequence[StillPicture]],
    markers_still: StillPicture,
) -> None:
    """Write the evidence folder, whole or not at all; one that shoegoal wrote is replaced.

    Parameters
    ----------
    folder : to be written.
    analysis : the counted clip.
    stills_by_shot : by shot number; a shot without stills gets no strip.
    markers_still : a picture in which the markers can be seen.

    Raises
    ------
    OutputError
        The folder cannot be written, or holds what shoegoal did not write.
    """
    with fresh_folder(folder) as fresh:
        _write_pictures(fresh, analysis, stills_by_shot, markers_still)


def write_result(
    folder: Path,
    analysis: Analysis,
    stills_by_shot: Mapping[int, Sequence[StillPicture]],
    markers_still: StillPicture,
) -> None:
    """Write the analysis file, evidence and plain stills as one folder, whole or not at all.

    Raises
    ------
    OutputError
        As for `write_evidence`, or the analysis holds a value that is no number.
    """
    with fresh_folder(folder) as fresh:
        save_analysis(fresh / ANALYSIS_FILE_NAME, analysis)
        evidence = fresh / EVIDENCE_FOLDER_NAME
        evidence.mkdir()
        _write_pictures(evidence, analysis, stills_by_shot, markers_still)
        if analysis.scene is not None:  # markers may be moved, and pictures drawn anew
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
        (folder / OVERVIEW_NAME).write_bytes(draw_overview(analysis, view))
        goal = draw_goal_picture(analysis, markers_still, view)
        (folder / MARKERS_NAME).write_bytes(coded_picture(goal))
        draw = partial(draw_strip, view=view, start_s=start_s)
    for shot in analysis.shots:
        stills = sorted(stills_by_shot.get(shot.number, ()), key=lambda still: still.time_s)
        if stills:
            (folder / strip_name(shot.number)).write_bytes(coded_picture(draw(shot, stills)))
