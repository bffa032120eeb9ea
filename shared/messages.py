"""Topics and payloads on the broker: SenML readings, CloudEvents, the state snapshot, status, answers.

Base topic ``benchward/v1/<station>``; MQTT 5, QoS 1 throughout.
"""

from typing import Annotated, Any, Literal

import msgspec

from shared.events import EVENT_TYPES, EventRecord
from shared.indication import Indication
from shared.requests import OFFICE_ONLY, parse_text
from shared.timeline import rfc3339

VERSION = 1
ROOT = f"benchward/v{VERSION}"


def topic(station: str, leaf: str) -> str:
    """The topic of one station, e.g. ``benchward/v1/bench-1/state``."""
    return f"{ROOT}/{station}/{leaf}"


REQUESTS = "requests"
OFFICE = "requests/office"
"""The leaf on which alone the requests of `OFFICE_ONLY` are taken: the broker says who may write there."""


def requests_topic(station: str, text: str) -> str:
    """Where a request, written as text, is to be sent."""
    return topic(station, OFFICE if isinstance(parse_text(text), OFFICE_ONLY) else REQUESTS)


class Status(msgspec.Struct, frozen=True, kw_only=True):
    """Retained on ``/status``; the broker publishes the offline one as the station's last will."""

    online: bool
    reason: str


class Head(msgspec.Struct, frozen=True, kw_only=True):
    """Retained on ``/head``: the newest event on the station's disk and the head of its chain.

    Whoever keeps it can tell later whether the chain was cut off or written anew (`benchward verify --head`).
    """

    seq: int
    hash: str


class PlateState(msgspec.Struct, frozen=True, kw_only=True):
    """The plate now. ``plate_c`` is None whenever the number cannot be believed; ``quality`` says why.

    ``age_s``: since the last valid reading; ``faults``: how often each kind of fault has begun.
    ``uncertainty_c``: expanded, k = 2. ``panel_c``: estimate of the panel on the plate, never a measurement;
    ``ready_plate_s`` and ``ready_panel_s``: seconds until they are inside the band, 0 inside, None unknown.
    """

    plate_c: float | None
    quality: str
    cold_junction_c: float | None
    setpoint_c: float | None
    tolerance_c: float | None
    at_setpoint: bool
    uncertainty_c: float | None = None
    age_s: float | None = None
    faults: dict[str, int] = {}
    panel_c: float | None = None
    panel_at_setpoint: bool | None = None
    ready_plate_s: float | None = None
    ready_panel_s: float | None = None


class ExtractionState(msgspec.Struct, frozen=True, kw_only=True):
    """The extractor now. ``since_s``: how long it has been proven or not."""

    extraction_a: float | None
    quality: str
    proven: bool
    since_s: float


class VapourState(msgspec.Struct, frozen=True, kw_only=True):
    """The solvent vapour as it is estimated, never measured.

    ``lel_share``: of the lower explosive limit, 1 is the limit. ``short_term_ppm`` and ``long_term_ppm``:
    means over 15 minutes and 8 hours beside the limits they are judged by. ``watched_s``: since when it is
    reckoned; what was drawn before that is not in it. ``dose_ml``: what one lift counts as; ``assumes``: in
    words.
    """

    solvent: str
    ppm: float
    lel_share: float
    short_term_ppm: float
    short_term_limit_ppm: float
    long_term_ppm: float
    long_term_limit_ppm: float
    watched_s: float
    dose_ml: float
    assumes: str


class StepState(msgspec.Struct, frozen=True, kw_only=True):
    """The step under way on the unit in hand. Times in seconds; None where the step has no such clock.

    ``held_by``: the alarms that hold it. ``resume_refusals``: what stands against going on, while it is held.
    """

    key: str
    title: str
    kind: str
    held: bool
    held_by: list[str]
    resume_refusals: list[str]
    elapsed_s: float
    max_s: float | None
    warnings: list[str]
    soak_s: float | None
    soak_due_s: float | None
    open_s: float | None
    open_due_s: float | None
    cure_s: float | None
    cure_due_s: float | None


