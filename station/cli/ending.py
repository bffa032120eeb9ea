"""`benchward outputs-safe`: what is left to do when a daemon has ended, however it ended."""

import click

from station.settings import Settings


@click.command("outputs-safe")
@click.pass_obj
def outputs_safe(settings: Settings) -> None:
    """De-energise this Pi's outputs: permit, lamps, buzzer, heartbeat.

    For whoever starts and stops the station, after it has ended: a Pi leaves the outputs of a killed
    program as they were. While a station runs it holds the pins, and this fails.
    """
    from station.drivers.bench import make_outputs_safe

    make_outputs_safe(settings.wires)
    click.echo("Outputs are de-energised.")
