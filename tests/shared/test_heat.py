"""Heat histories: closed forms, gaps, crossings, cycles, and what must hold whatever the record.

Closed forms are mathematics. The invariants of mean kinetic temperature follow from its definition in USP
<1160>: it is no less than the arithmetic mean, no more than the peak, and knows no order.
"""

from collections.abc import Callable
from itertools import pairwise
from math import exp, log

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.heat import (
    Interval,
    Row,
    Run,
    Unseen,
    clip,
    duration_s,
    equivalent_min,
    gaps_within,
    heat_cycles,
    history,
    max_rise_c_per_min,
    mean_c,
    mean_kinetic_c,
    runs_within,
    time_above_s,
    value_at,
)

AMBIENT_C, START_C, TAU_S = 22.0, 100.0, 240.0


def steady(first: int, last: int, plate_c: float, *, valid: int = 10) -> list[Row]:
    """Seconds ``first`` up to but without ``last`` at one temperature."""
    return [Row("b", second, plate_c, plate_c, 100 * valid) for second in range(first, last)]


def silent(first: int, last: int) -> list[Row]:
    """Seconds without any valid reading."""
    return [Row("b", second, None, None, 0) for second in range(first, last)]


def sampled(first: int, last: int, mean: Callable[[float], float]) -> list[Row]:
    """Seconds whose mean is that of a curve at their middle, and whose peak is the higher end."""
    return [
        Row("b", second, mean(second + 0.5), max(mean(second), mean(second + 1)), 1000)
        for second in range(first, last)
    ]


def ramp_c(at_s: float) -> float:
    """20 °C to 120 °C in 600 s."""
    return 20 + at_s / 6


def cooling_c(at_s: float) -> float:
    """Newton's law of cooling."""
    return AMBIENT_C + (START_C - AMBIENT_C) * exp(-at_s / TAU_S)


def of(from_s: float, to_s: float, boot: str = "b") -> Interval:
    """An interval of the usual boot."""
    return Interval(boot, from_s, to_s)


# ---- closed forms


@pytest.mark.parametrize(("threshold_c", "seconds"), [(60, 360), (80, 240), (100, 120), (110, 60), (130, 0)])
def test_time_above_is_the_closed_form_when_the_plate_ramps(threshold_c: float, seconds: float) -> None:
    """On a straight ramp the time above a threshold is (end − threshold) / slope."""
    runs = runs_within(of(0, 600), sampled(0, 600, ramp_c))
    assert time_above_s(runs, threshold_c) == pytest.approx(seconds, abs=0.5)


def test_mean_peak_and_rise_are_the_closed_form_when_the_plate_ramps() -> None:
    """On a straight ramp the mean is the middle, the peak the end, and the rise 10 °C a minute."""
    found = history("u", [of(0, 600)], sampled(0, 600, ramp_c), [])
    assert (found["mean_c"], found["peak_c"], found["max_rise_c_per_min"]) == pytest.approx((70, 120, 10))
    assert (found["duration_s"], found["coverage"], found["gaps"]) == (600, 1, [])


@pytest.mark.parametrize("threshold_c", [60, 80, 99])
def test_time_above_is_the_closed_form_when_the_plate_cools(threshold_c: float) -> None:
    """Newton's law of cooling crosses a threshold at τ·ln(ΔT₀/ΔT)."""
    runs = runs_within(of(0, 1200), sampled(0, 1200, cooling_c))
    crossing_s = TAU_S * log((START_C - AMBIENT_C) / (threshold_c - AMBIENT_C))
    assert time_above_s(runs, threshold_c) == pytest.approx(crossing_s, abs=0.05)


def test_mean_is_the_closed_form_when_the_plate_cools() -> None:
    """The mean of Newton's law of cooling is its integral over its length."""
    runs = runs_within(of(0, 1200), sampled(0, 1200, cooling_c))
    area = AMBIENT_C * 1200 + (START_C - AMBIENT_C) * TAU_S * (1 - exp(-1200 / TAU_S))
    assert mean_c(runs) == pytest.approx(area / 1200, abs=0.001)


def test_rise_is_never_positive_when_the_plate_only_cools() -> None:
    """A falling plate has no rise: its least steep fall over a minute is told, below zero."""
    rise = max_rise_c_per_min(runs_within(of(0, 1200), sampled(0, 1200, cooling_c)))
    assert rise is not None
    assert cooling_c(1199.5) - cooling_c(1139.5) <= rise <= 0


