"""Whether the judging's cost grows with what moves, and no faster: ``python bench things``.

The sample set's record is laid over itself once, twice and four times, each copy shifted across the
picture, so that so many balls roll and fly at once. Judging is timed; decoding and watching are
linear by their build, a fixed number of windows a picture at most.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from statistics import median

import click

from one_run import settings_for
from shoegoal.analysis.model import Evidence
from shoegoal.ball.tracks import BallTrack, RestingBall
from shoegoal.ball.watch import BallRecord
from shoegoal.pipeline.count import analyse_clip
from shoegoal.pipeline.judging import recount_with_markers
from shoegoal.types import Detection

SAMPLE = Path(__file__).resolve().parents[1] / "sample_clips" / "behind_six.mp4"
TIMES_OVER = (1, 2, 4)
APART = 0.03  # of the picture's width: wider than a ball near the camera


@click.command()
@click.option("--runs", default=3, show_default=True)
def things(runs: int) -> None:
    """Time the judging of 1, 2 and 4 times as many things in one clip."""
    settings = settings_for(SAMPLE)
    analysis = analyse_clip(SAMPLE, settings).analysis
    assert analysis.evidence is not None
    assert settings.left_px is not None and settings.right_px is not None
    apart_px = APART * analysis.clip.width_px
    first_s = 0.0
    for times in TIMES_OVER:
        crowded = replace(analysis, evidence=laid_over(analysis.evidence, times, apart_px))
        spent_s = []
        for _ in range(runs):
            began_s = time.process_time()
            judged = recount_with_markers(crowded, settings.left_px, settings.right_px)
            spent_s.append(time.process_time() - began_s)
        first_s = first_s or median(spent_s)
        click.echo(
            f"{times} x: {times * len(analysis.evidence.record.tracks)} tracks, "
            f"{len(judged.shots)} events shown, "
            f"{median(spent_s):.2f} s CPU, {median(spent_s) / first_s:.2f} x"
        )


def laid_over(evidence: Evidence, times: int, apart_px: float) -> Evidence:
    """Repeat everything that was seen, each time further to the right."""
    record = evidence.record
    tracks = [
        BallTrack(tuple(_shifted(one, apart_px * k) for one in track.sightings), track.ball_score)
        for k in range(times)
        for track in record.tracks
    ]
    resting = list(_resting(record, times, apart_px))
    tracks.sort(key=lambda track: track.end_s)
    resting.sort(key=lambda ball: ball.after_s)
    return replace(evidence, record=BallRecord(tuple(tracks), tuple(resting)))


def _resting(record: BallRecord, times: int, apart_px: float) -> Iterator[RestingBall]:
    for k in range(times):
        for ball in record.resting:
            yield replace(ball, sighting=_shifted(ball.sighting, apart_px * k))


def _shifted(one: Detection, by_px: float) -> Detection:
    return replace(one, x_px=one.x_px + by_px)
