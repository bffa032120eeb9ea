"""The sums behind the parts: what a converter resolves of a current, and how long a pump holds a relay.

Formulas: the converter's step is its reference over 1024 (10 bits); rounding to steps is a noise of a step
over the root of twelve; a sine clips when its peak leaves the bias at half the supply; a capacitor empties
through a resistor exponentially. Volts per ampere of a transformer are burden over turns ratio, times the
turns that the conductor makes through the core.
"""

import math
from typing import NamedTuple

from station.settings import ExtractionWire

CODES = 1024


class CurrentSums(NamedTuple):
    """What the converter makes of a current, in amperes RMS.

    ``step_a``: one step of the converter, as a current; ``rounding_a``: the noise of rounding to steps;
    ``least_a``: three times the greater of that noise and the floor: no threshold may lie lower;
    ``clips_a``: the greatest current that is still whole.
    """

    step_a: float
    rounding_a: float
    least_a: float
    clips_a: float


def current_sums(wire: ExtractionWire) -> CurrentSums:
    """The sums of a transformer or a transducer on its converter."""
    step_a = wire.supply_v / CODES / wire.volts_per_ampere
    rounding_a = step_a / math.sqrt(12)
    if wire.kind == "dc-level":
        clips_a = (wire.supply_v - wire.zero_v) / wire.volts_per_ampere
    else:
        clips_a = wire.supply_v / 2 / math.sqrt(2) / wire.volts_per_ampere
    return CurrentSums(step_a, rounding_a, 3 * max(rounding_a, wire.floor_a), clips_a)


def volts_per_ampere(burden_ohm: float, ratio: float, turns: int) -> float:
    """What a current transformer gives across its burden."""
    return burden_ohm / ratio * turns


class Pump(NamedTuple):
    """A charge pump behind the heartbeat: it holds a transistor on only while the line keeps changing.

    ``swing_v``: of the line behind its first transistor; ``drop_v``: forward voltage of each of its two
    diodes; ``couple_f``: capacitor between line and diodes; ``hold_f`` and ``bleed_ohm``: what is held, and
    what empties it; ``on_v`` / ``off_v``: gate voltages from which the transistor is surely on, surely off.

    While the line is high both capacitors feed the gate, while it is low the held one alone.
    """

    bleed_ohm: float
    swing_v: float = 5.0
    drop_v: float = 0.3
    couple_f: float = 1e-6
    hold_f: float = 1e-6
    on_v: float = 1.8
    off_v: float = 0.4

    @property
    def high_s(self) -> float:
        """Time constant of the gate while the line is high."""
        return self.bleed_ohm * (self.couple_f + self.hold_f)

    @property
    def low_s(self) -> float:
        """Time constant of the gate while the line is low."""
        return self.bleed_ohm * self.hold_f

    def highest_v(self, tick_s: float) -> float:
        """The gate right after a rise, once the line has changed for long at every tick."""
        kept = math.exp(-tick_s / self.high_s - tick_s / self.low_s)
        share = self.couple_f / (self.couple_f + self.hold_f)
        return share * (self.swing_v - 2 * self.drop_v) / (1 - (1 - share) * kept)

    def lowest_v(self, tick_s: float) -> float:
        """The gate right before a rise."""
        return self.highest_v(tick_s) * math.exp(-tick_s / self.high_s - tick_s / self.low_s)


class Release(NamedTuple):
    """How the relay follows a heartbeat that stops, in seconds after its last change.

    ``soonest_s``: before this it is surely still on; ``latest_s``: from this on surely off, whether the line
    stopped high or low.
    """

    soonest_s: float
    latest_s: float


def release(pump: Pump, tick_s: float) -> Release:
    """When a pump lets the relay go after the last change of its line."""
    risen_v = pump.highest_v(tick_s)
    fallen_v = risen_v * math.exp(-tick_s / pump.high_s)
    gates = ((risen_v, pump.high_s), (fallen_v, pump.low_s))
    return Release(
        soonest_s=min(constant_s * math.log(from_v / pump.on_v) for from_v, constant_s in gates),
        latest_s=max(constant_s * math.log(from_v / pump.off_v) for from_v, constant_s in gates),
    )


_E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
_BLEEDS_OHM = tuple(float(mantissa * 10**power) for power in (3, 4, 5) for mantissa in _E12)
# A tick may come late, or be left out, without the iron losing its power.
TICKS_HELD = 3


def pump_for(tick_s: float) -> Pump:
    """The pump whose resistor is the smallest of the E12 series (IEC 60063) that holds for three ticks.

    Raises:
        ValueError: there is none for such a tick.
    """
    for bleed_ohm in _BLEEDS_OHM:
        pump = Pump(bleed_ohm)
        if pump.lowest_v(tick_s) > pump.on_v and release(pump, tick_s).soonest_s >= TICKS_HELD * tick_s:
            return pump
    raise ValueError(f"No resistor holds a pump over a tick of {tick_s!r} s; ticks are 0.02 to 0.5 s.")
