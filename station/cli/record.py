"""What is recorded: `units`, `heat`, `log`, `verify`."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from shared.events import KINDS
from shared.history import History
from shared.problems import FailureError, InputError
from shared.stored import Filter
from shared.timeline import parse_rfc3339
from shared.units import UnitFilter
from station.calibration import latest
from station.cli.output import Row, clock, format_option, print_rows
from station.cli.watching import watching
from station.journal.audit import audit
from station.settings import Settings

F = TypeVar("F", bound=Callable[..., Any])
LOG_COLUMNS = (
    "seq", "at", "boot", "mono_s", "kind", "unit", "step", "technician", "alarm", "priority", "reasons",
    "reason", "result", "outcome", "findings", "values", "request", "hash",
)  # fmt: skip


def db_option(function: F) -> F:
    """``--db FILE``: another database than the settings' one."""
    option = click.option("--db", type=click.Path(path_type=Path), help="The station's database.")
    return option(function)


def open_history(settings: Settings, db: Path | None) -> History:
    """The database asked for, or the settings' one, open for reading."""
    return History(db or Path(settings.journal.path))


@click.command()
@db_option
@click.option("--unit", help="Only the stays of this unit.")
@click.option("--model", help="Only units of this model.")
@click.option("--job", help="Only units of this job.")
@click.option("--outcome", help="Only units with this outcome; open: those not closed yet.")
@format_option
@click.pass_obj
def units(
    settings: Settings, db: Path | None, unit: str | None, model: str | None, job: str | None,
    outcome: str | None, form: str,
) -> None:  # fmt: skip
    """List the units this bench has seen, with their steps."""
    which = UnitFilter(unit=unit, model=model, job=job, outcome=outcome)
    columns = ("unit", "model", "job", "booked_in", "outcome", "steps")
    with open_history(settings, db) as history:
        _said_if_unknown(history, unit)
        print_rows(history.units(which), columns, form, _unit_text)


def _said_if_unknown(history: History, unit: str | None) -> None:
    """A word on stderr about a unit that is nowhere on record: an empty list alone leaves one guessing."""
    if unit is not None and not history.knows_unit(unit):
        click.echo(f"benchward: {history.path}: unit {unit!r} was never booked in.", err=True)


def _unit_text(row: Row) -> str:
    steps = ", ".join(f"{step['step']} {step['result']}" for step in row["steps"]) or "no step yet"
    job = f", job {row['job']}" if row["job"] else ""
    return f"{row['unit']}: {row['model']}{job}, {row['outcome']}; {steps}"


@click.command()
@click.argument("unit")
@db_option
@click.option("--format", "form", type=click.Choice(["json", "text"]), default="text", show_default=True)
@click.option("--retrim", metavar="latest|GAIN,OFFSET", help="Judge the record by another calibration.")
@click.pass_obj
def heat(settings: Settings, unit: str, db: Path | None, form: str, retrim: str | None) -> None:
    """Tell what heat UNIT has been through."""
    with open_history(settings, db) as history:
        trim = None if retrim is None else _trim(retrim, history)
        found = history.heat(unit, trim)
    if trim is not None:
        found["retrim"] = {"gain": trim[0], "offset_c": trim[1]}
    if form == "json":
        click.echo(json.dumps(found))
    else:
        click.echo("\n".join(heat_lines(found)))


def _trim(text: str, history: History) -> tuple[float, float]:
    if text == "latest":
        body = latest(history, "plate")
        if body is None:
            raise InputError("--retrim is 'latest', but this record knows no calibration of the plate.")
        return float(body.values["gain"]), float(body.values["offset_c"])
    gain, _, offset_c = text.partition(",")
    try:
        return float(gain), float(offset_c)
    except ValueError as error:
        raise InputError(f"--retrim is {text!r}, not 'latest' or GAIN,OFFSET such as 1.01,-0.6.") from error


def heat_lines(found: dict[str, Any]) -> list[str]:
    """A heat history as lines a person reads."""
    lines = [f"Heat history of {found['unit']}"]
    if "retrim" in found:
        trim = found["retrim"]
        lines.append(f"  judged anew by gain {trim['gain']:g}, offset {trim['offset_c']:+g} °C")
    if not found["intervals"]:
        return [*lines, "  never lay on the plate"]
    coverage, read = found["coverage"], found["peak_c"] is not None
    unseen = [stretch for stretch in found["unseen"] if stretch["length_s"] is not None]
    if len(unseen) < len(found["unseen"]):
        lines.append(
            f"  on the plate      {clock(found['duration_s'])} at least; how much longer is not known"
        )
    else:
        share = f"{coverage:.1%}" if read else "nothing"
        lines.append(f"  on the plate      {clock(found['duration_s'])}, {share} of it with a valid reading")
    for stretch in found["unseen"]:
        lines.append(_unseen_line(stretch))
    between = {(stretch["boot"], stretch["from_s"]) for stretch in unseen}
    for gap in found["gaps"]:
        if (gap["boot"], gap["from_s"]) in between:
            continue
        length = gap["to_s"] - gap["from_s"]
        lines.append(f"  no reading        {length:.1f} s from {gap['from_s']:.1f} s (not bridged)")
    if read:
        lines += _figures(found)
    for key, step in found["by_step"].items():
        if step["peak_c"] is not None:
            least = " at least" if any(at["length_s"] is None for at in step["unseen"]) else ""
            lines.append(
                f"  in {key:<15}{clock(step['duration_s'])}{least}, peak {step['peak_c']:.1f} °C, "
                f"mean {step['mean_c']:.1f} °C"
            )
    return lines


