"""Missing events: against a plain set difference."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboard.collector.gaps import Gap, Run, gaps_of


@pytest.mark.parametrize(
    ("runs", "gaps"),
    [
        ([], []),
        ([(1, 5), (6, 9)], []),
        ([(3, 5)], [(1, 2, False)]),
        ([(1, 2), (5, 6), (9, 9)], [(3, 4, False), (7, 8, False)]),
        ([(1, 9), (1, 4)], [(1, 4, True)]),
    ],
)
def test_gaps_of_one_station(runs, gaps):
    """From 1 to the newest; what two boots tell is said to be told twice."""
    assert gaps_of([Run("s", *run) for run in runs]) == [Gap("s", *gap) for gap in gaps]


@given(st.sets(st.integers(1, 60)), st.sets(st.integers(1, 60)))
def test_gaps_are_what_the_set_lacks(first, second):
    """Each station for itself."""
    runs = [Run(name, seq, seq) for name, held in (("a", first), ("b", second)) for seq in held]
    found = gaps_of(runs)
    for name, held in (("a", first), ("b", second)):
        missing = {seq for gap in found if gap.station == name for seq in range(gap.first, gap.last + 1)}
        assert missing == set(range(1, max(held, default=0) + 1)) - held
