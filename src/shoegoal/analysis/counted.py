"""What counting a clip gives, and what is said of the clip itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from shoegoal.analysis.interruptions import break_sentences
from shoegoal.analysis.model import Analysis, ClipRecord
from shoegoal.analysis.stills import StillPicture
from shoegoal.analysis.watching import Watched
from shoegoal.clip.clock import clock_text
from shoegoal.clip.reader import clip_sha256
from shoegoal.clip.stillness import Stillness


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """A counted clip and its pictures.

    Attributes
    ----------
    analysis : all numbers.
    stills : by shot number, pictures near the moments of its strip; may be empty.
    goal_still : a picture in which the markers can be seen.
    """

    analysis: Analysis
    stills: dict[int, list[StillPicture]]
    goal_still: StillPicture


def problems_of(watched: Watched) -> tuple[str, ...]:
    """Say what a person must know of a clip, whatever was counted in it."""
    problems = [*watched.problems, *break_sentences(watched.take.breaks, watched.start_s)]
    if watched.stillness.verdict not in (Stillness.STILL, Stillness.NEARLY_STILL):
        problems.append(watched.stillness.message)
    for departure in watched.record.departures:
        if watched.end_s - departure.track.end_s < 0.2 and departure.rest is not None:
            at = clock_text(departure.track.start_s - watched.start_s)
            problems.append(f"the clip ends while the ball kicked at {at} is still moving")
    return tuple(dict.fromkeys(problems))


def clip_record(path: Path, watched: Watched) -> ClipRecord:
    """Write down the clip as it was read."""
    info = watched.info
    return ClipRecord(
        name=path.name,
        sha256=clip_sha256(path),
        size_bytes=info.size_bytes,
        width_px=info.width_px,
        height_px=info.height_px,
        rotation_deg=info.rotation_deg,
        duration_s=info.duration_s,
        start_s=watched.start_s,
        end_s=watched.end_s,
        frames=watched.frames,
        nominal_rate_hz=info.nominal_rate_hz,
        codec=info.codec,
    )
