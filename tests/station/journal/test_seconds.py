"""From ticks to seconds: rollover, extremes, and never a number for a fault."""

from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.messages import Second
from shared.readings import PlateQuality
from shared.timeline import Moment
from station.journal.seconds import SecondMaker
from station.rules.state import PlateWatch, Watch

GAP_MS = 1000


def watch(
    plate_c: float | None,
    quality: PlateQuality = PlateQuality.GOOD,
    junction_c: float | None = 25.0,
    solvent_out: bool | None = False,
) -> Watch:
    """The rules' view of the wires in one tick."""
    return Watch(
        plate=PlateWatch(plate_c=plate_c, quality=quality, cold_junction_c=junction_c),
        solvent_out=solvent_out,
    )


def fault(quality: PlateQuality) -> Watch:
    """A tick without a plate number."""
    return watch(None, quality, None)


def of_ticks(*watches: Watch, extraction_a: float | None = 0.4) -> Second:
    """The one second in which these ticks fall."""
    maker = SecondMaker(GAP_MS)
    for index, seen in enumerate(watches):
        assert maker.add(Moment("b", 7000 + 10 * index), seen, extraction_a) is None
    row = maker.finish()
    assert row is not None
    return row


def test_second_has_mean_least_and_greatest_when_all_ticks_are_valid() -> None:
    """The row's numbers are those of its ticks."""
    row = of_ticks(watch(90.0), watch(92.0), watch(97.0))
    assert row == Second(
        boot="b", second=7, plate_mean_c=93.0, plate_min_c=90.0, plate_max_c=97.0, cold_junction_c=25.0,
        extraction_a=pytest.approx(0.4), solvent_out=False, quality="good", valid_ms=20,
    )  # fmt: skip


def test_second_is_handed_out_when_the_next_begins() -> None:
    """A tick of the next second hands out the row before, whole, and begins a new one."""
    maker = SecondMaker(GAP_MS)
    handed = [maker.add(Moment("b", mono_ms), watch(50.0), 0.4) for mono_ms in range(6800, 8300, 100)]
    told = [(index, row.second, row.valid_ms) for index, row in enumerate(handed) if row is not None]
    assert told == [(2, 6, 200), (12, 7, 1000)]


def test_second_is_handed_out_once_when_seconds_are_skipped() -> None:
    """After a gap only the row before it is handed out; nothing is made up for the time between."""
    maker = SecondMaker(GAP_MS)
    maker.add(Moment("b", 1000), watch(50.0), 0.4)
    row = maker.add(Moment("b", 9000), watch(60.0), 0.4)
    last = maker.finish()
    assert [(at.second, at.plate_mean_c) for at in (row, last) if at] == [(1, 50.0), (9, 60.0)]


def test_second_is_handed_out_when_the_boot_changes() -> None:
    """The same second of another boot is another second."""
    maker = SecondMaker(GAP_MS)
    maker.add(Moment("one", 5000), watch(50.0), 0.4)
    row = maker.add(Moment("two", 5100), watch(60.0), 0.4)
    assert row is not None
    assert (row.boot, row.second, row.valid_ms) == ("one", 5, 0)


def test_second_is_partial_when_finished_early() -> None:
    """What there is of a second is handed out as far as it got, and only once."""
    maker = SecondMaker(GAP_MS)
    maker.add(Moment("b", 5000), watch(50.0), 0.4)
    first, again = maker.finish(), maker.finish()
    assert first is not None
    assert (first.plate_mean_c, first.valid_ms, again) == (50.0, 0, None)


def test_nothing_is_handed_out_when_there_was_no_tick() -> None:
    """Without a tick there is no second."""
    assert SecondMaker(GAP_MS).finish() is None


@pytest.mark.parametrize("quality", [quality for quality in PlateQuality if quality is not PlateQuality.GOOD])
def test_fault_gives_no_number_when_it_fills_the_second(quality: PlateQuality) -> None:
    """A second of faults has a quality and no plate, not even nought."""
    row = of_ticks(fault(quality), fault(quality))
    assert (row.plate_mean_c, row.plate_min_c, row.plate_max_c, row.cold_junction_c) == 4 * (None,)
    assert (row.quality, row.valid_ms) == (str(quality), 0)


def test_fault_leaves_the_other_ticks_alone_when_it_comes_and_goes() -> None:
    """The mean is that of the valid ticks only, and the row says that not all were."""
    row = of_ticks(watch(90.0), fault(PlateQuality.OPEN), watch(92.0))
    assert (row.plate_mean_c, row.valid_ms, row.quality) == (91.0, 10, "open-circuit")


def test_second_names_the_most_frequent_fault_when_there_are_several() -> None:
    """The fault that came most often is the one that is named."""
    row = of_ticks(
        fault(PlateQuality.BUS_ERROR), fault(PlateQuality.OPEN), watch(90.0), fault(PlateQuality.OPEN)
    )
    assert row.quality == "open-circuit"


