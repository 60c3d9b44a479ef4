"""A quick stand-in for counting, at hand in worker processes: the clip says what happens."""

from __future__ import annotations

import os
import re
import signal
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from analysis_examples import START_S, example_analysis
from shoegoal.analysis.file import ANALYSIS_FILE_NAME, save_analysis
from shoegoal.analysis.folders import fresh_folder
from shoegoal.analysis.model import StageRecord, TakeRecord
from shoegoal.clip.fingerprint import Fingerprint
from shoegoal.clip.reader import clip_sha256
from shoegoal.errors import ClipNotJudgeableError
from shoegoal.scale.tasks import CountTask, OnProgress

LOG_NAME = "counted.log"


def made_up_count(task: CountTask, on_progress: OnProgress) -> None:
    """Write a made-up result, and a line in a log beside the clip for every time it was begun."""
    said = task.clip.read_text(encoding="utf-8")
    with (task.clip.parent / LOG_NAME).open("a", encoding="utf-8") as log:
        log.write(f"{task.clip.name} {os.getpid()}\n")
    begun = begun_names(task.clip.parent).count(task.clip.name)
    on_progress(0.5)
    if "no goal" in said:
        raise ClipNotJudgeableError("no goal was found; film so that both markers are in view")
    if "fault" in said:
        raise ValueError("no such thing")
    if "dies always" in said or ("dies once" in said and begun == 1):
        os.kill(os.getpid(), signal.SIGKILL)
    if "crashes" in said:
        os.kill(os.getpid(), signal.SIGSEGV)
    if "slow" in said and begun == 1:
        time.sleep(60)
    analysis = example_analysis(unsure="unsure" in said)
    clip = replace(analysis.clip, name=task.clip.name, sha256=clip_sha256(task.clip))
    with fresh_folder(task.folder) as folder:
        counted = replace(analysis, clip=clip, stage=StageRecord.of(task.stage))
        if take := re.search(r"take (\d+)", said):
            counted = replace(counted, take=TakeRecord(fingerprint=_moves_of(int(take[1]))))
        save_analysis(folder / ANALYSIS_FILE_NAME, counted)


def _moves_of(take: int) -> Fingerprint:
    """What moved in a take, by its number."""
    levels = np.random.default_rng(take).integers(0, 90, (400, 6, 8)).astype(np.uint8)
    return Fingerprint.of_levels(START_S, levels)


def begun_names(folder: Path) -> list[str]:
    """Names of the clips that were begun, each as often as it was."""
    log = folder / LOG_NAME
    lines = log.read_text(encoding="utf-8").splitlines() if log.exists() else []
    return sorted(line.rsplit(" ", 1)[0] for line in lines)


def pid_of(folder: Path, name: str) -> int | None:
    """Process that began a clip."""
    log = folder / LOG_NAME
    for line in log.read_text(encoding="utf-8").splitlines() if log.exists() else []:
        clip, pid = line.rsplit(" ", 1)
        if clip == name:
            return int(pid)
    return None
