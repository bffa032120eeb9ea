"""`benchward calibrate plate` and `calibrate extraction`: guided, refused with reasons, recorded."""

import calendar
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

import click

from shared.events import Calibrated, Values
from shared.problems import FailureError, InputError
from shared.requests import is_identifier
from shared.timeline import rfc3339
from station.calibration import on_record
from station.cli.probe import Probe, probe
from station.clock import RealClock
from station.journal.boot_name import boot_name
from station.journal.recording import record_now
from station.measurement.calibration import (
    CalibrationError,
    ExtractionBand,
    ReferencePoint,
    Trim,
    fit_extraction,
    fit_trim,
    steady_mean,
)
from station.measurement.saturation import boiling_point_c, station_pressure_hpa
from station.measurement.uncertainty import Budget, plate_budget
from station.settings import PlateWire, Settings

F = TypeVar("F", bound=Callable[..., Any])
BUDGET_AT_C = 80.0

ICE_TEXT = (
    "Ice point, 0 °C: crushed ice packed tight in an insulated flask, just wetted with clean water; pour off "
    "what melts. Put the thermocouple's tip deep into the ice, away from the wall."
)
BOIL_TEXT = (
    "Boiling point, {:.3f} °C at {:.1f} hPa: water at a rolling boil; the tip in the water, off the bottom, "
    "or in the steam just above. Steam burns."
)
REFERENCE_TEXT = (
    "Reference at {:g} °C: bring the thermocouple and the reference thermometer to the same place and wait "
    "until neither moves."
)


def storing_options(function: F) -> F:
    """Who, how long it holds, where it goes, and whether it goes anywhere."""
    for option in (
        click.option("--dry-run", is_flag=True, help="Store nothing."),
        click.option("--db", type=click.Path(path_type=Path), help="The station's database."),
        click.option("--months", type=click.IntRange(1, 60), default=12, show_default=True,
                     help="How long it holds."),
        click.option("--by", metavar="NAME", help="Who calibrates; needed to store."),
        click.option("--yes", is_flag=True, help="Do not wait for Enter."),
        click.option("--simulate", is_flag=True, help="On the simulated bench."),
        click.option("--seconds", type=click.FloatRange(1, 600), default=20.0, show_default=True,
                     help="How long to sample each point."),
    ):  # fmt: skip
        function = option(function)
    return function


@click.group()
def calibrate() -> None:
    """Calibrate plate or extraction. The station must be stopped: it holds the wires and the journal."""


@calibrate.command()
@click.option("--ice", is_flag=True, help="A point in an ice bath, 0 °C.")
@click.option("--boil", is_flag=True, help="A point in boiling water; wants --pressure or --altitude.")
@click.option(
    "--pressure",
    type=float,
    metavar="HPA",
    help="Air pressure at the place itself, not the sea-level figure of a weather report.",
)
@click.option("--altitude", type=float, metavar="M", help="Height above the sea, where no barometer is.")
@click.option(
    "--reference", type=float, multiple=True, metavar="C", help="A point by a reference thermometer."
)
@click.option("--points", metavar="REF=READ,…", help="Points taken before: reference=corrected reading, °C.")
@click.option(
    "--budget", is_flag=True, help="Print the uncertainty budget as it is now, and do nothing else."
)
@storing_options
@click.pass_obj
def plate(
    settings: Settings, ice: bool, boil: bool, pressure: float | None, altitude: float | None,
    reference: tuple[float, ...], points: str | None, budget: bool, seconds: float, simulate: bool, yes: bool,
    by: str | None, months: int, db: Path | None, dry_run: bool,
) -> None:  # fmt: skip
    """Calibrate the plate: one point gives an offset, two a line, three or more the best line."""
    path = db or Path(settings.journal.path)
    wire, known = on_record(path, settings.wires.plate)
    before = "plate" in known and len(known["plate"].points) >= 2
    if budget:
        _print_budget(
            plate_budget(wire.thermocouple, wire.wire_class, calibrated=before, plate_c=BUDGET_AT_C)
        )
        return
    given = _given_points(points)
    wanted = _wanted(ice, boil, pressure, altitude, reference)
    if not given and not wanted:
        raise InputError("No point: name at least one of --ice, --boil, --reference C or --points.")
    _check_storing(by, simulate, db, dry_run)
    if wanted:
        with probe(settings, simulate=simulate) as taking:
            given += [_take(taking, at_c, text, seconds, yes) for at_c, text in wanted]
    try:
        trim = fit_trim(given)
    except CalibrationError as error:
        raise FailureError("Not usable. " + " ".join(error.problems)) from error
    _print_trim(given, trim)
    after = _budget(wire, calibrated=len(given) >= 2)
    _print_budget(after)
    values: Values = {"gain": trim.gain, "offset_c": trim.offset_c, "u_c": after.combined}
    if trim.residual_sd_c is not None:
        values["residual_sd_c"] = trim.residual_sd_c
    raw: list[Values] = [
        {"reading_c": at.reading_c, "reference_c": at.reference_c, "sd_c": at.sd_c} for at in given
    ]
    _store(settings, path, "plate", by, months, values, raw, dry_run=dry_run)


