"""Alarm figures against hand-made logs on both sides of the published thresholds.

Thresholds: ISA-18.2 / IEC 62682 and EEMUA 191 as restated by secondary pages or from memory: a flood begins
at ten alarms in ten minutes and ends below five; chattering is three in a minute; stale is a day. Windows are
half open, which the standards leave open: our own choice.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import events
from shared.alarm_lives import lives
from shared.alarm_performance import (
    Span,
    busiest,
    by_day,
    chattering,
    fleeting,
    floods,
    performance,
    stale,
    windows,
)
from shared.timeline import Moment

MIN, HOUR = 60_000, 3_600_000
DAY_SPAN = Span("b", 0, 24 * HOUR)


def history(*told, boot="b", wall_ms=None):
    """(seconds, event) as a history."""
    return [
        (
            seq,
            Moment(boot, round(at_s * 1000), None if wall_ms is None else wall_ms + round(at_s * 1000)),
            body,
        )
        for seq, (at_s, body) in enumerate(told, start=1)
    ]


def raised(alarm="x", priority="low"):
    """An annunciation."""
    return events.AlarmRaised(alarm=alarm, priority=priority)


def figure(found, name):
    """One figure by its name."""
    return next(figure for figure in found.figures if figure.name == name)


@pytest.mark.parametrize(
    ("count", "flooded"), [(9, False), (10, True), (11, True)], ids=["nine", "ten", "eleven"]
)
def test_ten_alarms_in_ten_minutes_are_a_flood(count, flooded):
    """The published edge: 9, 10, 11 alarms in 600 s, the last a moment before the window ends."""
    at_ms = [round(i * 599_999 / (count - 1)) for i in range(count)]
    assert bool(floods(DAY_SPAN, at_ms)) is flooded


def test_alarms_exactly_ten_minutes_apart_are_not_in_one_window():
    """Half open: the tenth at 600.000 s is outside the window of the first."""
    assert floods(DAY_SPAN, [i * 66_666 for i in range(9)] + [600_000]) == []


def test_a_flood_lasts_until_fewer_than_five_are_left_in_ten_minutes():
    """Twenty alarms, one a half minute; the fifth last leaves the window ten minutes after it came."""
    at_ms = [i * 30_000 for i in range(20)]
    (flood,) = floods(DAY_SPAN, at_ms)
    assert (flood.from_ms, flood.to_ms) == (at_ms[9], at_ms[15] + 600_000)
    assert flood.alarms == 11


def test_two_floods_with_calm_between_are_two():
    """And one that the record cuts off ends with the record."""
    first = [i * 10_000 for i in range(12)]
    second = [2 * HOUR + at for at in first]
    two = floods(Span("b", 0, 2 * HOUR + 3 * MIN), first + second)
    assert [flood.alarms for flood in two] == [3, 3]
    assert two[0].to_ms == first[7] + 600_000
    assert two[1].to_ms == 2 * HOUR + 3 * MIN


@pytest.mark.parametrize(("third_s", "chatters"), [(59.9, True), (60.0, False)])
def test_three_in_a_minute_chatter(third_s, chatters):
    """At 0, 30 and 59.9 s it chatters; at 60 s the first is out of the half-open window."""
    found = lives(history((0, raised()), (30, raised()), (third_s, raised())))
    assert chattering(found) == (["x"] if chatters else [])


def test_different_alarms_do_not_chatter_together():
    """Three names in a minute are three alarms."""
    assert chattering(lives(history((0, raised("a")), (1, raised("b")), (2, raised("c"))))) == []


def test_fleeting_is_gone_within_seconds_before_anybody_acts():
    """Gone after 9.9 s: fleeting; after 10 s, or acknowledged first: not."""
    gone = events.AlarmReturned(alarm="x")
    ack = events.AlarmAcknowledged(alarm="x")
    assert fleeting(lives(history((0, raised()), (9.9, gone)))) == 1
    assert fleeting(lives(history((0, raised()), (10, gone)))) == 0
    assert fleeting(lives(history((0, raised()), (5, ack), (9, gone)))) == 0


def test_stale_is_longer_than_a_day_also_over_a_restart_if_the_clock_tells():
    """Within a boot by the monotonic clock; over boots by the wall clock, and not told without it."""
    long = history((0, raised()), (86_401, events.SignedOut()))
    short = history((0, raised()), (86_399, events.SignedOut()))
    assert stale(lives(long), long) == ["x"]
    assert stale(lives(short), short) == []
    over = [*history((0, raised()), wall_ms=0), (2, Moment("b2", 0, 90_000_000), events.SignedOut())]
    unknown = [*history((0, raised())), (2, Moment("b2", 0), events.SignedOut())]
    assert stale(lives(over), over) == ["x"]
    assert stale(lives(unknown), unknown) == []


def test_a_quiet_shift_is_within_every_benchmark():
    """Twenty alarms in ten hours, half an hour apart, 16 low, 3 medium, 1 high: 80 / 15 / 5."""
    priorities = ["low"] * 16 + ["medium"] * 3 + ["high"]
    told = history(*((900 + i * 1800, raised(f"a{i}", p)) for i, p in enumerate(priorities)))
    found = performance(told, [Span("b", 0, 10 * HOUR)])
    assert {figure.verdict for figure in found.figures} == {"within", "not judged"}
    assert figure(found, "per-hour").value == 2
    assert figure(found, "per-day").value == 48
    assert figure(found, "share-low").value == 80


@pytest.mark.parametrize(
    ("an_hour", "verdict"), [(6, "within"), (7, "bearable"), (12, "bearable"), (13, "above")]
)
def test_rate_is_judged_at_six_and_twelve_an_hour(an_hour, verdict):
    """EEMUA 191: 6 an hour acceptable, 12 the most that can be managed."""
    told = history(*((i * 3600 / an_hour, raised(f"a{i % 20}")) for i in range(an_hour * 10)))
    assert figure(performance(told, [Span("b", 0, 10 * HOUR)]), "per-hour").verdict == verdict


def test_rates_of_less_than_a_shift_are_not_judged():
    """An hour says nothing, so no rate and no share of time is told; what was counted is."""
    told = history((0, raised()), (3600, events.SignedOut()))
    found = performance(told)
    rates = ("per-hour", "per-ten-min", "per-day", "hours-over-30", "ten-min-over-10", "in-flood")
    assert {(figure(found, name).value, figure(found, name).verdict) for name in rates} == {
        (None, "too short")
    }
    assert (found.alarms, figure(found, "worst-ten-min").value) == (1, 1)


def test_a_life_is_over_when_closed_or_put_aside_and_a_new_one_begins_with_a_new_raise():
    """Raised twice without an end between: the first ends with the second."""
    told = history(
        (0, raised()),
        (5, events.AlarmAcknowledged(alarm="x")),
        (9, raised()),
        (10, events.AlarmShelved(alarm="x", minutes=5, reason="r")),
        (20, raised()),
        (30, events.AlarmReturned(alarm="x")),
        (31, events.AlarmAcknowledged(alarm="x")),
        (31, events.AlarmClosed(alarm="x")),
    )
    first, second, third = lives(told)
    assert (first.over.mono_ms, first.aside) == (9000, False)
    assert (second.over.mono_ms, second.aside) == (10_000, True)
    assert (third.returned.mono_ms, third.over.mono_ms, third.aside) == (30_000, 31_000, False)


@given(st.lists(st.tuples(st.integers(0, 7200), st.sampled_from("abc")), max_size=60))
def test_every_annunciation_is_counted_once_everywhere(raw):
    """Sums: top of all names, days, the windows and the remainder are the alarms there are."""
    told = history(*((at_s, raised(alarm)) for at_s, alarm in sorted(raw)), wall_ms=0)
    found = performance(told, [Span("b", 0, 7201_000)])
    at_ms = sorted(moment.mono_ms for _, moment, _ in told)
    assert found.alarms == len(raw) == sum(share.times for share in found.top) == sum(by_day(told).values())
    span = Span("b", 0, 7200_000)
    inside = [at for at in at_ms if at < 7200_000]
    assert sum(windows([(span, inside)], 600_000)) == len(inside)
    assert busiest(at_ms, 600_000) == max(
        (sum(start <= at < start + 600_000 for at in at_ms) for start in at_ms), default=0
    )


@given(st.lists(st.integers(0, 7200), max_size=80))
def test_floods_are_those_that_a_walk_second_by_second_finds(seconds):
    """An independent walk through time with the published rule."""
    at_ms = sorted(at_s * 1000 for at_s in seconds)
    flooded, spells = False, []
    for now_s in range(9000):
        inside = sum(now_s - 600 < at // 1000 <= now_s for at in at_ms)
        if not flooded and inside >= 10:
            flooded, start = True, now_s
        elif flooded and inside < 5:
            flooded = False
            spells.append((start, now_s))
    assert [(f.from_ms // 1000, f.to_ms // 1000) for f in floods(Span("b", 0, 9_000_000), at_ms)] == spells


def test_an_alarm_that_stands_to_the_end_of_the_record_is_stale():
    """Raised, then nothing more is told for thirty hours while the station runs: it stood for all of them."""
    found = performance(history((0, raised())), [Span("b", 0, 30 * HOUR)])
    assert found.stale == ("x",)
    assert performance(history((0, raised())), [Span("b", 0, 23 * HOUR)]).stale == ()


@pytest.mark.parametrize(("count", "verdict"), [(4, "within"), (5, "above")])
def test_fewer_than_five_stale_alarms_are_acceptable(count, verdict):
    """The published limit is below five, not five."""
    told = history(*((index, raised(f"a{index}")) for index in range(count)))
    assert figure(performance(told, [Span("b", 0, 30 * HOUR)]), "stale").verdict == verdict


def test_chatter_is_judged_however_short_the_record():
    """None is acceptable, in an hour as in a year."""
    told = history((0, raised()), (10, raised()), (20, raised()), (3600, events.SignedOut()))
    assert figure(performance(told), "chattering").verdict == "above"
