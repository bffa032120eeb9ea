"""A progress bar on stderr for what takes longer than a second, when a person watches."""

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

PATIENCE_S = 1.0


@contextmanager
def watching(label: str) -> Iterator[Callable[[int, int], None] | None]:
    """Gives what is to be called with (done, whole), or None where nobody watches."""
    if not sys.stderr.isatty():
        yield None
        return
    begun = time.monotonic()
    shown = False

    def show(done: int, whole: int) -> None:
        nonlocal shown
        if time.monotonic() - begun < PATIENCE_S:
            return
        shown = True
        click.echo(f"\r{label} {done / max(1, whole):4.0%}", err=True, nl=False)

    try:
        yield show
    finally:
        if shown:
            click.echo("\r" + " " * (len(label) + 6) + "\r", err=True, nl=False)