def _given_points(text: str | None) -> list[ReferencePoint]:
    found = []
    for pair in (text or "").split(","):
        if not pair.strip():
            continue
        reference, equals, reading = pair.partition("=")
        try:
            found.append(ReferencePoint(float(reading), float(reference)))
        except ValueError as error:
            raise InputError(f"--points has {pair!r}, not reference=reading such as 99.2=98.5.") from error
        if not equals:
            raise InputError(f"--points has {pair!r}, not reference=reading such as 99.2=98.5.")
    return found


def _wanted(
    ice: bool, boil: bool, pressure: float | None, altitude: float | None, references: Sequence[float]
) -> list[tuple[float, str]]:
    """The reference temperatures to take, each with what to do."""
    wanted = [(0.0, ICE_TEXT)] if ice else []
    if boil:
        if (pressure is None) == (altitude is None):
            raise InputError(
                "--boil wants either --pressure HPA or --altitude M: water boils by the air's weight."
            )
        try:
            at_hpa = pressure if pressure is not None else station_pressure_hpa(altitude or 0.0)
            boiling_c = boiling_point_c(at_hpa)
        except ValueError as error:
            raise InputError(f"--pressure or --altitude: {error}") from error
        wanted.append((boiling_c, BOIL_TEXT.format(boiling_c, at_hpa)))
    return wanted + [(at_c, REFERENCE_TEXT.format(at_c)) for at_c in references]


def _take(taking: Probe, reference_c: float, text: str, seconds: float, yes: bool) -> ReferencePoint:
    click.echo(text)
    if not yes:
        click.pause("Press any key when it is steady.")
    click.echo(f"  sampling for {seconds:g} s …")
    steady = steady_mean(taking.plate_c(seconds, reference_c))
    click.echo(f"  reads {steady.mean:.3f} °C, standard deviation {steady.sd:.3f} °C")
    return ReferencePoint(steady.mean, reference_c, steady.sd)


def _print_trim(points: Sequence[ReferencePoint], trim: Trim) -> None:
    click.echo(f"True temperature = {trim.gain:.7f} × reading {trim.offset_c:+.7f} °C")
    for at, residual_c in zip(points, trim.residuals_c, strict=False):
        click.echo(f"  {at.reference_c:8.3f} °C: read {at.reading_c:8.3f}, left over {residual_c:+.3f} °C")


def _budget(wire: PlateWire, *, calibrated: bool) -> Budget:
    return plate_budget(wire.thermocouple, wire.wire_class, calibrated=calibrated, plate_c=BUDGET_AT_C)


def _print_budget(budget: Budget) -> None:
    click.echo(f"Uncertainty of the plate's reading at {BUDGET_AT_C:g} °C")
    for part in budget.contributions:
        click.echo(
            f"  {part.line.name:<32}± {part.line.amount:6.3f} {part.line.distribution:<12}"
            f"u {part.contribution:6.4f} °C  {part.share:4.0%}"
        )
    click.echo(f"  combined u {budget.combined:.3f} °C; U (k = 2) {budget.expanded:.2f} °C")


