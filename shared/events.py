"""Every kind of event, as one tagged union of frozen structs.

An event body says what happened; the record around it says where it stands in the station's journal. The
printed form is one flat JSON object: ``seq boot mono_s at kind … prev hash``. The kinds and field names are
what other programs read; they change only with a version.
"""

import json
from collections.abc import Mapping
from typing import Any, TypeAlias, get_args

import msgspec

from shared.timeline import rfc3339

Values: TypeAlias = dict[str, float | int]


class Event(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True, tag_field="kind"):
    """What every event body may carry; absent fields are not printed."""

    technician: str | None = None
    values: Values = {}


class StationStarted(Event, frozen=True, kw_only=True, tag="station-started"):
    """The station (or a replay) began; what is about the wires is unknown from here.

    ``set_aside``: under which name a damaged journal was kept, where this start had to begin a new one.
    """

    station: str
    version: str
    sheet: str
    settings: str | None = None
    reason: str | None = None
    set_aside: str | None = None


class StationStopped(Event, frozen=True, kw_only=True, tag="station-stopped"):
    """An orderly end; outputs were put safe."""

    reason: str


class ClockSet(Event, frozen=True, kw_only=True, tag="clock-set"):
    """This boot's offset to wall time became known or moved."""

    wall: str


class SignedIn(Event, frozen=True, kw_only=True, tag="signed-in"):
    """A technician took the bench."""


class SignedOut(Event, frozen=True, kw_only=True, tag="signed-out"):
    """The technician left the bench."""


class UnitBookedIn(Event, frozen=True, kw_only=True, tag="unit-booked-in"):
    """A unit came to this bench for the first time."""

    unit: str
    model: str
    job: str | None = None


class UnitTaken(Event, frozen=True, kw_only=True, tag="unit-taken"):
    """The unit is the one in hand."""

    unit: str


class UnitPlaced(Event, frozen=True, kw_only=True, tag="unit-placed"):
    """The unit lies on the plate from here."""

    unit: str


class UnitRemoved(Event, frozen=True, kw_only=True, tag="unit-removed"):
    """The unit left the plate."""

    unit: str


class UnitClosed(Event, frozen=True, kw_only=True, tag="unit-closed"):
    """The unit is done with; nothing more starts on it."""

    unit: str
    outcome: str
    reason: str | None = None


class StepStarted(Event, frozen=True, kw_only=True, tag="step-started"):
    """A step began, ``attempt`` counting from 1; ``warnings`` are what did not stand against it.

    ``work``: the step's kind in the sheet it began under.
    """

    unit: str
    step: str
    attempt: int
    work: str | None = None
    warnings: list[str] = []


class StepRefused(Event, frozen=True, kw_only=True, tag="step-refused"):
    """A step may not start or finish; ``reasons`` are all that apply."""

    step: str
    reasons: list[str]
    unit: str | None = None
    request: str = "start"


class StepHeld(Event, frozen=True, kw_only=True, tag="step-held"):
    """The running step stopped counting; it goes on only with ``resume``. ``alarm`` says why."""

    unit: str
    step: str
    alarm: str


class StepResumed(Event, frozen=True, kw_only=True, tag="step-resumed"):
    """A held step goes on."""

    unit: str
    step: str


class StepFinished(Event, frozen=True, kw_only=True, tag="step-finished"):
    """A step ended with a result; ``findings`` are the technician's own keys."""

    unit: str
    step: str
    result: str
    findings: dict[str, str] = {}


class StepAbandoned(Event, frozen=True, kw_only=True, tag="step-abandoned"):
    """A step was given up."""

    unit: str
    step: str
    reason: str


class RequestRefused(Event, frozen=True, kw_only=True, tag="request-refused"):
    """A request that is not a step start was not carried out; ``request`` is its text.

    ``detail``: of one that cannot be read, what is wrong with it.
    """

    request: str
    reasons: list[str]
    detail: str | None = None


class PlateAtSetpoint(Event, frozen=True, kw_only=True, tag="plate-at-setpoint"):
    """The plate first came inside the step's band."""

    unit: str
    step: str


