"""Heat history of a unit: plain arithmetic on the record of the plate while the unit lay on it.

The record is cut into runs: stretches without a gap, as points (seconds, °C) joined by straight lines.
Whatever is integrated is integrated inside runs only; a gap is never bridged, it lowers the coverage.

Mean kinetic temperature and equivalent minutes use ΔH/R = 10 000 K (ΔH = 83.144 kJ/mol, the convention of
USP <1160>). No published activation energy for display stacks was found: the dose ranks panels against each
other, it is not a lifetime.
"""

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Sequence
from itertools import groupby, pairwise
from math import exp, log
from operator import add, itemgetter, mul, sub
from typing import Any, NamedTuple, TypeAlias

ARITHMETIC = 2
"""Counts up with every change that gives other figures for the same record; older ones are not used then."""

Point: TypeAlias = tuple[float, float]

KELVIN = 273.15
DELTA_H_OVER_R_K = 10_000.0
REFERENCE_C = 100.0
THRESHOLDS_C = (60, 80, 100, 110)
CYCLE_HIGH_C = 60.0
CYCLE_LOW_C = 50.0
SLIDING_S = 60.0
# Straight lines are split this finely where the integrand bends (exp of 1/T); see `mean_kinetic_c`.
FINEST_STEP_C = 1.0


class Interval(NamedTuple):
    """A stretch of one boot's monotonic time, in seconds."""

    boot: str
    from_s: float
    to_s: float


class Unseen(NamedTuple):
    """A stretch in which the unit lay on the plate and no station ran: from one boot's record to the next.

    ``length_s`` is None where either boot has no date, or their dates contradict each other.
    """

    boot: str
    from_s: float
    next_boot: str
    next_from_s: float
    length_s: float | None


class Row(NamedTuple):
    """One second of record: mean and greatest plate (None: no valid reading), and how much of it is known."""

    boot: str
    second: int
    mean_c: float | None
    max_c: float | None
    valid_ms: int

    @property
    def known_s(self) -> float:
        """How much of the second has a valid reading."""
        return self.valid_ms / 1000


class Run(NamedTuple):
    """A stretch without a gap: ``points`` in order of time, ``lost_s`` of it without a valid reading."""

    boot: str
    points: tuple[Point, ...]
    lost_s: float = 0.0

    @property
    def from_s(self) -> float:
        """Where the run begins."""
        return self.points[0][0]

    @property
    def to_s(self) -> float:
        """Where the run ends."""
        return self.points[-1][0]

    @property
    def share(self) -> float:
        """The share of the run with a valid reading; bad readings between good ones weigh nothing."""
        whole_s = self.to_s - self.from_s
        return max(0.0, 1 - self.lost_s / whole_s) if whole_s else 0.0


def runs_within(interval: Interval, rows: Iterable[Row]) -> list[Run]:
    """Cut one interval's rows into runs.

    A row's mean stands at the middle of its second. Where a run begins or ends in the middle of a second,
    only the known part of that second belongs to it. Two neighbours that lack a second or more between them
    are the two sides of a gap.

    Args:
        interval: when the unit lay on the plate.
        rows: rows of the same boot in order of time; those outside the interval are passed over.
    """
    groups: list[list[Row]] = []
    group: list[Row] = []
    next_second, known_ms = -1, 0  # of the row before
    after_s, before_s = interval.from_s - 1, interval.to_s
    for row in rows:
        _, second, mean_c, _, valid_ms = row
        if second <= after_s or second >= before_s:
            continue
        if mean_c is None or valid_ms == 0:
            group = []
        elif group and second == next_second and known_ms + valid_ms > 1000:
            group.append(row)
        else:
            group = [row]
            groups.append(group)
        next_second, known_ms = second + 1, valid_ms
    runs = (_run(interval, group) for group in groups)
    return [run for run in runs if run is not None]


def _run(interval: Interval, group: Sequence[Row]) -> Run | None:
    first, last = group[0], group[-1]
    alone = first is last
    # The known part of a second stands at the side of its neighbours; a lone one is taken to begin it.
    begin_s = first.second + (0.0 if alone else 1 - first.known_s)
    end_s = last.second + last.known_s
    begin_s, end_s = max(begin_s, interval.from_s), min(end_s, interval.to_s)
    if end_s <= begin_s:
        return None
    inner = [(second + 0.5, mean_c) for _, second, mean_c, _, _ in group if mean_c is not None]
    points = [(begin_s, inner[0][1])]
    points += [point for point in inner if begin_s < point[0] < end_s]
    points.append((end_s, inner[-1][1]))
    lost_s = sum(1 - row.known_s for row in group[1:-1] if row.valid_ms != 1000)
    return Run(interval.boot, tuple(points), lost_s)


