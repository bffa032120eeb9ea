"""Calibrations on record: the newest of each channel, what it makes of the wire, and until when it holds."""

from pathlib import Path

from msgspec.structs import replace

from shared.events import Calibrated
from shared.history import History
from shared.stored import Filter
from shared.timeline import parse_rfc3339
from station.settings import PlateWire

CHANNELS = ("plate", "extraction")


def latest(history: History, channel: str) -> Calibrated | None:
    """The newest calibration of a channel, or None."""
    found: Calibrated | None = None
    for dated in history.events(which=Filter(kind="calibrated")):
        body = dated.record.body
        if isinstance(body, Calibrated) and body.channel == channel:
            found = body
    return found


def trim_in_force(history: History, wire: PlateWire) -> PlateWire:
    """The wire with gain and offset of the newest plate calibration; as the settings have it without one."""
    found = latest(history, "plate")
    if found is None:
        return wire
    return replace(wire, gain=float(found.values["gain"]), offset_c=float(found.values["offset_c"]))


def overdue(due: str | None, wall_ms: int | None) -> bool | None:
    """Whether a calibration is older than it may be; None where it has no end, or the time is not known."""
    if due is None or wall_ms is None:
        return None
    return wall_ms >= parse_rfc3339(due)


def on_record(path: Path, wire: PlateWire) -> tuple[PlateWire, dict[str, Calibrated]]:
    """What a station starts with: the wire as calibrated, and the newest calibration of each channel."""
    if not path.exists():
        return wire, {}
    with History(path) as history:
        found = {channel: latest(history, channel) for channel in CHANNELS}
        return trim_in_force(history, wire), {name: body for name, body in found.items() if body is not None}
