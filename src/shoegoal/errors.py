"""Every way that shoegoal says no: one base, one exit code each, one clear line.

Exit codes 0 (done), 2 (usage, click's own) and 130 (interrupted) need no class.
"""

from __future__ import annotations

EXIT_NEEDS_A_LOOK = 3
EXIT_SOME_FAILED = 11  # of a class run


class ShoegoalError(Exception):
    """Base of all errors a user can meet; the message says what is wrong and what to do."""

    exit_code = 1


class ClipUnreadableError(ShoegoalError):
    """The file is missing, is not a video, or breaks off before anything could be seen."""

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


class RecordBookError(ShoegoalError):
    """The record book cannot be used: locked, damaged, newer than this version, out of reach."""

    exit_code = 8


class RecordChangedError(ShoegoalError):
    """The set was signed, or changed by somebody else, since it was looked at."""

    exit_code = 9


class RecordNotTrueError(ShoegoalError):
    """The book's history does not fit together: something was changed afterwards."""

    exit_code = 10


class NotYetCertainError(ShoegoalError):
    """A verdict is to be signed that still hangs on shots nobody has looked at."""

    exit_code = EXIT_NEEDS_A_LOOK


class NotLetInError(ShoegoalError):
    """Name and password do not fit, or the account is disabled."""


class TooManyTriesError(ShoegoalError):
    """So many logins failed that the next has to wait."""
