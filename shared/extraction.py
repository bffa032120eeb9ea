"""What the extractor has done: hours run, hours since its filter was new, and drift over the weeks.

Plain arithmetic on seconds of record. A second counts as run when its mean current is at or above what
proves the extractor; one that could not be read counts as nothing.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NamedTuple


class AirSecond(NamedTuple):
    """One second: its wall time (Unix milliseconds, None while unknown), and amperes (None: not read)."""

    wall_ms: int | None
    extraction_a: float | None


class Week(NamedTuple):
    """One ISO week: its name, hours run, and the mean current while running, amperes."""

    name: str
    hours: float
    mean_a: float


def week_name(wall_ms: int) -> str:
    """The ISO week (ISO 8601) of a moment in UTC, e.g. 2026-W10."""
    year, week, _ = datetime.fromtimestamp(wall_ms / 1000, UTC).isocalendar()
    return f"{year}-W{week:02d}"


def summary(seconds: Iterable[AirSecond], threshold_a: float, filter_since_ms: int | None) -> dict[str, Any]:
    """Hours, weeks and drift.

    Args:
        seconds: the record, in any order.
        threshold_a: from here on the extractor counts as running.
        filter_since_ms: when the filter was new; None when nobody said.

    Returns:
        ``hours_run``, ``hours_since_filter`` (None when nobody said; undated seconds do not count),
        ``hours_undated``, ``weeks`` and ``drift_percent`` of the last week against the first (None with fewer
        than two).
    """
    run_s = undated_s = filter_s = 0
    weeks: dict[str, tuple[int, float]] = {}
    for at in seconds:
        if at.extraction_a is None or at.extraction_a < threshold_a:
            continue
        run_s += 1
        if at.wall_ms is None:
            undated_s += 1
            continue
        filter_s += filter_since_ms is not None and at.wall_ms >= filter_since_ms
        count, total_a = weeks.get(name := week_name(at.wall_ms), (0, 0.0))
        weeks[name] = (count + 1, total_a + at.extraction_a)
    listed = [Week(name, count / 3600, total_a / count) for name, (count, total_a) in sorted(weeks.items())]
    return {
        "hours_run": run_s / 3600,
        "hours_since_filter": None if filter_since_ms is None else filter_s / 3600,
        "hours_undated": undated_s / 3600,
        "weeks": listed,
        "drift_percent": 100 * (listed[-1].mean_a / listed[0].mean_a - 1) if len(listed) > 1 else None,
    }
