"""The command that serves the pages: ``benchward dashboard``."""

import errno
import signal
import socket
from pathlib import Path
from types import FrameType
from typing import Any, NoReturn

import click
from waitress.server import create_server  # type: ignore[import-untyped]

from dashboard.app import RUNNING_FROM_A, create_app
from dashboard.collected import Collected
from dashboard.live import Live
from dashboard.memory import share_arenas
from dashboard.people import People
from dashboard.stream import STREAMS_AT_MOST
from dashboard.tokens import Tokens
from shared.broker_access import BrokerAccess
from shared.log_lines import logging_to_stderr
from shared.sheet import Sheet, load_sheet

THREADS = STREAMS_AT_MOST + 14  # a stream holds a thread; these are left for everything else
FORWARDED = {"x-forwarded-for", "x-forwarded-proto", "x-forwarded-host"}
CONNECTIONS_AT_MOST = 200  # open ones, idle ones too
# A stream's reader that does not keep up is told the newest next, so little may be under way to it: one
# message waits here, and some in the kernel's buffer, which otherwise grows to megabytes.
OUTPUT_HIGH_WATERMARK_BYTES = 1
SEND_BUFFER_BYTES = 32 * 1024  # the kernel doubles it
UNHEARD_MS = 20_000  # who takes nothing for so long is hung up on, and leaves their place to others
SOCKET_OPTIONS = [
    (socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),
    (socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES),
    (socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, UNHEARD_MS),
]
LARGEST_BODY_BYTES = 64 * 1024  # of a request; it is kept, on disk too, before anybody looks who asks


THIS_MACHINE = ("127.0.0.1", 1883)


def broker_address(ctx: click.Context, _param: click.Parameter, value: str | None) -> tuple[str, int]:
    """The host and the port of ``HOST:PORT``; an IPv6 host stands in square brackets.

    Without it those of the settings, or of a broker on this machine.

    Raises:
        click.BadParameter: the text is something else.
    """
    if value is None:
        return THIS_MACHINE if ctx.obj is None else (ctx.obj.broker.host, ctx.obj.broker.port)
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
    callback=broker_address,
    metavar="HOST:PORT",
    help="The MQTT broker that the stations speak to; without it that of the settings, or 127.0.0.1:1883.",
)
@click.option("--user", help="Name at the broker, with --password-file.")
@click.option(
    "--password-file", type=click.Path(dir_okay=False), help="The file that holds the user's password."
)
@click.option(
    "--ca-file",
    type=click.Path(dir_okay=False),
    help="The broker's CA; with it TLS is spoken. Without it that of the settings.",
)
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
@click.option(
    "--collected", metavar="URL", help="The database of `benchward collect`, for all stations' past."
)
@click.option(
    "--proxy",
    metavar="ADDRESS",
    help="The address of a proxy with TLS in front; it says who calls, and cookies go over TLS only.",
)
@click.pass_obj
def dashboard(
    settings: Any,
    host: str,
    port: int,
    broker: tuple[str, int],
    user: str | None,
    password_file: str | None,
    ca_file: str | None,
    people: Path | None,
    db: Path | None,
    collected: str | None,
    proxy: str | None,
) -> None:
    """Serve the pages of the benches."""
    click.get_current_context().with_resource(logging_to_stderr())
    share_arenas()
    ca_file = ca_file or (None if settings is None else settings.broker.ca_file)
    live = Live(*broker, BrokerAccess(user, password_file, ca_file))
    app = create_app(
        live,
        None if people is None else People(people),
        _record(settings, db),
        _sheet(settings),
        tokens=None if people is None else Tokens(people),
        running_from_a=RUNNING_FROM_A if settings is None else settings.limits.extraction.proven_a,
        collected=None if collected is None else Collected(collected),
    )
    app.config["SESSION_COOKIE_SECURE"] = app.config["PROXY_NAMED"] = proxy is not None
    try:
        server = create_server(
            app,
            host=host,
            port=port,
            threads=THREADS,
            connection_limit=CONNECTIONS_AT_MOST,
            channel_request_lookahead=1,
            outbuf_high_watermark=OUTPUT_HIGH_WATERMARK_BYTES,
            max_request_body_size=LARGEST_BODY_BYTES,
            ident=None,
            **({} if proxy is None else {"trusted_proxy": proxy, "trusted_proxy_headers": FORWARDED}),
            clear_untrusted_proxy_headers=False,  # the sign-in wants to know that somebody forwards
        )
    except OSError as error:
        raise click.ClickException(_why_not(error, host, port)) from error
    server.adj.socket_options = SOCKET_OPTIONS

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
