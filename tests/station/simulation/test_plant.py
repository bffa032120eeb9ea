"""The plant by itself: plate and motor behave as on a bench (figures: common practice, no source)."""

from collections.abc import Callable
from math import exp
from random import Random

import pytest

from station.simulation.fan import CLOGGED_A, RUNNING_A, START_A, Fan
from station.simulation.plate import AMBIENT_C, COOLING_S, Plate


def live_until(plate: Plate, condition: Callable[[Plate], bool], start_s: float = 0.0) -> float:
    """Advance tick by tick until ``condition`` holds; the time it took, at most half an hour."""
    for tick in range(18_000):
        plate.advance_to(start_s + tick / 10)
        if condition(plate):
            return tick / 10
    raise AssertionError("The plate never got there.")


def warm_plate() -> Plate:
    """A plate that has settled at 100 °C after 300 s."""
    plate = Plate()
    plate.setpoint_c = 100.0
    plate.advance_to(300.0)
    return plate


def watch(plate: Plate, start_s: float, end_s: float) -> list[float]:
    """The temperatures of every tick between two times."""
    seen = []
    for tick in range(round(start_s * 10), round(end_s * 10)):
        plate.advance_to(tick / 10)
        seen.append(plate.plate_c)
    return seen


def test_a_cold_plate_heats_up_in_a_minute_or_so() -> None:
    """From the room's 22 °C to 100 °C takes between 60 and 90 s."""
    plate = Plate()
    plate.setpoint_c = 100.0
    assert 60 <= live_until(plate, lambda p: p.plate_c >= 99.8) <= 90


def test_a_settled_plate_ripples_a_little() -> None:
    """The thermostat holds 100 °C within 0.4 °C, and visibly switches."""
    seen = watch(warm_plate(), 300.0, 400.0)
    assert 99.6 < min(seen) < 99.9
    assert 100.1 < max(seen) < 100.4


def test_a_plate_switched_off_cools_exponentially() -> None:
    """After one time constant 1/e of the excess over the room is left."""
    plate = warm_plate()
    excess_c = plate.plate_c - AMBIENT_C
    plate.setpoint_c = None
    plate.advance_to(300.0 + COOLING_S)
    assert plate.plate_c - AMBIENT_C == pytest.approx(excess_c * exp(-1), rel=0.01)
    assert not plate.heating


def test_a_cold_panel_makes_a_dip_that_recovers() -> None:
    """A panel at room temperature costs 3 to 5 °C, which are back within a minute."""
    plate = warm_plate()
    plate.lay_panel()
    assert 3.0 < 100.0 - min(watch(plate, 300.0, 360.0)) < 5.0
    assert min(watch(plate, 360.0, 420.0)) > 99.6


def test_a_lifted_panel_takes_no_more_heat() -> None:
    """A panel lifted at once leaves the plate as if it had never been there."""
    with_panel, without = warm_plate(), warm_plate()
    with_panel.lay_panel()
    with_panel.lift_panel()
    assert watch(with_panel, 300.0, 320.0) == watch(without, 300.0, 320.0)


def test_a_runaway_plate_passes_130() -> None:
    """With its thermostat stuck on, a plate at 100 °C is beyond 130 °C within two minutes."""
    plate = warm_plate()
    plate.stuck_on = True
    assert 20 < live_until(plate, lambda p: p.plate_c > 130.0, start_s=300.0) < 120


def test_a_failing_heater_cannot_hold_the_plate() -> None:
    """With a third of its power the heater lets a plate at 100 °C fall, and with none it goes cold."""
    plate = warm_plate()
    plate.heater_share = 0.33
    plate.advance_to(500.0)
    assert 90.0 < plate.plate_c < 99.0
    plate.heater_share = 0.0
    plate.advance_to(2500.0)
    assert plate.plate_c == pytest.approx(AMBIENT_C, abs=0.1)


def test_a_drifting_thermostat_takes_the_plate_along() -> None:
    """A degree a minute for ten minutes is ten degrees."""
    plate = warm_plate()
    plate.drift_c_per_min = 1.0
    plate.advance_to(900.0)
    assert plate.plate_c == pytest.approx(110.0, abs=0.6)


def test_the_cold_junction_warms_beside_a_hot_plate() -> None:
    """From 24 °C it creeps towards 29 °C within the hour, and never jumps."""
    plate = warm_plate()
    early_c = plate.cold_junction_c
    plate.advance_to(3600.0)
    assert 24.0 < early_c < 27.0
    assert plate.cold_junction_c == pytest.approx(29.0, abs=0.2)


def test_how_often_one_asks_does_not_matter() -> None:
    """A plate asked every 70 ms, and one asked once, are the same at the end; going back changes nothing."""
    often, once = warm_plate(), warm_plate()
    for n in range(1000):
        often.advance_to(300.0 + n * 0.07)
    often.advance_to(370.0)
    once.advance_to(370.0)
    once.advance_to(10.0)
    assert (often.plate_c, often.cold_junction_c) == (once.plate_c, once.cold_junction_c)


def test_a_starting_motor_surges_and_settles() -> None:
    """2.2 A at the moment of starting, 1/e of the surge left after 0.3 s, 0.42 A after two seconds."""
    fan = Fan(Random(1))
    assert fan.current_a(5.0) == 0.0
    fan.start()
    assert fan.current_a(10.0) == pytest.approx(START_A, abs=0.05)
    assert fan.current_a(10.3) == pytest.approx(RUNNING_A + (START_A - RUNNING_A) * exp(-1), abs=0.05)
    assert fan.current_a(12.0) == pytest.approx(RUNNING_A, abs=0.05)


def test_a_motor_that_runs_does_not_start_again() -> None:
    """Switching on what runs makes no new surge; after a stop there is one."""
    fan = Fan(Random(1))
    fan.start()
    fan.current_a(0.0)
    fan.start()
    assert fan.current_a(10.0) < 0.5
    fan.stop()
    assert fan.current_a(11.0) == 0.0
    fan.start()
    assert fan.current_a(12.0) > 2.0


def test_a_clogged_filter_lowers_the_current() -> None:
    """A centrifugal blower that moves less air draws less: 0.33 A on average, wavering."""
    fan = Fan(Random(1))
    fan.start()
    fan.clogged = True
    fan.current_a(0.0)
    currents = [fan.current_a(10.0 + n) for n in range(200)]
    assert sum(currents) / 200 == pytest.approx(CLOGGED_A, abs=0.005)
    assert len(set(currents)) == 200
