"""What becomes of a request as it came: by its expiry, retained, too long, or to be done."""

import pytest

from shared.requests import LampTest, Unreadable
from station.link.client import LARGEST_REQUEST, Incoming
from station.link.link import _judged, may_answer_on

NOW_S, AGO_S = 1_000.0, 3.0


def came(payload: bytes = b"lamp-test", *, retained: bool = False, left_s: float | None = None) -> Incoming:
    """A request that came a while ago, with so many seconds left."""
    expiry_s = None if left_s is None else left_s + AGO_S
    return Incoming(payload, retained, "answers/a", b"1", NOW_S - AGO_S, expiry_s)


@pytest.mark.parametrize("left_s", [None, 60.0])
def test_request_in_time_is_done(left_s: float | None) -> None:
    """With time left, or without an expiry."""
    assert _judged(came(left_s=left_s), NOW_S) == LampTest()


@pytest.mark.parametrize(
    ("incoming", "why"),
    [
        (came(left_s=-0.001), "came after its expiry"),
        (came(left_s=0.0), "came after its expiry"),
        (came(retained=True), "retained"),
        (came(b"x" * (LARGEST_REQUEST + 1)), "longer than"),
        (came()._replace(unreturnable=True), "longer than"),
    ],
)
def test_request_that_is_not_done_says_why(incoming: Incoming, why: str) -> None:
    """Refused as malformed, so that the refusal is recorded like any other."""
    judged = _judged(incoming, NOW_S)
    assert isinstance(judged, Unreadable)
    assert judged.reason == "malformed-request"
    assert why in judged.detail


def test_time_that_was_stood_still_counts_against_an_expiry() -> None:
    """Two seconds left by its coming, and three seconds in the socket before anybody read it."""
    assert _judged(came(left_s=2.0), NOW_S) == LampTest()
    judged = _judged(came(left_s=2.0), NOW_S, older_s=3.0)
    assert isinstance(judged, Unreadable)
    assert judged.detail == "came after its expiry"


@pytest.mark.parametrize(
    ("where", "may"),
    [
        ("benchward/v1/answers/job-system/1", True),
        ("my/answers", True),
        ("benchward/v1/bench-1/events", False),
        ("benchward/v1/bench-2/requests", False),
        ("benchward/v1/bench-1/requests/office", False),
        ("benchward/v1", False),
        ("benchward/v1/answers/+", False),
        ("#", False),
        ("$SYS/broker/version", False),
        ("a\0b", False),
    ],
)
def test_no_answer_goes_where_stations_speak(where: str, may: bool) -> None:
    """Whoever asks names the topic; a topic name has no pattern in it (MQTT 5, 4.7.1) and no null (1.5.4)."""
    assert may_answer_on(where) is may
