"""The rank test against an independent library."""

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import mannwhitneyu

from dashboard.ranks import compare

VALUES = st.lists(st.integers(0, 30).map(float), min_size=2, max_size=40)


@given(VALUES, VALUES)
def test_chance_is_that_of_an_independent_library(first, second):
    """Scipy's mannwhitneyu by the same method: normal approximation, ties and continuity corrected."""
    found = compare(first, second).chance
    if len(set(first + second)) == 1:
        assert found == 1.0
        return
    expected = mannwhitneyu(first, second, method="asymptotic", use_continuity=True).pvalue
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-12)


def test_nothing_is_told_of_an_empty_group():
    """Sizes stand, a median and a chance do not."""
    assert compare([1.0, 2.0], []) == (2, 0, 1.5, None, None)