class ExtractionProven(Event, frozen=True, kw_only=True, tag="extraction-proven"):
    """The extractor drew its current for the whole proving time."""


class ExtractionLost(Event, frozen=True, kw_only=True, tag="extraction-lost"):
    """The proof of extraction is gone."""

    reason: str


class SolventLifted(Event, frozen=True, kw_only=True, tag="solvent-lifted"):
    """The solvent bottle left its cradle; ``values``: ``ml``, what such a lift counts as."""


class SolventDispensed(Event, frozen=True, kw_only=True, tag="solvent-dispensed"):
    """Somebody said how much was drawn; ``values``: ``ml``, and ``added_ml``, what was not counted yet."""


class SolventReturned(Event, frozen=True, kw_only=True, tag="solvent-returned"):
    """The solvent bottle is back in its cradle."""


class PermitGranted(Event, frozen=True, kw_only=True, tag="permit-granted"):
    """The iron has power."""


class PermitDropped(Event, frozen=True, kw_only=True, tag="permit-dropped"):
    """The iron has no power; ``reasons`` are all that apply."""

    reasons: list[str]


class AlarmRaised(Event, frozen=True, kw_only=True, tag="alarm-raised"):
    """A cause stood for its delay."""

    alarm: str
    priority: str
    unit: str | None = None
    step: str | None = None
    reason: str | None = None


class AlarmAcknowledged(Event, frozen=True, kw_only=True, tag="alarm-acknowledged"):
    """Somebody has seen the alarm."""

    alarm: str


class AlarmReturned(Event, frozen=True, kw_only=True, tag="alarm-returned"):
    """The alarm's cause is gone; a latched alarm stays until it is reset."""

    alarm: str
    latched: bool = False


class AlarmClosed(Event, frozen=True, kw_only=True, tag="alarm-closed"):
    """The alarm's life is over."""

    alarm: str


class AlarmShelved(Event, frozen=True, kw_only=True, tag="alarm-shelved"):
    """The alarm is put aside for a limited time."""

    alarm: str
    minutes: float
    reason: str


class AlarmUnshelved(Event, frozen=True, kw_only=True, tag="alarm-unshelved"):
    """A shelved alarm counts again."""

    alarm: str
    reason: str


class AlarmSuppressed(Event, frozen=True, kw_only=True, tag="alarm-suppressed"):
    """The alarm is put aside by design while another one, ``reason``, tells the same trouble."""

    alarm: str
    reason: str


class AlarmUnsuppressed(Event, frozen=True, kw_only=True, tag="alarm-unsuppressed"):
    """An alarm that was suppressed by design counts again."""

    alarm: str


class AlarmOutOfService(Event, frozen=True, kw_only=True, tag="alarm-out-of-service"):
    """The alarm is taken out of service; ``by``: who authorised it."""

    alarm: str
    by: str
    reason: str


class AlarmInService(Event, frozen=True, kw_only=True, tag="alarm-in-service"):
    """The alarm is back in service; ``by``: who authorised it."""

    alarm: str
    by: str


class Calibrated(Event, frozen=True, kw_only=True, tag="calibrated"):
    """A measurement was calibrated. ``values`` hold the result (plate: ``gain``, ``offset_c``, …).

    ``points``: the raw points, each with names of their own; ``due``: until when it holds, as RFC 3339.
    """

    channel: str
    points: list[Values] = []
    due: str | None = None


class Commissioned(Event, frozen=True, kw_only=True, tag="commissioned"):
    """Somebody walked through the wiring of a station and signed what was found.

    ``verdicts``: what was looked at, each ``passed``, ``failed`` or ``skipped``; ``passed``: none failed;
    ``wires``: fingerprint of the wiring they hold for; ``values``: what was measured on the way.
    """

    station: str
    by: str
    passed: bool
    verdicts: dict[str, str]
    wires: str


class ShiftChecked(Event, frozen=True, kw_only=True, tag="shift-checked"):
    """A technician tried lamps, buzzer, extraction, plate and permit of the running bench."""

    by: str
    passed: bool
    verdicts: dict[str, str]


