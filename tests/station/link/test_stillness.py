"""How old what came after a standstill may be; time is passed in."""

import pytest

from station.link.stillness import Stillness


@pytest.mark.parametrize(
    ("came_s", "older_s"),
    [(9.9, 0.0), (10.0, 5.0), (14.9, 5.0), (15.0, 5.0), (15.5, 5.0), (15.6, 0.0), (30.0, 0.0)],
)
def test_what_came_in_or_right_after_a_standstill_is_older(came_s: float, older_s: float) -> None:
    """Nobody looked from 10 s to 15 s."""
    stillness = Stillness(0.0)
    for now_s in (0.5, 1.0, *range(2, 11), 15.0, 15.1, 16.0):
        stillness.look(now_s)
    assert stillness.older_s(came_s) == older_s


def test_turns_in_time_are_no_standstill() -> None:
    """A second between two looks is a slow turn."""
    stillness = Stillness(0.0)
    for now_s in range(100):
        stillness.look(float(now_s))
    assert all(stillness.older_s(came_s) == 0 for came_s in range(100))


def test_newest_standstill_is_the_one_that_counts() -> None:
    """Of two, what came long ago has been judged already."""
    stillness = Stillness(0.0)
    for now_s in (3.0, 3.1, 9.1):
        stillness.look(now_s)
    assert stillness.older_s(9.2) == pytest.approx(6.0)