@calibrate.command()
@click.option("--off", metavar="A,…", help="Currents taken before with the fan off, at least ten, amperes.")
@click.option("--on", metavar="A,…", help="The same with the fan running steadily.")
@storing_options
@click.pass_obj
def extraction(
    settings: Settings, off: str | None, on: str | None, seconds: float, simulate: bool, yes: bool,
    by: str | None, months: int, db: Path | None, dry_run: bool,
) -> None:  # fmt: skip
    """Learn the extractor: floor with the fan off, band with it on, and the thresholds that follow.

    Do it with a new filter: hours and drift count from here.
    """
    if (off is None) != (on is None):
        raise InputError("--off and --on go together.")
    _check_storing(by, simulate, db, dry_run)
    if settings.wires.extraction.kind == "contact":
        raise InputError(
            "wires.extraction.kind is 'contact': a switch knows no amperes, there is nothing to learn."
        )
    if off is not None and on is not None:
        off_a, on_a = _currents("--off", off), _currents("--on", on)
    else:
        off_a, on_a = _take_currents(settings, seconds, simulate, yes)
    try:
        band = fit_extraction(off_a, on_a)
    except CalibrationError as error:
        raise FailureError("Not usable. " + " ".join(error.problems)) from error
    _print_band(band)
    raw: list[Values] = [{"off_a": current_a} for current_a in off_a]
    raw += [{"on_a": current_a} for current_a in on_a]
    values: Values = {name: round(value, 6) for name, value in band._asdict().items()}
    path = db or Path(settings.journal.path)
    _store(settings, path, "extraction", by, months, values, raw, dry_run=dry_run)


def _currents(option: str, text: str) -> list[float]:
    try:
        return [float(word) for word in text.split(",")]
    except ValueError as error:
        raise InputError(f"{option} is {text!r}, not amperes with commas between.") from error


def _take_currents(
    settings: Settings, seconds: float, simulate: bool, yes: bool
) -> tuple[list[float], list[float]]:
    with probe(settings, simulate=simulate) as taking:
        click.echo("Switch the extractor off.")
        if not yes:
            click.pause("Press any key when it stands still.")
        off_a = taking.extraction_a(seconds, running=False)
        click.echo("Switch the extractor on, filter new, hood and flap as in work.")
        if not yes:
            click.pause("Press any key when it runs.")
        return off_a, taking.extraction_a(seconds, running=True)


def _print_band(band: ExtractionBand) -> None:
    click.echo(
        f"Floor {band.floor_a:.4f} A with the fan off; running {band.running_a:.4f} A, "
        f"standard deviation {band.running_sd_a:.4f} A."
    )
    click.echo("For the settings:")
    click.echo(f"  [wires.extraction]\n  floor_a = {band.floor_a:.4f}")
    click.echo(
        f"  [limits.extraction]\n  proven_a = {band.proven_a:.3f}\n  lost_a = {band.lost_a:.3f}\n"
        f"  low_a = {band.low_a:.3f}\n  high_a = {band.high_a:.3f}"
    )


def _check_storing(by: str | None, simulate: bool, db: Path | None, dry_run: bool) -> None:
    if simulate and db is None and not dry_run:
        raise InputError(
            "--simulate: a simulated calibration does not go into the station's own journal; "
            "name another with --db, or use --dry-run."
        )
    if by is not None and not is_identifier(by):
        raise InputError(f"--by is {by!r}, not 1 to 40 of letters, digits, '-', '_' and '.'.")
    if by is None and not dry_run:
        raise InputError("--by is missing: a calibration is stored with who made it (or use --dry-run).")


def due_after(wall_ms: int, months: int) -> str | None:
    """The moment so many calendar months later, as RFC 3339 UTC; a day that month lacks is its last."""
    at = datetime.fromtimestamp(wall_ms / 1000, UTC)
    year, month = divmod(at.year * 12 + at.month - 1 + months, 12)
    day = min(at.day, calendar.monthrange(year, month + 1)[1])
    return rfc3339(round(at.replace(year=year, month=month + 1, day=day).timestamp() * 1000))


def _store(
    settings: Settings, path: Path, channel: str, by: str | None, months: int, values: Values,
    points: list[Values], *, dry_run: bool,
) -> None:  # fmt: skip
    if dry_run:
        click.echo("Nothing stored (--dry-run).")
        return
    clock = RealClock(boot_name(path), trusted=settings.station.clock == "trusted")
    wall_ms = clock.wall_ms()
    due = None if wall_ms is None else due_after(wall_ms, months)
    body = Calibrated(channel=channel, technician=by, values=values, points=points, due=due)
    record = record_now(path, clock, body)
    until = f", due {due}" if due else ", without an end: the clock is not set"
    click.echo(f"Stored as event {record.seq} in {path}{until}.")