def test_second_names_the_earlier_fault_when_two_came_equally_often() -> None:
    """Of two equally frequent faults always the one that came first, so that a replay tells the same."""
    one, two = fault(PlateQuality.BUS_ERROR), fault(PlateQuality.OPEN)
    assert [of_ticks(one, two, two, one).quality for _ in range(5)] == 5 * ["bus-error"]
    assert of_ticks(two, one, one, two).quality == "open-circuit"


def test_extraction_is_unknown_when_no_tick_could_read_it() -> None:
    """A current that could not be read is no number; one that could in part is the mean of that part."""
    assert of_ticks(watch(20.0), watch(20.0), extraction_a=None).extraction_a is None
    maker = SecondMaker(GAP_MS)
    for mono_ms, extraction_a in ((0, None), (100, 0.2), (200, 0.4)):
        maker.add(Moment("b", mono_ms), watch(20.0), extraction_a)
    row = maker.finish()
    assert row is not None
    assert row.extraction_a == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("seen", "solvent_out"),
    [
        ([False, False], False),
        ([False, True, False], True),
        ([None, None], None),
        ([None, False], False),
        ([True, None], True),
    ],
)
def test_bottle_counts_as_out_when_it_was_out_in_any_tick(
    seen: list[bool | None], solvent_out: bool | None
) -> None:
    """A second in which the bottle was out at all says so; one that could not tell is unknown."""
    assert of_ticks(*(watch(20.0, solvent_out=out) for out in seen)).solvent_out is solvent_out


@given(st.lists(st.tuples(st.integers(0, 400), st.none() | st.floats(-20, 130)), min_size=1, max_size=60))
def test_every_tick_is_in_exactly_one_second_whatever_the_record(
    ticks: list[tuple[int, float | None]],
) -> None:
    """Seconds rise, every second with a tick is there, and none knows more than its ticks span."""
    maker, rows, mono_ms = SecondMaker(GAP_MS), [], 0
    for step_ms, plate_c in ticks:
        mono_ms += step_ms
        seen = watch(plate_c) if plate_c is not None else fault(PlateQuality.OPEN)
        rows.append(maker.add(Moment("b", mono_ms), seen, None))
    found = [row for row in [*rows, maker.finish()] if row is not None]
    times_ms = list(accumulate(step_ms for step_ms, _ in ticks))
    assert [row.second for row in found] == sorted({at_ms // 1000 for at_ms in times_ms})
    assert sum(row.valid_ms for row in found) <= times_ms[-1] - times_ms[0]
    assert all(row.valid_ms == 0 for row in found if row.plate_mean_c is None)


def valid(*times_ms: int) -> list[tuple[int, bool]]:
    """Valid ticks at these milliseconds."""
    return [(at_ms, True) for at_ms in times_ms]


def known(ticks: list[tuple[int, bool]], end_ms: int | None = None) -> dict[int, int]:
    """How much of each second is known, after ticks at these milliseconds, valid or not."""
    maker = SecondMaker(GAP_MS)
    rows = [
        maker.add(Moment("b", at), watch(50.0) if good else fault(PlateQuality.OPEN), 0.4)
        for at, good in ticks
    ]
    rows.append(maker.finish(None if end_ms is None else Moment("b", end_ms)))
    return {row.second: row.valid_ms for row in rows if row is not None}


@pytest.mark.parametrize(
    ("ticks", "expected"),
    [
        pytest.param(valid(*range(0, 3000, 100)), {0: 1000, 1: 1000, 2: 900}, id="whole seconds"),
        pytest.param(valid(0, 400, 1400, 1900), {0: 1000, 1: 900}, id="a second is no gap"),
        pytest.param(valid(0, 400, 1500, 1900), {0: 400, 1: 400}, id="more is a gap"),
        pytest.param(valid(*range(0, 6000, 1200)), dict.fromkeys(range(5), 0), id="all gaps"),
        pytest.param([*valid(0), (300, False), *valid(600, 900)], {0: 600}, id="a fault stands for itself"),
        pytest.param([*valid(900), (1100, False), *valid(1300, 1400)], {0: 100, 1: 200}, id="across seconds"),
    ],
)
def test_second_is_known_as_far_as_valid_readings_follow_each_other(
    ticks: list[tuple[int, bool]], expected: dict[int, int]
) -> None:
    """A valid reading stands until the next tick, unless that comes after a gap (more than a second)."""
    assert known(ticks) == expected


def test_last_reading_stands_until_the_end_of_the_record_when_that_is_told() -> None:
    """An orderly stop leaves no hole before itself, and nothing beyond its second."""
    assert known([(0, True), (400, True)], end_ms=900) == {0: 900}
    assert known([(0, True), (900, True)], end_ms=1500) == {0: 1000}
    assert known([(0, True), (400, True)], end_ms=5000) == {0: 400}
