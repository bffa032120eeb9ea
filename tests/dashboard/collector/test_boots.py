"""The month of a row: the same whenever it is sent again, and about when it was measured."""

from collecting import reading
from hypothesis import given
from hypothesis import strategies as st

from dashboard.collector.boots import month_after, month_of, zero_of
from dashboard.collector.rows import Row, row_of

NOW_S = 1_772_440_000  # 2026-03-02T08:26:40Z by GNU date


def row(second: int, wall_ms: int | None) -> Row:
    """A reading's row."""
    found = row_of(reading("s", second, wall_ms))
    assert isinstance(found, Row)
    return found


def test_a_dated_message_tells_the_zero():
    """Whatever the delay of the message."""
    assert zero_of(row(500, 1000 * (NOW_S - 90_000)), NOW_S) == NOW_S - 90_500


def test_an_undated_message_counts_as_sent_just_now():
    """So does one that is dated in the future or in 1970."""
    assert zero_of(row(500, None), NOW_S) == NOW_S - 500
    assert zero_of(row(500, 600_000), NOW_S) == NOW_S - 500
    assert zero_of(row(500, 1000 * (NOW_S + 9000)), NOW_S) == NOW_S - 500


def test_months_turn_at_midnight_utc():
    """2026-02-28T23:59:59Z is 1772323199 by GNU date."""
    assert (month_of(1772323199), month_of(1772323200)) == ("2026-02-01", "2026-03-01")
    assert (month_after("2026-12-01"), month_after("2028-02-01")) == ("2027-01-01", "2028-03-01")


@given(st.integers(0, 2**32))
def test_a_month_is_followed_by_the_next(unix_s):
    """Nothing lies between them, as date arithmetic of ISO 8601 text says."""
    month = month_of(unix_s)
    year, number = int(month[:4]), int(month[5:7])
    assert month_after(month) == f"{year + number // 12:04d}-{number % 12 + 1:02d}-01"