def test_rise_is_told_of_the_steepest_minute_when_it_lies_between_points() -> None:
    """The steepest sliding minute is found wherever it lies, not only on whole minutes."""
    run = Run("b", ((0, 20), (47, 20), (77, 65), (200, 65)))
    assert max_rise_c_per_min([run]) == pytest.approx(45)
    assert max_rise_c_per_min([Run("b", ((0, 20), (47, 20), (167, 140), (300, 140)))]) == pytest.approx(60)


def test_rise_is_unknown_when_no_run_lasts_a_minute() -> None:
    """Two half minutes with a gap between them are no minute."""
    assert max_rise_c_per_min([Run("b", ((0, 20), (40, 80))), Run("b", ((41, 20), (80, 90)))]) is None


@pytest.mark.parametrize("plate_c", [25.0, 80.0, 100.0, 125.0])
def test_kinetic_mean_is_the_temperature_itself_when_it_is_constant(plate_c: float) -> None:
    """Constant in, constant out (USP <1160>)."""
    assert mean_kinetic_c(runs_within(of(0, 60), steady(0, 60, plate_c))) == pytest.approx(plate_c)


def test_equivalent_minutes_are_the_minutes_when_the_plate_is_at_the_reference() -> None:
    """Ten minutes at 100 °C are ten minutes at 100 °C."""
    assert equivalent_min(runs_within(of(0, 600), steady(0, 600, 100.0))) == pytest.approx(10)


# ---- gaps


def test_runs_are_cut_when_seconds_are_missing() -> None:
    """A second that is not in the record ends a run; the next begins where the record goes on."""
    runs = runs_within(of(0, 30), steady(0, 10, 100) + steady(20, 30, 100))
    assert [(run.from_s, run.to_s) for run in runs] == [(0, 10), (20, 30)]


def test_runs_are_cut_when_seconds_have_no_valid_reading() -> None:
    """A second in the record without a number is a gap like one that is missing."""
    runs = runs_within(of(0, 30), steady(0, 10, 100) + silent(10, 20) + steady(20, 30, 100))
    assert [(run.from_s, run.to_s) for run in runs] == [(0, 10), (20, 30)]


def test_gap_counts_for_nothing_when_the_plate_is_hot_on_both_sides() -> None:
    """No time above, no dose and no mean is made up for a gap; the coverage falls by its share."""
    found = history("u", [of(0, 30)], steady(0, 10, 100) + silent(10, 20) + steady(20, 30, 100), [])
    assert found["time_above_s"] == {"60": 20, "80": 20, "100": 20, "110": 0}
    assert found["gaps"] == [{"boot": "b", "from_s": 10, "to_s": 20}]
    assert (found["duration_s"], found["coverage"]) == (30, pytest.approx(2 / 3, abs=1e-6))
    assert found["equivalent_min_at_100c"] == pytest.approx(20 / 60, abs=0.001)


def test_gap_has_no_crossing_when_the_plate_is_cold_before_and_hot_after() -> None:
    """The line from cold to hot across a gap is never drawn."""
    runs = runs_within(of(0, 20), steady(0, 5, 20) + steady(15, 20, 100))
    assert [time_above_s(runs, limit_c) for limit_c in (21, 60, 99)] == [5, 5, 5]
    assert mean_c(runs) == pytest.approx(60)


def test_figures_are_unknown_when_nothing_was_ever_read() -> None:
    """Without a valid reading there is no peak, mean or rise, and the whole time is a gap."""
    found = history("u", [of(0, 10)], silent(0, 10), [])
    assert [found[key] for key in ("peak_c", "mean_c", "max_rise_c_per_min", "mean_kinetic_c")] == 4 * [None]
    assert (found["coverage"], found["equivalent_min_at_100c"], found["heat_cycles"]) == (0, 0, 0)
    assert found["gaps"] == [{"boot": "b", "from_s": 0, "to_s": 10}]


def test_history_is_empty_when_the_unit_never_lay_on_the_plate() -> None:
    """No interval, no time, no coverage to tell."""
    found = history("u", [], steady(0, 10, 100), [])
    assert (found["intervals"], found["duration_s"], found["coverage"], found["gaps"]) == ([], 0, None, [])


def test_run_ends_inside_a_second_when_its_last_row_is_partly_valid() -> None:
    """Of the seconds beside a gap only the valid share belongs to the run."""
    rows = [*steady(0, 1, 90), *steady(1, 2, 90, valid=4), *silent(2, 3), *steady(3, 4, 90, valid=7)]
    runs = runs_within(of(0, 5), [*rows, *steady(4, 5, 90)])
    assert [(run.from_s, run.to_s) for run in runs] == [(0, 1.4), (pytest.approx(3.3), 5)]


