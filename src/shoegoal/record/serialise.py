"""Sets as plain JSON values: what ``--json`` prints and an export holds."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from shoegoal.analysis.model import Analysis
from shoegoal.record.corrections import change_to_plain
from shoegoal.record.history import SetHistory
from shoegoal.record.status import Standing, StandingShot


def state_of(history: SetHistory, standing: Standing | None) -> str:
    """Say what a set waits for (look, to sign, count again), or that it is signed."""
    if history.signature is not None:
        return "signed"
    if standing is None:
        return "count again"
    return "look" if standing.needs_a_look else "to sign"


def summary(history: SetHistory, standing: Standing | None) -> dict[str, Any]:
    """Describe a set in short; a signed one as it was signed, whatever later versions think."""
    signature = history.signature
    return {
        "set": history.set_id,
        "version": history.version,
        "state": state_of(history, standing),
        "pupil": history.pupil,
        "class": history.class_name,
        "ladder": history.ladder,
        "stage": history.stage.name,
        "counted_in": "touches" if history.counts_touches else "shots",
        "clip": history.clip_name,
        "added_at": history.added_at,
        **_result(history, standing),
        "look_at": [] if standing is None else list(standing.looks),
        "signed_by": None if signature is None else signature.by,
        "signed_at": None if signature is None else signature.at,
    }


def counted_text(told: dict[str, Any]) -> str:
    """Write what `summary` tells was counted: ``2 of 3``, or of a dribble ``11 touches``."""
    makes = told["makes"]
    if makes is None:
        return ""
    if told["counted_in"] == "touches":
        return f"{makes} {'touch' if makes == 1 else 'touches'}"
    return f"{makes} of {makes + told['misses'] + told['unsure']}"


def _result(history: SetHistory, standing: Standing | None) -> dict[str, Any]:
    if history.signature is not None:
        signed = history.signature.content
        return {**signed["tally"], "decision": signed["decision"], "sentence": signed["sentence"]}
    if standing is None:
        unknown = dict.fromkeys(("makes", "misses", "unsure", "decision"))
        words = "the count was written by another version of shoegoal; count the clip again"
        return {**unknown, "sentence": words}
    tally, verdict = standing.tally, standing.verdict
    return {
        "makes": tally.makes,
        "misses": tally.misses,
        "unsure": tally.unsure,
        "decision": verdict.decision.value,
        "sentence": verdict.sentence,
    }


def detail(history: SetHistory, standing: Standing, analysis: Analysis) -> dict[str, Any]:
    """Describe a set with its shots and corrections."""
    held = {correction.seq for correction in history.held}
    return summary(history, standing) | {
        "stage_asked": asdict(history.stage),
        "clip_sha256": history.clip_sha256,
        "clip_state": history.clip_state(),
        "clip_path": None if history.clip_path is None else str(history.clip_path),
        "folder_path": None if history.folder_path is None else str(history.folder_path),
        "left_px": None if analysis.scene is None else asdict(analysis.scene.left_px),
        "right_px": None if analysis.scene is None else asdict(analysis.scene.right_px),
        "problems": list(analysis.problems),
        "look_through": [
            {
                "number": place,
                "clock": analysis.clock_span(doubt.time_s, doubt.until_s),
                "from_s": doubt.time_s,
                "until_s": doubt.until_s,
                "doubt": doubt.doubt,
            }
            for place, doubt in enumerate(standing.doubts, start=1)
        ],
        "shots": [_shot(shot, analysis) for shot in standing.shots],
        "corrections": [
            {
                "entry": correction.seq,
                "at": correction.at,
                "holds": correction.seq in held,
                **change_to_plain(correction.change, correction.by),
            }
            for correction in history.corrections
        ],
    }


def _shot(shot: StandingShot, analysis: Analysis) -> dict[str, Any]:
    counted = shot.counted
    return {
        "shot": shot.number,
        "kind": shot.kind.value,
        "clock": analysis.clock(shot.time_s),
        "kick_time_s": shot.time_s,
        "call": shot.call.value,
        "p_make": shot.p_make,
        "counts": shot.counts,
        "answer": None if shot.answer is None else shot.answer.value,
        "note": shot.note,
        "counted_call": None if counted is None else counted.call.value,
        "counted_p_make": None if counted is None else counted.p_make,
        "reason": "added by hand" if counted is None else counted.reason,
    }
