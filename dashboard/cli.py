"""The command that serves the pages: ``benchward dashboard``."""

import errno
import logging
import signal
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

import click
from waitress.server import create_server  # type: ignore[import-untyped]

from dashboard.app import create_app
from dashboard.live import Live
from dashboard.people import People
from shared.sheet import Sheet, load_sheet

THREADS = 24
OUTPUT_HIGH_WATERMARK_BYTES = 256 * 1024
_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


def broker_address(_ctx: click.Context, _param: click.Parameter, value: str) -> tuple[str, int]:
    """The host and the port of ``HOST:PORT``; an IPv6 host stands in square brackets.

    Raises:
        click.BadParameter: the text is something else.
    """
    host, _, port = value.rpartition(":")
    host = host.removeprefix("[").removesuffix("]")
    if not host or not port.isascii() or not port.isdigit() or not 0 < int(port) < 65536:
        raise click.BadParameter(f"{value!r} is not HOST:PORT, such as 127.0.0.1:1883.")
    return host, int(port)


@click.command()
@click.option("--host", default="127.0.0.1", show_default=True, help="Address to serve on.")
@click.option(
    "--port", default=8080, show_default=True, type=click.IntRange(1, 65535), help="Port to serve on."
)
@click.option(
    "--broker",
    default="127.0.0.1:1883",
    show_default=True,
    callback=broker_address,
    metavar="HOST:PORT",
    help="The MQTT broker that the stations speak to.",
)
@click.option("--broker-user", metavar="NAME", help="Name of these pages at the broker.")
@click.option("--broker-password-file", type=_FILE, help="File that holds the password of that name.")
@click.option("--broker-ca-file", type=_FILE, help="Certificate of the broker's CA: encrypts the connection.")
@click.option(
    "--people",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The file of the people who may sign in; without it the pages can only be read.",
)
@click.option(
    "--db",
    type=click.Path(dir_okay=False, path_type=Path),
    help="The station's database, for units and reviews; the journal of the settings if it is there.",
)
@click.pass_obj
def dashboard(
    settings: Any,
    host: str,
    port: int,
    broker: tuple[str, int],
    broker_user: str | None,
    broker_password_file: Path | None,
    broker_ca_file: Path | None,
    people: Path | None,
    db: Path | None,
) -> None:
    """Serve the pages of the benches."""
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(name)s: %(message)s")
    if (broker_user is None) != (broker_password_file is None):
        raise click.UsageError("--broker-user and --broker-password-file go together.")
    live = Live(
        *broker,
        user=broker_user,
        password=None if broker_password_file is None else broker_password_file.read_text("utf-8").strip(),
        ca_file=None if broker_ca_file is None else str(broker_ca_file),
    )
    try:
        server = create_server(
            create_app(
                live, None if people is None else People(people), _record(settings, db), _sheet(settings)
            ),
            host=host,
            port=port,
            threads=THREADS,
            channel_request_lookahead=1,
            outbuf_high_watermark=OUTPUT_HIGH_WATERMARK_BYTES,
            ident=None,
        )
    except OSError as error:
        raise click.ClickException(_why_not(error, host, port)) from error

    def stop(_signal: int, _frame: FrameType | None) -> NoReturn:
        live.closing = True
        raise SystemExit

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)
    live.start()
    click.echo(f"Serving the benches at http://{host}:{port}/ from the broker {broker[0]}:{broker[1]}")
    try:
        server.run()
    finally:
        live.stop()
        server.close()


def _sheet(settings: Any) -> Sheet | None:
    """The sheet that the settings of a station beside these pages name."""
    named = settings.station.sheet if settings is not None else None
    return load_sheet(Path(named)) if named else None


def _record(settings: Any, db: Path | None) -> Path | None:
    """The database named, or the one that the settings of a station beside these pages name, if it exists."""
    if db is not None:
        return db
    path = Path(settings.journal.path) if settings is not None else None
    return path if path is not None and path.is_file() else None


def _why_not(error: OSError, host: str, port: int) -> str:
    """What went wrong at the start, and what to do."""
    if error.errno == errno.EADDRINUSE:
        return (
            f"Port {port} on {host} is taken by another program. "
            "Stop that program, or choose a free port with --port."
        )
    if error.errno == errno.EACCES:
        return f"Port {port} on {host} needs more rights. Choose one above 1023 with --port."
    return f"Cannot serve on {host} port {port}: {error}. Check --host and --port."