def test_coverage_counts_lost_ticks_when_they_lie_inside_a_run() -> None:
    """A few bad ticks inside a run lower the coverage by their share."""
    rows = [*steady(0, 4, 90), *steady(4, 5, 90, valid=5), *steady(5, 10, 90)]
    assert history("u", [of(0, 10)], rows, [])["coverage"] == pytest.approx(0.95)


def test_gaps_are_found_at_the_ends_when_the_record_begins_late_or_ends_early() -> None:
    """What lies before the first reading and after the last is a gap too."""
    runs = runs_within(of(0, 30), steady(10, 20, 50))
    assert gaps_within(of(0, 30), runs) == [of(0, 10), of(20, 30)]


# ---- placements


def test_rows_count_only_inside_when_an_interval_begins_and_ends_in_mid_second() -> None:
    """A placement from 2.4 s to 7.9 s takes exactly that much of the record."""
    found = history("u", [of(2.4, 7.9)], steady(0, 20, 100), [])
    assert (found["duration_s"], found["coverage"], found["gaps"]) == (5.5, 1, [])
    assert found["time_above_s"]["100"] == 5.5


def test_placements_add_up_when_a_unit_lay_on_the_plate_twice() -> None:
    """The time between two placements belongs to neither, however hot the plate."""
    rows = steady(0, 10, 50) + steady(10, 20, 110) + steady(20, 30, 50)
    found = history("u", [of(0, 9), of(21, 30)], rows, [])
    assert (found["duration_s"], found["coverage"]) == (18, 1)
    assert (found["peak_c"], found["time_above_s"]["60"], found["gaps"]) == (50, 0, [])


def test_placements_of_two_boots_stay_apart_when_their_seconds_have_the_same_numbers() -> None:
    """Each boot has its own time line: equal seconds of another boot are other seconds."""
    rows = [*steady(0, 10, 80), *(row._replace(boot="c") for row in steady(0, 10, 60))]
    found = history("u", [of(0, 10), of(0, 10, "c")], rows, [])
    assert (found["duration_s"], found["coverage"], found["mean_c"]) == (20, 1, 70)


@pytest.mark.parametrize(("removed_s", "placed_s"), [(10.3, 10.6), (10.0, 10.5), (10.0, 10.0)])
def test_coverage_is_at_most_one_when_a_unit_comes_back_within_the_second(
    removed_s: float, placed_s: float
) -> None:
    """A second that two placements share is given to each by its part, though it is read for each."""
    rows = steady(0, 11, 100) + steady(10, 21, 100)  # the record as asked for interval by interval
    found = history("u", [of(0, removed_s), of(placed_s, 20)], rows, [])
    whole_s = removed_s + 20 - placed_s
    assert (found["duration_s"], found["coverage"]) == (pytest.approx(whole_s), 1)
    assert found["time_above_s"]["100"] == pytest.approx(whole_s, abs=0.1)


def test_step_has_figures_of_its_own_when_it_ran_on_the_plate() -> None:
    """A step takes the part of the placement in which it ran; one that ran elsewhere takes none."""
    rows = steady(0, 10, 60) + steady(10, 20, 100)
    steps = [("warm", of(2, 10)), ("hot", of(10, 18)), ("solder", of(40, 50))]
    by_step = history("u", [of(0, 20)], rows, steps)["by_step"]
    assert list(by_step) == ["warm", "hot"]
    assert by_step["warm"]["duration_s"] == by_step["hot"]["duration_s"] == 8
    assert by_step["hot"]["mean_c"] == pytest.approx(100, abs=2.6)


def test_step_attempts_add_up_when_a_step_ran_twice() -> None:
    """Two attempts at one step are one entry with both their times."""
    found = history("u", [of(0, 30)], steady(0, 30, 90), [("a", of(0, 5)), ("a", of(20, 30))])
    assert (found["by_step"]["a"]["duration_s"], found["by_step"]["a"]["coverage"]) == (15, 1)


# ---- crossings, cycles and cuts


@pytest.mark.parametrize(
    ("points", "threshold_c", "seconds"),
    [
        (((0, 80), (10, 100)), 90, 5),
        (((0, 100), (10, 80)), 90, 5),
        (((0, 80), (10, 90), (20, 80)), 90, 0),
        (((0, 90), (10, 90)), 90, 10),
        (((0, 90), (10, 80)), 90, 0),
        (((0, 80), (0, 100), (10, 100)), 90, 10),
        (((0, 100), (5, 80), (10, 100)), 90, 5),
    ],
)
def test_crossing_lies_on_the_straight_line_when_the_plate_passes_a_threshold(
    points: tuple[tuple[float, float], ...], threshold_c: float, seconds: float
) -> None:
    """Time at or above a threshold is measured from crossing to crossing."""
    assert time_above_s([Run("b", points)], threshold_c) == pytest.approx(seconds)


