"""What a station remembers of the solvent: from the record it is what it would be without a restart."""

import pytest
from hand_bench import RUNNING_A, STILL_A, HandBench
from hypothesis import given
from hypothesis import strategies as st

from shared import events
from shared.timeline import Moment
from station.rules.decide import Remembered
from station.rules.limits import SolventLimits
from station.rules.recall import LONGEST_MS, Plate, first_draw, recall, soldering_ended_ms
from station.rules.vapour import VapourWatch, dispense, draw, lel_share, lift, watch_vapour

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
        """Every event with its moment; a boot's first is its start."""
        return [(Moment(self.boot, 0), STARTED)] + [
            (Moment(self.boot, at_ms), body) for at_ms, body in self.events
        ]


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
    assert first_draw(told, at(hours * 3600 + 10)) == at(10)
    assert first_draw(told, at(hours * 3600 + 10.001)) == at(7200)
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


LIFTED = events.SolventLifted(values={"ml": 0.5})
PROVEN, LOST = events.ExtractionProven(), events.ExtractionLost(reason="low")


def lifted(watch):
    """What a lift does to the estimate."""
    return lift(watch, LIMITS)


def nothing(watch):
    """Nothing happens but that time passes."""
    return watch


# Each: the events, the seconds of record, the start; then by hand, in the start's own milliseconds: up to
# when, at which plate and with or without proof since the line before, and what happens then.
BY_HAND = {
    "one boot, begun before its record is": (
        [
            (at(100), STARTED),
            (at(101), PROVEN),
            (at(102), LIFTED),
            (at(102.5), events.SolventDispensed(values={"ml": 5.0})),
            (at(103), events.SolventDispensed(values={"ml": 9.0, "added_ml": 4.0})),
            (at(104.5), LOST),
        ],
        [
            Plate("b", 102_000, 60.0),
            Plate("b", 103_000, 80.0),
            Plate("b", 104_000, None),
            Plate("b", 105_000, 99.0),
        ],
        at(250),
        [
            (100_000, None, False, nothing),
            (102_000, None, True, lifted),
            (102_500, 60.0, True, lambda watch: dispense(watch, 5.0, LIMITS)),
            (103_000, 60.0, True, lambda watch: draw(watch, 4.0, LIMITS)),
            (104_000, 80.0, True, nothing),
            (104_500, None, True, nothing),
            (105_000, None, False, nothing),
            (106_000, 99.0, False, nothing),
            (250_000, None, False, nothing),
        ],
    ),
    "cut off under a proven extractor, and nobody saw how long it ran on": (
        [
            (at(50, wall_s=1050), PROVEN),
            (at(51, wall_s=1051), LIFTED),
            (at(2, "c", wall_s=1111), STARTED),
        ],
        [Plate("b", 51_000, 25.0), Plate("b", 52_000, 25.0)],
        at(2, "c", wall_s=1111),
        [
            (-59_000, None, False, nothing),
            (-58_000, None, True, lifted),
            (-56_000, 25.0, True, nothing),
            (2_000, None, False, nothing),
        ],
    ),
    "stopped in order under a proven extractor, which somebody then switches off": (
        [
            (at(50), PROVEN),
            (at(51), LIFTED),
            (at(52.5), events.StationStopped(reason="stopped")),
        ],
        [Plate("b", 51_000, 25.0), Plate("b", 52_000, 25.0)],
        at(90),
        [
            (50_000, None, False, nothing),
            (51_000, None, True, lifted),
            (52_500, 25.0, True, nothing),
            (53_000, 25.0, False, nothing),
            (90_000, None, False, nothing),
        ],
    ),
    "started anew within the second that is known last": (
        [(at(50), PROVEN), (at(51), LIFTED), (at(51.6), STARTED), (at(51.7), PROVEN)],
        [Plate("b", 51_000, 25.0)],
        at(60),
        [
            (50_000, None, False, nothing),
            (51_000, None, True, lifted),
            (51_600, 25.0, True, nothing),
            (51_700, 25.0, False, nothing),
            (52_000, 25.0, True, nothing),
            (60_000, None, False, nothing),
        ],
    ),
    "no word of the extractor, and a dose that nobody measured": (
        [(at(5), LIFTED), (at(6), events.SolventDispensed(values={}))],
        [],
        at(65),
        [(5_000, None, False, lifted), (6_000, None, False, nothing), (65_000, None, False, nothing)],
    ),
    "two boots by the calendar, the second begun within a second": (
        [
            (at(50, wall_s=1050), PROVEN),
            (at(51, wall_s=1051), LIFTED),
            (at(3.4, "c", wall_s=1071.4), STARTED),
            (at(5, "c", wall_s=1073), PROVEN),
        ],
        [
            Plate("b", 51_000, 70.0),
            Plate("b", 52_000, 75.0),
            Plate("c", 3_000, 40.0),
            Plate("c", 5_000, 30.0),
        ],
        at(9, "c", wall_s=1077),
        [
            (-18_000, None, False, nothing),
            (-17_000, None, True, lifted),
            (-16_000, 70.0, True, nothing),
            (-15_000, 75.0, True, nothing),
            (3_400, None, False, nothing),
            (4_000, 40.0, False, nothing),
            (5_000, None, False, nothing),
            (6_000, 30.0, True, nothing),
            (9_000, None, False, nothing),
        ],
    ),
    "three boots of which nobody knows when they were": (
        [(at(50), LIFTED), (at(3, "c"), STARTED), (at(7, "d"), STARTED), (at(8, "d"), LIFTED)],
        [Plate("b", 50_000, 70.0), Plate("c", 3_000, 40.0), Plate("c", 4_000, 40.0), Plate("d", 7_000, 30.0)],
        at(9, "d"),
        [
            (6_000, None, False, lifted),
            (7_000, 40.0, False, nothing),
            (8_000, 30.0, False, lifted),
            (9_000, None, False, nothing),
        ],
    ),
}


