"""Whether one group tends to larger values than another: the rank test of Mann and Whitney.

By the normal approximation with correction for ties and for continuity, as textbooks give it; for small
groups it is rough. It says how surprising the difference would be if there were none, not what it comes of.
"""

from collections import Counter
from collections.abc import Sequence
from math import erfc, sqrt
from statistics import median
from typing import NamedTuple


class Comparison(NamedTuple):
    """Two groups: sizes, medians, and the two-sided chance; None where there is nothing to tell it by."""

    first_count: int
    second_count: int
    first_median: float | None
    second_median: float | None
    chance: float | None


def compare(first: Sequence[float], second: Sequence[float]) -> Comparison:
    """Compare two groups of values."""
    return Comparison(
        len(first),
        len(second),
        median(first) if first else None,
        median(second) if second else None,
        _chance(first, second),
    )


def _chance(first: Sequence[float], second: Sequence[float]) -> float | None:
    n1, n2 = len(first), len(second)
    whole = n1 + n2
    if not n1 or not n2:
        return None
    ranks = _ranks([*first, *second])
    u = sum(ranks[:n1]) - n1 * (n1 + 1) / 2
    ties = sum(count**3 - count for count in Counter([*first, *second]).values())
    variance = n1 * n2 / 12 * ((whole + 1) - ties / (whole * (whole - 1)))
    if variance <= 0:
        return 1.0  # all values are the same
    distance = max(0.0, abs(u - n1 * n2 / 2) - 0.5)
    return erfc(distance / sqrt(variance) / sqrt(2))


def _ranks(values: Sequence[float]) -> list[float]:
    """Ranks from 1, equal values sharing their mean rank."""
    order = sorted(range(len(values)), key=values.__getitem__)
    ranks = [0.0] * len(values)
    start = 0
    while start < len(order):
        end = start
        while end + 1 < len(order) and values[order[end + 1]] == values[order[start]]:
            end += 1
        for index in order[start : end + 1]:
            ranks[index] = (start + end) / 2 + 1
        start = end + 1
    return ranks
