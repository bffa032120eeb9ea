"""The command ``benchward collect``."""

import logging
import signal
import socket

import click

from dashboard.cli import broker_address
from dashboard.collector.follow import Collector
from dashboard.collector.store import Store


@click.command()
@click.option("--to", required=True, metavar="URL", help="sqlite:///FILE or postgresql://USER@HOST/NAME.")
@click.option(
    "--broker",
    default="127.0.0.1:1883",
    show_default=True,
    callback=broker_address,
    metavar="HOST:PORT",
    help="The MQTT broker.",
)
@click.option(
    "--group", default="collectors", show_default=True, help="Collectors of a group share the work."
)
@click.option(
    "--name", default=socket.gethostname(), help="This collector's own name; keep it over restarts."
)
def collect(to: str, broker: tuple[str, int], group: str, name: str) -> None:
    """Collect all stations' events and readings in one database."""
    if not to.startswith(("sqlite:///", "postgresql://")):
        raise click.BadParameter(
            f"{to.split(':')[0]!r} is not sqlite:///FILE or postgresql://…", param_hint="--to"
        )
    logging.basicConfig(level=logging.INFO, format="%(levelname)s %(name)s: %(message)s")
    collector = Collector(*broker, group, name, Store(to))
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: collector.stop())
    collector.run()
