"""`benchward demo`: a working morning with its mishaps, on the simulated bench."""

import contextlib
import logging
from pathlib import Path

import click

from station.cli.book import book_for
from station.cli.run import stop_on_signals
from station.settings import Settings


@click.command()
@click.option(
    "--speed",
    type=click.FloatRange(1, 100),
    default=10.0,
    show_default=True,
    help="Simulated time over real time.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(min=0, min_open=True),
    help="Real minutes to run; without it, until Ctrl-C.",
)
@click.option(
    "--port", type=click.IntRange(1, 65535), default=8080, show_default=True, help="Port of the pages."
)
@click.option("--browser/--no-browser", default=True, help="Open the page.")
@click.option(
    "--keep",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Keep the demo's database there (a new file) when it ends.",
)
@click.option("--seed", type=int, default=7, show_default=True, help="Of the simulation's noise.")
@click.pass_obj
def demo(
    settings: Settings, speed: float, minutes: float | None, port: int, browser: bool, keep: Path | None,
    seed: int,
) -> None:  # fmt: skip
    """Run a simulated bench with broker, journal and pages through a working morning."""
    from station.demo import run_demo

    logging.basicConfig(level=logging.ERROR, format="%(levelname)s %(name)s: %(message)s")
    # The story tells what happens; only what goes wrong is told beside it.
    logging.getLogger("benchward.events").setLevel(logging.CRITICAL + 1)
    run_demo(
        settings, book_for(settings), speed=speed, minutes=minutes, port=port, browser=browser, seed=seed,
        keep=keep, stop=stop_on_signals(), tell=_tell,
    )  # fmt: skip


def _tell(text: str) -> None:
    """Print a line of the story; whoever stops reading it does not stop the demo."""
    with contextlib.suppress(BrokenPipeError):
        click.echo(text)