@pytest.mark.parametrize(
    ("plates", "cycles"),
    [
        ([20, 59], 0),
        ([20, 60], 1),
        ([70, 80], 1),
        ([20, 70, 55, 70], 1),
        ([20, 70, 50, 70], 1),
        ([20, 70, 49, 70], 2),
        ([20, 100, 20, 100, 20, 100], 3),
        ([20, 100, 20], 1),
    ],
)
def test_cycles_count_from_low_to_high_when_the_plate_goes_up_and_down(
    plates: list[float], cycles: int
) -> None:
    """A cycle counts at 60 °C, the next only after less than 50 °C: common practice, no source."""
    assert heat_cycles([Run("b", tuple((float(at), c) for at, c in enumerate(plates)))]) == cycles


def test_value_lies_on_the_line_when_asked_between_points() -> None:
    """Between points the plate is on the straight line; outside the run it is nowhere."""
    run = Run("b", ((0, 20), (10, 40)))
    assert [value_at(run, at_s) for at_s in (0, 2.5, 10)] == [20, 25, 40]
    with pytest.raises(ValueError, match="lies outside"):
        value_at(run, 10.1)


def test_clip_gives_nothing_when_the_times_do_not_meet() -> None:
    """No part of a run lies outside of it."""
    run = Run("b", ((0, 20), (10, 40)))
    assert [clip(run, 10, 20), clip(run, -5, 0), clip(run, 6, 4)] == [None, None, None]


# ---- what holds whatever the record

plates = st.floats(-20, 130).map(lambda plate_c: round(plate_c, 2))


@st.composite
def any_runs(draw: st.DrawFn) -> list[Run]:
    """One to three runs, one after the other."""
    runs: list[Run] = []
    at_s = 0
    for _ in range(draw(st.integers(1, 3))):
        widths = draw(st.lists(st.integers(1, 400), min_size=1, max_size=6))
        times = [at_s + sum(widths[:index]) for index in range(len(widths) + 1)]
        points = tuple((float(time_s), draw(plates)) for time_s in times)
        runs.append(Run("b", points))
        at_s = times[-1] + draw(st.integers(1, 500))
    return runs


@given(any_runs())
def test_kinetic_mean_lies_between_mean_and_peak_whatever_the_record(runs: list[Run]) -> None:
    """Arithmetic mean ≤ MKT ≤ maximum (USP <1160>, by convexity)."""
    mean, kinetic = mean_c(runs), mean_kinetic_c(runs)
    assert mean is not None
    assert kinetic is not None
    assert mean - 1e-6 <= kinetic <= max(c for run in runs for _, c in run.points) + 1e-6


@given(any_runs())
def test_dose_does_not_depend_on_order_whatever_the_record(runs: list[Run]) -> None:
    """The order of the runs, and the direction of time within them, change no dose."""
    turned = [Run("b", tuple((-t, c) for t, c in reversed(run.points))) for run in reversed(runs)]
    assert mean_kinetic_c(turned) == pytest.approx(mean_kinetic_c(runs), abs=1e-6)
    assert equivalent_min(turned) == pytest.approx(equivalent_min(runs), rel=1e-9)


@given(any_runs(), st.floats(0.01, 0.99), plates)
def test_splitting_changes_nothing_whatever_the_record(
    runs: list[Run], share: float, threshold_c: float
) -> None:
    """A run cut in two anywhere has the same time above, mean and dose (a bent line: to 0.02 °C)."""
    split = []
    for run in runs:
        cut_s = run.from_s + share * (run.to_s - run.from_s)
        split += [part for part in (clip(run, run.from_s, cut_s), clip(run, cut_s, run.to_s)) if part]
    assert len(split) == 2 * len(runs)
    assert duration_s(split) == pytest.approx(duration_s(runs))
    assert time_above_s(split, threshold_c) == pytest.approx(time_above_s(runs, threshold_c), abs=1e-6)
    assert mean_c(split) == pytest.approx(mean_c(runs), abs=1e-6)
    assert mean_kinetic_c(split) == pytest.approx(mean_kinetic_c(runs), abs=0.02)


@given(any_runs(), st.lists(plates, min_size=2, max_size=4))
def test_time_above_falls_with_the_threshold_whatever_the_record(
    runs: list[Run], thresholds: list[float]
) -> None:
    """A higher threshold never has more time above it, and none has more than there is."""
    times = [time_above_s(runs, limit_c) for limit_c in sorted(thresholds)]
    assert all(lower >= higher - 1e-9 for lower, higher in pairwise(times))
    assert times[0] <= duration_s(runs) + 1e-9


