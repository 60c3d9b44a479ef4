"""The command line: every command, one line for every failure, one exit code for its kind."""

from __future__ import annotations

import errno
import os
import signal
import sys
import threading
from collections.abc import Generator, Sequence
from contextlib import contextmanager, suppress
from importlib import import_module
from types import FrameType
from typing import Any

import click

from shoegoal import __version__
from shoegoal.cli.apart import COMMANDS, can_run_apart, run_apart
from shoegoal.cli.terminal import shown_streams
from shoegoal.errors import ClipUnreadableError, OutputError, ShoegoalError
from shoegoal.outside import shown

INTERRUPTED = 130
PIPE_CLOSED = 141  # 128 + SIGPIPE, as a shell reports it
UNEXPECTED = 1
_NO_ROOM = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EIO)
TRACEBACK_VARIABLE = "SHOEGOAL_TRACEBACK"

EXIT_CODES = (
    (0, "there is a verdict; fit: the clip can be counted; demo: all clips were counted"),
    (1, f"unexpected error; set {TRACEBACK_VARIABLE}=1 to see where"),
    (2, "the command line is wrong"),
    (3, "a person needs to look before there is a verdict; fit: only a count can tell"),
    (4, "the clip cannot be read"),
    (5, "the clip can be read, but not judged (no goal, no ball, the camera moved)"),
    (6, "a ladder, stage, calibration, lens or analysis file cannot be used"),
    (7, "the result could not be written; no partial file is left"),
    (8, "the record book cannot be used (in use, damaged, newer, out of reach)"),
    (9, "the set was signed, or changed by somebody else, after you looked at it"),
    (10, "the record book's history is not consistent: it was changed afterwards"),
    (11, "some clips of a class or the demo could not be counted; the others were"),
    (130, "interrupted; no partial file is left"),
    (141, "the reader of the output went away"),
)
# Every command: its module and its short help. A module is loaded when its command is used, so
# that the program starts at once.
_MODULES = {
    "fit": ("clips", "Say whether CLIP can be counted, and what to change before filming more."),
    "count": ("clips", "Count the shots of CLIP for a stage, or on a dribble stage the touches."),
    "form": ("clips", "Say what a coach would look at in each kick of CLIP."),
    "show": ("clips", "Print the table of an earlier count again."),
    "stages": ("ladder", "List the stages of a ladder."),
    "ladder": ("ladder", "Check ladder files: the stages of a class, in TOML."),
    "card": ("ladder", "Write the cards to print for a ladder's stages (.pdf or .html)."),
    "cautions": ("ladder", "Print the cautions for kicking and filming."),
    "board": ("lens", "Write the board to print for `shoegoal lens` (.pdf or .png)."),
    "lens": ("lens", "Measure a phone's lens from CLIP, a clip of the printed board."),
    "record": ("record", "Keep counts in a record book that shows every later change."),
    "review": ("review", "Look at the sets in the record book, correct them and sign them."),
    "coach": ("coach", "Check a random sample of shots without seeing the count."),
    "accounts": ("accounts", "Say who may open the page from another computer, and as what."),
    "hand-in": (
        "hand_in",
        "Let a class hand in clips from phones: print its link, write its slips.",
    ),
    "work": ("hand_in", "Count what pupils hand in, until Ctrl-C."),
    "class": ("classes", "Count the clips of a whole class, and see its results."),
    "demo": (
        "classes",
        "Count an invented class of six pupils, from clips that come with shoegoal.",
    ),
}
_NAMES = {"hand-in": "hand_in", "class": "class_group"}  # functions named other than their command
_EPILOG = "\b\nExit codes:\n" + "\n".join(f"  {code:<4}{what}" for code, what in EXIT_CODES)


class _PipeClosedError(Exception):
    """Carries a closed pipe past click, which would exit with 1 by itself."""


class _InterruptedError(Exception):
    """Carries Ctrl-C past click, which would write an empty line."""


