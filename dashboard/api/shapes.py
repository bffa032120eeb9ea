"""What the interface answers, and what its queries may say: the shapes that its description is made from.

Times are RFC 3339 in UTC, null while the wall time is unknown; durations in seconds or hours as named.
"""

from datetime import datetime
from typing import Annotated, Any

import msgspec
from msgspec import UNSET, Meta, UnsetType, field

from shared.messages import EVENT_DATA, StationState
from shared.requests import Identifier

LIMIT_AT_MOST = 1000
Time = Annotated[datetime, Meta(tz=True, description="RFC 3339 with an offset")]
Seq = Annotated[int, Meta(ge=0, le=2**53)]
Limit = Annotated[int, Meta(ge=1, le=LIMIT_AT_MOST, description="At most so many")]
Word = Annotated[str, Meta(min_length=1, max_length=200)]


class Query(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What every query has in common: a name that is not known is refused, never passed over."""


class NamePage(Query, frozen=True, kw_only=True):
    """A page by name."""

    after: Annotated[str, Meta(max_length=40, description="The last name of the page before")] = ""
    limit: Limit = 100


class SeqPage(Query, frozen=True, kw_only=True):
    """A page by seq."""

    after: Annotated[Seq, Meta(description="next_after of the page before")] = 0
    limit: Limit = 100


class UnitQuery(SeqPage, frozen=True, kw_only=True):
    """Which units."""

    unit: Identifier | UnsetType = UNSET
    model: Identifier | UnsetType = UNSET
    job: Identifier | UnsetType = UNSET
    outcome: Annotated[Word, Meta(description="open for those still at the bench")] | UnsetType = UNSET


class EventQuery(SeqPage, frozen=True, kw_only=True):
    """Which events; the end is excluded, and what has no time is left out when one is given."""

    kind: Annotated[str, Meta(max_length=40)] | UnsetType = UNSET
    unit: Identifier | UnsetType = UNSET
    from_: Time | UnsetType = field(default=UNSET, name="from")
    to: Time | UnsetType = UNSET


class AlarmQuery(SeqPage, frozen=True, kw_only=True):
    """Which annunciations, by when they were raised."""

    from_: Time | UnsetType = field(default=UNSET, name="from")
    to: Time | UnsetType = UNSET


class PeriodQuery(Query, frozen=True, kw_only=True):
    """A period; the end is excluded. Without times: all that is on record."""

    from_: Time | UnsetType = field(default=UNSET, name="from")
    to: Time | UnsetType = UNSET


class StationLine(msgspec.Struct, frozen=True, kw_only=True):
    """A station. ``liveness``: live, silent, stopped, cut-off or never; only live is now."""

    station: str
    liveness: str
    age_s: float | None


class StationPage(msgspec.Struct, frozen=True, kw_only=True):
    """Stations by name."""

    items: list[StationLine]
    next_after: str | None


class StationNow(msgspec.Struct, frozen=True, kw_only=True):
    """A station's newest state. Unless ``liveness`` is live it says nothing about now."""

    station: str
    liveness: str
    age_s: float | None
    state: StationState | None


class StepLine(msgspec.Struct, frozen=True, kw_only=True):
    """A step and its result: pass, fail, abandoned or running."""

    step: str
    result: str


class Stay(msgspec.Struct, frozen=True, kw_only=True):
    """A unit's stay at the bench; ``seq`` of its booking in."""

    seq: int
    unit: str
    model: str
    job: str | None
    booked_in: str | None
    outcome: str
    steps: list[StepLine]


class UnitPage(msgspec.Struct, frozen=True, kw_only=True):
    """Stays in order of booking in."""

    items: list[Stay]
    next_after: int | None


class Attempt(msgspec.Struct, frozen=True, kw_only=True):
    """One attempt at a step, with what was found."""

    step: str
    attempt: int
    technician: str | None
    started: str | None
    ended: str | None
    result: str
    findings: dict[str, str]


class Annunciation(msgspec.Struct, frozen=True, kw_only=True):
    """One life of an alarm; ``seq`` of its raising. What has not come is null."""

    seq: int
    alarm: str
    priority: str
    unit: str | None
    step: str | None
    reason: str | None
    boot: str
    raised: str | None
    acknowledged: str | None
    returned: str | None
    closed: str | None
    put_aside: str | None
    active: bool


class Unit(msgspec.Struct, frozen=True, kw_only=True):
    """Everything on record of a unit but its heat."""

    unit: str
    model: str
    job: str | None
    outcome: str
    attempts: list[Attempt]
    alarms: list[Annunciation]


class Stretch(msgspec.Struct, frozen=True, kw_only=True):
    """A stretch of a boot's monotonic time."""

    boot: str
    from_s: float
    to_s: float


class UnseenStretch(msgspec.Struct, frozen=True, kw_only=True):
    """The unit lay on the plate and no station ran. ``length_s``: null where either boot has no date."""

    boot: str
    from_s: float
    next_boot: str
    next_from_s: float
    length_s: float | None


class HeatFigures(msgspec.Struct, frozen=True, kw_only=True):
    """Heat over some time on the plate; gaps are never bridged. ``coverage``: share with a valid reading."""

    duration_s: float
    coverage: float | None
    gaps: list[Stretch]
    unseen: list[UnseenStretch]
    peak_c: float | None
    mean_c: float | None
    time_above_s: dict[str, float]
    max_rise_c_per_min: float | None
    mean_kinetic_c: float | None
    equivalent_min_at_100c: float
    heat_cycles: int


class UnitHeat(HeatFigures, frozen=True, kw_only=True):
    """A unit's heat history over all its time on the plate, and by step."""

    unit: str
    intervals: list[Stretch]
    by_step: dict[str, HeatFigures]


Event = Annotated[dict[str, Any], Meta(extra_json_schema=EVENT_DATA, title="Event")]


class EventPage(msgspec.Struct, frozen=True, kw_only=True):
    """Events, oldest first."""

    items: list[Event]
    next_after: int | None


class AlarmPage(msgspec.Struct, frozen=True, kw_only=True):
    """Annunciations, oldest first."""

    items: list[Annunciation]
    next_after: int | None


class Figure(msgspec.Struct, frozen=True, kw_only=True):
    """A figure beside its benchmark; ``verdict``: within, bearable, above, below, too short, not judged."""

    name: str
    means: str
    value: float | None
    unit: str
    acceptable: float | None
    manageable: float | None
    verdict: str


class Flood(msgspec.Struct, frozen=True, kw_only=True):
    """More alarms than anybody can handle."""

    boot: str
    from_s: float
    to_s: float
    alarms: int


class Share(msgspec.Struct, frozen=True, kw_only=True):
    """An alarm's annunciations and their share of all."""

    alarm: str
    times: int
    share: float


class Performance(msgspec.Struct, frozen=True, kw_only=True):
    """How well the alarms serve the people at the bench."""

    watched_h: float
    alarms: int
    figures: list[Figure]
    floods: list[Flood]
    chattering: list[str]
    stale: list[str]
    top: list[Share]


class Extraction(msgspec.Struct, frozen=True, kw_only=True):
    """The extractor over a period.

    ``hours_run``: with a current at or above ``running_from_a``; ``hours_without_current``: on record without
    a current, run or not (not read, or told by a switch). Where seconds were pruned, both count by the
    minute, one as run by its mean current: up to a minute off at each start and stop. ``hours_proven``: with
    proof.
    ``soldering_proven_share``: of the soldering time, null when nobody soldered; it should be 1.
    """

    hours_run: float
    hours_without_current: float
    running_from_a: float
    hours_proven: float
    proof_losses: int
    hours_soldering: float
    hours_soldering_proven: float
    soldering_proven_share: float | None


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """Up or down, and nothing else."""

    status: str
