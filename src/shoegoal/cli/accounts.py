"""``shoegoal accounts``: who may open the page from another computer."""

from __future__ import annotations

import json as json_text
import sys
from dataclasses import asdict, dataclass, field

import click

from shoegoal.cli.options import BookOptions, Commands, meaning, with_options
from shoegoal.errors import BadSettingsError


@click.group(cls=Commands)
def accounts() -> None:
    """Say who may open the page from another computer, and as what.

    A teacher sees and does everything. A coach checks shots without seeing the count, pupils' names
    or tallies. A student sees their own sets. On this computer alone, no account is needed.
    """


@dataclass(frozen=True, kw_only=True)
class PlaceOptions:
    """Options of commands that only need the book."""

    book: str | None = None


@dataclass(frozen=True, kw_only=True)
class AddOptions(PlaceOptions):
    """Options of ``accounts add``."""

    role: str
    pupil: str | None = field(default=None, metadata=meaning("A student's own name in the book."))
    class_name: str | None = field(
        default=None, metadata=meaning("The only class that a coach checks; default: all.")
    )


@accounts.command()
@click.argument("name")
@with_options(AddOptions)
def add(given: AddOptions, name: str) -> int:
    """Make an account; you are asked for its password.

    A student's account needs --pupil. A coach's account may be limited to one --class.
    """
    from shoegoal.record.accounts import Role, add_account
    from shoegoal.record.book import Book

    opened, password = Book(given.book), _new_password()
    with opened.writing() as connection:
        made = add_account(
            connection,
            name,
            Role(given.role),
            password,
            pupil=given.pupil,
            class_name=given.class_name,
        )
    click.echo(f"{made.name}: {made.role.value}")
    return 0


@accounts.command("list")
@with_options(BookOptions)
def list_all(given: BookOptions) -> int:
    """List all accounts."""
    from shoegoal.record.accounts import list_accounts
    from shoegoal.record.book import Book

    with Book.existing(given.book).reading() as connection:
        found = list_accounts(connection)
    if given.json:
        plain = [asdict(one) for one in found]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
        return 0
    for one in found:
        of = one.pupil or one.class_name
        parts = [one.name, one.role.value, f"of {of}" if of else "", "disabled" * one.disabled]
        click.echo(", ".join(part for part in parts if part))
    if not found:
        click.echo("no accounts (shoegoal accounts add makes them)")
    return 0


@accounts.command()
@click.argument("name")
@with_options(PlaceOptions)
def password(given: PlaceOptions, name: str) -> int:
    """Change an account's password, and log it out everywhere."""
    from shoegoal.record.accounts import account_called, set_password
    from shoegoal.record.book import Book

    opened = Book.existing(given.book)
    with opened.reading() as connection:
        account_called(connection, name)
    chosen = _new_password()
    with opened.writing() as connection:
        set_password(connection, name, chosen)
    click.echo(f"{name}: the password was changed")
    return 0


@accounts.command()
@click.argument("name")
@with_options(PlaceOptions)
def disable(given: PlaceOptions, name: str) -> int:
    """Disable an account at once; what it did stays in the book."""
    return _set_disabled(name, given.book, disabled=True)


@accounts.command()
@click.argument("name")
@with_options(PlaceOptions)
def enable(given: PlaceOptions, name: str) -> int:
    """Enable a disabled account again."""
    return _set_disabled(name, given.book, disabled=False)


@accounts.command()
@click.argument("name")
@with_options(PlaceOptions)
def unlock(given: PlaceOptions, name: str) -> int:
    """Forget an account's failed logins, so that it can log in again at once."""
    from shoegoal.record.accounts import forget_tries
    from shoegoal.record.book import Book

    failed = forget_tries(Book.existing(given.book), name)
    click.echo(f"{name}: {failed} failed {'login' if failed == 1 else 'logins'} forgotten")
    return 0


def _set_disabled(name: str, book: str | None, *, disabled: bool) -> int:
    from shoegoal.record.accounts import set_disabled
    from shoegoal.record.book import Book

    with Book.existing(book).writing() as connection:
        set_disabled(connection, name, disabled)
    click.echo(f"{name}: {'disabled' if disabled else 'enabled'}")
    return 0


def _new_password() -> str:
    """Ask for a password twice without showing it; a script sends it as one line of standard input.

    It is never an argument: every user of the computer can read those, and shells keep them.
    """
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
    given = sys.stdin.readline().rstrip("\r\n")
    if not given:
        raise BadSettingsError(
            "no password was given; type it when asked, or send it through a pipe"
        )
    return given
