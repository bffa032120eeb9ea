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
from dashboard.collector.gaps import Gap, Hole, gaps_of, holes_in, runs_in
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
@click.option("--seconds", is_flag=True, help="With --gaps: the seconds without a reading instead of events.")
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
    seconds: bool,
    station: str | None,
    shape: str,
) -> None:
    """Collect all stations' events and readings in one database.

    Where one is too slow, run several side by side: the same --group, each with a --name of its own.
    With --gaps the exit code is 1 when events, or with --seconds readings, are missing; what a station has
    not sent yet cannot be seen.
    """
    if group is not None and not is_identifier(group):
        raise click.BadParameter(f"{group!r} is not {IDENTIFIER}.", param_hint="--group")
    if (password_file is None) != (user is None):
        raise click.BadParameter("--user and --password-file go together.")
    if (seconds or station) and not gaps:
        raise click.BadParameter("goes with --gaps.", param_hint="--seconds" if seconds else "--station")
    if gaps:
        _print(_missing(to, station, seconds=seconds), shape, seconds=seconds)
        return
    click.get_current_context().with_resource(logging_to_stderr())
    collector = Collector(BrokerAccess(*broker, user, password_file, ca_file), group, name, Store(to))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: collector.stop())
    collector.run()


_Row = dict[str, str | int]


def _missing(url: str, station: str | None, *, seconds: bool) -> list[_Row]:
    """What is missing, as rows to print: ``station``, ``boot`` of seconds, ``first``, ``last``, ``what``."""
    engine = reading_engine(url)
    try:
        with engine.connect() as connection:
            if seconds:
                return [_hole_row(hole) for hole in holes_in(connection, station)]
            return [_gap_row(gap) for gap in gaps_of(runs_in(connection, station))]
    except sqlalchemy.exc.DBAPIError as error:
        told = (str(error.orig).splitlines() or ["no reason given"])[0]
        raise FailureError(f"The collected database cannot be read: {told}.") from error
    finally:
        engine.dispose()


def _gap_row(gap: Gap) -> _Row:
    what = "twice" if gap.twice else "missing"
    return {"station": gap.station, "first": gap.first, "last": gap.last, "what": what}


def _hole_row(hole: Hole) -> _Row:
    what = "stopped" if hole.stopped else "missing"
    return {"station": hole.station, "boot": hole.boot, "first": hole.first, "last": hole.last, "what": what}


def _print(rows: list[_Row], shape: str, *, seconds: bool) -> None:
    """One line a row; ends the program with 1 if anything is lost or told twice."""
    head = ("station", "boot", "first", "last", "what") if seconds else ("station", "first", "last", "what")
    if shape == "csv":
        click.echo(csv_text([head, *(tuple(row.values()) for row in rows)], end="\n"), nl=False)
    for row in rows if shape != "csv" else []:
        click.echo(msgspec.json.encode(row).decode() if shape == "jsonl" else _words(row))
    if any(row["what"] != "stopped" for row in rows):
        sys.exit(1)
    if shape == "text":
        click.echo("No second is missing while a station ran." if seconds else "No event is missing.")


_WORDS = {
    "missing": "missing",
    "twice": "told twice, by different boots",
    "stopped": "not recorded: the station did not run",
}


def _words(row: _Row) -> str:
    counted = f"boot {row['boot']}, seconds" if "boot" in row else "events"
    return f"{row['station']}: {counted} {row['first']} to {row['last']} {_WORDS[str(row['what'])]}"
