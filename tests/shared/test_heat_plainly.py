"""The quick ways through a heat history against the plain ones, on whatever record.

The plain forms here take every point by itself, as the definitions read: the time above a threshold line by
line, the dose line by line, the rise at every moment at which a window can begin or end on a point.
"""

from itertools import pairwise
from math import exp, log

from hypothesis import given, settings
from hypothesis import strategies as st

from shared import heat
from shared.heat import DELTA_H_OVER_R_K, KELVIN, Interval, Row, Run, runs_within

BOOT = "b"


@st.composite
def records(draw) -> list[Row]:
    """Seconds of record with gaps, half-known seconds, slow drift and wild jumps."""
    length = draw(st.sampled_from([1, 2, 3, 40, 61, 62, 63, 130, 400]))
    plate_cc = draw(st.integers(0, 13_000))
    seed = draw(st.randoms(use_true_random=False))
    second, rows = draw(st.integers(0, 30)), []
    jumps, holes = draw(st.sampled_from([0.0, 0.01])), draw(st.sampled_from([0.0, 0.02]))
    for _ in range(length):
        plate_cc += seed.choice([0, 0, 1, -1, 30, -30, 90])
        if seed.random() < jumps:
            plate_cc += seed.randint(-6000, 6000)
        plate_cc = min(max(plate_cc, -2000), 30_000)  # what is out of range is a fault, never a number
        second += 1 + (seed.randint(1, 3) if seed.random() < holes else 0)
        valid_ms = seed.choice([0, 100, 500, 700]) if seed.random() < holes else 1000
        known = valid_ms > 0
        rows.append(
            Row(
                BOOT,
                second,
                plate_cc / 100 if known else None,
                (plate_cc + seed.randint(0, 50)) / 100 if known else None,
                valid_ms,
            )
        )
    return rows


moments = st.tuples(st.floats(-3, 450), st.floats(-3, 450)).map(sorted)


def lines(runs: list[Run]) -> list[tuple[float, float, float, float]]:
    """Every straight line: its share, its length in seconds, its two ends in °C."""
    return [(run.share, t1 - t0, c0, c1) for run in runs for (t0, c0), (t1, c1) in pairwise(run.points)]


def plain_time_above_s(runs: list[Run], limit_c: float) -> float:
    """Line by line."""
    whole_s = 0.0
    for share, length_s, c0, c1 in lines(runs):
        if min(c0, c1) >= limit_c:
            whole_s += share * length_s
        elif max(c0, c1) >= limit_c:
            whole_s += share * length_s * (max(c0, c1) - limit_c) / (max(c0, c1) - min(c0, c1))
    return whole_s


def plain_log_dose(runs: list[Run]) -> float:
    """Trapezoids line by line, each line split into pieces of a degree; plain sums, no scaling."""
    total = 0.0
    for share, length_s, c0, c1 in lines(runs):
        count = max(1, round(abs(c1 - c0) / heat.FINEST_STEP_C))
        ends = [c0 + (c1 - c0) * index / count + KELVIN for index in range(count + 1)]
        rates = [exp(-DELTA_H_OVER_R_K / kelvin) for kelvin in ends]
        total += sum(share * length_s / count * (one + other) / 2 for one, other in pairwise(rates))
    return log(total)


def plain_rise_c(runs: list[Run], window_s: float) -> float | None:
    """At every moment at which a window begins or ends on a point."""
    rises = []
    for run in runs:
        starts = [at_s for at_s, _ in run.points] + [at_s - window_s for at_s, _ in run.points]
        rises += [
            heat.value_at(run, start_s + window_s) - heat.value_at(run, start_s)
            for start_s in starts
            if start_s >= run.from_s and start_s + window_s <= run.to_s
        ]
    return max(rises, default=None)


def plain_peak_c(interval: Interval, rows: list[Row], runs: list[Run]) -> float | None:
    """Of seconds wholly inside their highest tick, elsewhere the lines."""
    inside = [
        row.max_c
        for row in rows
        if row.max_c is not None and interval.from_s <= row.second and row.second + 1 <= interval.to_s
    ]
    return max(inside + [plate_c for run in runs for _, plate_c in run.points], default=None)


def close(one: float | None, other: float | None, tolerance: float) -> bool:
    """Both None, or no further apart than the last digit told."""
    return one == other or (one is not None and other is not None and abs(one - other) <= tolerance)


@settings(max_examples=150, deadline=None)
@given(rows=records(), when=moments, step=moments)
def test_every_figure_is_the_plain_one(rows: list[Row], when: list[float], step: list[float]) -> None:
    """Over the time on the plate and over a step of it; to the digit that is told."""
    interval = Interval(BOOT, *when)
    found = heat.history("u", [interval], rows, [("strip", Interval(BOOT, *step))])
    runs = runs_within(interval, rows)
    parts = [(found, interval, runs)]
    cut = Interval(BOOT, max(when[0], step[0]), min(when[1], step[1]))
    if "strip" in found["by_step"]:
        clipped = [heat.clip(run, cut.from_s, cut.to_s) for run in runs]
        parts.append((found["by_step"]["strip"], cut, [run for run in clipped if run is not None]))
    else:
        assert cut.to_s <= cut.from_s
    for told, within, known in parts:
        for limit, time_s in told["time_above_s"].items():
            assert close(time_s, plain_time_above_s(known, float(limit)), 0.0501)
        assert close(told["peak_c"], plain_peak_c(within, rows, known), 0.00501)
        rise_c = plain_rise_c(known, 60.0)
        assert close(told["max_rise_c_per_min"], rise_c, 0.00501)
        if heat.duration_s(known) > 0.001:
            taken = heat.dose(known)
            assert abs(taken.log_dose - plain_log_dose(known)) < 1e-9


@settings(max_examples=100, deadline=None)
@given(
    gaps=st.lists(st.floats(0.25, 40), min_size=1, max_size=60),
    plates=st.lists(st.floats(0, 150), min_size=61, max_size=61),
)
def test_rise_is_the_plain_one_when_points_lie_anywhere(gaps: list[float], plates: list[float]) -> None:
    """Runs that are no seconds of record take the general way."""
    at_s, points = 0.0, [(0.0, plates[0])]
    for gap_s, plate_c in zip(gaps, plates[1:], strict=False):
        at_s += gap_s
        points.append((at_s, plate_c))
    run = Run(BOOT, tuple(points))
    assert close(heat.max_rise_c_per_min([run]), plain_rise_c([run], 60.0), 1e-9)