valid_counts = st.sampled_from([0, 0, 3, 10, 10, 10, 10])


@given(st.lists(valid_counts, min_size=1, max_size=30), st.floats(0, 30), st.floats(0.1, 30))
def test_coverage_is_a_share_whatever_is_missing(valid: list[int], from_s: float, length_s: float) -> None:
    """The coverage lies between 0 and 1, and gaps and runs fill the interval without overlap."""
    rows = [
        Row("b", second, 90.0 if n else None, 90.0 if n else None, 100 * n) for second, n in enumerate(valid)
    ]
    interval = of(round(from_s, 1), round(from_s, 1) + round(length_s, 1))
    runs = runs_within(interval, rows)
    found = history("u", [interval], rows, [])
    assert 0 <= found["coverage"] <= 1
    stretches = [(run.from_s, run.to_s) for run in runs]
    assert all(interval.from_s <= begin < end <= interval.to_s for begin, end in stretches)
    assert all(first[1] <= second[0] for first, second in pairwise(stretches))
    told_s = sum(gap.to_s - gap.from_s for gap in gaps_within(interval, runs, shortest_s=0))
    covered_s = sum(end - begin for begin, end in stretches)
    assert told_s + covered_s == pytest.approx(interval.to_s - interval.from_s)


def test_gap_is_found_between_neighbours_that_lack_a_second_between_them() -> None:
    """4.9 s without a tick: what is known of either side belongs to its side, and the rest is a gap."""
    rows = [*steady(0, 10, 90), Row("b", 10, 90, 90, 400), Row("b", 11, 90, 90, 500), *steady(12, 20, 90)]
    found = history("u", [of(0, 20)], rows, [])
    assert [(gap["from_s"], gap["to_s"]) for gap in found["gaps"]] == [(10.4, 11.5)]
    assert found["coverage"] == pytest.approx((20 - 1.1) / 20)


def test_time_above_is_never_longer_than_what_is_known() -> None:
    """Bad readings between good ones weigh nothing in the time above, nor in the dose."""
    rows = [Row("b", second, 100.0, 100.0, 800) for second in range(60)]
    found = history("u", [of(0, 60)], rows, [])
    assert found["time_above_s"]["60"] <= 60 * found["coverage"] + 0.05
    assert found["equivalent_min_at_100c"] == pytest.approx(found["coverage"], abs=1e-3)


def test_peak_leaves_out_what_came_before_the_unit_was_placed() -> None:
    """The highest tick of a second counts only where the whole second is the unit's."""
    rows = [Row("b", 0, 110.0, 120.0, 1000), Row("b", 1, 40.0, 119.0, 1000), *steady(2, 10, 30.0)]
    assert history("u", [of(1.5, 9)], rows, [])["peak_c"] == 40.0


def test_step_that_begins_on_a_hot_plate_is_no_heat_cycle_of_its_own() -> None:
    """A unit laid on a hot plate is heated once; the steps it then goes through add nothing."""
    rows = steady(0, 100, 100.0)
    found = history("u", [of(0, 100)], rows, [("one", of(10, 40)), ("two", of(50, 90))])
    assert found["heat_cycles"] == 1
    assert [step["heat_cycles"] for step in found["by_step"].values()] == [0, 0]


# ---- edges, to the second and to the digit


def test_rows_that_only_touch_an_interval_stay_outside() -> None:
    """The second before and the second after share a moment with the placement and none of its time."""
    rows = [*steady(0, 10, 20), *steady(10, 12, 100), *steady(12, 20, 20)]
    (run,) = runs_within(of(10, 12), rows)
    assert run.points == ((10, 100), (10.5, 100), (11.5, 100), (12, 100))


def test_no_point_stands_twice_when_a_placement_begins_or_ends_on_one() -> None:
    """A placement from the middle of a second to the middle of another has its ends on the means there."""
    rows = [Row("b", second, 20.0 + second, 20.0 + second, 1000) for second in range(10)]
    (run,) = runs_within(of(2.5, 5.5), rows)
    assert run.points == ((2.5, 22), (3.5, 23), (4.5, 24), (5.5, 25))


@pytest.mark.parametrize(
    "row", [Row("b", 5, 90.0, 90.0, 0), Row("b", 5, None, None, 500), Row("b", 5, None, 90.0, 1000)]
)
def test_second_is_a_gap_when_it_has_no_mean_or_no_valid_time(row: Row) -> None:
    """A mean that stands for no time is no reading, nor is time without a mean."""
    runs = runs_within(of(0, 11), [*steady(0, 5, 90), row, *steady(6, 11, 90)])
    assert [(run.from_s, run.to_s) for run in runs] == [(0, 5), (6, 11)]