class Lock(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is locked now, and every reason for it.

    ``what``: ``iron-power``, ``every-step``, ``other-steps`` (while one runs) or a step's key.
    """

    what: str
    title: str
    reasons: list[str]


class Choice(msgspec.Struct, frozen=True, kw_only=True):
    """A step of the sheet that could start now."""

    key: str
    title: str


class AlarmState(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm that is not normal. ``state`` as in ISA-18.2; ``text`` says what to do.

    ``standing``: whether its cause stands now; one that was put aside may have none.
    """

    alarm: str
    priority: str
    state: str
    title: str
    text: str
    since_s: float
    standing: bool = True

    @property
    def rests(self) -> bool:
        """Whether it was put aside and has no cause now, so that nothing is to be done."""
        return self.state in ("shelved", "suppressed", "out-of-service") and not self.standing


class CommissioningState(msgspec.Struct, frozen=True, kw_only=True):
    """Whether somebody has walked through the wiring as it is now. It locks nothing; it is there to be seen.

    ``reason``: why not: ``never``, ``failed`` or ``wires-changed`` since. ``by`` and ``at``: who signed the
    last walk, and when. ``shift_``: the same of the last check of a shift.
    """

    commissioned: bool
    reason: str | None = None
    by: str | None = None
    at: str | None = None
    shift_passed: bool | None = None
    shift_by: str | None = None
    shift_at: str | None = None


class KeepingState(msgspec.Struct, frozen=True, kw_only=True):
    """How the record fares on its way to the disk and to the broker.

    ``journal_lag_s``: age of the oldest entry that is not on disk; up to the batch's few seconds is usual.
    ``events_waiting`` and ``readings_waiting``: what the broker has not taken yet, seconds of record counted
    up to a limit; None where there is no link, or it has not looked yet. ``ticks_late``: ticks that began
    noticeably later than they were due.
    """

    journal_lag_s: float
    journal_fault: str | None = None
    events_waiting: int | None = None
    readings_waiting: int | None = None
    ticks_late: int = 0


class StationState(msgspec.Struct, frozen=True, kw_only=True):
    """Retained on ``/state``: everything a page needs to show the bench as it is now."""

    station: str
    boot: str
    mono_s: float
    at: str | None
    plate: PlateState
    extraction: ExtractionState
    solvent_out: bool | None
    vapour: VapourState | None = None
    permit: bool
    technician: str | None
    unit: str | None
    model: str | None
    on_plate: str | None
    step: StepState | None
    locked: list[Lock]
    may_start: list[Choice] = []
    alarms: list[AlarmState]
    indication: Indication
    commissioning: CommissioningState | None = None
    keeping: KeepingState | None = None
    ticks: int
    ticks_missed: int


class Answer(msgspec.Struct, frozen=True, kw_only=True):
    """What a request's sender gets, after the event is on disk. ``seq`` is that event's, if there is one."""

    accepted: bool
    reasons: list[str]
    seq: int | None


class Second(msgspec.Struct, frozen=True, kw_only=True):
    """One second of record: means, extremes and quality of its ticks.

    ``second`` is the whole second of the boot's monotonic clock in which the ticks fell; ``valid_ms`` of it
    are known, by a valid reading that the next tick followed without a gap. Currents in amperes, temperatures
    in °C; None: no valid reading.
    """

    boot: str
    second: int
    plate_mean_c: float | None
    plate_min_c: float | None
    plate_max_c: float | None
    cold_junction_c: float | None
    extraction_a: float | None
    solvent_out: bool | None
    quality: str
    valid_ms: int


class SenmlRecord(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One record of a SenML pack (RFC 8428); the first one also carries the base and extension fields.

    ``bt`` in seconds since 1970; ``mono_s`` and ``seq``: the second of the boot's monotonic clock.
    """

    bn: str | msgspec.UnsetType = msgspec.UNSET
    bt: float | msgspec.UnsetType = msgspec.UNSET
    boot: str | msgspec.UnsetType = msgspec.UNSET
    mono_s: int | msgspec.UnsetType = msgspec.UNSET
    seq: int | msgspec.UnsetType = msgspec.UNSET
    quality: str | msgspec.UnsetType = msgspec.UNSET
    n: str
    u: Literal["Cel", "A"] | msgspec.UnsetType = msgspec.UNSET
    v: float | msgspec.UnsetType = msgspec.UNSET
    vb: bool | msgspec.UnsetType = msgspec.UNSET
    vs: str | msgspec.UnsetType = msgspec.UNSET


def senml(station: str, second: Second, wall_ms: int | None) -> list[SenmlRecord]:
    """The second as a SenML pack (RFC 8428) with ``boot``, ``mono_s`` and ``seq`` as extension fields.

    A value that could not be measured is left out; it is never sent as zero. ``bt`` is left out while the
    wall time is unknown.
    """
    records: list[SenmlRecord] = []
    for name, unit, value in (
        ("plate", "Cel", second.plate_mean_c),
        ("cold-junction", "Cel", second.cold_junction_c),
        ("extraction", "A", second.extraction_a),
    ):
        if value is not None:
            records.append(SenmlRecord(n=name, u=unit, v=value))  # type: ignore[arg-type]
    if second.solvent_out is not None:
        records.append(SenmlRecord(n="solvent-out", vb=second.solvent_out))
    if not records:
        records.append(SenmlRecord(n="plate-quality", vs=second.quality))
    records[0] = msgspec.structs.replace(
        records[0],
        bn=f"benchward:{station}:",
        bt=msgspec.UNSET if wall_ms is None else wall_ms / 1000,
        boot=second.boot,
        mono_s=second.second,
        seq=second.second,
        quality=second.quality,
    )
    return records


EVENT_DATA = {
    "required": ["seq", "boot", "mono_s", "at", "kind"],
    "properties": {
        "seq": {"type": "integer", "minimum": 1},
        "boot": {"type": "string"},
        "mono_s": {"type": "number", "minimum": 0},
        "at": {"type": ["string", "null"]},
        "kind": {"enum": sorted(str(kind.__struct_config__.tag) for kind in EVENT_TYPES)},
    },
}


class CloudEvent(msgspec.Struct, frozen=True, kw_only=True):
    """A CloudEvents 1.0 structured JSON message; ``data`` is the event as it is printed."""

    specversion: Literal["1.0"] = "1.0"
    id: str
    source: str
    type: str
    datacontenttype: str = "application/json"
    subject: str | None = None
    time: str | msgspec.UnsetType = msgspec.UNSET
    data: Annotated[dict[str, Any], msgspec.Meta(extra_json_schema=EVENT_DATA)]


def cloud_event(station: str, record: EventRecord, wall_ms: int | None) -> CloudEvent:
    """The event as a CloudEvent; ``time`` is absent while the wall time is unknown."""
    data = record.to_dict(wall_ms)
    return CloudEvent(
        id=f"{record.boot}/{record.seq}",
        source=f"/{topic(station, 'events')}",
        type=f"benchward.{data['kind']}",
        subject=data.get("unit") or data.get("alarm") or station,
        time=rfc3339(wall_ms) or msgspec.UNSET,
        data=data,
    )


def encode(message: Any) -> bytes:
    """Any of the payloads as UTF-8 JSON."""
    return msgspec.json.encode(message)
