"""Lists on stdout: as JSON lines, CSV or text that can be read aloud."""

import json
from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

import click

from shared.csv_lines import csv_text

Row = dict[str, Any]
F = TypeVar("F", bound=Callable[..., Any])


def format_option(function: F) -> F:
    """``--format jsonl|csv|text`` for commands that list things."""
    choice = click.Choice(["jsonl", "csv", "text"])
    return click.option("--format", "form", type=choice, default="text", show_default=True)(function)


def print_rows(rows: Iterable[Row], columns: Sequence[str], form: str, text: Callable[[Row], str]) -> None:
    """Print rows in the form asked for.

    Args:
        rows: what to list.
        columns: the columns of the CSV form, in order; other keys are left out there.
        form: ``jsonl``, ``csv`` or ``text``.
        text: one row as a line a person reads.
    """
    if form == "csv":
        click.echo(_csv_line(columns))
    for row in rows:
        if form == "jsonl":
            click.echo(json.dumps(row, ensure_ascii=False))
        elif form == "csv":
            click.echo(_csv_line([_cell(row.get(column)) for column in columns]))
        else:
            click.echo(text(row))


def _cell(value: Any) -> str:
    if value is None:
        return ""
    return json.dumps(value, ensure_ascii=False) if isinstance(value, dict | list) else str(value)


def _csv_line(cells: Sequence[str]) -> str:
    return csv_text([cells], end="")


def clock(seconds: float) -> str:
    """A duration as a person says it: 45 s, 12:05 min, 3:02:10 h."""
    whole = round(seconds)
    if whole < 60:
        return f"{seconds:.1f} s"
    hours, rest = divmod(whole, 3600)
    minutes, left = divmod(rest, 60)
    return f"{hours}:{minutes:02d}:{left:02d} h" if hours else f"{minutes}:{left:02d} min"