def test_single_millisecond_of_a_second_is_known_time() -> None:
    """However little of a second is known, it is no gap: its neighbours join it."""
    rows = [*steady(0, 5, 90), Row("b", 5, 90.0, 90.0, 1), *steady(6, 11, 90)]
    (run,) = runs_within(of(0, 11), rows)
    assert (run.from_s, run.to_s, run.lost_s) == (0, 11, pytest.approx(0.999))


@pytest.mark.parametrize(("known_ms", "runs"), [((500, 500), 2), ((500, 501), 1), ((499, 500), 2)])
def test_neighbours_are_cut_when_a_whole_second_is_missing_between_them(
    known_ms: tuple[int, int], runs: int
) -> None:
    """Half a second known on either side leaves a whole one between that nobody saw."""
    rows = [*steady(0, 5, 90), *(Row("b", 5 + at, 90.0, 90.0, known_ms[at]) for at in (0, 1))]
    assert len(runs_within(of(0, 12), [*rows, *steady(7, 12, 90)])) == runs


def test_lone_second_is_taken_to_begin_when_it_is_partly_known() -> None:
    """Nothing tells where in a lone second its readings lie; they are taken to begin it."""
    (run,) = runs_within(of(0, 10), [Row("b", 4, 90.0, 90.0, 300)])
    assert (run.from_s, run.to_s, run.lost_s) == (4, pytest.approx(4.3), 0)
    assert runs_within(of(4.3, 10), [Row("b", 4, 90.0, 90.0, 300)]) == []


def test_lost_time_is_that_of_every_second_inside_a_run() -> None:
    """All seconds but the first and the last, whose unknown part lies outside, give their lack."""
    known_ms = (400, 900, 1000, 800, 700, 600)
    (run,) = runs_within(of(0, 6), [Row("b", at, 90.0, 90.0, known_ms[at]) for at in range(6)])
    assert (run.from_s, run.to_s) == (pytest.approx(0.6), pytest.approx(5.6))
    assert run.lost_s == pytest.approx(0.1 + 0.2 + 0.3)


def test_clip_keeps_boot_points_inside_and_its_part_of_the_lost_time() -> None:
    """The part of a run has the points inside, new ends on the lines, and loses what its share loses."""
    run = Run("other", ((0.0, 20.0), (4.0, 40.0), (6.0, 60.0), (10.0, 60.0)), 2.0)
    assert clip(run, 2, 8) == Run("other", ((2, 30), (4, 40), (6, 60), (8, 60)), pytest.approx(1.2))
    assert clip(run, 4, 6) == Run("other", ((4, 40), (6, 60)), pytest.approx(0.4))
    assert clip(run, -5, 50) == run


def test_coverage_of_a_step_counts_the_lost_time_of_its_part() -> None:
    """A run of 20 s that lost 2 s gives a step over half of it the loss of 1 s."""
    rows = [Row("b", at, 90.0, 90.0, 800 if 5 <= at < 15 else 1000) for at in range(20)]
    found = history("u", [of(0, 20)], rows, [("a", of(0, 10)), ("b", of(10, 20))])
    assert found["coverage"] == 0.9
    assert [step["coverage"] for step in found["by_step"].values()] == [0.9, 0.9]


def test_equivalent_minutes_count_when_the_time_is_one_second() -> None:
    """One second at the reference is a sixtieth of a minute, none is none."""
    assert equivalent_min([Run("b", ((0.0, 100.0), (1.0, 100.0)))]) == pytest.approx(1 / 60)
    assert (equivalent_min([]), mean_kinetic_c([])) == (0, None)


@pytest.mark.parametrize("order", [1, -1])
def test_rise_is_that_of_the_steepest_run_when_there_are_several(order: int) -> None:
    """A run too short for a minute is passed over, and of the others the steepest counts."""
    runs = [
        Run("b", ((0.0, 20.0), (59.0, 90.0))),
        Run("b", ((100.0, 20.0), (160.0, 32.0))),
        Run("b", ((200.0, 20.0), (320.0, 28.0))),
        Run("b", ((400.0, 20.0), (459.9, 80.0))),
    ]
    assert max_rise_c_per_min(runs[::order]) == pytest.approx(12)


def test_rise_is_found_at_either_end_of_a_run() -> None:
    """The steepest minute may be the first or the last of a run (points 30 s apart, worked by hand)."""
    first = Run("b", ((0.0, 20.0), (60.0, 50.0), (90.0, 50.0), (120.0, 50.0)))
    last = Run("b", ((0.0, 20.0), (30.0, 20.0), (60.0, 20.0), (120.0, 55.0)))
    middle = Run("b", ((0.0, 20.0), (40.0, 20.0), (80.0, 60.0), (120.0, 60.0)))
    assert [max_rise_c_per_min([run]) for run in (first, last, middle)] == [30, 35, 40]


