"""The short form of the soak, and whether its criterion finds what grows."""

import random

import pytest
from soak import AS_FAST_AS_IT_GOES, LIMITS, Growth, Sample, growth, part
from working_bench import LEAKS

SHORT_S = 1500.0  # of the bench: 15,000 ticks
EVERY_S = 0.2
# A station takes some minutes to fill what it keeps at hand; eight hours are watched more strictly.
EASE = 3.0


def seen(figure: str, values: list[float]) -> list[Growth]:
    """What the criterion says to these values of one figure of one process, noted evenly over eight hours."""
    samples = [Sample(8 * n / len(values), {"station": {figure: value}}) for n, value in enumerate(values)]
    return growth(samples)


def test_what_stays_or_is_busy_for_a_moment_is_no_growth() -> None:
    """Level memory with noise of 1 MB and a peak, a thread that comes and goes, a warm-up that ends."""
    chance = random.Random(1)
    noisy = [60 + chance.uniform(0, 1) + (20 if 300 <= n < 310 else 0) for n in range(480)]
    assert not any(g.grows for g in seen("memory_mb", noisy))
    assert not any(g.grows for g in seen("threads", [6 + (n % 50 == 0) for n in range(480)]))
    assert not any(g.grows for g in seen("memory_mb", [40 + min(n, 70) for n in range(480)]))
    assert not any(g.grows for g in seen("files", [15 - n // 400 for n in range(480)]))


@pytest.mark.parametrize("figure", LIMITS)
def test_a_steady_growth_over_the_limit_is_found_and_one_under_it_is_not(figure: str) -> None:
    """Lines of 0.8 and 1.25 times the limit over the whole of what is watched, five sixths of eight hours."""
    watched = 480 * 5 / 6
    for share, found in ((0.8, False), (1.25, True)):
        values = [50 + LIMITS[figure] * share * n / watched for n in range(480)]
        assert [g.grows for g in seen(figure, values)] == [found], share


def test_one_file_more_an_hour_is_found() -> None:
    """Steps as a count makes them."""
    assert [g.grows for g in seen("files", [15 + n // 60 for n in range(480)])] == [True]


def test_a_watch_too_short_to_judge_says_so() -> None:
    """Sixteen samples past the warm-up are needed."""
    with pytest.raises(ValueError, match="15 samples past the warm-up; at least 16 are needed"):
        seen("files", [1.0] * 18)


@pytest.mark.system
def test_a_bench_at_work_for_a_while_grows_in_nothing() -> None:
    """Real broker, journal, collector and pages; somebody works; every request is answered, no tick is lost."""
    figures = part(AS_FAST_AS_IT_GOES, SHORT_S, EVERY_S, rounds=60, ease=EASE)
    assert figures["faults"] == []
    assert figures["ticks"] >= SHORT_S * 10
    assert figures["recorded"]["readings"] >= SHORT_S


@pytest.mark.system
def test_a_station_that_leaks_is_found() -> None:
    """Of three leaks made on purpose each is named, for the station alone."""
    figures = part(AS_FAST_AS_IT_GOES, SHORT_S, EVERY_S, rounds=60, ease=EASE, leak=LEAKS)
    grown = {(g["process"], g["figure"]) for g in figures["growth"] if g["grows"]}
    assert grown == {("station", "memory_mb"), ("station", "files"), ("station", "threads")}
    assert sum("grows" in fault for fault in figures["faults"]) == 3
