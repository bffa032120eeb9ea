"""`benchward rules`: what the station enforces, as a matrix, as text, for programs, and as a document."""

import json

import click

from station.cli.output import Row, print_rows
from station.rulebook.document import render
from station.rulebook.matrix import cause_rows, whole
from station.settings import Settings

_COLUMNS = (
    "alarm", "priority", "on_delay_s", "off_delay_s", "latching", "starts_refused", "step_held",
    "permit_dropped", "soak_stopped", "suppressed_by", "effects", "title", "when", "action",
)  # fmt: skip


@click.command()
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "json", "jsonl", "csv", "markdown"]),
    default="text",
    show_default=True,
)
@click.pass_obj
def rules(settings: Settings, form: str) -> None:
    """Print the cause-and-effect table that the station enforces, with the numbers of the settings.

    Starts are refused for further reasons: order of steps, soak, cure, an occupied plate, a bottle out.
    `json` and `markdown` add the life of an alarm, the station light, and every number with its range.
    """
    rows = cause_rows(settings.limits)
    if form == "json":
        click.echo(json.dumps(whole(settings.limits), ensure_ascii=False, indent=2))
    elif form == "markdown":
        click.echo(render(settings.limits), nl=False)
    elif form == "text":
        click.echo(_matrix_text(rows))
        print_rows(rows, _COLUMNS, form, _cause_text)
    else:
        print_rows(rows, _COLUMNS, form, _cause_text)


_HEAD = ("cause", "priority", "raised", "returns", "starts refused", "step held", "iron", "soak", "latched")


def _matrix_text(rows: list[Row]) -> str:
    table = [_HEAD, *(_matrix_cells(row) for row in rows)]
    widths = [max(len(line[column]) for line in table) for column in range(len(_HEAD))]
    lines = ["  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)) for line in table]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _matrix_cells(row: Row) -> tuple[str, ...]:
    return (
        row["alarm"],
        row["priority"],
        f"{row['on_delay_s']:g} s",
        f"{row['off_delay_s']:g} s",
        row["starts_refused"] or "-",
        row["step_held"] or "-",
        "off" if row["permit_dropped"] else "-",
        "stops" if row["soak_stopped"] else "-",
        "yes" if row["latching"] else "-",
    )


def _cause_text(row: Row) -> str:
    aside = f"\n    put aside while: {', '.join(row['suppressed_by'])}" if row["suppressed_by"] else ""
    return f"{row['alarm']}: {row['title']}\n    when: {row['when']}{aside}\n    technician: {row['action']}"