def test_gap_is_told_when_it_is_longer_than_the_shortest() -> None:
    """A gap of just the shortest length is none; one over it is, before, between and after the runs."""
    runs = [Run("b", ((1.0, 90.0), (3.0, 90.0))), Run("b", ((4.0, 90.0), (6.0, 90.0)))]
    assert gaps_within(of(0, 7), runs, shortest_s=1.0) == []
    assert gaps_within(of(0, 7), runs, shortest_s=0.999) == [of(0, 1), of(3, 4), of(6, 7)]
    assert gaps_within(of(0, 3.0625), runs[:1]) == [of(0, 1), of(3, 3.0625)]


def test_history_is_this_to_the_digit_when_worked_by_hand() -> None:
    """Every name and every digit of a record of 7 s, reckoned beside it with the formulas written out.

    The plate runs 30 °C, 50.123456 °C, 61.987654 °C ... at the middles of its seconds; the unit leaves in the
    middle of the last second and comes back in another boot without any record.
    """
    means = (30.0, 50.123456, 61.987654, 81.111111, 80.0, 105.432109, 100.000001)
    rows = [Row("b", at, mean, mean + 0.123456, 1000) for at, mean in enumerate(means)]
    # The run ends before the middle of its last second, whose mean then stands at its end.
    points = [(0.0, means[0]), *((at + 0.5, mean) for at, mean in enumerate(means[:6])), (6.25, means[6])]
    pairs = list(pairwise(points))
    mean = sum((t1 - t0) * (c0 + c1) / 2 for (t0, c0), (t1, c1) in pairs) / 6.25
    fine = [
        ((t1 - t0) / 1000, c0 + (c1 - c0) * (part + 0.5) / 1000)
        for (t0, c0), (t1, c1) in pairs
        for part in range(1000)
    ]
    challenge = sum(span_s * exp(-10_000 / (plate_c + 273.15)) for span_s, plate_c in fine)
    found = history(
        "u", [of(0, 6.25), of(2, 3.3333, "c")], rows, [("solder", of(1, 2)), ("cure", of(90, 99))]
    )
    assert {key: found[key] for key in found if key not in ("mean_kinetic_c", "by_step")} == {
        "unit": "u",
        "intervals": [
            {"boot": "b", "from_s": 0, "to_s": 6.25},
            {"boot": "c", "from_s": 2, "to_s": 3.3333},
        ],
        "duration_s": 7.583,
        "coverage": round(6.25 / 7.5833, 6),
        "gaps": [{"boot": "c", "from_s": 2, "to_s": 3.3333}],
        "unseen": [],
        "peak_c": 105.56,
        "mean_c": round(mean, 3),
        "time_above_s": {
            str(limit): round(sum(span_s for span_s, plate_c in fine if plate_c >= limit), 1)
            for limit in (60, 80, 100, 110)
        },
        "max_rise_c_per_min": None,
        "equivalent_min_at_100c": round(challenge * exp(10_000 / 373.15) / 60, 3),
        "heat_cycles": 1,
    }
    assert found["mean_kinetic_c"] == pytest.approx(10_000 / log(6.25 / challenge) - 273.15, abs=0.01)
    assert round(found["mean_kinetic_c"], 3) == found["mean_kinetic_c"]
    solder = found["by_step"]["solder"]
    assert list(found["by_step"]) == ["solder"]
    assert (solder["duration_s"], solder["coverage"], solder["heat_cycles"]) == (1, 1, 0)
    assert solder["peak_c"] == 56.06  # half way from the second's mean to the next: above its highest tick


def test_peak_of_a_step_is_the_highest_tick_of_its_seconds() -> None:
    """A spike within a second shows in the peak of the step it fell into, and in no other's."""
    rows = [Row("b", at, 90.0, 97.5 if at == 12 else 90.0, 1000) for at in range(20)]
    found = history("u", [of(0, 20)], rows, [("a", of(0, 10)), ("b", of(12, 20))])
    assert (found["peak_c"], found["by_step"]["a"]["peak_c"], found["by_step"]["b"]["peak_c"]) == (
        97.5,
        90,
        97.5,
    )


