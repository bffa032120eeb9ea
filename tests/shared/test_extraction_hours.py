"""Hours, weeks and drift of the extractor: closed-form expectations on records made by hand."""

from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

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


def test_the_threshold_itself_counts_as_run() -> None:
    """Contract: at or above; a second at 0.25 A counts, one at 0.249 A does not."""
    assert summary([AirSecond(MONDAY_MS, 0.25)], 0.25, None)["hours_run"] == pytest.approx(1 / 3600)
    assert summary([AirSecond(MONDAY_MS, 0.249)], 0.25, None)["hours_run"] == 0.0


def test_the_second_of_the_new_filter_is_its_first() -> None:
    """Contract: since a moment includes it; the second before is the old filter's."""
    record = [AirSecond(MONDAY_MS - 1000, 0.42), AirSecond(MONDAY_MS, 0.42)]
    assert summary(record, 0.25, MONDAY_MS)["hours_since_filter"] == pytest.approx(1 / 3600)


def test_seconds_without_a_current_are_told_apart_from_rest() -> None:
    """Half an hour not read is neither run nor at rest (closed form)."""
    found = summary([*running(MONDAY_MS, 1800, None), *running(MONDAY_MS, 900, 0.01)], 0.25, MONDAY_MS)
    assert found["hours_without_current"] == 0.5
    assert (found["hours_run"], found["hours_since_filter"], found["weeks"]) == (0.0, 0.0, [])


def test_undated_seconds_have_a_place_of_their_own() -> None:
    """Half an hour without a date moves neither a week's mean nor the filter's hours (closed form)."""
    found = summary([*running(None, 1800, 0.5), *running(MONDAY_MS, 3600, 0.4)], 0.25, 0)
    assert found["undated"] == (None, 0.5, pytest.approx(0.5), None, None)
    assert found["weeks"] == [("2026-W10", 1.0, pytest.approx(0.4), 1.0, 0.0)]
    assert (found["hours_run"], found["hours_since_filter"]) == (1.5, 1.0)


def test_every_week_is_held_against_the_first_and_knows_its_filter() -> None:
    """0.40, 0.44 and 0.36 A are 0, +10 and -10 per cent; the filter came in the middle of the second."""
    weeks = [running(MONDAY_MS + n * WEEK_MS, 3600, amps) for n, amps in enumerate((0.40, 0.44, 0.36))]
    record = [second for week in reversed(weeks) for second in week]
    found = summary(record, 0.25, MONDAY_MS + WEEK_MS + 1_800_000)
    assert [week.drift_percent for week in found["weeks"]] == pytest.approx([0.0, 10.0, -10.0])
    assert [week.filter_hours for week in found["weeks"]] == [0.0, 0.5, 1.0]
    assert [week.hours for week in found["weeks"]] == [1.0, 1.0, 1.0]


def test_one_week_drifts_from_nothing() -> None:
    """With a single week there is nothing to hold it against, and no filter nobody spoke of (own rule)."""
    found = summary(running(MONDAY_MS, 60, 0.4), 0.25, None)
    assert found["drift_percent"] is None
    assert found["weeks"][0].filter_hours is None


@given(
    st.lists(
        st.tuples(
            st.none() | st.integers(MONDAY_MS, MONDAY_MS + 5 * WEEK_MS), st.none() | st.floats(0.0, 1.0)
        ),
        max_size=60,
    ),
    st.none() | st.integers(MONDAY_MS, MONDAY_MS + 5 * WEEK_MS),
    st.randoms(use_true_random=False),
)
def test_nothing_is_lost_between_the_sums(
    record: list[tuple[int | None, float | None]], since_ms: int | None, random: Random
) -> None:
    """Weeks and undated add up to the whole, the filter's to its own, in any order (closed form)."""
    seconds = [AirSecond(*at) for at in record]
    found = summary(seconds, 0.25, since_ms)
    undated_h = found["undated"].hours if found["undated"] else 0.0
    assert sum(week.hours for week in found["weeks"]) + undated_h == pytest.approx(found["hours_run"])
    if since_ms is not None:
        since_h = sum(week.filter_hours for week in found["weeks"])
        assert since_h == pytest.approx(found["hours_since_filter"])
    random.shuffle(seconds)
    again = summary(iter(seconds), 0.25, since_ms)
    assert [week.name for week in again["weeks"]] == [week.name for week in found["weeks"]]
    assert again["hours_run"] == found["hours_run"]
