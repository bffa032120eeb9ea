"""The plate's filter: what may be believed, and what a sequence gives away."""

import pytest
from msgspec.structs import replace

from shared.events import kind_of
from shared.readings import PlateQuality, PlateReading
from shared.requests import parse_text
from shared.timeline import Moment
from station.rules.decide import decide
from station.rules.limits import Limits, PlateLimits
from station.rules.plate import forget_plate, mirrored, watch_plate
from station.rules.state import PlateWatch

LIMITS = Limits()


def good(plate_c, word):
    """A good reading."""
    return PlateReading(quality=PlateQuality.GOOD, word=word, plate_c=plate_c, cold_junction_c=24.0)


def walk(readings, watch=None, start_ms=0, step_ms=100, limits=LIMITS):
    """Feed readings at 10 Hz; every watch on the way."""
    watches, watch = [], watch or PlateWatch()
    for index, reading in enumerate(readings):
        watch = watch_plate(watch, reading, start_ms + index * step_ms, step_ms if index else 0, limits)
        watches.append(watch)
    return watches


def test_plate_is_the_median_of_the_last_three_valid_readings():
    """As others rely on it: the plate is the median of the last three valid readings."""
    values = [20.0, 21.0, 25.0, 22.0, 21.5]
    watches = walk([good(value, number) for number, value in enumerate(values)])
    assert [watch.plate_c for watch in watches] == [20.0, 20.5, 21.0, 22.0, 22.0]


@pytest.mark.parametrize("quality", [quality for quality in PlateQuality if quality is not PlateQuality.GOOD])
def test_a_fault_leaves_no_number_at_once(quality):
    """A fault is a quality, never a number, from its first tick."""
    fault = PlateReading(quality=quality, word=0)
    last = walk([good(100.0, 1), good(100.0, 2), fault])[-1]
    assert (last.plate_c, last.quality) == (None, quality)


def test_one_bad_frame_does_not_empty_the_median():
    """After a single bad frame the median goes on with the readings before it."""
    fault = PlateReading(quality=PlateQuality.BAD_FRAME, word=3)
    watches = walk([good(100.0, 1), good(100.0, 2), fault, good(101.0, 4)])
    assert watches[-1].plate_c == 100.0


def test_what_was_read_once_is_judged_once(make_bench):
    """A request between two ticks comes with the last tick's reading: an absurd one stays so.

    One frame of 170 °C among 100 °C is a jump; it must not reach the record's highest reading.
    """
    bench = make_bench()
    bench.run(1.0, plate_c=100.0)
    bench.run(0.1, plate_c=170.0)
    word = bench.state.watch.plate.word
    for _ in range(2):
        bench.now_ms += 20
        reading = replace(bench.reading(), plate=good(170.0, word))
        now = Moment(bench.boot, bench.now_ms)
        bench.state, _ = decide(bench.book, bench.state, reading, [parse_text("ack")], now, fresh=False)
        plate = bench.state.watch.plate
        assert (plate.plate_c, plate.quality) == (None, PlateQuality.ABSURD_RATE)
    bench.tick(after_ms=60)
    bench.run(0.5, plate_c=100.0)
    assert bench.state.watch.plate.plate_c == 100.0


def test_time_between_readings_counts_as_bad_while_they_are(make_bench):
    """Requests every 20 ms do not put the sensor fault off: it comes after its 0.5 s."""
    bench = make_bench()
    bench.run(1.0)
    bench.plate_c = None
    began_ms = bench.now_ms
    for number in range(40):
        bench.now_ms += 20
        fresh = number % 5 == 4
        now = Moment(bench.boot, bench.now_ms)
        bench.state, told = decide(bench.book, bench.state, bench.reading(), [], now, fresh=fresh)
        if any(kind_of(body) == "alarm-raised" for body in told.events):
            break
    assert 500 <= bench.now_ms - began_ms <= 620


def test_a_long_fault_empties_the_median():
    """After more than a second without a reading, what was before it says nothing."""
    fault = PlateReading(quality=PlateQuality.OPEN, word=3)
    watches = walk([good(100.0, 1), good(100.0, 2), *[fault] * 12, good(90.0, 4)])
    assert watches[-1].plate_c == 90.0


def test_a_word_that_never_moves_is_frozen_after_its_time():
    """The same word, cold junction included, for 60 s: the chip is not alive."""
    watches = walk([good(100.0, 7)] * 602)
    assert watches[599].quality is PlateQuality.GOOD
    assert (watches[600].quality, watches[600].plate_c) == (PlateQuality.FROZEN, None)


def test_a_frozen_word_that_moves_again_is_believed_again():
    """One different word shows a live chip."""
    watches = walk([*[good(100.0, 7)] * 650, good(100.25, 8)])
    assert watches[-1].quality is PlateQuality.GOOD


def test_a_jump_costs_one_reading_and_no_more():
    """A step to a new level is judged once; a plate that stays there is believed."""
    watches = walk([good(25.0, 1), good(125.0, 2), good(125.0, 3), good(125.0, 4)])
    assert [watch.quality for watch in watches] == [
        PlateQuality.GOOD, PlateQuality.ABSURD_RATE, PlateQuality.GOOD, PlateQuality.GOOD,
    ]  # fmt: skip


