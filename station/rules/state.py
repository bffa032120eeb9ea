"""The state of the bench, in two kinds.

`Durable` is what must survive a restart: it is exactly the fold of the journal's events (`fold.apply`) and is
never changed in another way. `Watch` is what is about the wires: filters, delays, proof of extraction. It
starts as unknown with every start of the station, and unknown is never safe.
"""

from enum import StrEnum
from typing import NamedTuple

import msgspec

from shared.readings import PlateQuality
from shared.timeline import Moment
from station.rules.vapour import VapourWatch
from station.rules.warming import Warming


class Life(StrEnum):
    """The states of an alarm, as ISA-18.2 / IEC 62682 name them.

    The last three put it aside: shelved by a technician for a while, suppressed by design while another row
    tells the same trouble, out of service by somebody authorised. Aside it has no light and no sound; what
    its cause does to steps and permit goes on.
    """

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched-unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched-acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    OUT_OF_SERVICE = "out-of-service"


class AlarmLife(msgspec.Struct, frozen=True):
    """One alarm that is not normal: its state, since when, and until when it is shelved."""

    state: Life
    since: Moment
    shelved_min: float = 0.0


class Run(msgspec.Struct, frozen=True):
    """A step under way on a unit. ``held_by``: the alarms that hold it; empty while it runs.

    ``work``: the step's kind when it began; None in records that did not tell it.
    """

    step: str
    attempt: int
    started: Moment
    work: str | None = None
    held_by: tuple[str, ...] = ()
    at_setpoint: bool = False


class Unit(msgspec.Struct, frozen=True):
    """A unit this bench knows.

    ``passed``: steps whose last attempt ended with pass, in the order in which they did; ``attempts``: starts
    of each step.
    """

    model: str
    job: str | None = None
    passed: tuple[str, ...] = ()
    attempts: dict[str, int] = {}
    run: Run | None = None


class Commission(msgspec.Struct, frozen=True):
    """A walk through the wiring: who signed it and when, for which wires, and whether nothing failed."""

    by: str
    passed: bool
    wires: str
    at: Moment


class ShiftCheck(msgspec.Struct, frozen=True):
    """The last check of a shift: who made it and when, and whether all was as it should be."""

    by: str
    passed: bool
    at: Moment


class Dating(msgspec.Struct, frozen=True):
    """What the clock said of a boot: wall time minus monotonic time, ms."""

    boot: str
    offset_ms: int


class Durable(msgspec.Struct, frozen=True):
    """The fold of the journal's events. ``alarms`` holds only those that are not normal.

    ``settings``: the fingerprint of the settings the station last ran with. ``commission``: the newest one.
    ``dated``: the latest of the datings that the clock has given the last boot that had any.
    """

    settings: str | None = None
    technician: str | None = None
    in_hand: str | None = None
    on_plate: str | None = None
    units: dict[str, Unit] = {}
    alarms: dict[str, AlarmLife] = {}
    commission: Commission | None = None
    shift_check: ShiftCheck | None = None
    dated: Dating | None = None

    @property
    def run(self) -> Run | None:
        """The step under way on the unit in hand, cures included."""
        unit = self.units.get(self.in_hand) if self.in_hand else None
        return unit.run if unit else None


class Timer(NamedTuple):
    """A cause's delay: whether it stands, and since when it has wanted to change."""

    standing: bool = False
    since_ms: int | None = None


class PlateWatch(msgspec.Struct, frozen=True):
    """The plate's filter. ``plate_c`` is the median of the last valid readings; None with no valid one now.

    ``seen`` turns true with the first valid reading since the start or a gap. ``bad_ms``: time without a
    valid reading, of which good readings take half as much away again. ``valid_ms``: when the last valid
    reading came. ``faults``: how often each kind has begun since the start.
    """

    plate_c: float | None = None
    quality: PlateQuality = PlateQuality.UNKNOWN
    cold_junction_c: float | None = None
    recent: tuple[float, ...] = ()
    seen: bool = False
    word: int | None = None
    word_since_ms: int = 0
    last_c: float | None = None
    last_ms: int = 0
    bad_since_ms: int | None = None
    bad_ms: int = 0
    valid_ms: int | None = None
    faults: dict[str, int] = {}


class ExtractionWatch(msgspec.Struct, frozen=True):
    """The proof of extraction: ``proven``, and since when the current has spoken for or against it.

    ``below_ms``: time that spoke against it; time between the thresholds takes half as much away again.
    """

    proven: bool = False
    below_ms: int = 0
    since_ms: int | None = None
    above_since_ms: int | None = None
    below_since_ms: int | None = None


class HeatWatch(msgspec.Struct, frozen=True):
    """The clocks of the running heat step: soak so far, and the foot from which its rise is judged.

    ``start_c``: the plate when the step began.
    """

    soak_ms: int = 0
    inside: bool = False
    start_c: float | None = None
    foot_c: float | None = None
    foot_ms: int = 0


class Watch(msgspec.Struct, frozen=True):
    """Everything about the wires and the tick; starts unknown.

    ``lifted``: the last that was told of the bottle. ``unsure_since_ms``: since when nobody can tell where
    the bottle is. ``silenced``: alarms whose sound somebody stopped.
    ``hot_ms``: time at or above the heat budget's temperature, by unit. ``refused_ms``: when a request was
    last refused, for the short sound that says so. ``lamp_test_ms``: when a lamp test was last asked for.
    """

    last_ms: int | None = None
    plate: PlateWatch = PlateWatch()
    extraction: ExtractionWatch = ExtractionWatch()
    heat: HeatWatch = HeatWatch()
    warming: Warming = Warming()
    vapour: VapourWatch = VapourWatch()
    hot_ms: dict[str, int] = {}
    solvent_out: bool | None = None
    lifted: bool = False
    unsure_since_ms: int | None = None
    timers: dict[str, Timer] = {}
    permit: bool = False
    solder_ended_ms: int | None = None
    silenced: frozenset[str] = frozenset()
    refused_ms: int | None = None
    lamp_test_ms: int | None = None
    heartbeat: bool = False


class State(msgspec.Struct, frozen=True):
    """The whole state that one tick hands to the next."""

    durable: Durable = Durable()
    watch: Watch = Watch()
