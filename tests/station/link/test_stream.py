"""A stream on its way to the broker: the cursor passes only what is acknowledged, in order."""

from hypothesis import given
from hypothesis import strategies as st

from station.link.stream import Stream


def test_cursor_waits_for_the_oldest_message() -> None:
    """An acknowledgement out of order moves nothing until those before it have come."""
    stream = Stream(0)
    for mid in (11, 12, 13):
        stream.launched(mid, mid * 10)
    assert (stream.landed(12), stream.cursor) == (False, 0)
    assert (stream.landed(11), stream.cursor) == (True, 120)
    assert (stream.landed(13), stream.cursor, stream.in_flight) == (True, 130, 0)


def test_ids_of_others_change_nothing() -> None:
    """A state message or an answer is acknowledged on the same connection."""
    stream = Stream(5)
    assert (stream.landed(99), stream.cursor, stream.acknowledged) == (False, 5, 0)


def test_rewinding_sends_again_from_the_cursor() -> None:
    """What was refused, and what flew behind it, is sent again; late acknowledgements of it mean nothing."""
    stream = Stream(0)
    for mid in (1, 2, 3):
        stream.launched(mid, mid)
    stream.landed(1)
    stream.rewind()
    assert (stream.sent, stream.in_flight) == (1, 0)
    assert (stream.landed(2), stream.cursor) == (False, 1)


@given(st.permutations(range(8)), st.integers(0, 8))
def test_cursor_is_the_unbroken_run_whatever_the_order(order: list[int], count: int) -> None:
    """After any acknowledgements in any order, the cursor stands behind the first that is missing."""
    stream = Stream(-1)
    for position in range(8):
        stream.launched(100 + position, position)
    landed = set(order[:count])
    for position in order[:count]:
        stream.landed(100 + position)
    missing = min(set(range(8)) - landed, default=8)
    assert stream.cursor == missing - 1


def test_message_set_aside_holds_up_nobody() -> None:
    """The cursor passes it once those before it have landed, and it does not count as acknowledged."""
    stream = Stream(0)
    stream.launched(11, 1)
    stream.set_aside(2)
    assert (stream.cursor, stream.in_flight) == (0, 2)
    stream.landed(11)
    assert (stream.cursor, stream.in_flight, stream.acknowledged) == (2, 0, 1)
