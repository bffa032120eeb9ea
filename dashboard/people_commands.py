"""The commands that say who may sign in: ``benchward user add``, ``list`` and ``remove``."""

import sys
from pathlib import Path

import click

from dashboard.access import Role
from dashboard.people import People

PEOPLE_FILE = "people.db"
people_option = click.option(
    "--people",
    "path",
    default=PEOPLE_FILE,
    show_default=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file of the people who may sign in.",
)


@click.group()
def user() -> None:
    """Say who may sign in at the pages."""


@user.command()
@click.argument("name")
@click.option(
    "--role", required=True, type=click.Choice([role.value for role in Role]), help="What they are."
)
@click.option("--pin", is_flag=True, help="Ask for a PIN for the bench instead of a password.")
@click.option("--password-stdin", is_flag=True, help="Read the secret from standard input.")
@people_option
def add(name: str, role: str, pin: bool, password_stdin: bool, path: Path) -> None:
    """Add a person; asks for the secret without showing it."""
    if password_stdin:
        secret = sys.stdin.readline().rstrip("\r\n")
    else:
        secret = click.prompt("PIN" if pin else "Password", hide_input=True, confirmation_prompt=True)
    People(path).add(name, Role(role), password="" if pin else secret, pin=secret if pin else "")
    click.echo(f"{name} may sign in as {role}.")


@user.command("list")
@people_option
def list_people(path: Path) -> None:
    """List the people."""
    for person in People(path).everybody():
        click.echo(f"{person.name}\t{person.role}")


@user.command()
@click.argument("name")
@people_option
def remove(name: str, path: Path) -> None:
    """Remove a person; who is signed in is signed out at the next click."""
    People(path).remove(name)
    click.echo(f"{name} may sign in no more.")
