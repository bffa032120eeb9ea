"""Recorded wires through the rules: what must be told, when, and never otherwise.

The traces are recordings of one tick a line. What the contract says of them is checked word by word; all
that is told is compared with files that were read through by eye.
"""

import itertools
import json
from pathlib import Path

import msgspec
import pytest

from shared.events import kind_of
from shared.sheet import default_sheet
from station.replay import boot_of_trace, replay
from station.rules.tick import Book
from station.settings import Settings
from station.trace import load_trace

DATA = Path(__file__).parents[1] / "data"
TRACES = sorted(path.stem for path in (DATA / "traces").glob("*.csv"))
SETTINGS = Settings()
BOOK = Book(SETTINGS.limits, default_sheet())
NOT_COMPARED = ("version",)


def lines_of(name):
    """Everything a replay of a trace yields."""
    path = DATA / "traces" / f"{name}.csv"
    return list(replay(load_trace(path), BOOK, SETTINGS, boot_of_trace(path), None))


def told_by(name):
    """The events of a replay as flat fields with ``mono_s``."""
    return [
        {"mono_s": line.moment.mono_ms / 1000, **msgspec.to_builtins(body)}
        for line in lines_of(name)
        for body in line.events
    ]


@pytest.mark.parametrize("name", TRACES)
def test_replay_tells_exactly_what_was_agreed(name):
    """Every event of the trace, in order, with its time and values."""
    golden = [
        json.loads(line) for line in (DATA / "golden" / f"{name}.jsonl").read_text("utf-8").splitlines()
    ]
    for event in golden:
        del event["seq"]
    told = [
        {key: value for key, value in event.items() if key not in NOT_COMPARED} for event in told_by(name)
    ]
    assert told == golden


FAN_DIES_S = 50.5  # the first line of the trace in which the current is gone


def first(events, kind, **fields):
    """The first event of a kind with these fields."""
    return next(e for e in events if e["kind"] == kind and all(e.get(k) == v for k, v in fields.items()))


def test_fan_dies_holds_the_step_and_drops_the_permit_within_six_tenths_of_a_second():
    """Refusal before proof; after the fan's death hold, permit and alarm in time."""
    events = told_by("fan-dies")
    proven_s = first(events, "extraction-proven")["mono_s"]
    refusals = [e for e in events if e["kind"] == "step-refused"]
    assert [e["reasons"] for e in refusals] == [["extraction-not-proven"]] * 2
    assert all(e["mono_s"] < proven_s for e in refusals)
    for kind, fields in (
        ("step-held", {}), ("permit-dropped", {}), ("alarm-raised", {"alarm": "extraction-lost"}),
    ):  # fmt: skip
        assert 0 < first(events, kind, **fields)["mono_s"] - FAN_DIES_S <= 0.6


def test_fan_dies_resumes_only_after_proof_and_acknowledgement():
    """The order of things after the loss."""
    events = [e for e in told_by("fan-dies") if e["mono_s"] > FAN_DIES_S]
    order = [
        e["kind"] for e in events
        if e["kind"] in ("alarm-acknowledged", "extraction-proven", "step-resumed", "step-finished")
    ]  # fmt: skip
    assert order == ["alarm-acknowledged", "extraction-proven", "step-resumed", "step-finished"]


def test_fan_dies_is_not_resumed_when_nobody_acknowledges():
    """The same wires without the acknowledgement: resume is refused."""
    path = DATA / "traces" / "fan-dies.csv"
    ticks = [tick if tick.request != "ack" else tick._replace(request=None) for tick in load_trace(path)]
    told = [body for line in replay(ticks, BOOK, SETTINGS, "b", None) for body in line.events]
    assert "step-resumed" not in [kind_of(body) for body in told]
    refused = next(body for body in told if kind_of(body) == "request-refused" and body.request == "resume")
    assert refused.reasons == ["alarm-unacknowledged", "critical-alarm"]


def test_open_thermocouple_is_a_fault_and_a_gap_and_never_zero():
    """From the open wire on (730.3 s) through the dead board (to 746.2 s) there is no number at all."""
    lines = [line for line in lines_of("open-thermocouple") if line.state is not None]
    for line in lines:
        plate = line.state.watch.plate
        if 730_300 <= line.moment.mono_ms < 746_300:
            assert plate.plate_c is None
        else:
            assert plate.plate_c is not None
            assert plate.plate_c > 20
    raised = first(told_by("open-thermocouple"), "alarm-raised")
    assert (raised["alarm"], raised["mono_s"], raised["reason"]) == (
        "plate-sensor-fault",
        730.8,
        "open-circuit",
    )


def test_outputs_of_a_replay_follow_the_permit():
    """What the relay would have been driven to is what was told."""
    permit = False
    for line in lines_of("fan-dies"):
        for body in line.events:
            if kind_of(body) in ("permit-granted", "permit-dropped"):
                permit = kind_of(body) == "permit-granted"
        if line.decision is not None:
            assert line.decision.levels.permit is permit


def test_heartbeat_toggles_with_every_tick():
    """A monostable behind it sees a live tick, or falls."""
    beats = [line.decision.levels.heartbeat for line in lines_of("fan-dies") if line.decision is not None]
    assert all(one != two for one, two in itertools.pairwise(beats))
