"""Hours, weeks and drift of the extractor: closed-form expectations on records made by hand."""

import pytest

from shared.extraction import AirSecond, summary, week_name

MONDAY_MS = 1_772_409_600_000  # 2026-03-02T00:00:00Z, a Monday
WEEK_MS = 7 * 86_400_000


def running(start_ms: int | None, count: int, amps: float | None) -> list[AirSecond]:
    """So many seconds in a row."""
    return [AirSecond(None if start_ms is None else start_ms + 1000 * n, amps) for n in range(count)]


def test_weeks_are_named_as_iso_8601_does() -> None:
    """2026-03-02 is the Monday of week 10; 2027-01-01 is in week 53 of 2026 (ISO 8601 calendar)."""
    assert week_name(MONDAY_MS) == "2026-W10"
    assert week_name(MONDAY_MS - 1000) == "2026-W09"
    assert week_name(1_798_761_600_000) == "2026-W53"


def test_hours_count_what_ran_and_nothing_else() -> None:
    """An hour at 0.42 A, an hour at rest, an hour unread, half an hour undated."""
    record = [
        *running(MONDAY_MS, 3600, 0.42), *running(MONDAY_MS, 3600, 0.01), *running(MONDAY_MS, 3600, None),
        *running(None, 1800, 0.42),
    ]  # fmt: skip
    found = summary(record, 0.25, None)
    assert (found["hours_run"], found["hours_undated"], found["hours_since_filter"]) == (1.5, 0.5, None)
    assert found["drift_percent"] is None


def test_filter_hours_begin_with_the_filter() -> None:
    """Ten minutes before it, twenty after."""
    record = running(MONDAY_MS, 1800, 0.42)
    assert summary(record, 0.25, MONDAY_MS + 600_000)["hours_since_filter"] == pytest.approx(1 / 3)


def test_drift_is_the_last_week_against_the_first() -> None:
    """0.40 A, then 0.39, then 0.36: ten percent less."""
    record = [
        *running(MONDAY_MS, 100, 0.40), *running(MONDAY_MS + WEEK_MS, 100, 0.39),
        *running(MONDAY_MS + 2 * WEEK_MS, 50, 0.36),
    ]  # fmt: skip
    found = summary(record, 0.25, None)
    assert found["drift_percent"] == pytest.approx(-10.0)
    assert [week.name for week in found["weeks"]] == ["2026-W10", "2026-W11", "2026-W12"]
    assert found["weeks"][2].hours == pytest.approx(50 / 3600)