@pytest.mark.parametrize(("told", "plates", "now", "steps"), BY_HAND.values(), ids=BY_HAND)
def test_recalled_is_what_the_balance_gives_step_by_step(told, plates, now, steps):
    """The same balance along the same times, written out."""
    by_hand = VapourWatch()
    for at_ms, plate_c, proven, happens in steps:
        by_hand = happens(watch_vapour(by_hand, at_ms, plate_c, LIMITS, proven=proven))
    recalled = recall(told, plates, LIMITS, now)
    assert recalled.air.liquid_ppm == pytest.approx(by_hand.air.liquid_ppm, rel=1e-9)
    assert recalled.air.vapour_ppm == pytest.approx(by_hand.air.vapour_ppm, rel=1e-9)
    assert recalled.breathed.minutes == pytest.approx(by_hand.breathed.minutes, rel=1e-9)
    assert recalled.breathed.quarters == pytest.approx(by_hand.breathed.quarters, rel=1e-9)
    clocks = (recalled.since_ms, recalled.last_ms, recalled.breathed.minute_ms, recalled.breathed.quarter_ms)
    assert clocks == (
        by_hand.since_ms,
        now.mono_ms,
        by_hand.breathed.minute_ms,
        by_hand.breathed.quarter_ms,
    )
    assert recalled.credit_ml == 0.0


SOLDERING = events.StepStarted(unit="U-1", step="solder", attempt=1, work="solder")
HEATING = events.StepStarted(unit="U-2", step="strip", attempt=1, work="heat")
SOLDERED = events.StepFinished(unit="U-1", step="solder", result="pass")
HEATED = events.StepFinished(unit="U-2", step="strip", result="pass")
LEFT = events.StepAbandoned(unit="U-1", step="solder", reason="cracked")


@pytest.mark.parametrize(
    ("told", "ended_ms"),
    [
        pytest.param([(at(1), PROVEN), (at(2), SOLDERING), (at(3), SOLDERED)], 3_000, id="finished"),
        pytest.param([(at(1), PROVEN), (at(2), SOLDERING), (at(3), LEFT)], 3_000, id="abandoned"),
        pytest.param(
            [(at(1), PROVEN), (at(2), SOLDERING), (at(3), SOLDERED), (at(4), LOST), (at(5), STARTED)],
            3_000,
            id="before a restart",
        ),
        pytest.param([(at(2), SOLDERING), (at(3), SOLDERED)], None, id="never proven"),
        pytest.param([(at(1), PROVEN), (at(2), SOLDERING), (at(3), LOST), (at(4), LEFT)], None, id="lost"),
        pytest.param(
            [(at(1), PROVEN), (at(2), SOLDERING), (at(3), STARTED), (at(4), LEFT)],
            None,
            id="unproven by a start",
        ),
        pytest.param([(at(1), PROVEN), (at(2), HEATING), (at(3), HEATED)], None, id="other work"),
        pytest.param(
            [(at(1), PROVEN), (at(2), SOLDERING), (at(3), HEATING), (at(4), HEATED), (at(5), SOLDERED)],
            5_000,
            id="another unit's work between",
        ),
        pytest.param(
            [(at(1, "a"), PROVEN), (at(2, "a"), SOLDERING), (at(3, "a"), SOLDERED)], None, id="another boot's"
        ),
        pytest.param(
            [(at(1), PROVEN), (at(2), SOLDERING), (at(3), SOLDERED), (at(4), SOLDERED)],
            3_000,
            id="ended once",
        ),
    ],
)
def test_when_soldering_ended_is_known_to_a_station_that_starts_again_in_the_same_boot(told, ended_ms):
    """From then on the extractor is to run on."""
    assert soldering_ended_ms(told, "b") == ended_ms


@pytest.mark.parametrize(("after_s", "raised"), [(60, ["run-on-short"]), (121, [])])
def test_an_extractor_off_soon_after_soldering_is_told_after_a_restart_too(make_bench, after_s, raised):
    """Contract: off within 120 s after a solder step."""
    bench = make_bench()
    bench.prove()
    bench.do("book-in unit=U-1 model=m", "start step=solder", "finish step=solder result=pass")
    told = [(Moment(bench.boot, at_ms), body) for at_ms, body in bench.events]
    known = Remembered(solder_ended_ms=soldering_ended_ms(told, bench.boot))
    bench.restart(bench.boot, known=known, now_ms=bench.now_ms + after_s * 1000)
    bench.run(2.0, amps=STILL_A)
    assert bench.raised() == raised
