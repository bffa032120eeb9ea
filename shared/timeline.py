"""Boot time and wall time.

Durations come from the monotonic clock, in integer milliseconds, so that 5.0 s is 5.0 s whatever the floats
say. A moment names its boot, because the monotonic clock starts anew with each one. Wall time is None until
the clock is known to be right.
"""

import re
from datetime import UTC, date, datetime, timedelta

import msgspec

_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?(?P<offset>[Zz]|[+-]\d\d:\d\d)?", re.ASCII)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


class Moment(msgspec.Struct, frozen=True):
    """A point in a station's time.

    ``mono_ms``: milliseconds of the boot's monotonic clock; ``wall_ms``: Unix milliseconds UTC or None.
    """

    boot: str
    mono_ms: int
    wall_ms: int | None = None


def to_ms(seconds: float) -> int:
    """Whole milliseconds of a duration in seconds, rounded to the nearest."""
    return round(seconds * 1000)


def rfc3339(wall_ms: int | None) -> str | None:
    """The moment as RFC 3339 text in UTC with milliseconds, or None where the time is not known."""
    if wall_ms is None:
        return None
    text = (EPOCH + timedelta(milliseconds=wall_ms)).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


def parse_rfc3339(text: str) -> int:
    """Unix milliseconds of an RFC 3339 time.

    Raises:
        ValueError: the text is not a date and time, or has no offset from UTC.
    """
    found = _RFC3339.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r} is no date and time such as 2026-03-02T08:30:00Z")
    if found["offset"] is None:
        raise ValueError(f"{text!r} has no offset from UTC; write 2026-03-02T08:30:00Z or +01:00.")
    moment = datetime.fromisoformat(text.upper())
    return round((moment - EPOCH).total_seconds() * 1000)


def day_of(wall_ms: int) -> date:
    """The day of a moment in UTC."""
    return (EPOCH + timedelta(milliseconds=wall_ms)).date()


def days_of(period: str) -> tuple[date, date] | None:
    """First and last day of a period written ``2026-03-02/2026-03-08``; None where it is no period."""
    try:
        first, last = map(date.fromisoformat, period.split("/"))
    except ValueError:
        return None
    return (first, last) if first <= last else None


TRACE_BOOT = "trace-"


def is_trace(boot: str) -> bool:
    """Whether the boot is the time line of a replayed trace, which has a bench of its own."""
    return boot.startswith(TRACE_BOOT)
