"""What counting a clip gives, and what is said of the clip itself."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from shoegoal import __version__
from shoegoal.analysis.doubts import doubtful_times
from shoegoal.analysis.interruptions import break_sentences
from shoegoal.analysis.model import (
    FORMAT_VERSION,
    Analysis,
    ClipRecord,
    Evidence,
    SceneRecord,
    StageRecord,
    TakeRecord,
)
from shoegoal.analysis.settings import CountSettings
from shoegoal.analysis.stills import StillPicture
from shoegoal.analysis.watching import Watched
from shoegoal.clip.clock import clock_text
from shoegoal.clip.reader import clip_sha256
from shoegoal.clip.stillness import Stillness
from shoegoal.ladder.verdict import HiddenTime, judge_shots_around
from shoegoal.shots.judge import LeftOut
from shoegoal.types import Shot


class StillsOnDemand(Mapping[int, Sequence[StillPicture]]):
    """Pictures by shot number, made when they are asked for: all at once may fill the memory."""

    def __init__(
        self, shots: Sequence[Shot], make: Callable[[Shot], Sequence[StillPicture]]
    ) -> None:
        self._shots = {shot.number: shot for shot in shots}
        self._make = make

    def __getitem__(self, number: int) -> Sequence[StillPicture]:
        return self._make(self._shots[number])

    def __iter__(self) -> Iterator[int]:
        return iter(self._shots)

    def __len__(self) -> int:
        return len(self._shots)


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
    stills: Mapping[int, Sequence[StillPicture]]
    goal_still: StillPicture


def concluded(
    path: Path,
    watched: Watched,
    settings: CountSettings,
    shots: Sequence[Shot],
    left_out: Sequence[LeftOut],
    *,
    scene: SceneRecord | None = None,
    doubts: Sequence[HiddenTime] = (),
    evidence: Evidence | None = None,
) -> Analysis:
    """Work out tally and verdict from what was found in a clip, and write it all down.

    Parameters
    ----------
    path, watched : the clip, and what one pass over it left.
    settings : stage and confidence.
    shots, left_out : in order of time.
    scene : where the goal is; None for a stage without one.
    doubts : where something may be missing for reasons that the shots do not show.
    evidence : that the shots were judged from.
    """
    rule, breaks = settings.stage.rule, watched.take.breaks
    tally, verdict = judge_shots_around(
        rule,
        shots,
        doubtful_times(rule, shots, breaks, watched.start_s, watched.end_s, counted_doubts=doubts),
        watched_until_s=watched.end_s,
        confidence=settings.confidence,
    )
    return Analysis(
        format_version=FORMAT_VERSION,
        tool_version=__version__,
        clip=_clip_record(path, watched),
        stage=StageRecord.of(settings.stage),
        scene=scene,
        shots=tuple(shots),
        left_out=tuple(left_out),
        tally=tally,
        verdict=verdict,
        problems=_problems(watched, shots),
        take=TakeRecord(breaks, watched.take.fingerprint),
        doubts=tuple(doubts),
        evidence=evidence,
    )


def _problems(watched: Watched, shots: Sequence[Shot]) -> tuple[str, ...]:
    """Say what a person must know of a clip, whatever was counted in it."""
    problems = [*watched.problems, *break_sentences(watched.take.breaks, watched.start_s)]
    if watched.stillness.verdict not in (Stillness.STILL, Stillness.NEARLY_STILL):
        problems.append(watched.stillness.message)
    for shot in shots:
        if (
            shot.path
            and watched.end_s - shot.path[-1].time_s < 0.2
            and shot.crossing_time_s is None
        ):
            at = clock_text(shot.kick_time_s - watched.start_s)
            problems.append(f"the clip ends while the ball kicked at {at} is still moving")
    return tuple(dict.fromkeys(problems))


def _clip_record(path: Path, watched: Watched) -> ClipRecord:
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
