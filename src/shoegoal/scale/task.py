"""One clip to count, as it travels to a process or another computer, and what comes back."""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

from shoegoal.errors import ShoegoalError
from shoegoal.ladder.rules import Stage
from shoegoal.types import ImagePoint

UNEXPECTED = 1


@dataclass(frozen=True, slots=True)
class CountTask:
    """A clip to count.

    Attributes
    ----------
    key : the same for the same work: the clip's SHA-256 and the stage.
    clip, folder : what to count, and the result folder to write.
    stage : what it was filmed for.
    left_px, right_px : markers' feet where a person pointed at them; None to have them found.
    with_form : read the kicker's form too, where the stage has a goal.
    """

    key: str
    clip: Path
    folder: Path
    stage: Stage
    left_px: ImagePoint | None = None
    right_px: ImagePoint | None = None
    with_form: bool = False


@dataclass(frozen=True, slots=True)
class TaskDone:
    """What became of a task.

    Attributes
    ----------
    key : of the task.
    trouble : why there is no result; None where there is one.
    exit_code : that ``count`` would have ended with; 0 with a result.
    wall_s, cpu_s : what it took, starting up left out; CPU time of the whole process meanwhile.
    """

    key: str
    trouble: str | None = None
    exit_code: int = 0
    wall_s: float = 0.0
    cpu_s: float = 0.0


# Shares done, 0..1, of the task at hand.
Tell: TypeAlias = Callable[[float], None]
Work: TypeAlias = Callable[[CountTask, Tell], None]
# Shares done of every task by its key.
TellAll: TypeAlias = Callable[[str, float], None]


def count_clip(task: CountTask, tell: Tell) -> None:
    """Count one clip and write its result folder, whole or not at all.

    Raises
    ------
    ShoegoalError
        As ``shoegoal count`` would say it.
    """
    import shoegoal

    shoegoal.count(
        task.clip,
        stage=task.stage,
        left=task.left_px,
        right=task.right_px,
        out=task.folder,
        on_progress=tell,
    )
    if task.with_form and task.stage.width_steps is not None:
        with suppress(ShoegoalError):  # hints are welcome, and a count is whole without them
            shoegoal.form(task.folder, clip=task.clip)


def carry_out(work: Work, task: CountTask, tell: Tell) -> TaskDone:
    """Do a task; whatever goes wrong comes back as words, so that the others go on."""
    wall_s, cpu_s = time.perf_counter(), time.process_time()
    trouble, exit_code = None, 0
    try:
        work(task, tell)
    except ShoegoalError as error:
        trouble, exit_code = " ".join(str(error).split()), error.exit_code
    except Exception as error:
        words = " ".join(f"{type(error).__name__}: {error}".split())
        trouble = f"unexpected trouble ({words}); this is a fault of shoegoal, please report it"
        exit_code = UNEXPECTED
    return TaskDone(
        task.key, trouble, exit_code, time.perf_counter() - wall_s, time.process_time() - cpu_s
    )
