"""Requests that come twice are answered twice and acted on once."""

from shared.messages import Answer
from station.link.client import Incoming
from station.link.repeats import REMEMBERED_S, Repeats

YES = Answer(accepted=True, reasons=[], seq=7)
BUSY = Answer(accepted=False, reasons=["station-busy"], seq=None)


def asked(correlation: bytes | None = b"1", payload: bytes = b"ack") -> Incoming:
    """A request as it came."""
    return Incoming(payload, False, "answers/a", correlation)


def test_repeat_is_answered_from_memory() -> None:
    """The second of two equal requests is not acted on, and gets the first one's answer."""
    repeats, got = Repeats(lambda: 0.0), []
    first = repeats.remember(asked(), got.append)
    assert first is not None
    assert repeats.remember(asked(), got.append) is None
    first(YES)
    assert got == [YES]
    assert repeats.remember(asked(), got.append) is None
    assert got == [YES, YES]


def test_other_requests_are_new() -> None:
    """Another id, another payload or no id at all makes another request."""
    repeats, got = Repeats(lambda: 0.0), []
    for incoming in (asked(), asked(b"2"), asked(payload=b"silence"), asked(None), asked(None)):
        assert repeats.remember(incoming, got.append) is not None


def test_busy_answer_may_be_asked_again() -> None:
    """Where nothing was done, the same request is taken as new."""
    repeats, got = Repeats(lambda: 0.0), []
    deliver = repeats.remember(asked(), got.append)
    assert deliver is not None
    deliver(BUSY)
    assert repeats.remember(asked(), got.append) is not None


def test_old_request_is_forgotten() -> None:
    """After its time the same id is a new request."""
    times = iter([0.0, REMEMBERED_S])
    repeats, got = Repeats(lambda: next(times)), []
    assert repeats.remember(asked(), got.append) is not None
    assert repeats.remember(asked(), got.append) is not None
