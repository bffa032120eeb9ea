"""The vapour estimate: exact between ticks, in units that agree with handbook figures, never below zero.

Sources: one-box model as industrial hygiene texts give it (well-mixed room with mixing factor K); conversion
at 25 °C and 1 atm; vapour pressures by the Antoine equations of Poling's tables.
"""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace
from scipy.integrate import solve_ivp

from station.rules.limits import SolventLimits
from station.rules.solvents import SOLVENTS, Solvent
from station.rules.vapour import (
    Air,
    VapourWatch,
    air_change_per_s,
    assumption,
    dispense,
    evaporation_per_s,
    exchange,
    lel_share,
    lift,
    watch_vapour,
)

LIMITS = SolventLimits()
RATES = st.floats(1e-4, 2.0)
PPM = st.floats(0, 1e5).map(lambda ppm: round(ppm, 6))


@given(liquid=PPM, vapour=PPM, a=RATES, b=RATES, passed_s=st.floats(0.01, 600))
def test_balance_agrees_with_a_numerical_solution(liquid, vapour, a, b, passed_s):
    """Against scipy's solve_ivp on the same equations, the exposure as a third one."""
    found = solve_ivp(
        lambda t, y: [-a * y[0], a * y[0] - b * y[1], y[1]],
        (0, passed_s),
        [liquid, vapour, 0],
        rtol=1e-9,
        atol=1e-7,
        method="LSODA",
    ).y[:, -1]
    after, exposed = exchange(Air(liquid, vapour), a, b, passed_s)
    assert (after.liquid_ppm, after.vapour_ppm, exposed) == pytest.approx(tuple(found), rel=2e-6, abs=1e-3)


@given(liquid=PPM, vapour=PPM, a=RATES, b=RATES, cut=st.floats(0.01, 0.99))
def test_balance_does_not_depend_on_how_time_is_cut_into_ticks(liquid, vapour, a, b, cut):
    """Two parts of a minute are the minute."""
    start = Air(liquid, vapour)
    whole, exposed = exchange(start, a, b, 60)
    first, exposed_1 = exchange(start, a, b, 60 * cut)
    second, exposed_2 = exchange(first, a, b, 60 * (1 - cut))
    assert (second.liquid_ppm, second.vapour_ppm) == pytest.approx(
        (whole.liquid_ppm, whole.vapour_ppm), rel=1e-6, abs=1e-6
    )
    assert exposed_1 + exposed_2 == pytest.approx(exposed, rel=1e-6, abs=1e-4)


@pytest.mark.parametrize(
    ("factor", "steady_ppm", "half_hour_ppm"), [(1, 63.917, 40.403), (3, 191.751, 54.355)]
)
def test_balance_meets_the_worked_room(factor, steady_ppm, half_hour_ppm):
    """Room of 50 m³, 100 m³/h, 20 mL/h of isopropyl alcohol: hand-worked one-box example at 24.45 L/mol.

    A steady source is a pool that hardly empties: 1e6 hours of it, evaporating at 1e-6 of itself an hour.
    """
    rate_ppm_h = 20 * 0.7855 / 60.095 * 24.45 / 50 * 1000
    a, b = 1e-6 / 3600, 100 / (factor * 50) / 3600
    pool = Air(rate_ppm_h * 1e6, 0.0)
    assert exchange(pool, a, b, 1800)[0].vapour_ppm == pytest.approx(half_hour_ppm, rel=2e-3)
    assert exchange(pool, a, b, 60 * 3600)[0].vapour_ppm == pytest.approx(steady_ppm, rel=2e-3)


def test_purging_takes_the_time_that_the_room_formula_says():
    """Time = K V / Q ln(C1 / C2): 1000 to 100 ppm in 50 m³ at 100 m³/h, K = 1: 69.078 min."""
    b = 100 / 50 / 3600
    assert exchange(Air(0.0, 1000.0), 1.0, b, 69.078 * 60)[0].vapour_ppm == pytest.approx(100, rel=1e-4)


def test_a_millilitre_makes_the_vapour_that_the_gas_law_says():
    """Isopropyl alcohol: 0.319 L/mL, 6392 ppm in a 50 L hood, of which 10 % LEL (2000 ppm) is 0.313 mL."""
    solvent = SOLVENTS["isopropyl-alcohol"]
    assert solvent.vapour_l_per_ml == pytest.approx(0.3196, abs=1e-4)
    watch = dispense(VapourWatch(), 1.0, LIMITS)
    assert watch.air.liquid_ppm == pytest.approx(6392, abs=2)
    assert lel_share(replace(watch, air=Air(0, 0.313 * 6392)), LIMITS) == pytest.approx(0.1, abs=1e-3)