class _Cli(click.Group):
    """A group that always ends in at most one line and an exit code."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """List the commands in order of use."""
        return list(_MODULES)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Load a command."""
        if cmd_name not in _MODULES:
            return None
        module = import_module(f"shoegoal.cli.{_MODULES[cmd_name][0]}")
        command: click.Command = getattr(module, _NAMES.get(cmd_name, cmd_name))
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """List the commands without loading them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_text) for name, (_, help_text) in _MODULES.items()])

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command."""
        try:
            return super().invoke(ctx)
        except BrokenPipeError as error:
            raise _PipeClosedError from error
        except KeyboardInterrupt as error:
            raise _InterruptedError from error

    def main(
        self,
        args: Sequence[str] | None = None,
        prog_name: str | None = None,
        complete_var: str | None = None,
        standalone_mode: bool = True,
        windows_expand_args: bool = True,
        **extra: Any,
    ) -> Any:
        """Run, and exit the process unless ``standalone_mode`` is off."""
        if not standalone_mode:
            return super().main(
                args,
                prog_name,
                complete_var,
                standalone_mode=False,
                windows_expand_args=windows_expand_args,
                **extra,
            )
        name = prog_name or "shoegoal"
        # Not when called from Python: a fork would duplicate the caller's threads and streams.
        is_own = args is None and len(sys.argv) > 1 and sys.argv[1] in COMMANDS
        if not (is_own and can_run_apart()):
            sys.exit(self._run(args, name, complete_var, extra))
        try:
            code = run_apart(lambda: self._run(args, name, complete_var, extra))
        except ShoegoalError as error:
            code = _refused(error)
        sys.exit(code)

    def _run(
        self,
        args: Sequence[str] | None,
        prog_name: str,
        complete_var: str | None,
        extra: dict[str, Any],
    ) -> int:
        for stream in (sys.stdout, sys.stderr):
            if hasattr(stream, "reconfigure"):
                # A terminal that lacks some characters is no reason to fail.
                stream.reconfigure(errors="replace")
        try:
            with _ended_like_interrupted(), shown_streams():
                result = super().main(args, prog_name, complete_var, standalone_mode=False, **extra)
            sys.stdout.flush()
        except click.exceptions.NoArgsIsHelpError as error:
            error.show()
            return error.exit_code
        except click.UsageError as error:
            path = error.ctx.command_path if error.ctx else prog_name
            _say(f"{error.format_message()} ({path} --help says more)")
            return error.exit_code
        except click.ClickException as error:
            _say(error.format_message())
            return error.exit_code
        except ShoegoalError as error:
            return _refused(error)
        except (_InterruptedError, click.Abort, KeyboardInterrupt):
            _say("interrupted; no partial file is left")
            return INTERRUPTED
        except (_PipeClosedError, BrokenPipeError):
            _drop_output()
            return PIPE_CLOSED
        except OSError as error:
            if error.filename is None and error.errno in _NO_ROOM:
                _drop_output()
                return _refused(
                    OutputError(f"the output cannot be written ({error.strerror}); free some space")
                )
            return _unexpected(error)
        except MemoryError:
            return _refused(
                ClipUnreadableError(
                    "there was not enough memory: close other programs. If that does not help, "
                    "the file is damaged, so copy it again"
                )
            )
        except Exception as error:
            return _unexpected(error)
        return result if isinstance(result, int) else 0


def _refused(error: ShoegoalError) -> int:
    if os.environ.get(TRACEBACK_VARIABLE) == "1":
        _show_traceback()
    _say(str(error))
    return error.exit_code


def _unexpected(error: Exception) -> int:
    if os.environ.get(TRACEBACK_VARIABLE) == "1":
        _show_traceback()
    words = " ".join(f"{type(error).__name__}: {error}".split())
    _say(
        f"unexpected error ({words}); no partial file is left. This is a fault in shoegoal: run "
        f"it again with {TRACEBACK_VARIABLE}=1 to see where, and report it"
    )
    return UNEXPECTED


def _show_traceback() -> None:
    import traceback

    traceback.print_exc()


def _say(message: str) -> None:
    with suppress(OSError):
        click.echo(f"shoegoal: {shown(message)}", err=True)


def _drop_output() -> None:
    """Point standard output to nothing, so that Python's last flush raises no error."""
    with suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


@contextmanager
def _ended_like_interrupted() -> Generator[None, None, None]:
    """Let SIGTERM clean up as Ctrl-C does."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


@click.group(
    cls=_Cli,
    epilog=_EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(__version__, message="shoegoal %(version)s")
def cli() -> None:
    """Turn a phone clip of a soccer shooting set at home into a tally that you can check.

    Start with: shoegoal fit CLIP, then shoegoal count CLIP --stage NAME
    """
