"""The process sheet: the steps of one kind of work, their order and limits, read from TOML.

A solder step always needs proven extraction; a sheet that says otherwise is refused, not corrected.
"""

import tomllib
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, TypeAlias

import msgspec

from shared.problems import InputError, convert_checked, unreadable
from shared.requests import Identifier, Text

Kind: TypeAlias = Literal["inspect", "heat", "solder", "bond", "cure", "other"]
Minutes: TypeAlias = Annotated[float, msgspec.Meta(gt=0, le=1440)]

# Which keys belong to which kind; the rest is refused so that a limit is never silently without effect.
_HEAT_ONLY = ("setpoint_c", "tolerance_c", "soak_min", "max_min")
_KEYS_OF_KIND: dict[str, tuple[str, ...]] = {
    "heat": _HEAT_ONLY,
    "bond": ("open_time_min",),
    "cure": ("cure_h",),
}
_NEEDED: dict[str, tuple[str, ...]] = {
    "heat": ("setpoint_c", "tolerance_c"),
    "bond": ("open_time_min",),
    "cure": ("cure_h",),
}


class Step(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One step of the sheet. Temperatures in °C, times as their names say."""

    key: Identifier
    title: Text
    kind: Kind
    after: tuple[Identifier, ...] = ()
    extraction: bool | None = None
    solvent: Literal["never", "cold", "hot"] = "never"
    setpoint_c: Annotated[float, msgspec.Meta(ge=20, le=125)] | None = None
    tolerance_c: Annotated[float, msgspec.Meta(ge=0.5, le=20)] | None = None
    soak_min: Minutes | None = None
    max_min: Minutes | None = None
    open_time_min: Minutes | None = None
    cure_h: Annotated[float, msgspec.Meta(gt=0, le=336)] | None = None

    @property
    def needs_extraction(self) -> bool:
        """Whether the step runs only with proven extraction."""
        return self.kind == "solder" or self.extraction is True

    @property
    def soak_ms(self) -> int:
        """The soak the step asks for, in milliseconds; 0 for none."""
        return round((self.soak_min or 0) * 60_000)


class Sheet(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A named, versioned list of steps."""

    name: Identifier
    version: Annotated[str, msgspec.Meta(min_length=1, max_length=40)]
    step: Annotated[tuple[Step, ...], msgspec.Meta(min_length=1)]

    @property
    def label(self) -> str:
        """Name and version, as recorded with every start of the station."""
        return f"{self.name} {self.version}"

    def find(self, key: str) -> Step | None:
        """The step with this key, or None."""
        return next((step for step in self.step if step.key == key), None)


def parse_sheet(text: str, file: Path | str) -> Sheet:
    """Read a sheet from TOML text.

    Raises:
        InputError: names the file, the line or the step and key, the offending value and what would be right.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{file}: not valid TOML: {error}.") from error
    sheet = convert_checked(data, Sheet, file)
    _check(sheet, data, file)
    return sheet


def load_sheet(path: Path) -> Sheet:
    """Read a sheet from a file.

    Raises:
        InputError: the file cannot be read, or as `parse_sheet`.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise unreadable(path, error) from error
    return parse_sheet(text, path)


def default_sheet() -> Sheet:
    """The sheet that comes with the station."""
    source = resources.files("shared") / "default_sheet.toml"
    return parse_sheet(source.read_text("utf-8"), "default_sheet.toml")


def _check(sheet: Sheet, data: dict[str, Any], file: Path | str) -> None:
    known: set[str] = set()
    keys = {step.key for step in sheet.step}
    for number, (step, raw) in enumerate(zip(sheet.step, data["step"], strict=True), start=1):
        where = f"{file}: step {number} ({step.key})"
        if step.key in known:
            raise InputError(f"{where}: key is {step.key!r} a second time; every step needs its own key.")
        for after in step.after:
            if after not in known:
                what = "comes later" if after in keys else "is no step of this sheet"
                raise InputError(f"{where}: after is {after!r}, which {what}; name an earlier step.")
        _check_kind(step, raw, where)
        known.add(step.key)


def _check_kind(step: Step, raw: dict[str, Any], where: str) -> None:
    if step.kind == "solder" and step.extraction is False:
        raise InputError(
            f"{where}: extraction is False; a solder step always needs proven extraction: leave the key out."
        )
    if step.kind == "solder" and step.solvent != "never":
        raise InputError(f"{where}: solvent is {step.solvent!r}; beside an iron it can only be 'never'.")
    allowed = _KEYS_OF_KIND.get(step.kind, ())
    for kind, kind_keys in _KEYS_OF_KIND.items():
        for key in kind_keys:
            if key in raw and key not in allowed:
                raise InputError(f"{where}: {key} is {raw[key]!r}, but only a {kind} step has it.")
    for key in _NEEDED.get(step.kind, ()):
        if key not in raw:
            raise InputError(f"{where}: {key} is missing; a {step.kind} step needs it.")
    if step.soak_min and step.max_min and step.max_min <= step.soak_min:
        raise InputError(f"{where}: max_min is {step.max_min!r}, not longer than soak_min {step.soak_min!r}.")
