"""Every way that shoegoal says no: one base, one exit code each, one clear line.

Exit codes 0 (done), 2 (usage, click's own) and 130 (interrupted) need no class.
"""

from __future__ import annotations

EXIT_NEEDS_A_LOOK = 3


class ShoegoalError(Exception):
    """Base of all errors a user can meet; the message says what is wrong and what to do."""

    exit_code = 1


class ClipUnreadableError(ShoegoalError):
    """The file is missing, is no video, or breaks off before anything could be seen."""

    exit_code = 4


class ClipNotJudgeableError(ShoegoalError):
    """The video plays, but its shots cannot be judged (no goal, no ball, camera moved)."""

    exit_code = 5


class BadSettingsError(ShoegoalError):
    """A ladder, stage, calibration or option that cannot be used as given."""

    exit_code = 6


class OutputError(ShoegoalError):
    """The result could not be written; nothing half-written is left behind."""

    exit_code = 7