def clip(run: Run, from_s: float, to_s: float) -> Run | None:
    """The part of a run between two times, cut on its straight lines; None where nothing is left."""
    begin_s, end_s = max(run.from_s, from_s), min(run.to_s, to_s)
    if end_s <= begin_s:
        return None
    first = bisect_right(run.points, begin_s, key=_time_s)
    inner = run.points[first : bisect_left(run.points, end_s, key=_time_s)]
    whole = run.to_s - run.from_s
    lost_s = run.lost_s * (end_s - begin_s) / whole if whole else 0.0
    ends = (begin_s, value_at(run, begin_s)), (end_s, value_at(run, end_s))
    return Run(run.boot, (ends[0], *inner, ends[1]), lost_s)


def value_at(run: Run, at_s: float) -> float:
    """The plate on the run's straight lines, in °C.

    Raises:
        ValueError: the time lies outside the run.
    """
    if not run.from_s <= at_s <= run.to_s:
        raise ValueError(f"{at_s!r} s lies outside {run.from_s!r} to {run.to_s!r} s.")
    return _value(run.points, at_s)


def _value(points: Sequence[Point], at_s: float) -> float:
    index = max(1, bisect_left(points, at_s, hi=len(points) - 1, key=_time_s))
    (t0, c0), (t1, c1) = points[index - 1], points[index]
    return c1 if t1 == t0 else c0 + (c1 - c0) * (at_s - t0) / (t1 - t0)


_time_s = itemgetter(0)
_second = itemgetter(1)


def duration_s(runs: Iterable[Run]) -> float:
    """Time with a valid reading, in seconds."""
    return sum(run.to_s - run.from_s - run.lost_s for run in runs)


def mean_c(runs: Sequence[Run]) -> float | None:
    """Time-weighted mean by the trapezoidal rule, in °C; None without any run."""
    area = whole_s = 0.0
    for run in runs:
        share = run.share
        area += share * sum((t1 - t0) * (c0 + c1) for (t0, c0), (t1, c1) in pairwise(run.points)) / 2
        whole_s += share * (run.to_s - run.from_s)
    return area / whole_s if whole_s else None


def time_above_s(runs: Iterable[Run], threshold_c: float) -> float:
    """Time at or above a threshold, with the crossings found on the straight lines, in seconds."""
    return times_above_s(runs, (threshold_c,))[0]


def times_above_s(runs: Iterable[Run], thresholds_c: Sequence[float]) -> list[float]:
    """Time at or above each of several thresholds (see `time_above_s`)."""
    pieces: list[tuple[float, float, float]] = []
    for run in runs:
        share = run.share
        pieces += [
            (share * (t1 - t0), c0, c1) if c0 < c1 else (share * (t1 - t0), c1, c0)
            for (t0, c0), (t1, c1) in pairwise(run.points)
        ]
    lowest, highest = min(map(_low_c, pieces), default=0.0), max(map(_high_c, pieces), default=0.0)
    spans = list(map(_span_s, pieces))
    return [_above_s(spans, pieces, limit_c, lowest, highest) for limit_c in thresholds_c]


_span_s, _low_c, _high_c = itemgetter(0), itemgetter(1), itemgetter(2)


def _above_s(
    spans: Sequence[float],
    pieces: Sequence[tuple[float, float, float]],
    limit_c: float,
    lowest: float,
    highest: float,
) -> float:
    if highest < limit_c:
        return 0
    if lowest >= limit_c:
        return sum(spans)
    return sum([
        span if low >= limit_c else span * (high - limit_c) / (high - low)
        for span, low, high in pieces
        if high >= limit_c
    ])  # fmt: skip


