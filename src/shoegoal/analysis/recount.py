"""A count judged anew from its own evidence with the markers elsewhere; no clip is needed."""

from __future__ import annotations

from dataclasses import replace

from shoegoal import __version__
from shoegoal.analysis.doubts import doubtful_times
from shoegoal.analysis.judging import judge_evidence, scene_record
from shoegoal.analysis.model import Analysis, MarkersSource
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.ladder.verdict import judge_shots_around
from shoegoal.types import ImagePoint


def recount_with_markers(analysis: Analysis, left_px: ImagePoint, right_px: ImagePoint) -> Analysis:
    """Judge a set's evidence against a goal between other markers.

    Parameters
    ----------
    analysis : the count.
    left_px, right_px : markers' inner bases as the kicker sees them.

    Raises
    ------
    ClipNotJudgeableError
        The count keeps no evidence, or the markers make no goal on its ground.
    """
    old = analysis.goal_scene
    if analysis.evidence is None:
        raise ClipNotJudgeableError(
            "This set was counted by an older shoegoal, which did not keep what it saw, so markers "
            "cannot be moved in it: count the clip again with --left and --right."
        )
    clip, stage, breaks = analysis.clip, analysis.stage.to_stage(), analysis.take.breaks
    judged = judge_evidence(
        analysis.evidence,
        (clip.width_px, clip.height_px),
        stage,
        left_px,
        right_px,
        old.marker_sigma_px,
        breaks,
        clip.start_s,
    )
    shots = judged.shots
    tally, verdict = judge_shots_around(
        stage.rule,
        shots,
        doubtful_times(
            stage.rule, shots, breaks, clip.start_s, clip.end_s, counted_doubts=analysis.doubts
        ),
        watched_until_s=clip.end_s,
        confidence=analysis.verdict.confidence,
    )
    return replace(
        analysis,
        tool_version=__version__,
        scene=scene_record(judged.scene, MarkersSource.GIVEN, (), stage.back_steps),
        shots=shots,
        left_out=judged.left_out,
        tally=tally,
        verdict=verdict,
    )
