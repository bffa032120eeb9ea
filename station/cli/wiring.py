"""`benchward wiring`: the wiring guide and its drawing, for the pins of the settings."""

import click

from station.settings import Settings
from station.wiring.drawing import draw
from station.wiring.guide import guide


@click.command()
@click.option(
    "--format",
    "form",
    type=click.Choice(["markdown", "svg"]),
    default="markdown",
    show_default=True,
    help="The guide, or the drawing that goes with it.",
)
@click.pass_obj
def wiring(settings: Settings, form: str) -> None:
    """Print how the station is wired: parts, lines, sums, and what floating wires come to."""
    drawn = form == "svg"
    click.echo(draw(settings.wires, settings.station.tick_s) if drawn else guide(settings), nl=False)
