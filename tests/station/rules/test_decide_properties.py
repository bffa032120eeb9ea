"""Properties of the rules under any sequence of wires and requests."""

import msgspec
from hand_bench import HandBench
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, rule

from shared.events import kind_of
from shared.indication import Lamp
from shared.requests import parse_text
from shared.timeline import Moment
from station.rules.alarms import ACTIVE
from station.rules.causes import BY_ALARM
from station.rules.decide import decide
from station.rules.limits import AlarmLimits, Limits

PLATES = [None, 22.0, 45.0, 93.0, 100.0, 104.8, 107.0, 131.0]
CURRENTS = [None, 0.0, 0.17, 0.2, 0.26, 0.42, 2.2]
STEPS = ["intake", "frame-off", "separate", "strip", "clean", "solder", "bond", "cure", "check-3", "nonsense"]
REQUESTS = [
    "sign-in technician=T-1", "sign-out", "book-in unit=U-1 model=m", "book-in unit=U-2 model=m",
    "take unit=U-1", "take unit=U-2", "place", "remove", "resume", "abandon reason=x", "ack", "silence",
    "reset",
    "shelve alarm=plate-high minutes=1 by=T-1 reason=x", "unshelve alarm=plate-high",
    "close unit=U-1 outcome=done",
    "nonsense", "start", "dispense ml=0.2", "dispense ml=3", "lamp-test",
    "shelve alarm=vapour-high minutes=1 by=T-1 reason=x",
    "out-of-service alarm=vapour-high by=S-1 reason=x", "in-service alarm=vapour-high by=S-1",
    "out-of-service alarm=plate-sensor-fault by=S-1 reason=x", "in-service alarm=plate-sensor-fault by=S-1",
]  # fmt: skip
ENDINGS = ("alarm-closed", "alarm-unshelved", "alarm-unsuppressed", "alarm-in-service")


class BenchMachine(RuleBasedStateMachine):
    """Any hands at any wires. The harness itself asserts that the state is the fold of its events."""

    def __init__(self):
        super().__init__()
        self.bench = HandBench(Limits(alarms=AlarmLimits(authorisers=("S-1",))))
        self.bench.tick()
        self.open_alarms = {}

    def follow(self, start):
        """Keep book of alarms from events alone."""
        for _, body in self.bench.events[start:]:
            kind = kind_of(body)
            if kind == "alarm-raised":
                self.open_alarms[body.alarm] = "raised"
            elif kind in ENDINGS:
                self.open_alarms.pop(body.alarm, None)
            elif kind in ("alarm-shelved", "alarm-suppressed", "alarm-out-of-service"):
                self.open_alarms[body.alarm] = "aside"

    @rule(
        plate=st.sampled_from(PLATES), amps=st.sampled_from(CURRENTS),
        out=st.sampled_from([True, False, None]), ticks=st.sampled_from([1, 3, 7, 60, 130]),
    )  # fmt: skip
    def live(self, plate, amps, out, ticks):
        """The wires say something for a while."""
        start = len(self.bench.events)
        self.bench.run(ticks / 10, plate_c=plate, amps=amps, out=out)
        self.follow(start)

    @rule(text=st.sampled_from(REQUESTS))
    def ask(self, text):
        """Somebody asks for something."""
        start = len(self.bench.events)
        self.bench.tick(text)
        self.follow(start)

    @rule(step=st.sampled_from(STEPS))
    def begin_step(self, step):
        """Somebody starts a step."""
        start = len(self.bench.events)
        self.bench.tick(f"start step={step}")
        self.follow(start)

    @rule(step=st.sampled_from(STEPS), result=st.sampled_from(["pass", "fail"]))
    def end_step(self, step, result):
        """Somebody finishes a step."""
        start = len(self.bench.events)
        self.bench.tick(f"finish step={step} result={result}")
        self.follow(start)

    @rule(after_ms=st.sampled_from([900, 1001, 5000, 3_600_000]))
    def gap(self, after_ms):
        """The station misses time."""
        start = len(self.bench.events)
        self.bench.tick(after_ms=after_ms)
        self.follow(start)

    @rule()
    def restart(self):
        """The station starts again."""
        start = len(self.bench.events)
        self.bench.restart(self.bench.boot + "x")
        self.bench.tick()
        self.follow(start)

    @invariant()
    def no_solder_step_runs_without_proof(self):
        """At the end of every tick."""
        run = self.bench.durable.run
        if run is not None and run.step == "solder" and not run.held_by:
            assert self.bench.state.watch.extraction.proven

    @invariant()
    def permit_means_proof_and_sensor_and_no_critical_alarm(self):
        """What the relay is driven by, not what a field says."""
        if self.bench.decision.levels.permit:
            assert self.bench.state.watch.extraction.proven
            assert self.bench.state.watch.plate.seen
            critical = [
                name for name, life in self.bench.durable.alarms.items()
                if BY_ALARM[name].priority == "critical" and life.state in ACTIVE
            ]  # fmt: skip
            assert critical == []

    @invariant()
    def no_alarm_is_lost(self):
        """Every alarm raised is closed or still there."""
        assert set(self.open_alarms) == set(self.bench.durable.alarms)

    @invariant()
    def some_lamp_is_lit_or_flashing(self):
        """No light at all can only mean a dead station."""
        shown = self.bench.decision.indication
        assert {shown.red, shown.amber, shown.green, shown.blue} != {Lamp.OFF}

    @invariant()
    def deciding_again_gives_the_same(self):
        """Pure: same inputs, same answer, byte for byte."""
        bench = self.bench
        now = Moment(bench.boot, bench.now_ms + 100)
        reading = bench.reading()
        asked = [parse_text("ack")]
        one = decide(bench.book, bench.state, reading, asked, now)
        two = decide(bench.book, bench.state, reading, asked, now)
        assert one == two
        assert msgspec.json.encode(one[1].events) == msgspec.json.encode(two[1].events)


BenchMachine.TestCase.settings = settings(max_examples=60, stateful_step_count=40)
TestBench = BenchMachine.TestCase
