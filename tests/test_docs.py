"""The docs say what the program does: its options, its commands, its exit codes, its rooms."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

import generated
from record_books import file_set
from shoegoal.card.cautions import CAUTIONS
from shoegoal.cli.clips import CountOptions, FormOptions
from shoegoal.cli.main import _MODULES, EXIT_CODES, cli
from shoegoal.ladder.ladders import parse_ladder
from shoegoal.record.book import Book

ROOT = Path(__file__).parents[1]
DOCS = ROOT / "docs"
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted(DOCS.glob("*.md"))]
# These need no clip and no answer: they run in a folder of their own, on a book with three sets.
CHEAP = (
    "stages", "cautions", "ladder check", "card", "board", "hand-in", "record enrol", "record list",
    "record verify", "record key", "record receipt", "record accuracy", "review --list",
    "review show", "review correct", "review sign", "class results", "class next", "class family",
    "coach draw", "coach show", "coach answer", "coach report", "work --until-empty",
)  # fmt: skip


def shell_lines(page: Path) -> Iterator[list[str]]:
    """Every shoegoal command in a page's shell blocks, as the words behind the program's name."""
    for block in re.findall(r"^```sh\n(.*?)^```", page.read_text(encoding="utf-8"), re.M | re.S):
        for line in block.replace("&&\n", "&& ").replace("\\\n", " ").splitlines():
            words = shlex.split(line, comments=True)
            for place, word in enumerate(words):
                if word in ("shoegoal", ".venv/bin/shoegoal"):
                    rest = words[place + 1 :]
                    yield rest[: rest.index("&&")] if "&&" in rest else rest


COMMANDS = [(page.name, words) for page in PAGES for words in shell_lines(page)]


def parsed(words: list[str]) -> click.Context:
    """Parse a command line as far as its last command, without running it."""
    context = cli.make_context("shoegoal", list(words))
    while isinstance(context.command, click.Group) and (rest := context._protected_args):
        name, command, left = context.command.resolve_command(context, [*rest, *context.args])
        assert name is not None and command is not None
        context = command.make_context(name, left, parent=context)
    return context


@pytest.mark.parametrize(("page", "words"), COMMANDS, ids=lambda one: " ".join(one)[:40])
def test_every_command_line_in_the_docs_can_be_typed(page: str, words: list[str]) -> None:
    with parsed(words) as context:
        for name, kind in (("count", CountOptions), ("form", FormOptions)):
            if context.info_name == name and context.params["clip"].suffix != ".shoegoal":
                given = {n: v for n, v in context.params.items() if n != "clip"}
                assert kind(**given).asked().name


def test_a_wrong_command_line_would_be_noticed() -> None:
    assert len(COMMANDS) > 40
    for words in ("count set.mp4 --stages five-of-ten", "review sgin 1", "record purge"):
        with pytest.raises(click.UsageError):
            parsed(words.split())


def test_the_cheap_ones_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("SHOEGOAL_BOOK", str(tmp_path / "book.sqlite3"))
    book = Book(str(tmp_path / "book.sqlite3"))
    for number in range(3):
        file_set(book, f"clip{number}.mp4", unsure=False)
    (tmp_path / "spring.toml").write_text(ladder_in_the_docs(), encoding="utf-8")
    ran = set()
    for page, words in COMMANDS:
        line = " ".join(words)
        cheap = next((start for start in CHEAP if line.startswith(start)), None)
        if cheap is not None:
            done = CliRunner().invoke(cli, words)
            assert done.exit_code in (0, 3), f"{page}: shoegoal {line}: {done.output}"
            ran.add(cheap)
    assert ran == set(CHEAP)


def ladder_in_the_docs() -> str:
    """The example of a ladder file."""
    found = re.search(r"^```toml\n(.*?)^```", (DOCS / "ladder.md").read_text(), re.M | re.S)
    assert found
    return found[1]


def test_the_ladder_in_the_docs_is_one() -> None:
    ladder = parse_ladder(ladder_in_the_docs().encode(), "docs/ladder.md")
    assert ladder.stages[0].name == "five-of-ten"


def test_the_page_of_commands_is_made_from_the_program() -> None:
    """When this fails: ``python docs/generated.py``."""
    page = (DOCS / "commands.md").read_text(encoding="utf-8")
    assert page == generated.commands_page()
    assert all(f"| {code} |" in page for code, _ in EXIT_CODES)


def test_every_command_has_help_and_every_option_too() -> None:
    commands = dict(generated.commands_of(cli))
    assert len(commands) >= 40
    for name, command in commands.items():
        assert command.help and command.get_short_help_str().endswith("."), name
        assert all(one.help for one in command.params if isinstance(one, click.Option)), name
    for name, (_, short) in _MODULES.items():
        assert " ".join((commands[name].help or "").split()).startswith(short), name


def test_the_rooms_are_those_of_the_house() -> None:
    page = generated.rooms_page()
    rooms = [f for f in (ROOT / "src" / "shoegoal").rglob("*.py") if f.name != "__init__.py"]
    for room in rooms:
        name = room.relative_to(ROOT / "src" / "shoegoal").with_suffix("").as_posix()
        assert f"- `{name}`: " in page


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_what_a_page_names_is_there(page: Path) -> None:
    text = page.read_text(encoding="utf-8")
    for place in re.findall(r"`((?:src/)?shoegoal/[\w/]+(?:\.\w+)?)`", text):
        assert (ROOT / "src" / place.removeprefix("src/")).exists(), place
    for place in re.findall(r"`((?:bench|tests|training|docs)/[\w/.]+)`", text):
        assert (ROOT / place).exists(), place
    for target in re.findall(r"\]\((?!https?:)([^)#]+)\)", text):
        assert (page.parent / target).exists(), target
    for target in re.findall(r"\{doc\}`(\w+)`", text):
        assert (DOCS / f"{target}.md").exists(), target


def test_the_readme_is_short_and_leads_on() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert 110 <= len(readme.splitlines()) <= 150
    numbered = re.findall(r"^\d+\. \[", readme.split("## Read on")[1], re.M)
    assert len(numbered) == 10


def test_the_cautions_in_the_readme_are_those_printed() -> None:
    readme = " ".join((ROOT / "README.md").read_text(encoding="utf-8").split()).casefold()
    for caution in CAUTIONS:
        first = re.split(r"[:;.,(]", caution)[0].casefold().removeprefix("wear ")
        words = [word for word in first.split() if len(word) > 4]
        assert all(word in readme for word in words), caution
