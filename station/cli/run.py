"""`benchward run`: the daemon."""

import click


@click.command()
def run() -> None:
    """Run the station."""
