"""Requests are taken at a pace: a burst at once, then so many a second."""

from station.link.pace import MEASURES, Measure, Pace


class HandClock:
    """Seconds, moved by hand."""

    now_s = 100.0

    def __call__(self) -> float:
        """The time."""
        return self.now_s


def taken(pace: Pace, asked: int) -> int:
    """How many of so many are taken."""
    return sum(pace.take() for _ in range(asked))


def test_a_burst_is_taken_and_then_so_many_a_second() -> None:
    """Ten at once, two a second: after three seconds six more, and after an hour ten."""
    clock = HandClock()
    pace = Pace((Measure(2.0, 10.0),), clock)
    assert taken(pace, 50) == 10
    clock.now_s += 0.4
    assert taken(pace, 50) == 0
    clock.now_s += 2.6
    assert taken(pace, 50) == 6
    clock.now_s += 3600
    assert taken(pace, 50) == 10


def test_program_is_taken_for_a_while_and_a_flood_is_not() -> None:
    """Ninety a second for twenty seconds are taken; then only what the long run allows."""
    clock = HandClock()
    pace = Pace(MEASURES, clock)
    for _ in range(20):
        assert taken(pace, 90) == 90
        clock.now_s += 1.0
    assert taken(pace, 10_000) == 200
    for _ in range(60):
        clock.now_s += 1.0
        taken(pace, 10_000)
    clock.now_s += 1.0
    assert taken(pace, 10_000) == 25