def _unseen_line(stretch: dict[str, Any]) -> str:
    """What is known of the time from one boot to the next."""
    length_s = stretch["length_s"]
    long = "an unknown time" if length_s is None else clock(length_s)
    why = "; a date of the two boots is missing or contradicts the other" if length_s is None else ""
    return (
        f"  no station ran    {long} from {stretch['from_s']:.1f} s of boot {stretch['boot']} "
        f"to the start of {stretch['next_boot']}, the unit on the plate (not bridged{why})"
    )


def _figures(found: dict[str, Any]) -> list[str]:
    above = ", ".join(f"{limit} °C {clock(time_s)}" for limit, time_s in found["time_above_s"].items())
    rise = found["max_rise_c_per_min"]
    return [
        f"  peak, mean        {found['peak_c']:.1f} °C, {found['mean_c']:.1f} °C",
        f"  time above        {above}",
        "  steepest rise     "
        + (f"{rise:.1f} °C in a minute" if rise is not None else "under a minute long"),
        f"  heat cycles       {found['heat_cycles']}",
        f"  dose              as {found['equivalent_min_at_100c']:.1f} min at 100 °C "
        f"(mean kinetic {found['mean_kinetic_c']:.1f} °C; ranks panels, is no lifetime)",
    ]


def moment_option(option: str, text: str | None) -> int | None:
    """A time given on the command line in Unix milliseconds."""
    if text is None:
        return None
    try:
        return parse_rfc3339(text)
    except ValueError as error:
        raise InputError(f"{option} is {text!r}: {error}; write e.g. 2026-03-02T08:30:00Z.") from error


@click.command()
@db_option
@click.option("--from", "from_", metavar="RFC3339", help="Not before this time.")
@click.option("--to", metavar="RFC3339", help="Before this time.")
@click.option("--kind", type=click.Choice(KINDS), metavar="KIND", help="Only this kind of event.")
@click.option("--unit", help="Only events of this unit.")
@format_option
@click.pass_obj
def log(
    settings: Settings, db: Path | None, from_: str | None, to: str | None, kind: str | None,
    unit: str | None, form: str,
) -> None:  # fmt: skip
    """List what happened, oldest first."""
    which = Filter(
        kind=kind, unit=unit, from_ms=moment_option("--from", from_), to_ms=moment_option("--to", to)
    )
    with open_history(settings, db) as history:
        _said_if_unknown(history, unit)
        rows = (dated.to_dict() for dated in history.events(which=which))
        print_rows(rows, LOG_COLUMNS, form, event_text)


def event_text(row: Row) -> str:
    """One event as a line a person reads."""
    when = row["at"] or f"{row['mono_s']:>10.1f} s"
    words = [row[key] for key in ("unit", "step", "alarm", "technician", "result", "outcome") if row.get(key)]
    words += [f"by {row['by']}"] if row.get("by") else []
    words += [f"{name} {outcome}" for name, outcome in row.get("verdicts", {}).items() if outcome != "passed"]
    words += row.get("reasons") or ([row["reason"]] if row.get("reason") else [])
    words += [f"{key}={value:g}" for key, value in row.get("values", {}).items()]
    return f"{row['seq']:>6}  {when}  {row['kind']:<20} {' '.join(words)}".rstrip()


@click.command()
@db_option
@click.option("--head", help="A head seen elsewhere (on a report, over MQTT) that must stand in the chain.")
@click.pass_obj
def verify(settings: Settings, db: Path | None, head: str | None) -> None:
    """Check the event chain and the database; say where it breaks."""
    if head is not None and not re.fullmatch(r"[0-9a-f]{16,64}", head):
        raise InputError(f"--head is {head!r}, not 16 to 64 hex digits of a head that was printed.")
    with open_history(settings, db) as history:
        with watching("walking the chain") as progress:
            found = history.verify(progress)
        if found.problem is not None:
            raise FailureError(f"{history.path}: the chain breaks: {found.problem}.")
        with watching("comparing roll-ups and heat") as progress:
            audit(history.path, progress)
        if head is not None and not any(dated.record.hash.startswith(head) for dated in history.events()):
            raise FailureError(
                f"{history.path}: head {head!r} stands nowhere in the chain: it was cut off or rewritten."
            )
    click.echo(f"{found.count} events, unbroken; head {found.head}")
    if head is None:
        click.echo(
            "No head to compare with: that events at the end were cut off, or all of it was written anew, "
            "cannot be seen. Give one that was kept elsewhere (a review, a backup, the broker) with --head."
        )
    else:
        click.echo(f"The head {head[:16]}… stands in it: nothing before it was cut off or rewritten.")
    click.echo("Readings are no part of the chain: it proves what was told, not each second of temperature.")
