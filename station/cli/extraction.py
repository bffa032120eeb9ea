"""`benchward extraction`: hours run, hours of the filter, and how the current drifts over the weeks."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click

from shared.events import Calibrated
from shared.extraction import AirSecond, summary
from shared.history import Filter, History, Place
from station.cli.output import Row, format_option, print_rows
from station.cli.record import db_option, open_history
from station.settings import Settings

PAGE = 10_000


@click.command()
@db_option
@format_option
@click.pass_obj
def extraction(settings: Settings, db: Path | None, form: str) -> None:
    """Tell what the extractor has done, week by week; its filter counts from the last calibration."""
    with open_history(settings, db) as history:
        found = summary(_seconds(history), settings.limits.extraction.proven_a, _filter_since_ms(history))
    rows = [{"week": week.name, "hours": week.hours, "mean_a": week.mean_a} for week in found["weeks"]]
    if form == "text":
        click.echo("\n".join(_lines(found)))
    print_rows(rows, ("week", "hours", "mean_a"), form, _week_text)


def _seconds(history: History) -> Iterator[AirSecond]:
    place = Place(0, -1)
    while page := history.seconds_page(place, PAGE):
        yield from (AirSecond(at.wall_ms, at.second.extraction_a) for at in page)
        place = page[-1].place


def _filter_since_ms(history: History) -> int | None:
    since_ms = None
    for dated in history.events(which=Filter(kind="calibrated")):
        body = dated.record.body
        if isinstance(body, Calibrated) and body.channel == "extraction":
            since_ms = dated.wall_ms
    return since_ms


def _lines(found: dict[str, Any]) -> list[str]:
    lines = [f"The extractor ran for {found['hours_run']:.2f} h on record."]
    if found["hours_since_filter"] is None:
        lines.append("When its filter was new is not known: benchward calibrate extraction tells it.")
    else:
        lines.append(f"{found['hours_since_filter']:.2f} h of it since its last calibration (new filter).")
    if found["hours_undated"]:
        lines.append(f"{found['hours_undated']:.2f} h were recorded before the clock was known.")
    if found["drift_percent"] is not None:
        first, last = found["weeks"][0], found["weeks"][-1]
        lines.append(
            f"Current {found['drift_percent']:+.1f} % from {first.name} ({first.hours:.1f} h) to {last.name} "
            f"({last.hours:.1f} h)."
        )
    return lines


def _week_text(row: Row) -> str:
    return f"  {row['week']}: {row['hours']:8.2f} h, mean {row['mean_a']:.3f} A"
