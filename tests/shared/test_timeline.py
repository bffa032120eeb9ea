"""Time in and out: RFC 3339 and whole milliseconds.

The examples are those of RFC 3339, section 5.8; Unix times are worked out with the standard calendar.
"""

import re
from calendar import timegm
from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.timeline import day_of, days_of, parse_rfc3339, rfc3339, to_ms

END_OF_9999_MS = timegm((9999, 12, 31, 23, 59, 59)) * 1000


@pytest.mark.parametrize(
    ("text", "wall_ms"),
    [
        ("1985-04-12T23:20:50.52Z", timegm((1985, 4, 12, 23, 20, 50)) * 1000 + 520),
        ("1996-12-19T16:39:57-08:00", timegm((1996, 12, 20, 0, 39, 57)) * 1000),
        ("1937-01-01T12:00:27.87+00:20", timegm((1937, 1, 1, 11, 40, 27)) * 1000 + 870),
        ("1970-01-01T00:00:00Z", 0),
        ("2026-03-02T08:30:00-00:00", timegm((2026, 3, 2, 8, 30, 0)) * 1000),
        ("2024-02-29T23:59:59.999+01:00", timegm((2024, 2, 29, 22, 59, 59)) * 1000 + 999),
    ],
)
def test_rfc3339_time_is_read_when_it_is_an_example_of_the_standard(text: str, wall_ms: int) -> None:
    """Offsets are taken off, fractions kept to the millisecond (RFC 3339, 5.8; the last three our own)."""
    assert parse_rfc3339(text) == wall_ms


@pytest.mark.parametrize(
    "text",
    [
        "",
        "now",
        "2026-03-02",
        "2026-03-02T08:30:00",
        "2026-02-29T08:30:00Z",
        "2026-13-01T08:30:00Z",
        "2026-03-02T24:30:00Z",
        "2026-03-02T08:60:00Z",
        "2026-03-02T08:30:00+24:00",
        "08:30:00Z",
        "1772440200",
    ],
)
def test_time_is_refused_when_it_is_no_date_and_time_with_an_offset(text: str) -> None:
    """What leaves the moment open, or names none, is an error."""
    with pytest.raises(ValueError, match=r"\S"):
        parse_rfc3339(text)


def test_time_without_offset_is_refused_with_the_remedy_when_read() -> None:
    """The message shows the text and how to write it."""
    with pytest.raises(ValueError, match=r"'2026-03-02T08:30:00' has no offset from UTC; write .*Z"):
        parse_rfc3339("2026-03-02T08:30:00")


@pytest.mark.parametrize(
    ("wall_ms", "text"),
    [
        (None, None),
        (0, "1970-01-01T00:00:00.000Z"),
        (-1, "1969-12-31T23:59:59.999Z"),
        (1, "1970-01-01T00:00:00.001Z"),
        (timegm((1985, 4, 12, 23, 20, 50)) * 1000 + 520, "1985-04-12T23:20:50.520Z"),
    ],
)
def test_moment_is_written_in_utc_with_milliseconds_when_known(wall_ms: int | None, text: str | None) -> None:
    """A known moment is RFC 3339 in UTC; an unknown one is None, never a date."""
    assert rfc3339(wall_ms) == text


@given(st.integers(0, END_OF_9999_MS))
def test_moment_comes_back_when_written_and_read(wall_ms: int) -> None:
    """Written and read again it is the same millisecond, in the profile's full form (RFC 3339, 5.6)."""
    text = rfc3339(wall_ms)
    assert text is not None
    assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", text)
    assert parse_rfc3339(text) == wall_ms


@pytest.mark.parametrize(
    ("seconds", "ms"),
    [(0.0, 0), (5.0, 5000), (0.1 + 0.2, 300), (1.0005001, 1001), (0.0004, 0), (0.0006, 1), (2211.3, 2211300)],
)
def test_duration_is_whole_milliseconds_when_given_in_seconds(seconds: float, ms: int) -> None:
    """Seconds are rounded to the nearest millisecond, whatever the float's tail."""
    assert to_ms(seconds) == ms


@given(st.integers(0, 10**12))
def test_milliseconds_come_back_when_printed_as_seconds(ms: int) -> None:
    """A millisecond printed as seconds, as events are, is the same millisecond again."""
    assert to_ms(ms / 1000) == ms


@given(st.dates(), st.integers(0, 400))
def test_period_gives_its_days_back_when_written(first: date, days: int) -> None:
    """First and last day come back, also where they are the same; the other way round it is no period."""
    last = min(first, date.max - timedelta(days=400)) + timedelta(days=days)
    first = min(first, last)
    assert days_of(f"{first}/{last}") == (first, last)
    if first < last:
        assert days_of(f"{last}/{first}") is None


@pytest.mark.parametrize("period", ["", "2026-03-02", "2026-02-30/2026-03-01", "a/b", "a/b/c"])
def test_no_days_come_of_what_is_no_period(period: str) -> None:
    """A single day, a day the calendar lacks and loose words are refused, not guessed at."""
    assert days_of(period) is None


@pytest.mark.parametrize(
    ("clock", "day"),
    [
        ((2026, 2, 28, 23, 59, 59), date(2026, 2, 28)),
        ((2026, 3, 1, 0, 0, 0), date(2026, 3, 1)),
        ((2024, 2, 29, 0, 0, 0), date(2024, 2, 29)),
    ],
)
def test_day_is_that_of_utc(clock: tuple[int, ...], day: date) -> None:
    """The day turns at midnight UTC, also around the end of February (the standard calendar)."""
    assert day_of(timegm(clock) * 1000) == day
