"""Validation: `sheet check`, `settings check`."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import msgspec

from shared.sheet import Step, load_sheet
from station.rulebook.settings_reference import render
from station.settings import Settings, load_settings

# A room in summer; common practice, no source.
WARM_ROOM_C = 30.0


@click.group("sheet")
def sheet_group() -> None:
    """Process sheets."""


@sheet_group.command("check")
@click.argument("file", type=click.Path(path_type=Path))
@click.pass_obj
def sheet_check(settings: Settings, file: Path) -> None:
    """Check a process sheet (TOML) and read it back.

    Steps that may run but make no sense beside the limits of the settings are warned of on stderr.
    """
    sheet = load_sheet(file)
    steps = "1 step" if len(sheet.step) == 1 else f"{len(sheet.step)} steps"
    click.echo(f"{file}: good. {sheet.label}, {steps}:")
    for step in sheet.step:
        click.echo(f"  {step.key}: {_step_text(step)}")
        for warning in band_warnings(step, settings.limits.plate.over_limit_c):
            click.echo(f"benchward: {file}: step {step.key}: {warning}", err=True)


def band_warnings(step: Step, over_limit_c: float) -> Iterator[str]:
    """What a heat step's band contradicts.

    Args:
        step: of any kind; those without a band have nothing to warn of.
        over_limit_c: where everything stops, °C.
    """
    if step.setpoint_c is None or step.tolerance_c is None:
        return
    low_c, high_c = step.setpoint_c - step.tolerance_c, step.setpoint_c + step.tolerance_c
    if high_c >= over_limit_c:
        yield (
            f"tolerance_c is {step.tolerance_c:g}, so the band reaches {high_c:g} °C; at {over_limit_c:g} °C "
            "(limits.plate.over_limit_c) everything stops, and no alarm comes before. Under "
            f"{over_limit_c - step.setpoint_c:g} it would warn first."
        )
    if low_c <= WARM_ROOM_C:
        yield (
            f"tolerance_c is {step.tolerance_c:g}, so the band begins at {low_c:g} °C: a plate that nobody "
            "has switched on would count as at its setpoint, and the soak would run. Under "
            f"{step.setpoint_c - WARM_ROOM_C:g} it would not."
        )


def _step_text(step: Step) -> str:
    parts: list[str] = [step.kind]
    if step.setpoint_c is not None:
        parts.append(f"{step.setpoint_c:g} ±{step.tolerance_c:g} °C")
    for value, text in (
        (step.soak_min, "soak {:g} min"),
        (step.max_min, "at most {:g} min"),
        (step.open_time_min, "open time {:g} min"),
        (step.cure_h, "cure {:g} h"),
    ):
        if value is not None:
            parts.append(text.format(value))
    if step.needs_extraction:
        parts.append("extraction proven")
    if step.solvent != "never":
        parts.append(f"solvent {step.solvent}")
    if step.after:
        parts.append(f"after {', '.join(step.after)}")
    return ", ".join(parts)


@click.group("settings")
def settings_group() -> None:
    """Settings files."""


@settings_group.command("check")
@click.argument("file", type=click.Path(path_type=Path), required=False)
@click.pass_obj
def settings_check(settings: Settings, file: Path | None) -> None:
    """Check a settings FILE (or the one named with --settings), and read back every setting."""
    found = load_settings(file) if file is not None else settings
    click.echo(f"{file or 'settings'}: good. Station {found.station.id}, fingerprint {found.digest()}")
    for key, value in _flat(msgspec.to_builtins(found)):
        click.echo(f"  {key} = {json.dumps(value, ensure_ascii=False)}")


def _flat(data: dict[str, Any], before: str = "") -> Iterator[tuple[str, Any]]:
    """Every setting as its dotted key and its value."""
    for key, value in data.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{before}{key}.")
        else:
            yield f"{before}{key}", value


@settings_group.command("reference")
def settings_reference() -> None:
    """Print every setting with unit, range, default and meaning, as Markdown."""
    click.echo(render(), nl=False)