def test_a_flailing_wire_is_never_believed():
    """Readings that leap back and forth give no number at all."""
    watches = walk([good(25.0 if number % 2 else 90.0, number) for number in range(20)])
    assert all(watch.plate_c is None for watch in watches[1:])


def test_the_steepest_believable_rise_is_believed():
    """A rise of exactly the limit is no jump; common practice, no source for 50 °C/s."""
    limits = Limits(plate=PlateLimits(absurd_rate_c_per_s=50.0))
    watches = walk([good(25.0, 1), good(30.0, 2)], limits=limits)
    assert watches[-1].quality is PlateQuality.GOOD


def test_a_gap_forgets_everything_known():
    """After a gap nothing has been seen, and the first reading stands alone."""
    watch = forget_plate(walk([good(100.0, 1), good(100.0, 2)])[-1])
    assert (watch.seen, watch.plate_c) == (False, None)
    assert walk([good(40.0, 9)], watch, start_ms=60_000)[-1].plate_c == 40.0


def test_a_gap_keeps_only_what_has_been_counted():
    """Median, comparison, frozen word and bad time begin anew; counts of faults stay."""
    before = PlateWatch(
        plate_c=100.0,
        quality=PlateQuality.GOOD,
        cold_junction_c=24.0,
        recent=(99.0, 100.0),
        seen=True,
        word=7,
        word_since_ms=1_000,
        last_c=100.0,
        last_ms=5_000,
        bad_ms=400,
        valid_ms=5_000,
        faults={"open-circuit": 2},
    )
    assert forget_plate(before) == PlateWatch(
        quality=PlateQuality.GOOD,
        cold_junction_c=24.0,
        word_since_ms=1_000,
        last_ms=5_000,
        valid_ms=5_000,
        faults={"open-circuit": 2},
    )


def test_after_a_gap_a_word_may_stand_for_its_whole_time_again():
    """50 s before the gap and 50 s after it are not 100 s in a row: nobody read in between."""
    watch = forget_plate(walk([good(100.0, 7)] * 500)[-1])
    watches = walk([good(100.0, 7)] * 601, watch, start_ms=52_000)
    assert watches[599].quality is PlateQuality.GOOD
    assert watches[600].quality is PlateQuality.FROZEN


@pytest.mark.parametrize(
    ("bad_frames", "plate_c"),
    [pytest.param(9, 100.0, id="0.9 s bad"), pytest.param(10, 90.0, id="1.0 s bad")],
)
def test_median_begins_anew_after_as_long_as_a_gap_without_a_reading(bad_frames, plate_c):
    """A second and no less: from the first bad frame to the next good one."""
    fault = PlateReading(quality=PlateQuality.OPEN, word=3)
    watches = walk([good(100.0, 1), good(100.0, 2), *[fault] * bad_frames, good(90.0, 4)])
    assert watches[-1].plate_c == plate_c


def read(plate_c, junction_c):
    """A reading with its cold junction; without a temperature the wire is open."""
    quality = PlateQuality.OPEN if plate_c is None else PlateQuality.GOOD
    return PlateReading(quality=quality, word=77, plate_c=plate_c, cold_junction_c=junction_c)


@pytest.mark.parametrize(
    ("start_c", "plate_c", "junction_c", "swapped"),
    [
        pytest.param(25.0, 20.0, 24.0, True, id="fallen by five, below its board"),
        pytest.param(25.0, 20.01, 24.0, False, id="fallen by less"),
        pytest.param(25.0, 20.0, 20.0, False, id="as warm as its board"),
        pytest.param(25.0, 20.0, 20.01, True, id="a hair cooler than its board"),
        pytest.param(90.0, 60.0, 24.0, False, id="a hot plate that cools"),
        pytest.param(20.0, 23.0, 30.0, False, id="risen, but below its board"),
        pytest.param(None, 10.0, 24.0, False, id="no heat step"),
        pytest.param(25.0, None, 24.0, False, id="no reading"),
        pytest.param(25.0, 10.0, None, False, id="no cold junction"),
    ],
)
def test_swapped_leads_fall_as_the_plate_is_heated(start_c, plate_c, junction_c, swapped):
    """Fallen since the heat step began and below the cold junction, which no heated plate does."""
    reading = read(plate_c, junction_c)
    fault = PlateReading(quality=PlateQuality.MIRRORED, word=77, cold_junction_c=junction_c)
    assert mirrored(start_c, reading, 5.0) == (fault if swapped else reading)


@pytest.mark.parametrize(
    ("bad_ms", "passed_ms", "left_ms"), [(400, 101, 350), (40, 100, 0), (50, 100, 0), (0, 100, 0)]
)
def test_good_time_takes_half_as_much_of_the_bad_time_away(bad_ms, passed_ms, left_ms):
    """In whole milliseconds, and never below nothing."""
    watch = PlateWatch(bad_ms=bad_ms, last_ms=1_000, last_c=100.0)
    after = watch_plate(watch, good(100.0, 5), 1_000 + passed_ms, passed_ms, LIMITS)
    assert after.bad_ms == left_ms
    assert isinstance(after.bad_ms, int)
