"""A class in a book, with shots drawn from known scatters. All names invented."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis_examples import START_S, example_analysis, example_shot
from record_books import TEACHER
from shoegoal.analysis.model import Analysis, StageRecord
from shoegoal.ladder.ladders import Ladder
from shoegoal.ladder.verdict import judge_shots
from shoegoal.record.book import Book
from shoegoal.record.filing import enrol, file_count
from shoegoal.record.reviewing import sign
from shoegoal.types import Call, Estimate, Outcome, Shot

STEP_M = 0.54
VIEW_M = 2.4  # beyond it nobody sees where the ball crosses
CLASS = "7b"


def set_of_shots(
    ladder: Ladder, stage_name: str, shots: int, bias_deg: float, spread_deg: float, seed: int
) -> Analysis:
    """A count of shots whose directions are normal; misses beyond the view have no crossing."""
    stage = ladder.stage_by_name(stage_name)
    width_m, back_m = (steps * STEP_M for steps in (stage.width_steps or 0, stage.back_steps or 0))
    chance = np.random.default_rng(seed)
    kicked = []
    for number in range(1, shots + 1):
        x_m = back_m * math.tan(math.radians(chance.normal(bias_deg, spread_deg)))
        kicked.append(_shot(number, x_m, width_m, back_m))
    tally, verdict = judge_shots(stage.rule, kicked, confidence=0.99)
    base = example_analysis()
    name = f"{stage_name}-{seed}.mp4"
    clip = replace(base.clip, name=name, sha256=hashlib.sha256(name.encode()).hexdigest())
    scene = replace(
        base.goal_scene,
        goal_width_m=Estimate(width_m, 0.1),
        kick_distance_m=Estimate(back_m, 0.3),
    )
    return replace(
        base,
        shots=tuple(kicked),
        tally=tally,
        verdict=verdict,
        stage=StageRecord.of(stage),
        clip=clip,
        scene=scene,
    )


def _shot(number: int, x_m: float, width_m: float, back_m: float) -> Shot:
    inside = abs(x_m) < width_m / 2 - 0.1025
    wide = Outcome.WIDE_RIGHT if x_m > 0 else Outcome.WIDE_LEFT
    time_s = START_S + 4.0 * number
    return replace(
        example_shot(1),
        number=number,
        kick_time_s=time_s,
        end_time_s=time_s + 1,
        call=Call.MAKE if inside else Call.MISS,
        outcome=Outcome.INSIDE if inside else wide,
        p_make=0.9995 if inside else 0.0005,
        crossing_x_m=Estimate(x_m, 0.03) if abs(x_m) <= VIEW_M else None,
        kick_spot_m=(0.0, back_m),
    )


def file_into(book: Book, ladder: Ladder, pupil: str, analysis: Analysis, *, signed: bool) -> int:
    """Bring a count into the book, and sign it where asked; return its set."""
    with book.writing() as connection:
        filed = file_count(
            connection, analysis, Path("nowhere") / analysis.clip.name, class_name=CLASS,
            pupil=pupil, ladder=ladder,
        )  # fmt: skip
    if signed:
        sign(book, filed.set_id, TEACHER)
    return filed.set_id


def enter(book: Book, *pupils: str) -> None:
    """Enter pupils of the class."""
    with book.writing() as connection:
        enrol(connection, CLASS, pupils, 0)
