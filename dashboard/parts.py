"""The parts of a bench's page as values: what each one says, ready to print.

The defaults are what a part says while nothing is known.
"""

import zlib

import msgspec

from dashboard.acts import Act, Field
from dashboard.band import Band
from dashboard.drawing import Drawing
from dashboard.words import NO_NUMBER


class PlateView(msgspec.Struct, frozen=True, kw_only=True):
    """The plate. ``pointer_x`` and the band edges are places on the ladder drawing.

    ``sure``: how sure the number is; ``panel``: the estimate of the panel, and how long it still takes.
    """

    number: str = NO_NUMBER
    note: str = ""
    sure: str = ""
    panel: str = ""
    doubtful: bool = True
    setpoint: str = "Not known"
    pointer_x: float | None = None
    band_x: float | None = None
    band_width: float = 0.0


class AirView(msgspec.Struct, frozen=True, kw_only=True):
    """The fume extraction."""

    word: str = "Not known"
    shape: str = "unknown"
    since: str = ""
    amperes: str = NO_NUMBER
    note: str = ""


class BottleView(msgspec.Struct, frozen=True, kw_only=True):
    """The solvent bottle, and the vapour as it is estimated, with what that rests on."""

    word: str = "Not known"
    shape: str = "unknown"
    note: str = ""
    vapour: str = ""
    breathed: str = ""
    assumes: str = ""


class Dial(msgspec.Struct, frozen=True, kw_only=True):
    """One clock of a step; ``share`` of its due time has gone, if it has one."""

    label: str
    text: str
    due: str | None = None
    share: float | None = None
    late: bool = False


class HandView(msgspec.Struct, frozen=True, kw_only=True):
    """The unit in hand and its step."""

    unit: str = NO_NUMBER
    model: str = ""
    place: str = ""
    technician: str = ""
    step: str = ""
    motion: str = ""
    shape: str = "unknown"
    why: tuple[str, ...] = ()
    dials: tuple[Dial, ...] = ()


class IronView(msgspec.Struct, frozen=True, kw_only=True):
    """The soldering iron's power."""

    word: str = "Not known"
    shape: str = "unknown"
    reasons: tuple[str, ...] = ()


class LockView(msgspec.Struct, frozen=True, kw_only=True):
    """One thing that is locked and why."""

    title: str
    reasons: tuple[str, ...]


class AlarmView(msgspec.Struct, frozen=True, kw_only=True):
    """One alarm, what it is and what to do."""

    priority: str
    title: str
    text: str
    state: str
    since: str
    unseen: bool
    act: Act | None = None


class LampView(msgspec.Struct, frozen=True, kw_only=True):
    """One lamp of the station light; ``mode`` is ``unknown`` while the station is not live."""

    colour: str
    meaning: str
    mode: str
    words: str


class EventView(msgspec.Struct, frozen=True, kw_only=True):
    """One line of what happened lately."""

    at: str | None
    time: str
    text: str


class ActsView(msgspec.Struct, frozen=True, kw_only=True):
    """The buttons: for the unit in hand, for any time, and those with something to write."""

    bench: tuple[Act, ...] = ()
    others: tuple[Act, ...] = ()
    fields: tuple[Field, ...] = ()

    @property
    def mark(self) -> str:
        """Tells these fields from others: a page whose forms bear another one has them renewed."""
        return f"{zlib.crc32(msgspec.json.encode(self.fields)):08x}"


class BenchView(msgspec.Struct, frozen=True, kw_only=True):
    """One bench, ready to print."""

    station: str
    live: bool
    band: Band
    note: str = ""
    as_of: str = ""
    last_heard: str = ""
    plate: PlateView = PlateView()
    air: AirView = AirView()
    bottle: BottleView = BottleView()
    hand: HandView = HandView()
    iron: IronView = IronView()
    locks: tuple[LockView, ...] = ()
    alarms: tuple[AlarmView, ...] = ()
    alarm_acts: tuple[Act, ...] = ()
    acts: ActsView = ActsView()
    trace: Drawing | None = None
    lamps: tuple[LampView, ...] = ()
    sound: str = "The buzzer: not known"
    events: tuple[EventView, ...] = ()