class Dose(NamedTuple):
    """Log of ∫ exp(−ΔH/RT) dt, and ∫ dt in seconds; nothing underflows in a log."""

    log_dose: float
    whole_s: float

    def mean_kinetic_c(self) -> float | None:
        """The one temperature with the same thermal challenge, in °C; None of nothing."""
        if self.whole_s == 0:
            return None
        return DELTA_H_OVER_R_K / (log(self.whole_s) - self.log_dose) - KELVIN

    def equivalent_min(self, reference_c: float = REFERENCE_C) -> float:
        """Minutes at the reference temperature that would have been the same dose."""
        if self.whole_s == 0:
            return 0.0
        return exp(self.log_dose + DELTA_H_OVER_R_K / (reference_c + KELVIN)) / 60


def dose(runs: Iterable[Run]) -> Dose:
    """The Arrhenius dose by the trapezoidal rule on exp(−ΔH/RT), steep lines split finely."""
    weights: list[float] = []
    kelvins: list[float] = []
    whole_s = 0.0
    for run in runs:
        share = run.share
        whole_s += share * (run.to_s - run.from_s)
        halves, plates = _split(run.points)
        halves = [share * half_s for half_s in halves]
        weights += [halves[0], *map(add, halves, halves[1:]), halves[-1]]
        kelvins += [plate_c + KELVIN for plate_c in plates]
    if whole_s == 0:
        return Dose(float("-inf"), 0.0)
    peak = DELTA_H_OVER_R_K / max(kelvins)
    total = sum(map(mul, weights, map(exp, [peak - DELTA_H_OVER_R_K / kelvin for kelvin in kelvins])))
    return Dose(log(total) - peak, whole_s)


def _split(points: Sequence[Point]) -> tuple[list[float], list[float]]:
    """Straight lines with the steep ones split finely: the half lengths in seconds, and the ends in °C."""
    times, ends = [at_s for at_s, _ in points], [plate_c for _, plate_c in points]
    lengths, rises = list(map(sub, times[1:], times)), list(map(sub, ends[1:], ends))
    halves: list[float] = []
    plates: list[float] = []
    taken = 0
    for index in [index for index, rise_c in enumerate(rises) if abs(rise_c) > FINEST_STEP_C]:
        count = max(1, round(abs(rises[index]) / FINEST_STEP_C))
        halves += [length_s / 2 for length_s in lengths[taken:index]]
        halves += [lengths[index] / count / 2] * count
        plates += ends[taken : index + 1]
        plates += [ends[index] + rises[index] * part / count for part in range(1, count)]
        taken = index + 1
    return halves + [length_s / 2 for length_s in lengths[taken:]], plates + ends[taken:]


def mean_kinetic_c(runs: Iterable[Run]) -> float | None:
    """The one temperature with the same thermal challenge, in °C (USP <1160>); None without any run."""
    return dose(runs).mean_kinetic_c()


def equivalent_min(runs: Iterable[Run], reference_c: float = REFERENCE_C) -> float:
    """Minutes at the reference temperature that would have been the same Arrhenius dose."""
    return dose(runs).equivalent_min(reference_c)


def max_rise_c_per_min(runs: Iterable[Run], window_s: float = SLIDING_S) -> float | None:
    """The steepest rise over a sliding minute inside a run, in °C per minute; None with no run that long.

    On straight lines the rise over a window is greatest with one end of the window on a point.
    """
    steepest: float | None = None
    for run in runs:
        if run.to_s - run.from_s < window_s:
            continue
        rise = _rise_by_seconds(run, round(window_s)) if window_s == round(window_s) else None
        rise = _rise(run, window_s) if rise is None else rise
        steepest = rise if steepest is None else max(steepest, rise)
    return None if steepest is None else steepest * 60 / window_s


def _rise(run: Run, window_s: float) -> float:
    """The greatest rise over a window within a run that is no shorter."""
    times = [at_s for at_s, _ in run.points]
    last_s = run.to_s - window_s
    starts = {at_s for at_s in times if at_s <= last_s}
    starts |= {at_s - window_s for at_s in times if at_s - window_s >= run.from_s}
    return max(_rise_from(run, start_s, window_s) for start_s in starts)


def _rise_from(run: Run, start_s: float, window_s: float) -> float:
    return _value(run.points, start_s + window_s) - _value(run.points, start_s)


