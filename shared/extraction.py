"""What the extractor has done: hours run, hours since its filter was new, and drift over the weeks.

Plain arithmetic on seconds of record. A second counts as run when its mean current is at or above what
proves the extractor; one without a current (not read, or told by a switch, which knows no amperes) says
nothing about it and is counted apart.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any, NamedTuple


class AirSecond(NamedTuple):
    """A second: its wall time (Unix milliseconds, None while unknown), and amperes (None: not read).

    It stands for so many ``seconds`` with this mean, all of one week and on one side of a new filter.
    """

    wall_ms: int | None
    extraction_a: float | None
    seconds: int = 1


class Week(NamedTuple):
    """One ISO week's running: its name (None: the undated seconds), hours, and mean current in amperes.

    ``filter_hours``: those of its hours that the present filter saw, None when nobody said since when;
    ``drift_percent``: the mean current against the first week's, None for the undated.
    """

    name: str | None
    hours: float
    mean_a: float
    filter_hours: float | None = None
    drift_percent: float | None = None


class _Running:
    """Seconds run so far, their summed current, and how many of them the present filter saw."""

    def __init__(self) -> None:
        self.count = self.filter_count = 0
        self.total_a = 0.0

    def add(self, current_a: float, count: int, *, with_filter: bool) -> None:
        """Take so many seconds."""
        self.count += count
        self.total_a += current_a * count
        self.filter_count += count if with_filter else 0

    @property
    def mean_a(self) -> float:
        """Amperes; only where there is a second."""
        return self.total_a / self.count


def week_name(wall_ms: int) -> str:
    """The ISO week (ISO 8601) of a moment in UTC, e.g. 2026-W10."""
    year, week, _ = datetime.fromtimestamp(wall_ms / 1000, UTC).isocalendar()
    return f"{year}-W{week:02d}"


def summary(seconds: Iterable[AirSecond], threshold_a: float, filter_since_ms: int | None) -> dict[str, Any]:
    """Hours, weeks and drift.

    Args:
        seconds: the record, in any order; looked at once.
        threshold_a: amperes, above 0, from which on the extractor counts as running.
        filter_since_ms: when the filter was new; None when nobody said.

    Returns:
        ``hours_run``, ``hours_since_filter`` (None when nobody said; undated seconds do not count),
        ``hours_undated`` (run, part of ``hours_run``), ``hours_without_current`` (of record, run or not),
        ``weeks`` (dated, oldest first), ``undated`` (a :class:`Week` without a name, or None) and
        ``drift_percent`` of the last week against the first (None with fewer than two). What a drift rests on
        are the hours of those two weeks.
    """
    blind = 0
    running: dict[str | None, _Running] = {}
    for wall_ms, current_a, count in seconds:
        if current_a is None:
            blind += count
        elif current_a >= threshold_a:
            name = None if wall_ms is None else week_name(wall_ms)
            with_filter = filter_since_ms is not None and wall_ms is not None and wall_ms >= filter_since_ms
            running.setdefault(name, _Running()).add(current_a, count, with_filter=with_filter)
    undated = running.pop(None, None)
    weeks = _weeks(running, filter_since_ms is not None)
    undated_s = undated.count if undated else 0
    return {
        "hours_run": (undated_s + sum(week.count for week in running.values())) / 3600,
        "hours_since_filter": (
            None if filter_since_ms is None else sum(week.filter_count for week in running.values()) / 3600
        ),
        "hours_undated": undated_s / 3600,
        "hours_without_current": blind / 3600,
        "weeks": weeks,
        "undated": Week(None, undated_s / 3600, undated.mean_a) if undated else None,
        "drift_percent": weeks[-1].drift_percent if len(weeks) > 1 else None,
    }


def _weeks(running: dict[str | None, _Running], filter_known: bool) -> list[Week]:
    """The dated weeks, oldest first, each against the first."""
    named = sorted((name, week) for name, week in running.items() if name is not None)
    return [
        Week(
            name,
            week.count / 3600,
            week.mean_a,
            week.filter_count / 3600 if filter_known else None,
            100 * (week.mean_a / named[0][1].mean_a - 1),
        )
        for name, week in named
    ]
