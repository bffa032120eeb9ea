"""What decoding and RMS cost beside the least such work can cost; prints ratios, asserts no times."""

import struct
from collections.abc import Callable
from math import exp, pi, sin
from random import Random
from timeit import repeat

import numpy as np
import pytest
from thermocouples import get_thermocouple

from shared.readings import PlateQuality
from station.measurement.coefficients import Letter
from station.measurement.frame import decode, encode
from station.measurement.its90 import linearised_c
from station.measurement.rms import extraction_reading
from station.rules.panel import Panel, advance, plate_trend, time_to_reach_s
from station.simulation.bench import SimulatedBench

pytestmark = pytest.mark.benchmark


def best_s(work: Callable[[], object], number: int) -> float:
    """Seconds of one call, the best of five runs."""
    return min(repeat(work, number=number, repeat=5)) / number


def test_frames_decoded_and_corrected() -> None:
    """A thousand frames are decoded, corrected and believed; the floor is unpacking their bytes."""
    random = Random(1)
    words = [encode(random.uniform(20, 130), random.uniform(20, 40)) for _ in range(1000)]
    frames = [word.to_bytes(4, "big") for word in words]
    readings = [decode(word) for word in words]
    assert {reading.quality for reading in readings} == {PlateQuality.GOOD}
    ours_s = best_s(lambda: [decode(int.from_bytes(frame, "big")) for frame in frames], 10) / 1000
    floor_s = best_s(lambda: [struct.unpack(">hh", frame) for frame in frames], 10) / 1000
    print(
        f"\ndecode and correct: {1 / ours_s:,.0f} frames/s ({ours_s * 1e6:.2f} µs), "
        f"{ours_s / floor_s:.0f} times struct.unpack"
    )


def test_windows_to_current() -> None:
    """A window of a hundred codes becomes a current; the floor is numpy's std of the same list."""
    times_s = [n / 1000 for n in range(100)]
    codes = [round(512 + 40 * sin(2 * pi * 50 * t)) for t in times_s]

    def ours() -> float | None:
        return extraction_reading(
            codes, times_s, cycles=5, mains_hz=50, volts_per_code=0.001, volts_per_ampere=1.0, floor_a=0.0
        ).extraction_a

    assert ours() == pytest.approx(float(np.std(codes)) / 1000, rel=1e-9)
    ours_s, floor_s = best_s(ours, 500), best_s(lambda: np.std(codes), 500)
    print(
        f"\nRMS: {1 / ours_s:,.0f} windows/s ({ours_s * 1e6:.1f} µs), {ours_s / floor_s:.1f} times numpy.std"
    )


def test_ticks_of_the_simulated_bench() -> None:
    """A whole simulated tick reads good; printed as ticks a second and its share for the 100 conversions."""
    sim = SimulatedBench(seed=1)
    sim.fan.start()
    ticks = 0

    def tick() -> None:
        nonlocal ticks
        ticks += 1
        sim.advance_to(ticks / 10)
        sim.bench.read()

    tick_s = best_s(tick, 200)
    adc = sim._pins._adc
    transfer_s = best_s(lambda: adc.transfer([1, 0x80, 0]), 20_000)
    print(
        f"\nsimulated tick: {1 / tick_s:,.0f} ticks/s ({tick_s * 1e3:.2f} ms), "
        f"transfer {transfer_s * 1e6:.2f} µs"
    )
    assert sim.bench.read()[0].quality is PlateQuality.GOOD
    sim.bench.close()


@pytest.mark.parametrize("letter", ["K", "J", "N", "T"])
def test_corrections_of_every_type(letter: Letter) -> None:
    """A thousand pairs are corrected; the floor is the polynomial inverse of the library thermocouples."""
    random = Random(2)
    pairs = [(random.uniform(20, 130), random.uniform(20, 40)) for _ in range(1000)]
    corrected = [linearised_c(*pair, letter) for pair in pairs]
    assert all(10 < c < 170 for c in corrected)
    library = get_thermocouple(letter)
    ours_s = best_s(lambda: [linearised_c(*pair, letter) for pair in pairs], 10) / 1000
    floor_s = best_s(lambda: [library.volt_to_temp(0.004) for _ in pairs], 3) / 1000
    print(
        f"\ntype {letter}: {1 / ours_s:,.0f} corrections/s ({ours_s * 1e6:.2f} µs), "
        f"{ours_s / floor_s:.2f} times a library's polynomial alone"
    )


def test_forecast_of_panel_and_plate() -> None:
    """Trend and forecast of a heat-up at two samples a second; the floor is numpy's polyfit of the window."""
    samples = [(n / 2, 200.0 - 178.0 * exp(-n / 2 / 150.0)) for n in range(120)]
    recent = np.array(samples[-51:])

    def ours() -> float | None:
        trend = plate_trend(samples)
        assert trend is not None
        return time_to_reach_s(trend, 60.0, setpoint_c=100.0, tolerance_c=2.0, tau_s=20.0).panel_s

    assert ours() is not None
    ours_s = best_s(ours, 200)
    floor_s = best_s(lambda: np.polyfit(recent[:, 0], recent[:, 1], 2), 200)
    step_s = best_s(lambda: advance(Panel(60.0, 80.0), 80.1, 0.1, 20.0), 20_000)
    print(
        f"\nforecast: {1 / ours_s:,.0f} forecasts/s ({ours_s * 1e6:.0f} µs), {ours_s / floor_s:.1f} times "
        f"numpy.polyfit; panel step {step_s * 1e6:.2f} µs"
    )
