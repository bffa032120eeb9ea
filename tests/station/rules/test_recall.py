"""What a station remembers of the solvent: from the record it is what it would be without a restart."""

import pytest
from hand_bench import RUNNING_A, STILL_A, HandBench
from hypothesis import given
from hypothesis import strategies as st

from shared import events
from shared.timeline import Moment
from station.rules.decide import Remembered
from station.rules.limits import SolventLimits
from station.rules.recall import LONGEST_MS, Plate, first_draw, recall
from station.rules.vapour import VapourWatch, lel_share

LIMITS = SolventLimits()
STARTED = events.StationStarted(station="bench-1", version="test", sheet="test")


def at(second, boot="b", wall_s=None):
    """A moment, by seconds."""
    return Moment(boot, round(second * 1000), None if wall_s is None else round(wall_s * 1000))


class RecordingBench(HandBench):
    """A bench that keeps what a journal would: events with their moments, and a plate a second."""

    def __init__(self):
        super().__init__()
        self.plates = []
        self.watched = []

    def seconds(self, count, *asked):
        """Whole seconds at 10 Hz, with a request in the first tick."""
        for number in range(count):
            self.tick(*asked if number == 0 else ())
            self.run(0.9)
            self.plates.append(Plate(self.boot, self.now_ms - 1000, self.plate_c))

    def told_all(self):
        """Every event with its moment."""
        return [(Moment(self.boot, at_ms), body) for at_ms, body in self.events]


@given(
    st.lists(
        st.tuples(
            st.sampled_from([25.0, 60.0, 100.0, None]),
            st.sampled_from([RUNNING_A, STILL_A]),
            st.booleans(),
            st.sampled_from([None, 2.0, 10.0]),
            st.integers(1, 20),
        ),
        min_size=1,
        max_size=8,
    )
)
def test_recalled_is_what_was_watched(stretches):
    """Plate, extractor, lifts and doses at random: within what a second's mean can tell."""
    bench = RecordingBench()
    bench.seconds(1)
    for plate_c, amps, out, told_ml, count in stretches:
        bench.plate_c, bench.amps, bench.out = plate_c, amps, out
        bench.seconds(count, *([] if told_ml is None else [f"dispense ml={told_ml}"]))
    watched = bench.state.watch.vapour
    recalled = recall(bench.told_all(), bench.plates, LIMITS, Moment(bench.boot, bench.now_ms))
    liquid_and_vapour = watched.air.liquid_ppm + watched.air.vapour_ppm
    again = recalled.air.liquid_ppm + recalled.air.vapour_ppm
    assert again == pytest.approx(liquid_and_vapour, rel=0.1, abs=50)
    # A dose on a plate that was hot two ticks ago goes by the median live, by the second's mean here.
    assert recalled.breathed.short_term_ppm == pytest.approx(watched.breathed.short_term_ppm, rel=0.1, abs=15)
    assert recalled.last_ms == bench.now_ms


DRAWN = [
    (at(0, wall_s=1000), STARTED),
    (at(1, wall_s=1001), events.SolventLifted(values={"ml": 0.5})),
    (at(2, wall_s=1002), events.SolventDispensed(values={"ml": 30.0, "added_ml": 29.5})),
    (at(3, wall_s=1003), events.SolventReturned()),
]
PLATES = [Plate("b", second * 1000, 100.0) for second in range(1, 30)]


@pytest.mark.parametrize(
    ("now", "much"),
    [
        pytest.param(at(5, "c"), True, id="nobody knows how long it was off: all is still there"),
        pytest.param(at(5, "c", wall_s=1035), True, id="off for some seconds"),
        pytest.param(at(5, "c", wall_s=1000 + 3600), False, id="off for an hour: the draught has taken it"),
        pytest.param(at(5, "c", wall_s=500), True, id="a clock that runs backwards takes nothing away"),
        pytest.param(at(35), True, id="the same boot: the daemon alone was restarted"),
        pytest.param(at(3600), False, id="the same boot, an hour later"),
    ],
)
def test_what_was_drawn_before_a_restart_is_still_reckoned_with(now, much):
    """30 mL in 50 L of hood, no extractor: far above a quarter of what burns, until it had time to go."""
    watch = recall(DRAWN, PLATES, LIMITS, now)
    assert (lel_share(watch, LIMITS) > LIMITS.vapour_critical_lel) is much
    assert watch.last_ms == now.mono_ms


def test_only_the_last_eight_hours_are_looked_at():
    """The first draw within them; none where all is older or nothing was drawn."""
    hours = LONGEST_MS / 3_600_000
    told = [
        (at(0), STARTED),
        (at(10), events.SolventLifted(values={"ml": 0.5})),
        (at(7200), events.SolventLifted(values={"ml": 0.5})),
    ]
    assert first_draw(told, at(20)) == at(10)
    assert first_draw(told, at(7300)) == at(10)
    assert first_draw(told, at(hours * 3600 + 3600)) == at(7200)
    assert first_draw(told, at(hours * 3600 + 7300)) is None
    assert first_draw([], at(0)) is None


def test_a_restart_after_a_spill_keeps_the_iron_dead(make_bench):
    """Vapour near what burns, then a power cut: the alarm still stands, and acknowledging gives no power."""
    bench = make_bench()
    bench.run(2)
    bench.run(2, out=True)
    bench.do("dispense ml=30")
    bench.run(20)
    bench.run(2, out=False)
    assert "vapour-critical" in bench.raised()
    told = [(Moment(bench.boot, at_ms), body) for at_ms, body in bench.events]
    plates = [Plate(bench.boot, second * 1000, 25.0) for second in range(bench.now_ms // 1000)]
    bench.restart(known=Remembered(vapour=recall(told, plates, LIMITS, Moment("boot-2", 0))))
    bench.run(6, amps=RUNNING_A)
    bench.tick("ack")
    assert not bench.decision.levels.permit
    assert "critical-alarm" in bench.ask("start step=solder")


def test_nothing_drawn_is_nothing_remembered():
    """A fresh estimate but for its clocks."""
    assert recall([(at(0), STARTED)], [], LIMITS, at(9)).air == VapourWatch().air