# A, B, C in pascal and kelvin (Poling's tables); boiling points by the same.
ANTOINE = {
    "isopropyl-alcohol": (10.24268, 1580.92, -53.54),
    "acetone": (9.2184, 1197.01, -45.09),
    "ethanol": (10.33675, 1648.22, -42.232),
}


@pytest.mark.parametrize("name", ANTOINE)
@pytest.mark.parametrize("celsius", [5, 15, 20, 25, 40, 55, 70, 80])
def test_volatility_follows_the_antoine_equation(name, celsius):
    """Within 7 %, which is how far the published forms differ among themselves at room temperature."""
    a, b, c = ANTOINE[name]
    solvent = SOLVENTS[name]

    def pressure_pa(t_c):
        return 10 ** (a - b / (c + t_c + 273.15))

    at_c = min(celsius, solvent.boiling_c)
    assert solvent.volatility(celsius) == pytest.approx(pressure_pa(at_c) / pressure_pa(20), rel=0.07)
    assert solvent.vapour_pressure_20c_kpa * 1000 == pytest.approx(pressure_pa(20), rel=0.02)
    assert pressure_pa(solvent.boiling_c) == pytest.approx(101_325, rel=0.02)


def test_solvent_dries_slowly_when_cold_and_fast_when_hot():
    """A minute at 20 °C, the least at a plate's heat; unknown counts as boiling."""
    assert 1 / evaporation_per_s(20, LIMITS) == pytest.approx(60)
    assert 1 / evaporation_per_s(100, LIMITS) == pytest.approx(LIMITS.evaporation_least_s)
    assert evaporation_per_s(None, LIMITS) == evaporation_per_s(150, LIMITS)
    assert evaporation_per_s(40, LIMITS) > 2 * evaporation_per_s(20, LIMITS)


def test_extraction_exchanges_the_box_ten_times_as_fast_by_default():
    """100 m³/h through 50 L with K = 3: every 5.4 s; 10 m³/h: every 54 s."""
    assert 1 / air_change_per_s(LIMITS, proven=True) == pytest.approx(5.4)
    assert 1 / air_change_per_s(LIMITS, proven=False) == pytest.approx(54)


def test_a_lift_is_a_dose_and_dispense_adds_only_what_was_not_counted():
    """Half a millilitre a lift; 'it was 2 mL' adds 1.5; 2 mL more, told without a lift, are 2 mL more."""
    per_ml = dispense(VapourWatch(), 1.0, LIMITS).air.liquid_ppm
    watch = lift(VapourWatch(), LIMITS)
    assert watch.air.liquid_ppm == pytest.approx(0.5 * per_ml)
    watch = dispense(watch, 2.0, LIMITS)
    assert watch.air.liquid_ppm == pytest.approx(2 * per_ml)
    assert dispense(watch, 2.0, LIMITS).air.liquid_ppm == pytest.approx(4 * per_ml)
    assert lift(watch, LIMITS).air.liquid_ppm == pytest.approx(2.5 * per_ml)


def test_less_than_a_dose_told_after_a_lift_adds_nothing_until_the_dose_is_used_up():
    """0.2 and 0.2 of the 0.5 mL that the lift has counted, then 0.2 of which 0.1 is new."""
    per_ml = dispense(VapourWatch(), 1.0, LIMITS).air.liquid_ppm
    watch = lift(VapourWatch(), LIMITS)
    for told_ml, in_all_ml in [(0.2, 0.5), (0.2, 0.5), (0.2, 0.6)]:
        watch = dispense(watch, told_ml, LIMITS)
        assert watch.air.liquid_ppm == pytest.approx(in_all_ml * per_ml)


@given(
    steps=st.lists(
        st.tuples(
            st.integers(1, 120_000), st.sampled_from([None, 25.0, 100.0]), st.booleans(), st.booleans()
        ),
        max_size=60,
    )
)
def test_estimate_is_never_negative_and_never_more_than_was_drawn(steps):
    """Whatever the ticks, plate and extractor: 0 to all of it; means never fall below what they hold."""
    watch, now_ms, drawn = watch_vapour(VapourWatch(), 0, None, LIMITS, proven=False), 0, 0.0
    for passed_ms, plate_c, proven, lifted in steps:
        now_ms += passed_ms
        watch = watch_vapour(watch, now_ms, plate_c, LIMITS, proven=proven)
        if lifted:
            before = watch.air.liquid_ppm
            watch = lift(watch, LIMITS)
            drawn += watch.air.liquid_ppm - before
        inside = watch.air.liquid_ppm + watch.air.vapour_ppm
        assert -1e-9 <= inside <= drawn + 1e-6
        assert watch.breathed.short_term_ppm >= 0
        assert watch.breathed.long_term_ppm >= 0
        assert len(watch.breathed.minutes) <= 16
        assert len(watch.breathed.quarters) <= 33


