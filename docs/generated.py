"""The parts of the docs that are generated: commands and options, and the list of modules.

``python docs/generated.py`` writes ``docs/commands.md``, which a test compares with the program.
The list of rooms is made whenever the docs are built, from the first line of every module.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

DOCS = Path(__file__).parent
PACKAGE = DOCS.parent / "src" / "shoegoal"
MOST_SAID = 10_000  # larger limits are not shown
COMMANDS_FILE = DOCS / "commands.md"
# Lowest first: every floor imports only from those before it.
FLOORS = (
    "clip",
    "scene",
    "ball",
    "shots",
    "ladder",
    "card",
    "cues",
    "analysis",
    "pictures",
    "pipeline",
    "filming_check",
    "record",
    "scale",
    "review",
    "demo",
    "cli",
)


def commands_page() -> str:
    """Write the page of commands, options and exit codes."""
    from shoegoal.cli.main import EXIT_CODES, cli

    lines = [
        "# Commands and options",
        "",
        "<!-- Written by `python docs/generated.py`; a test fails when it is out of date. -->",
        "",
        "`shoegoal COMMAND --help` says the same. Results go to standard output, progress and "
        "errors to standard error.",
        "",
    ]
    for name, command in commands_of(cli):
        lines += _command_lines(name, command)
    lines += ["## Exit codes", "", "| code | means |", "|---|---|"]
    lines += [f"| {code} | {words} |" for code, words in EXIT_CODES]
    return "\n".join(lines) + "\n"


def commands_of(group: click.Group, within: str = "") -> Iterator[tuple[str, click.Command]]:
    """Give every command and every group of commands, by its whole name."""
    context = click.Context(group)
    for name in group.list_commands(context):
        command = group.get_command(context, name)
        assert command is not None
        yield f"{within}{name}", command
        if isinstance(command, click.Group):
            yield from commands_of(command, f"{within}{name} ")


def _command_lines(name: str, command: click.Command) -> Iterator[str]:
    level = "###" if " " in name else "##"
    options = [one for one in command.params if isinstance(one, click.Option)]
    words = [_metavar(one) for one in command.params if isinstance(one, click.Argument)]
    if isinstance(command, click.Group):
        words.append("COMMAND")
    yield f"{level} shoegoal {name}"
    yield ""
    usage = " ".join(["shoegoal", name, *(["[OPTIONS]"] if options else []), *words])
    yield f"`{usage}`"
    yield ""
    for paragraph in (command.help or "").split("\n\n"):
        yield _plain(" ".join(paragraph.split()))
        yield ""
    if options:
        yield "| option | meaning |"
        yield "|---|---|"
        for option in options:
            more = _range(option.type) + (" Required." if option.required else "")
            yield f"| `{_spelt(option)}` | {_plain(option.help or '')}{more} |"
        yield ""


def _metavar(argument: click.Argument) -> str:
    return argument.make_metavar(click.Context(click.Command("any")))


def _spelt(option: click.Option) -> str:
    if option.is_flag:
        return option.opts[0]
    if isinstance(option.type, click.IntRange | click.FloatRange):
        return f"{option.opts[0]} N"
    taken = option.make_metavar(click.Context(click.Command("any")))
    return f"{option.opts[0]} {taken.replace('|', ' or ').strip('[]')}"


def _range(kind: click.ParamType[Any]) -> str:
    """Say which numbers an option takes."""
    if not isinstance(kind, click.IntRange | click.FloatRange):
        return ""
    least, most = kind.min, kind.max
    if most is None or most > MOST_SAID:
        return f" (from {least:g})" if least else ""
    return f" ({'above ' if kind.min_open else ''}{least:g} to {most:g})"


def _plain(text: str) -> str:
    """Escape Markdown, and set options as code."""
    text = text.replace("|", "\\|").replace("*", "\\*").replace("<", "\\<")
    parts = text.split("`")  # every other one is code already
    parts[::2] = [re.sub(r"(?<![\w-])--[a-z][a-z-]*", r"`\g<0>`", part) for part in parts[::2]]
    return "`".join(parts)


def rooms_page() -> str:
    """List the rooms of every floor, each by the first line of its docstring."""
    lines = ["Every floor imports only from those above it in this list.", ""]
    ground = sorted(PACKAGE.glob("*.py"))
    for floor in ("", *FLOORS):
        title = _first_line(PACKAGE / floor / "__init__.py") if floor else "What all floors share."
        lines += [f"**{floor or 'shoegoal'}**: {_plain(title)}", ""]
        for file in ground if not floor else sorted((PACKAGE / floor).rglob("*.py")):
            first = _first_line(file)
            if file.name == "__init__.py" and floor:
                continue
            name = file.relative_to(PACKAGE).with_suffix("").as_posix()
            lines.append(f"- `{name}`: {_plain(first)}")
        lines.append("")
    return "\n".join(lines)


def _first_line(file: Path) -> str:
    doc = ast.get_docstring(ast.parse(file.read_text(encoding="utf-8"))) or ""
    return doc.splitlines()[0] if doc else ""


if __name__ == "__main__":
    if sys.argv[1:] == ["rooms"]:
        print(rooms_page())
    else:
        COMMANDS_FILE.write_text(commands_page(), encoding="utf-8")
