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


@click.group("sheet")
def sheet_group() -> None:
    """Process sheets."""


@sheet_group.command("check")
@click.argument("file", type=click.Path(path_type=Path))
def sheet_check(file: Path) -> None:
    """Check a process sheet (TOML) and read it back."""
    sheet = load_sheet(file)
    click.echo(f"{file}: good. {sheet.label}, {len(sheet.step)} steps:")
    for step in sheet.step:
        click.echo(f"  {step.key}: {_step_text(step)}")


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