class SettingsChanged(Event, frozen=True, kw_only=True, tag="settings-changed"):
    """The station runs with other settings than before."""

    digest: str


class ReviewSigned(Event, frozen=True, kw_only=True, tag="review-signed"):
    """The safety lead signed a review."""

    period: str
    head: str


class MessageSetAside(Event, frozen=True, kw_only=True, tag="message-set-aside"):
    """Messages that the broker can never be given; what they say stays in this journal.

    ``stream``: ``events`` or ``readings``; ``first`` and ``last``: their ids, ``<boot>/<seq>``;
    ``values``: ``count``, how many of that stream for that reason.
    """

    stream: str
    reason: str
    first: str
    last: str


class TraceFinished(Event, frozen=True, kw_only=True, tag="trace-finished"):
    """The last line of a replay."""

    lines: int


EventBody: TypeAlias = (
    StationStarted
    | StationStopped
    | ClockSet
    | SignedIn
    | SignedOut
    | UnitBookedIn
    | UnitTaken
    | UnitPlaced
    | UnitRemoved
    | UnitClosed
    | StepStarted
    | StepRefused
    | StepHeld
    | StepResumed
    | StepFinished
    | StepAbandoned
    | RequestRefused
    | PlateAtSetpoint
    | ExtractionProven
    | ExtractionLost
    | SolventLifted
    | SolventDispensed
    | SolventReturned
    | PermitGranted
    | PermitDropped
    | AlarmRaised
    | AlarmAcknowledged
    | AlarmReturned
    | AlarmClosed
    | AlarmShelved
    | AlarmUnshelved
    | AlarmSuppressed
    | AlarmUnsuppressed
    | AlarmOutOfService
    | AlarmInService
    | Calibrated
    | Commissioned
    | ShiftChecked
    | SettingsChanged
    | ReviewSigned
    | MessageSetAside
    | TraceFinished
)

EVENT_TYPES: tuple[type[Event], ...] = get_args(EventBody)
KINDS: tuple[str, ...] = tuple(str(kind.__struct_config__.tag) for kind in EVENT_TYPES)

_ENVELOPE = ("seq", "boot", "mono_s", "at", "prev", "hash")


def kind_of(body: Event) -> str:
    """The event's kind as it is printed, e.g. ``alarm-raised``."""
    return str(body.__struct_config__.tag)


class EventRecord(msgspec.Struct, frozen=True, kw_only=True):
    """An event in its place in a station's journal; ``seq`` counts from 1 and never restarts."""

    seq: int
    boot: str
    mono_ms: int
    body: EventBody
    prev: str
    hash: str

    def fields(self) -> dict[str, Any]:
        """What the chain's hash covers: everything printed but ``at``, ``prev`` and ``hash``."""
        return hashed_fields(self.seq, self.boot, self.mono_ms, self.body)

    def to_dict(self, wall_ms: int | None) -> dict[str, Any]:
        """The printed form, with ``at`` as far as the boot's offset is known."""
        fields = self.fields()
        head = {key: fields.pop(key) for key in ("seq", "boot", "mono_s")}
        return {**head, "at": rfc3339(wall_ms), **fields, "prev": self.prev, "hash": self.hash}

    def to_json(self, wall_ms: int | None) -> str:
        """The printed form as one line of JSON."""
        return json.dumps(self.to_dict(wall_ms), ensure_ascii=False, separators=(", ", ": "))


def hashed_fields(seq: int, boot: str, mono_ms: int, body: EventBody) -> dict[str, Any]:
    """The flat fields of an event that its hash covers."""
    return {"seq": seq, "boot": boot, "mono_s": mono_ms / 1000, **msgspec.to_builtins(body)}


def body_from_fields(fields: Mapping[str, Any]) -> EventBody:
    """The event body inside a printed event.

    Raises:
        msgspec.ValidationError: the kind is unknown or a field is missing or of the wrong type.
    """
    kept = {key: value for key, value in fields.items() if key not in _ENVELOPE}
    body: EventBody = msgspec.convert(kept, EventBody)
    return body
