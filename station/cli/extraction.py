"""`benchward extraction`: hours run, hours of the filter, and how the current drifts over the weeks."""

from pathlib import Path
from typing import Any

import click

from shared.events import Calibrated
from shared.extraction import summary
from shared.history import History
from shared.stored import Dated, Filter
from station.cli.output import Row, format_option, print_rows
from station.cli.record import db_option, open_history
from station.cli.watching import watching
from station.settings import Settings

COLUMNS = ("week", "hours", "mean_a", "filter_hours", "drift_percent")


@click.command()
@db_option
@format_option
@click.pass_obj
def extraction(settings: Settings, db: Path | None, form: str) -> None:
    """Tell what the extractor has done, week by week; its filter counts from the last calibration.

    Running that was recorded before the clock was known has a line of its own, without a week.
    """
    with open_history(settings, db) as history:
        new_filter = _new_filter(history)
        since_ms = None if new_filter is None else new_filter.wall_ms
        running_from_a = settings.limits.extraction.proven_a
        with watching("adding up the extractor's hours") as progress:
            seconds = history.air(running_from_a, since_ms, progress=progress)
            found = summary(seconds, running_from_a, since_ms)
        thinned = history.is_thinned()
    if settings.wires.extraction.kind == "contact":
        click.echo(
            "wires.extraction.kind is 'contact': a switch knows no amperes; hours and drift cannot be told "
            "for it.",
            err=True,
        )
    if form == "text":
        click.echo(
            "\n".join(
                [
                    *_lines(found, new_filter),
                    *_unlearned(settings, new_filter),
                    *_thinned(running_from_a, thinned=thinned),
                ]
            )
        )
    listed = [*found["weeks"], *([found["undated"]] if found["undated"] else [])]
    rows = [dict(zip(COLUMNS, week, strict=True)) for week in listed]
    print_rows(rows, COLUMNS, form, _week_text)


def _new_filter(history: History) -> Dated | None:
    """The last calibration of the extraction, which is made with a new filter."""
    newest = None
    for dated in history.events(which=Filter(kind="calibrated")):
        body = dated.record.body
        if isinstance(body, Calibrated) and body.channel == "extraction":
            newest = dated
    return newest


def _lines(found: dict[str, Any], new_filter: Dated | None) -> list[str]:
    lines = [f"The extractor ran for {found['hours_run']:.2f} h on record."]
    if found["hours_since_filter"] is not None:
        lines.append(f"{found['hours_since_filter']:.2f} h of it since its last calibration (new filter).")
    elif new_filter is None:
        lines.append("When its filter was new is not known: benchward calibrate extraction tells it.")
    else:
        lines.append("Its last calibration (new filter) has no date: the hours since then are not known.")
    if found["hours_undated"]:
        lines.append(
            f"{found['hours_undated']:.2f} h were recorded before the clock was known: in no week, and not "
            "among the filter's."
        )
    if found["hours_without_current"]:
        lines.append(
            f"{found['hours_without_current']:.2f} h of record have no current, and are not counted as run."
        )
    if found["drift_percent"] is not None:
        first, last = found["weeks"][0], found["weeks"][-1]
        lines.append(
            f"Current {found['drift_percent']:+.1f} % from {first.name} ({first.hours:.1f} h) to {last.name} "
            f"({last.hours:.1f} h)."
        )
    return lines


def _unlearned(settings: Settings, new_filter: Dated | None) -> list[str]:
    """That nobody has said what this fan draws, where the station cannot notice that it draws less."""
    if settings.wires.extraction.kind == "contact" or settings.limits.extraction.high_a or new_filter:
        return []
    return [
        "No band of running current has been learned: that the extractor grows weak is not noticed. "
        "benchward calibrate extraction learns it."
    ]


def _thinned(running_from_a: float, *, thinned: bool) -> list[str]:
    """What pruning costs in accuracy."""
    if not thinned:
        return []
    return [
        "Old seconds were pruned: there a minute counts as run when its mean current is at least "
        f"{running_from_a:g} A, so that each start and stop of the fan may be off by up to a minute."
    ]


def _week_text(row: Row) -> str:
    return f"  {row['week'] or 'undated'}: {row['hours']:8.2f} h, mean {row['mean_a']:.3f} A"