def test_means_over_15_minutes_and_8_hours_are_the_exposure_over_those_times():
    """One dose of all 3196 ppm in the box, exchanged every 54 s: 3196 x 54 ppm·s in all (mass balance)."""
    watch = lift(watch_vapour(VapourWatch(), 0, 20.0, LIMITS, proven=False), LIMITS)
    for now_ms in range(100, 840_001, 100):
        watch = watch_vapour(watch, now_ms, 20.0, LIMITS, proven=False)
    whole_ppm_s = 0.5 * 6391.7 * 54
    assert watch.breathed.short_term_ppm == pytest.approx(whole_ppm_s / 900, rel=1e-3)
    assert watch.breathed.long_term_ppm == pytest.approx(whole_ppm_s / 28_800, rel=1e-3)
    for now_ms in range(840_100, 2_000_001, 100):
        watch = watch_vapour(watch, now_ms, 20.0, LIMITS, proven=False)
    assert watch.breathed.short_term_ppm < 1e-3
    assert watch.breathed.long_term_ppm == pytest.approx(whole_ppm_s / 28_800, rel=1e-3)


def test_another_solvent_and_stricter_limits_come_from_the_settings():
    """Properties of a made-up solvent; the limits of a place that is stricter."""
    made_up = Solvent(
        molar_mass_g_mol=100,
        density_g_ml=1,
        vapour_pressure_20c_kpa=5,
        boiling_c=100,
        lel_percent=1,
        short_term_ppm=50,
        long_term_ppm=20,
    )
    limits = SolventLimits(name="house-mix", properties=made_up, short_term_ppm=10)
    assert (limits.in_use.lel_ppm, limits.in_use.short_term_ppm, limits.in_use.long_term_ppm) == (
        10_000,
        10,
        20,
    )
    assert math.isclose(made_up.volatility(100), 101.325 / 5)


def test_the_assumption_is_said_in_words():
    """What sets the estimate, with its numbers."""
    assert assumption(LIMITS, proven=True) == (
        "all that is drawn (0.5 mL a lift, or what is told) goes into the air of 50 L, through which the "
        "extractor moves 100 m³/h (mixing factor 3)"
    )
    assert "without extraction a draught moves 10 m³/h" in assumption(LIMITS, proven=False)


@pytest.mark.parametrize(
    ("hood_m3", "space"), [(0.05, "of 50 L,"), (0.999, "of 999 L,"), (1.0, "of 1 m³,"), (2.5, "of 2.5 m³,")]
)
def test_a_space_is_told_in_litres_up_to_a_cubic_metre(hood_m3, space):
    """As people say it."""
    assert space in assumption(SolventLimits(hood_m3=hood_m3), proven=True)


def test_what_is_drawn_leaves_the_vapour_that_is_there():
    """It comes as liquid."""
    before = VapourWatch(Air(liquid_ppm=1.0, vapour_ppm=200.0))
    assert lift(before, LIMITS).air.vapour_ppm == 200.0
    assert dispense(before, 2.0, LIMITS).air.vapour_ppm == 200.0


def test_exposure_falls_out_of_the_mean_after_its_last_minute():
    """Breathed in the first minute: in the mean for fifteen minutes more, then out; after a gap at once."""
    watch = lift(watch_vapour(VapourWatch(), 0, 20.0, LIMITS, proven=True), LIMITS)
    for now_ms in range(100, 59_901, 100):
        watch = watch_vapour(watch, now_ms, 20.0, LIMITS, proven=True)
    breathed = watch.breathed.minutes[-1]
    assert breathed > 0
    watch = replace(watch, air=Air())
    for minute in range(1, 16):
        watch = watch_vapour(watch, 60_000 * minute, 20.0, LIMITS, proven=True)
        assert watch.breathed.minutes == (breathed, *(0.0,) * minute)
    assert watch_vapour(watch, 960_000, 20.0, LIMITS, proven=True).breathed.minutes == (0.0,) * 16
    assert watch_vapour(watch, 9_000_000, 20.0, LIMITS, proven=True).breathed.minutes == (0.0,) * 16
