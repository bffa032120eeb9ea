"""`benchward demo`: the daemon."""

import click


@click.command()
def demo() -> None:
    """Run the station."""