def test_rise_is_rounded_to_hundredths_when_it_is_told() -> None:
    """A rise of 1/3 °C a second is 20 °C a minute; one of 0.123456 is 7.41."""
    rows = [Row("b", at, 20 + at * 0.123456, 20 + at * 0.123456, 1000) for at in range(100)]
    assert history("u", [of(0, 100)], rows, [])["max_rise_c_per_min"] == 7.41


def boots(*stretches: tuple[str, int, int, float]) -> list[Row]:
    """Seconds of several boots, each stretch at one temperature."""
    return [
        Row(boot, second, plate_c, plate_c, 1000)
        for boot, first, last, plate_c in stretches
        for second in range(first, last)
    ]


def test_time_on_the_plate_without_a_station_is_told_and_makes_no_new_stay() -> None:
    """100 s, 40 s unseen, 60 s of the next boot: 200 s on the plate, of which 80 % are known.

    The steps tell the unseen time only where they ran before and after it, and a unit that lay there all the
    time did not come up to temperature again.
    """
    unseen = Unseen("b", 100.0, "c", 5.0, 40.1234)
    rows = boots(("b", 0, 100, 90.0), ("c", 5, 65, 70.0))
    steps = [
        ("strip", of(10, 100)),
        ("strip", of(5, 30, "c")),
        ("cut", of(10, 100)),
        ("cut", of(6, 30, "c")),
        ("dry", of(10, 99)),
        ("dry", of(5, 30, "c")),
        ("bond", of(50, 65, "c")),
    ]
    found = history("u", [of(0, 100), of(5, 65, "c")], rows, steps, [unseen])
    told = {
        "boot": "b",
        "from_s": 100.0,
        "next_boot": "c",
        "next_from_s": 5.0,
        "length_s": 40.1234,
    }
    assert (found["duration_s"], found["coverage"], found["heat_cycles"]) == (
        200.123,
        round(160 / 200.1234, 6),
        1,
    )
    assert found["gaps"] == [{"boot": "b", "from_s": 100.0, "to_s": 140.123}]
    assert found["unseen"] == [told]
    by_step = found["by_step"]
    assert {key: step["unseen"] for key, step in by_step.items()} == {
        "strip": [told],
        "cut": [],
        "dry": [],
        "bond": [],
    }
    assert (by_step["strip"]["duration_s"], by_step["strip"]["coverage"]) == (
        155.123,
        round(115 / 155.1234, 6),
    )
    assert {key: step["duration_s"] for key, step in by_step.items() if key != "strip"} == {
        "cut": 114,
        "dry": 114,
        "bond": 15,
    }


def test_unseen_time_without_a_length_leaves_the_coverage_open() -> None:
    """What is not known is not counted as nothing: no share can be told of it, and no gap drawn."""
    unseen = [Unseen("b", 100.0, "c", 5.0, None), Unseen("c", 65.0, "d", 1.0, 10.0)]
    rows = boots(("b", 0, 100, 90.0), ("c", 5, 65, 70.0), ("d", 1, 2, 70.0))
    found = history("u", [of(0, 100), of(5, 65, "c"), of(1, 2, "d")], rows, [], unseen)
    assert (found["duration_s"], found["coverage"], len(found["unseen"])) == (171, None, 2)
    assert found["gaps"] == [{"boot": "c", "from_s": 65.0, "to_s": 75.0}]


def test_each_stay_on_the_plate_begins_cold_and_one_over_a_restart_goes_on() -> None:
    """Laid on hot plates three times; the third time over a restart, where it came up twice before it.

    Cycles: 1 in boot a, which ends cool; 1 in boot x; 2 in boot b; none in c, for it is b's stay; 1 in d.
    """
    rows = boots(
        ("a", 0, 50, 90.0),
        ("a", 50, 60, 30.0),
        ("x", 0, 50, 90.0),
        ("b", 0, 20, 90.0),
        ("b", 20, 40, 30.0),
        ("b", 40, 60, 90.0),
        ("c", 0, 50, 90.0),
        ("d", 0, 50, 90.0),
    )
    intervals = [of(0, 60, "a"), of(0, 50, "x"), of(0, 60, "b"), of(0, 50, "c"), of(0, 50, "d")]
    unseen = [Unseen("b", 60.0, "c", 0.0, 5.0)]
    assert history("u", intervals, rows, [], unseen)["heat_cycles"] == 5
    assert history("u", intervals, rows, [])["heat_cycles"] == 6


def test_a_cut_at_one_moment_has_no_length_and_no_loss() -> None:
    """And a part of a run has its share of the seconds that the run lost, wherever the run begins."""
    run = Run("b", ((100.0, 90.0), (120.0, 90.0)), lost_s=4.0)
    assert clip(run, 100, 105).lost_s == 1.0
    assert clip(run, 110, 120).lost_s == 2.0
