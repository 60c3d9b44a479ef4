"""``shoegoal accounts``: who may open the page from another computer."""

from __future__ import annotations

import json as json_text
import sys
from dataclasses import asdict

import click

from shoegoal.cli.options import with_options
from shoegoal.errors import BadSettingsError


@click.group()
def accounts() -> None:
    """Say who may open the page from another computer, and as what.

    A teacher sees and does everything; a coach checks shots without knowing the count, pupils'
    names or tallies; a student sees their own sets. On this computer alone no account is needed.
    """


@accounts.command()
@click.argument("name")
@with_options("--role", "--pupil", "--class", "--book", required=("--role",))
def add(name: str, role: str, pupil: str | None, class_name: str | None, book: str | None) -> int:
    """Make an account; the password is asked for.

    A student's names its --pupil. A coach's may be for one --class.
    """
    from shoegoal.record.accounts import Role, add_account
    from shoegoal.record.book import Book

    opened, password = Book(book), _new_password()
    with opened.writing() as connection:
        made = add_account(
            connection, name, Role(role), password, pupil=pupil, class_name=class_name
        )
    click.echo(f"{made.name}: {made.role.value}")
    return 0


@accounts.command("list")
@with_options("--book", "--json")
def list_all(book: str | None, json: bool) -> int:
    """List all accounts."""
    from shoegoal.record.accounts import list_accounts
    from shoegoal.record.book import Book

    with Book(book).reading() as connection:
        found = list_accounts(connection)
    if json:
        plain = [asdict(one) for one in found]
        click.echo(json_text.dumps(plain, indent=1, ensure_ascii=False))
        return 0
    for one in found:
        of = one.pupil or one.class_name
        parts = [one.name, one.role.value, f"of {of}" if of else "", "disabled" * one.disabled]
        click.echo(", ".join(part for part in parts if part))
    if not found:
        click.echo("no accounts")
    return 0


@accounts.command()
@click.argument("name")
@with_options("--book")
def password(name: str, book: str | None) -> int:
    """Give an account another password, which is asked for, and log it out everywhere."""
    from shoegoal.record.accounts import account_called, set_password
    from shoegoal.record.book import Book

    opened = Book(book)
    with opened.reading() as connection:
        account_called(connection, name)
    given = _new_password()
    with opened.writing() as connection:
        set_password(connection, name, given)
    click.echo(f"{name}: the password was changed")
    return 0


@accounts.command()
@click.argument("name")
@with_options("--book")
def disable(name: str, book: str | None) -> int:
    """Shut an account out at once; what was done under its name stays."""
    return _set_disabled(name, book, disabled=True)


@accounts.command()
@click.argument("name")
@with_options("--book")
def enable(name: str, book: str | None) -> int:
    """Let a disabled account in again."""
    return _set_disabled(name, book, disabled=False)


@accounts.command()
@click.argument("name")
@with_options("--book")
def unlock(name: str, book: str | None) -> int:
    """Let an account try again at once that is made to wait after failed logins."""
    from shoegoal.record.book import Book
    from shoegoal.record.logins import forget_tries

    failed = forget_tries(Book(book), name)
    click.echo(f"{name}: {failed} failed {'login' if failed == 1 else 'logins'} forgotten")
    return 0


def _set_disabled(name: str, book: str | None, *, disabled: bool) -> int:
    from shoegoal.record.accounts import set_disabled
    from shoegoal.record.book import Book

    with Book(book).writing() as connection:
        set_disabled(connection, name, disabled)
    click.echo(f"{name}: {'disabled' if disabled else 'enabled'}")
    return 0


def _new_password() -> str:
    """Ask for a password twice, unseen; a script gives it in one line of standard input.

    Never an argument: those can be read by everybody on the computer, and stay in histories.
    """
    if sys.stdin.isatty():
        return str(click.prompt("Password", hide_input=True, confirmation_prompt=True, err=True))
    given = sys.stdin.readline().rstrip("\r\n")
    if not given:
        raise BadSettingsError("no password came; type it when asked, or send it in by a pipe")
    return given
