"""The settings as a document in Markdown, made from the structs that read them; nothing is written twice."""

from collections.abc import Iterator
from typing import Any

import msgspec

from station.rulebook.matrix import Row
from station.settings import Settings

_UNITS = (
    ("_c_per_s", "°C/s"), ("_m3_h", "m³/h"), ("_m3", "m³"), ("_ppm", "ppm"), ("_lel", "of the LEL"),
    ("_g_mol", "g/mol"), ("_g_ml", "g/mL"), ("_ml", "mL"), ("_kpa", "kPa"), ("_percent", "%"),
    ("_min", "min"), ("_hz", "Hz"), ("_h", "h"), ("_s", "s"), ("_c", "°C"), ("_a", "A"), ("_v", "V"),
    ("volts_per_ampere", "V/A"), ("baud", "bit/s"),
)  # fmt: skip

_OPENING = """\
# Settings

Made by `benchward settings reference` from the structs that read a settings file; do not edit it by hand. A
file is TOML, with a table for each section (`[wires.plate]`); what is left out keeps its default, what is not
known or out of range is refused with its key and value. `benchward settings check FILE` reads a file back.

Two settings may contradict each other though each is in its range: thresholds below the noise of the wires, a
pin given twice, a limit above the sensor's range. Such a file is refused as well.
"""


def reference_rows() -> list[Row]:
    """Every setting: ``key``, ``unit``, ``range``, ``default``, ``meaning``."""
    schema = msgspec.json.schema(Settings)
    return list(_rows("", schema, schema["$defs"]))


def _rows(key: str, schema: Row, known: Row) -> Iterator[Row]:
    """The section's own settings first, then those of the sections below it, as they stand in a TOML file."""
    below = []
    for name, field in _resolved(schema, known)["properties"].items():
        at = f"{key}.{name}" if key else name
        inner = _struct_of(field, known)
        if inner is not None:
            below.append((at, inner))
            continue
        resolved = _resolved(field, known)
        yield {
            "key": at,
            "unit": unit_of(name),
            "range": _range(resolved),
            "default": _default(field),
            "meaning": field.get("description") or resolved.get("description", ""),
        }
    for at, inner in below:
        yield from _rows(at, inner, known)


def _resolved(schema: Row, known: Row) -> Row:
    reference = schema.get("$ref")
    found: Row = known[reference.rpartition("/")[2]] if reference else schema
    return found


def _struct_of(field: Row, known: Row) -> Row | None:
    """The struct behind a field, also behind one that may be left out."""
    for each in (field, *field.get("anyOf", ())):
        resolved = _resolved(each, known)
        if "properties" in resolved:
            return resolved
    return None


def unit_of(name: str) -> str:
    """The unit that a setting's name carries; nothing where it has none."""
    return next((unit for ending, unit in _UNITS if name.endswith(ending)), "")


def _range(field: Row) -> str:
    if "enum" in field:
        return ", ".join(f"`{each}`" for each in field["enum"])
    if "anyOf" in field:
        kinds = [_range(each) for each in field["anyOf"] if each.get("type") != "null"]
        return f"{' or '.join(kinds)}, or left out"
    if "minimum" in field or "maximum" in field:
        return f"{field.get('minimum', '–')} to {field.get('maximum', '–')}"
    if "exclusiveMinimum" in field:
        return f"above {field['exclusiveMinimum']}"
    if field.get("type") == "array":
        return "list"
    return {"string": "text", "boolean": "`true`, `false`"}.get(field.get("type", ""), "")


def _default(field: Row) -> str:
    if "default" not in field:
        return "needed"
    value: Any = field["default"]
    return "–" if value is None else f"`{msgspec.json.encode(value).decode()}`"


def render() -> str:
    """The whole document."""
    lines = [_OPENING]
    section = None
    for row in reference_rows():
        here = row["key"].rpartition(".")[0]
        if here != section:
            section = here
            lines += [
                f"\n## `[{here}]`\n",
                "| setting | unit | range | default | meaning |",
                "| --- | --- | --- | --- | --- |",
            ]
        name = row["key"].rpartition(".")[2]
        meaning = row["meaning"].replace("|", "\\|")
        lines.append(f"| `{name}` | {row['unit']} | {row['range']} | {row['default']} | {meaning} |")
    return "\n".join(lines) + "\n"
