"""The command ``benchward collect``."""

import signal
import socket
import sys
from pathlib import Path

import click
import msgspec
import sqlalchemy.exc

from dashboard.cli import broker_address
from dashboard.collector.follow import BrokerAccess, Collector
from dashboard.collector.gaps import Gap, gaps_of, runs_in
from dashboard.collector.store import Store, reading_engine
from shared.csv_lines import csv_text
from shared.log_lines import logging_to_stderr
from shared.problems import FailureError
from shared.requests import IDENTIFIER, is_identifier

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.option("--to", required=True, metavar="URL", help="postgresql://USER@HOST/NAME or sqlite:///FILE.")
@click.option(
    "--broker",
    default="127.0.0.1:1883",
    show_default=True,
    callback=broker_address,
    metavar="HOST:PORT",
    help="The MQTT broker.",
)
@click.option("--user", help="Name at the broker.")
@click.option("--password-file", type=_FILE, help="File that holds the password at the broker.")
@click.option("--ca-file", type=_FILE, help="Certificate of the broker's CA; with it the link is encrypted.")
@click.option("--group", help="Collectors of the same group share the work; without it this one does it all.")
@click.option(
    "--name", default=socket.gethostname(), help="This collector's own name; keep it over restarts."
)
@click.option("--gaps", is_flag=True, help="Collect nothing; list the events that are missing.")
@click.option("--station", help="With --gaps: of this station only.")
@click.option(
    "--format", "shape", type=click.Choice(["text", "csv", "jsonl"]), default="text", help="With --gaps."
)
def collect(
    to: str,
    broker: tuple[str, int],
    user: str | None,
    password_file: Path | None,
    ca_file: Path | None,
    group: str | None,
    name: str,
    gaps: bool,
    station: str | None,
    shape: str,
) -> None:
    """Collect all stations' events and readings in one database.

    Where one is too slow, run several side by side: the same --group, each with a --name of its own.
    With --gaps the exit code is 1 when events are missing; what a station has not sent yet cannot be seen.
    """
    if group is not None and not is_identifier(group):
        raise click.BadParameter(f"{group!r} is not {IDENTIFIER}.", param_hint="--group")
    if (password_file is None) != (user is None):
        raise click.BadParameter("--user and --password-file go together.")
    if gaps:
        _print(_gaps(to, station), shape)
        return
    click.get_current_context().with_resource(logging_to_stderr())
    collector = Collector(BrokerAccess(*broker, user, password_file, ca_file), group, name, Store(to))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: collector.stop())
    collector.run()


def _gaps(url: str, station: str | None) -> list[Gap]:
    engine = reading_engine(url)
    try:
        with engine.connect() as connection:
            return gaps_of(runs_in(connection, station))
    except sqlalchemy.exc.DBAPIError as error:
        told = (str(error.orig).splitlines() or ["no reason given"])[0]
        raise FailureError(f"The collected database cannot be read: {told}.") from error
    finally:
        engine.dispose()


def _print(gaps: list[Gap], shape: str) -> None:
    """One line a gap; ends the program with 1 if there is any."""
    if shape == "csv":
        rows = [(gap.station, gap.first, gap.last, _what(gap)) for gap in gaps]
        click.echo(csv_text([("station", "first", "last", "what"), *rows], end="\n"), nl=False)
    for gap in gaps if shape != "csv" else []:
        if shape == "jsonl":
            fields = {"station": gap.station, "first": gap.first, "last": gap.last, "what": _what(gap)}
            click.echo(msgspec.json.encode(fields).decode())
        else:
            click.echo(f"{gap.station}: events {gap.first} to {gap.last} {_WORDS[_what(gap)]}")
    if gaps:
        sys.exit(1)
    if shape == "text":
        click.echo("No event is missing.")


_WORDS = {"missing": "are missing", "twice": "were told twice, by different boots"}


def _what(gap: Gap) -> str:
    return "twice" if gap.twice else "missing"
