"""Requests found again from events: told in any order of hands, they do the same once more."""

from pathlib import Path

import pytest
from hand_bench import RUNNING_A, HandBench

from shared.events import RequestRefused
from shared.requests import Barred, parse_text, print_text
from station.asked_again import asked_again
from station.replay import replay
from station.rules.limits import AlarmLimits, Limits
from station.settings import Settings
from station.trace import load_trace

STORY = [
    "sign-in technician=T-1",
    "book-in unit=U-1 model=m job=J-1",
    "start step=frame-off",
    "finish step=frame-off result=pass",
    "finish step=frame-off result=fail grade=C",
    "sign-in technician=T-2",
    "book-in unit=U-2 model=m",
    "take unit=U-1",
    "start step=solder",
    "abandon reason='wrong flex'",
    "remove",
    "place unit=U-2",
    "dispense ml=1",
    "shelve alarm=link-down minutes=5 by=T-1 reason=router",
    "unshelve alarm=link-down",
    "out-of-service alarm=link-down by=S-1 reason=router",
    "in-service alarm=link-down by=S-1",
    "start step=bond",
    "close unit=U-2 outcome=scrapped reason=cracked",
    "nonsense",
    "take unit=U-1 by=L-9",
    "resume by=L-9",
    "close unit=U-1 outcome=returned by=L-9",
    "sign-out",
]


def bench_after(story):
    """A bench with proven extraction after a list of requests, one a tick."""
    bench = HandBench(Limits(alarms=AlarmLimits(authorisers=("S-1",))))
    bench.run(6.0, amps=RUNNING_A)
    for text in story:
        bench.tick(text)
    return bench


def texts(bench):
    """What a bench's events came of, as text."""
    return [print_text(request) for _, request in asked_again(bench.events)]


def test_requests_found_again_tell_the_same_story():
    """What was accepted and what was refused, asked anew of a new bench: the same events."""
    bench = bench_after(STORY)
    again = texts(bench)
    assert [text.split()[0] for text in again] == [text.split()[0] for text in STORY]
    assert bench_after(again).events == bench.events


def test_what_a_start_did_by_itself_is_not_asked_for_again():
    """A start that takes the unit in hand and lays it on the plate is one request."""
    story = ["book-in unit=U-1 model=m", "book-in unit=U-2 model=m", "start step=frame-off unit=U-1"]
    assert texts(bench_after(story)) == story


@pytest.mark.parametrize("name", ["fan-dies", "open-thermocouple", "quiet-hour"])
def test_requests_of_a_recorded_trace_are_found_again(name):
    """Verb by verb, as the trace's own column has them; an acknowledgement names its alarm."""
    ticks = load_trace(Path(__file__).parents[1] / "data" / "traces" / f"{name}.csv")
    told = [
        (line.moment.mono_ms, body)
        for line in replay(ticks, HandBench().book, Settings(), "trace-x", None)
        for body in line.events
    ]
    asked = [tick.request.split()[0] for tick in ticks if tick.request]
    assert [print_text(request).split()[0] for _, request in asked_again(told)] == asked


@pytest.mark.parametrize(
    ("text", "reasons", "barred"),
    [
        (f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by=S-1", ["unknown-head"], True),
        ("out-of-service alarm=link-down reason=x by=S-1", ["not-authorised"], True),
        ("shift-check verdicts=lamps=passed by=S-1", ["not-authorised"], True),
        (
            "out-of-service alarm=plate-over-limit reason=x by=S-1",
            ["critical-not-out-of-service", "not-authorised"],
            False,
        ),
        (f"sign-review period=2026-03-09/2026-03-08 head={'a' * 64} by=S-1", ["no-such-period"], False),
        ("reset", ["nothing-to-reset"], False),
    ],
)
def test_what_was_barred_from_outside_stays_barred(text, reasons, barred):
    """Nobody signs afterwards what its topic or its head barred; what the rules said is asked anew."""
    ((_ms, request),) = asked_again([(100, RequestRefused(request=text, reasons=reasons))])
    assert request == (Barred(parse_text(text), tuple(reasons)) if barred else parse_text(text))
