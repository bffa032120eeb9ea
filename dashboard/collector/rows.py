"""Messages as rows: an event, a second of readings, or a message set aside, and why.

Pure. What cannot be read becomes a row too, so that nothing a station sends can stop the others.
"""

import hashlib
import math
from typing import Any, NamedTuple

import msgspec

from shared.messages import ROOT
from shared.requests import IDENTIFIER, is_identifier
from shared.timeline import parse_rfc3339, to_ms

LONGEST_BOOT_S = 3650 * 86_400
"""A boot's clock beyond ten years is not believed: it would ask for partitions far away."""
LARGEST_SEQ = 2**63 - 1


class Told(NamedTuple):
    """A message as it came from the broker."""

    topic: str
    payload: bytes


class Offset(NamedTuple):
    """A boot's offset to wall time, as some message told it.

    ``rank``: the seq of the `clock-set` event that told it, or 0 where a dated message did; the highest
    stands. ``wall_ms``: Unix milliseconds UTC at the zero of the boot's monotonic clock.
    """

    rank: int
    wall_ms: int


class Row(NamedTuple):
    """A row of ``events`` or ``readings``.

    ``key``: the event's seq, or the second of the reading; unique within the boot. ``values``: the columns
    after boot, key and month. ``mono_s``: seconds of the boot's monotonic clock.
    """

    told: Told
    table: str
    station: str
    boot: str
    mono_s: float
    key: int
    values: tuple[Any, ...]
    offset: Offset | None


class SetAside(NamedTuple):
    """A message that could not be read or kept, and why. ``sha256`` of topic and payload makes it unique."""

    sha256: str
    topic: str
    payload: bytes
    reason: str


class _Event(msgspec.Struct, frozen=True):
    id: str
    type: str
    data: msgspec.Raw


class _EventData(msgspec.Struct, frozen=True):
    seq: int
    boot: str
    mono_s: float
    kind: str
    at: str | None = None
    wall: str | None = None


class _Entry(msgspec.Struct, frozen=True):
    n: str
    bt: float | None = None
    boot: str | None = None
    mono_s: int | None = None
    quality: str | None = None
    v: float | None = None
    vb: bool | None = None


_event_decoder = msgspec.json.Decoder(_Event)
_data_decoder = msgspec.json.Decoder(_EventData)
_pack_decoder = msgspec.json.Decoder(list[_Entry])


def row_of(told: Told) -> Row | SetAside:
    """The row of a message; one that cannot be read is set aside, never an error."""
    try:
        station, _, leaf = told.topic.removeprefix(f"{ROOT}/").partition("/")
        _require(is_identifier(station), "station", station, f"text like {IDENTIFIER}")
        if leaf == "readings":
            return _reading(told, station)
        _require(leaf == "events", "leaf topic", leaf, "readings or events")
        return _event(told, station)
    except (ValueError, msgspec.MsgspecError, RecursionError) as error:
        return set_aside(told, f"{type(error).__name__}: {error}")


def set_aside(told: Told, reason: str) -> SetAside:
    """The message as something set aside; what a database may not keep in text is escaped."""
    topic = _keepable(told.topic)
    digest = hashlib.sha256(topic.encode() + b"\0" + told.payload).hexdigest()
    return SetAside(digest, topic, told.payload, _keepable(reason))


def _keepable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode().replace("\0", "\\x00")


def _require(right: bool, name: str, value: object, instead: str) -> None:
    if not right:
        raise ValueError(f"{name} is {value!r}; {instead} would be right")


def _require_place(boot: str, mono_s: float) -> None:
    _require(is_identifier(boot), "boot", boot, f"text like {IDENTIFIER}")
    _require(0 <= mono_s <= LONGEST_BOOT_S, "mono_s", mono_s, f"a number from 0 to {LONGEST_BOOT_S}")


def _event(told: Told, station: str) -> Row:
    message = _event_decoder.decode(told.payload)
    data = _data_decoder.decode(message.data)
    _require(message.id == f"{data.boot}/{data.seq}", "id", message.id, f"{data.boot}/{data.seq}, as in data")
    _require(message.type == f"benchward.{data.kind}", "type", message.type, f"benchward.{data.kind}")
    _require(1 <= data.seq <= LARGEST_SEQ, "seq", data.seq, "a whole number from 1")
    _require_place(data.boot, data.mono_s)
    text = bytes(message.data).decode()
    values = (data.mono_s, data.kind, text)
    return Row(told, "events", station, data.boot, data.mono_s, data.seq, values, _event_offset(data))


def _event_offset(data: _EventData) -> Offset | None:
    """The offset a `clock-set` tells outranks what dated events tell."""
    if data.kind == "clock-set" and data.wall is not None:
        return Offset(data.seq, parse_rfc3339(data.wall) - to_ms(data.mono_s))
    if data.at is not None:
        return Offset(0, parse_rfc3339(data.at) - to_ms(data.mono_s))
    return None


def _reading(told: Told, station: str) -> Row:
    entries = _pack_decoder.decode(told.payload)
    _require(len(entries) > 0, "the pack", [], "at least one record")
    first = entries[0]
    if first.boot is None or first.mono_s is None:
        raise ValueError("the first record lacks boot or mono_s")
    _require_place(first.boot, first.mono_s)
    plate_c = cold_junction_c = extraction_a = solvent_out = None
    for entry in entries:
        if entry.n == "plate":
            plate_c = entry.v
        elif entry.n == "cold-junction":
            cold_junction_c = entry.v
        elif entry.n == "extraction":
            extraction_a = entry.v
        elif entry.n == "solvent-out":
            solvent_out = entry.vb
    values = (plate_c, cold_junction_c, extraction_a, solvent_out, first.quality)
    offset = None
    if first.bt is not None:
        _require(math.isfinite(first.bt) and 0 <= first.bt < 2**33, "bt", first.bt, "seconds since 1970")
        offset = Offset(0, to_ms(first.bt) - 1000 * first.mono_s)
    return Row(told, "readings", station, first.boot, first.mono_s, first.mono_s, values, offset)
