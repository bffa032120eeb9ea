"""Messages as rows: an event, a second of readings, or a message set aside, and why."""

import hashlib
import json
from typing import Any, NamedTuple

from shared.messages import ROOT


class Row(NamedTuple):
    """A row for one table of the store; ``values`` in the order of the table's columns."""

    table: str
    values: tuple[Any, ...]


def row_of(topic: str, payload: bytes) -> Row:
    """The row of a message; one that cannot be read becomes a row of ``set_aside``, never an error."""
    try:
        station, leaf = topic.removeprefix(f"{ROOT}/").split("/")
        told = json.loads(payload.decode())
        if "\x00" in station or b"\\u0000" in payload:
            raise ValueError("holds a NUL character, which the database cannot keep")
        return _event(station, told) if leaf == "events" else _reading(station, told)
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, RecursionError) as error:
        key = hashlib.sha256(topic.encode() + b"\0" + payload).hexdigest()
        reason = f"{type(error).__name__}: {error}".replace("\x00", "?")
        return Row("set_aside", (key, topic.replace("\x00", "?"), payload, reason))


def _whole(value: Any, name: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**63:
        raise ValueError(f"{name} is {value!r}; a whole number from 0 to 2^63 - 1 would be right")
    return value


def _event(station: str, told: dict[str, Any]) -> Row:
    boot, seq = told["id"].split("/")
    kind = told["type"].removeprefix("benchward.")
    at = told.get("time")
    if at is not None and not isinstance(at, str):
        raise ValueError(f"time is {at!r}; text would be right")
    body = json.dumps(told["data"], ensure_ascii=False, separators=(",", ":"))
    return Row("events", (station, boot, _whole(int(seq), "seq"), kind, at, body))


def _reading(station: str, told: list[dict[str, Any]]) -> Row:
    first = told[0]
    if not isinstance(first["boot"], str):
        raise ValueError(f"boot is {first['boot']!r}; text would be right")
    wall_s = first.get("bt")
    values = {entry["n"]: entry.get("v", entry.get("vb")) for entry in told}
    numbers = [values.get(name) for name in ("plate", "cold-junction", "extraction")]
    for number in (*numbers, wall_s):
        if number is not None and (isinstance(number, bool) or not isinstance(number, int | float)):
            raise ValueError(f"a value is {number!r}; a number would be right")
    solvent_out = values.get("solvent-out")
    if solvent_out is not None and not isinstance(solvent_out, bool):
        raise ValueError(f"solvent-out is {solvent_out!r}; true or false would be right")
    quality = first.get("quality")
    if quality is not None and not isinstance(quality, str):
        raise ValueError(f"quality is {quality!r}; text would be right")
    second = _whole(first["mono_s"], "mono_s")
    return Row("readings", (station, first["boot"], second, wall_s, *numbers, solvent_out, quality))
