"""What the station says about the walk through its wiring."""

import pytest
from hand_bench import HandBench

from shared.events import Commissioned
from shared.timeline import Moment
from station.rules.describe import describe
from station.rules.fold import apply


def said(bench: HandBench, wires: str | None = "w1"):
    """The commissioning part of the snapshot after a tick."""
    bench.book = bench.book._replace(wires=wires)
    decision = bench.tick()
    now = Moment("boot-1", bench.now_ms)
    return describe(
        bench.book,
        bench.state,
        bench.reading(),
        now,
        decision.indication,
        station="b",
        ticks=1,
        ticks_missed=0,
    ).commissioning


def walked(bench: HandBench, *, passed: bool = True, wires: str = "w1") -> HandBench:
    """A bench on whose record such a walk stands."""
    body = Commissioned(station="b", by="S-01", passed=passed, verdicts={"cradle": "passed"}, wires=wires)
    at = Moment("boot-0", 5, 1_770_000_000_000)
    bench.state = type(bench.state)(durable=apply(bench.state.durable, at, body), watch=bench.state.watch)
    return bench


@pytest.mark.parametrize(
    ("bench", "reason"),
    [
        (HandBench(), "never"),
        (walked(HandBench()), None),
        (walked(HandBench(), passed=False), "failed"),
        (walked(HandBench(), wires="w0"), "wires-changed"),
        (walked(walked(HandBench(), passed=False)), None),
        (walked(walked(HandBench()), passed=False), "failed"),
    ],
)
def test_commissioned_only_by_the_newest_walk_of_these_wires(bench, reason):
    """Never, failed and changed wires are told apart; the newest walk counts."""
    found = said(bench)
    assert (found.commissioned, found.reason) == (reason is None, reason)


def test_nothing_is_said_of_a_replay():
    """A trace has no wires of a station."""
    assert said(HandBench(), wires=None) is None


def test_not_being_commissioned_locks_nothing():
    """It is there to be seen: the iron gets its power as ever."""
    bench = HandBench()
    bench.book = bench.book._replace(wires="w1")
    bench.prove()
    assert bench.state.watch.permit


def test_shift_check_is_recorded_and_told():
    """The request becomes an event, and the snapshot says who and how."""
    bench = HandBench()
    bench.do("shift-check by=T-04 verdicts=lamps=passed,buzzer=failed")
    (event,) = bench.told("shift-checked")
    assert (event["by"], event["passed"], event["verdicts"]) == (
        "T-04", False, {"lamps": "passed", "buzzer": "failed"},
    )  # fmt: skip
    found = said(bench)
    assert (found.shift_by, found.shift_passed) == ("T-04", False)
    bench.do("shift-check by=T-04 verdicts=lamps=passed,buzzer=skipped")
    assert said(bench).shift_passed is True


@pytest.mark.parametrize("verdicts", ["", "lamps", "lamps=maybe", "lamps=passed,", "Lamps=passed"])
def test_shift_check_with_other_words_is_refused(verdicts):
    """Nothing but checks and the three outcomes."""
    assert HandBench().ask(f"shift-check by=T-04 verdicts='{verdicts}'")[0] == "malformed-request"