def _rise_by_seconds(run: Run, window: int) -> float | None:
    """The same where the inner points lie a second apart, as those of a record do; None where they do not."""
    times = [at_s for at_s, _ in run.points[1:-1]]
    if len(times) <= window or times != [times[0] + index for index in range(len(times))]:
        return None
    plates = [plate_c for _, plate_c in run.points[1:-1]]
    # Point against point, and the windows that begin or end on a line at an end of the run.
    ends = [run.from_s, run.to_s - window]
    ends += [at_s for at_s in times[-window:] if at_s + window <= run.to_s]
    ends += [at_s - window for at_s in times[:window] if at_s - window >= run.from_s]
    within: float = max(map(sub, plates[window:], plates))
    return max(within, *(_rise_from(run, start_s, window) for start_s in ends))


def heat_cycles(
    runs: Iterable[Run], high_c: float = CYCLE_HIGH_C, low_c: float = CYCLE_LOW_C, *, cold: bool = True
) -> int:
    """How often the plate came up to ``high_c`` after having been below ``low_c``.

    Args:
        runs: in order of time.
        high_c: from here on a cycle counts.
        low_c: below here the next one may begin.
        cold: whether the unit was cold before the first run, as one just laid on the plate is.
    """
    count, armed = 0, cold
    for run in runs:
        for _, plate_c in run.points:
            if armed and plate_c >= high_c:
                count, armed = count + 1, False
            elif plate_c < low_c:
                armed = True
    return count


def gaps_within(interval: Interval, runs: Iterable[Run], shortest_s: float = 0.05) -> list[Interval]:
    """The stretches of an interval that no run covers."""
    gaps, reached_s = [], interval.from_s
    for run in runs:
        if run.from_s - reached_s > shortest_s:
            gaps.append(Interval(interval.boot, reached_s, run.from_s))
        reached_s = max(reached_s, run.to_s)
    if interval.to_s - reached_s > shortest_s:
        gaps.append(Interval(interval.boot, reached_s, interval.to_s))
    return gaps


def figures(
    intervals: Sequence[Interval],
    runs: Sequence[Run],
    peak_c: float | None,
    *,
    cold: bool,
    unseen: Sequence[Unseen] = (),
) -> dict[str, Any]:
    """The figures of a heat history over intervals and the runs inside them.

    Args:
        intervals: when the unit lay on the plate, or the parts of it that are meant.
        runs: the known stretches inside them.
        peak_c: the highest plate in them.
        cold: whether the unit comes cold into each interval, as onto the plate; not into one that follows
            an unseen stretch, of which no reading says that it cooled.
        unseen: stretches between the intervals with the unit on the plate and no station running.

    Returns:
        ``duration_s`` (with unseen stretches of known length), ``coverage`` (share of it with a valid
        reading; None where an unseen stretch has no known length), ``gaps`` (unseen ones of known length
        on the time line of the boot before them), ``unseen``, ``peak_c``, ``mean_c``, ``time_above_s`` by
        threshold, ``max_rise_c_per_min``, ``mean_kinetic_c``, ``equivalent_min_at_100c`` and
        ``heat_cycles``; what cannot be told is None.
    """
    lengths_s = [stretch.length_s for stretch in unseen if stretch.length_s is not None]
    whole_s = sum(interval.to_s - interval.from_s for interval in intervals) + sum(lengths_s)
    measured = whole_s > 0 and len(lengths_s) == len(unseen)
    valid_s = duration_s(runs)
    taken = dose(runs)
    above_s = times_above_s(runs, THRESHOLDS_C)
    gaps = [gap for interval in intervals for gap in gaps_within(interval, _inside(runs, interval))]
    gaps += [
        Interval(stretch.boot, stretch.from_s, round(stretch.from_s + stretch.length_s, 3))
        for stretch in unseen
        if stretch.length_s is not None
    ]
    return {
        "duration_s": round(whole_s, 3),
        "coverage": round(valid_s / whole_s, 6) if measured else None,
        "gaps": [{"boot": gap.boot, "from_s": gap.from_s, "to_s": gap.to_s} for gap in gaps],
        "unseen": [stretch._asdict() for stretch in unseen],
        "peak_c": _rounded(peak_c, 2),
        "mean_c": _rounded(mean_c(runs), 3),
        "time_above_s": {
            str(limit_c): round(time_s, 1) for limit_c, time_s in zip(THRESHOLDS_C, above_s, strict=True)
        },
        "max_rise_c_per_min": _rounded(max_rise_c_per_min(runs), 2),
        "mean_kinetic_c": _rounded(taken.mean_kinetic_c(), 3),
        "equivalent_min_at_100c": round(taken.equivalent_min(), 3),
        "heat_cycles": sum(heat_cycles(stay, cold=cold) for stay in _stays(intervals, runs, unseen)),
    }


