"""Lamps, sounds and output levels: what the outputs can say, for the rules, the drivers and the pages.

Colours mean what IEC 60073 gives them: red danger, act at once; amber abnormal, look; green normal; blue
something the technician must do. Flashes are 0.6 Hz and 2 Hz (both inside the standard's two bands, as
restated by secondary sources).
"""

from enum import StrEnum

import msgspec


class Lamp(StrEnum):
    """How one lamp is lit."""

    OFF = "off"
    STEADY = "steady"
    SLOW = "slow"
    FAST = "fast"


class Sound(StrEnum):
    """Which pattern the buzzer plays: one for each alarm priority, one for a refusal, one for a lamp test."""

    NONE = "none"
    REFUSED = "refused"
    TEST = "test"
    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"
    CRITICAL = "critical"


class Indication(msgspec.Struct, frozen=True, kw_only=True):
    """What the station light and the buzzer say, before flashing is worked out."""

    red: Lamp = Lamp.OFF
    amber: Lamp = Lamp.OFF
    green: Lamp = Lamp.OFF
    blue: Lamp = Lamp.OFF
    sound: Sound = Sound.NONE


class Levels(msgspec.Struct, frozen=True, kw_only=True):
    """The levels of the output pins for this tick. The defaults are the safe ones: nothing energised."""

    red: bool = False
    amber: bool = False
    green: bool = False
    blue: bool = False
    buzzer: bool = False
    permit: bool = False
    heartbeat: bool = False


SAFE = Levels()
