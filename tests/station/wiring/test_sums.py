"""The sums behind the parts, against worked figures and a stepwise simulation of the pump."""

import pytest

from station.settings import ExtractionWire
from station.wiring.sums import Pump, current_sums, pump_for, release, volts_per_ampere


@pytest.mark.parametrize(
    ("per_ampere", "step_a", "rounding_a", "clips_a"),
    [
        (0.0165, 0.1953, 0.0564, 70.7),
        (0.165, 0.01953, 0.00564, 7.07),
        (1 / 30, 0.0967, 0.0279, 35.0),
        (0.011, 0.2930, 0.0846, 106.0),
    ],
)
def test_current_sums_are_the_worked_figures(
    per_ampere: float, step_a: float, rounding_a: float, clips_a: float
) -> None:
    """MCP3008 at 3.3 V: 3.2227 mV a step, 0.9303 mV of rounding (DS21295: code = 1024 Vin/Vref), by hand."""
    sums = current_sums(ExtractionWire(volts_per_ampere=per_ampere, supply_v=3.3, floor_a=0.0))
    assert sums.step_a == pytest.approx(step_a, rel=3e-3)
    assert sums.rounding_a == pytest.approx(rounding_a, rel=3e-3)
    assert sums.least_a == pytest.approx(3 * rounding_a, rel=3e-3)
    assert sums.clips_a == pytest.approx(clips_a, rel=3e-3)


def test_floor_sets_the_least_threshold_where_it_is_greater() -> None:
    """Three times the floor, as a threshold below it would be passed by noise."""
    assert current_sums(ExtractionWire(floor_a=0.05)).least_a == pytest.approx(0.15)


def test_transducer_has_the_whole_reference_above_its_zero() -> None:
    """0.4 V to 3.3 V at 0.5 V per ampere: 5.8 A."""
    wire = ExtractionWire(kind="dc-level", volts_per_ampere=0.5, zero_v=0.4)
    assert current_sums(wire).clips_a == pytest.approx(5.8)


@pytest.mark.parametrize(("burden", "turns", "slope"), [(33, 1, 0.0165), (33, 10, 0.165), (22, 1, 0.011)])
def test_transformer_gives_burden_over_ratio_times_turns(burden: float, turns: int, slope: float) -> None:
    """A 100 A : 50 mA transformer is one of 2000 turns."""
    assert volts_per_ampere(burden, 2000, turns) == pytest.approx(slope)


def simulated(pump: Pump, tick_s: float, changes: int, then_s: float) -> list[tuple[float, float]]:
    """Seconds and volts at the gate while the line changes and after it has stopped, in steps of 0.1 ms.

    Capacitors as charges: while the line is high the coupling one gives to the held one whenever the diode
    conducts; at a fall it fills again through the other diode; the resistor takes its current all the time.
    """
    step_s, held_v, couple_v, high = 1e-4, 0.0, 0.0, False
    found = []
    ticks = round(tick_s / step_s)
    for step in range(changes * ticks + round(then_s / step_s)):
        if step % ticks == 0 and step < changes * ticks:
            high = not high
        line_v = pump.swing_v if high else 0.0
        over_v = line_v - couple_v - held_v - pump.drop_v
        if over_v > 0:
            charge = over_v / (1 / pump.couple_f + 1 / pump.hold_f)
            couple_v += charge / pump.couple_f
            held_v += charge / pump.hold_f
        elif line_v - couple_v < -pump.drop_v:
            couple_v = line_v + pump.drop_v
        held_v -= held_v / pump.bleed_ohm / pump.hold_f * step_s
        found.append((step * step_s, held_v))
    return found


@pytest.mark.parametrize("tick_s", [0.02, 0.1, 0.5])
def test_pump_holds_while_it_beats_and_lets_go_when_it_is_said_to(tick_s: float) -> None:
    """The closed form against the capacitors, step by step; the line stops low as well as high."""
    pump = pump_for(tick_s)
    told = release(pump, tick_s)
    offs, weak = [], []
    for changes in (60, 61):  # the last one is a fall, a rise
        run = simulated(pump, tick_s, changes, told.latest_s * 1.1)
        stopped_s = (changes - 1) * tick_s
        settled = [volts for at_s, volts in run if stopped_s - 20 * tick_s < at_s < stopped_s - 1e-3]
        assert min(settled) == pytest.approx(pump.lowest_v(tick_s), rel=0.01)
        assert max(settled) == pytest.approx(pump.highest_v(tick_s), rel=0.01)
        assert min(settled) > pump.on_v
        after = [(at_s - stopped_s, volts) for at_s, volts in run if at_s > stopped_s + 1e-3]
        offs.append(next(since_s for since_s, volts in after if volts < pump.off_v))
        weak.append(next(since_s for since_s, volts in after if volts < pump.on_v))
    assert min(weak) == pytest.approx(told.soonest_s, rel=0.02, abs=0.002)
    assert max(offs) == pytest.approx(told.latest_s, rel=0.02)
    assert told.soonest_s >= 3 * tick_s


def test_pump_of_the_default_tick_lets_go_within_two_and_a_half_seconds() -> None:
    """What the guide promises of a station that was killed; a line that never moved holds nothing."""
    assert release(pump_for(0.1), 0.1).latest_s < 2.5
    assert simulated(pump_for(0.1), 0.1, 0, 1.0)[-1][1] == 0


def test_tick_that_no_pump_bridges_is_refused() -> None:
    """Resistors end at 8.2 MΩ, where leakage does more than they do."""
    with pytest.raises(ValueError, match="20 s"):
        pump_for(20)