def _stays(intervals: Iterable[Interval], runs: Sequence[Run], unseen: Iterable[Unseen]) -> list[list[Run]]:
    """The runs of each time on the plate; an interval after an unseen stretch goes on with the one before."""
    continued = {(stretch.next_boot, stretch.next_from_s) for stretch in unseen}
    stays: list[list[Run]] = []
    for interval in intervals:
        inside = _inside(runs, interval)
        if stays and (interval.boot, interval.from_s) in continued:
            stays[-1] += inside
        else:
            stays.append(inside)
    return stays


def _inside(runs: Iterable[Run], interval: Interval) -> list[Run]:
    return [
        run
        for run in runs
        if run.boot == interval.boot and run.from_s >= interval.from_s and run.to_s <= interval.to_s
    ]


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def history(
    unit: str,
    intervals: Sequence[Interval],
    rows: Sequence[Row],
    steps: Sequence[tuple[str, Interval]],
    unseen: Sequence[Unseen] = (),
) -> dict[str, Any]:
    """The heat history of one unit.

    Args:
        unit: its name.
        intervals: when it lay on the plate, in order.
        rows: the record of those times (more does no harm), in order within each boot.
        steps: when each of its steps ran, by key; one step may stand several times.
        unseen: between which of the intervals it lay there while no station ran.

    Returns:
        The figures over all intervals, with ``unit``, ``intervals`` and ``by_step``.
    """
    by_boot: dict[str, list[Row]] = {}
    for boot, found in groupby(rows, itemgetter(0)):
        by_boot.setdefault(boot, []).extend(found)
    # Two placements within one second name the same row twice.
    by_boot = {boot: list({row[1]: row for row in found}.values()) for boot, found in by_boot.items()}
    runs = [run for interval in intervals for run in runs_within(interval, by_boot.get(interval.boot, []))]
    by_step: dict[str, dict[str, Any]] = {}
    for key in dict.fromkeys(key for key, _ in steps):
        ran = [when for name, when in steps if name == key]
        parts = _overlaps(ran, intervals)
        cut = [clip(run, part.from_s, part.to_s) for part in parts for run in runs if run.boot == part.boot]
        kept = [run for run in cut if run is not None]
        if parts:
            by_step[key] = figures(
                parts, kept, _peak(parts, kept, by_boot), cold=False, unseen=_ran_on(ran, unseen)
            )
    return {
        "unit": unit,
        "intervals": [{"boot": at.boot, "from_s": at.from_s, "to_s": at.to_s} for at in intervals],
        **figures(intervals, runs, _peak(intervals, runs, by_boot), cold=True, unseen=unseen),
        "by_step": by_step,
    }


def _ran_on(ran: Sequence[Interval], unseen: Iterable[Unseen]) -> list[Unseen]:
    """The unseen stretches before and after which a step ran."""

    def ran_at(boot: str, at_s: float) -> bool:
        return any(when.boot == boot and when.from_s <= at_s <= when.to_s for when in ran)

    return [
        stretch
        for stretch in unseen
        if ran_at(stretch.boot, stretch.from_s) and ran_at(stretch.next_boot, stretch.next_from_s)
    ]


def _overlaps(first: Sequence[Interval], second: Sequence[Interval]) -> list[Interval]:
    both = []
    for one in first:
        for other in second:
            begin_s, end_s = max(one.from_s, other.from_s), min(one.to_s, other.to_s)
            if one.boot == other.boot and end_s > begin_s:
                both.append(Interval(one.boot, begin_s, end_s))
    return both


def _peak(intervals: Iterable[Interval], runs: Iterable[Run], by_boot: dict[str, list[Row]]) -> float | None:
    """The highest plate: of seconds wholly inside, their highest tick; at the edges, the straight lines."""
    peaks = [plate_c for run in runs for _, plate_c in run.points]
    for interval in intervals:
        rows = by_boot.get(interval.boot, [])
        first = bisect_left(rows, interval.from_s, key=_second)
        last = bisect_right(rows, interval.to_s - 1, key=_second)
        peaks += [max_c for _, _, _, max_c, _ in rows[first:last] if max_c is not None]
    return max(peaks, default=None)
