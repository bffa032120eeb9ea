"""Requests that are not step starts: each carried out, or refused with an event that says why."""

import pytest

from shared.requests import Barred, parse_text, print_text
from shared.timeline import Moment
from station.rules.decide import decide


@pytest.mark.parametrize(
    ("before", "request_text", "reasons"),
    [
        ([], "sign-out", ["not-signed-in"]),
        ([], "take unit=U-1", ["unknown-unit"]),
        (["book-in unit=U-1 model=m"], "book-in unit=U-1 model=m", ["already-known"]),
        ([], "place", ["no-unit"]),
        ([], "place unit=U-9", ["unknown-unit"]),
        ([], "remove", ["plate-empty"]),
        (["book-in unit=U-1 model=m", "place"], "place", ["already-placed"]),
        (["book-in unit=U-1 model=m", "place"], "remove unit=U-2", ["not-on-plate"]),
        (["book-in unit=U-1 model=m", "place", "book-in unit=U-2 model=m"], "place", ["plate-occupied"]),
        (["book-in unit=U-1 model=m", "place"], "close unit=U-1 outcome=done", ["unit-on-plate"]),
        (["book-in unit=U-1 model=m", "start step=intake"], "close unit=U-1 outcome=x", ["step-running"]),
        ([], "close unit=U-1 outcome=done", ["unknown-unit"]),
        ([], "finish step=intake result=pass", ["no-unit"]),
        (["book-in unit=U-1 model=m"], "finish step=intake result=pass", ["step-not-running"]),
        (["book-in unit=U-1 model=m"], "abandon reason=x", ["step-not-running"]),
        ([], "resume", ["no-held-step"]),
        ([], "ack", ["nothing-to-acknowledge"]),
        ([], "ack alarm=nonsense", ["unknown-alarm"]),
        ([], "reset", ["nothing-to-reset"]),
        ([], "unshelve alarm=plate-high", ["not-shelved"]),
        ([], "out-of-service alarm=nonsense reason=x by=S-1", ["unknown-alarm"]),
        ([], "out-of-service alarm=link-down reason=x by=S-1", ["not-authorised"]),
        (
            [],
            "out-of-service alarm=plate-over-limit reason=x by=S-1",
            ["critical-not-out-of-service", "not-authorised"],
        ),
        ([], "in-service alarm=link-down by=S-1", ["not-authorised"]),
        ([], "make-tea sugar=2", ["unknown-request"]),
        ([], "start", ["malformed-request"]),
        ([], 'start step="clean', ["malformed-request"]),
    ],
)
def test_request_is_refused_recorded_and_changes_nothing(bench, before, request_text, reasons):
    """The refusal names every reason, keeps the request's text, is heard, and leaves the state alone."""
    bench.do(*before)
    durable = bench.durable
    assert list(bench.ask(request_text)) == reasons
    assert bench.durable == durable
    refused = bench.told("request-refused")[-1]
    assert (refused["request"], refused["reasons"]) == (request_text, reasons)
    assert bench.decision.indication.sound == "refused"
    bench.run(1.0)
    assert bench.decision.indication.sound == "none"


def test_booking_in_takes_the_unit_in_hand(bench):
    """Two events: the unit is known, and it is the one in hand."""
    bench.do("sign-in technician=T-1", "book-in unit=U-1 model=m job=J-1")
    assert bench.kinds() == ["signed-in", "unit-booked-in", "unit-taken"]
    assert (bench.durable.in_hand, bench.durable.units["U-1"].job) == ("U-1", "J-1")
    assert {event["technician"] for event in bench.told("unit-booked-in")} == {"T-1"}


def test_a_second_technician_signs_the_first_one_out(bench):
    """One pair of hands at a time."""
    bench.do("sign-in technician=T-1", "sign-in technician=T-2")
    assert bench.kinds() == ["signed-in", "signed-out", "signed-in"]
    assert bench.durable.technician == "T-2"


def test_a_heat_step_places_the_unit_on_an_empty_plate(bench):
    """Contract: starting a heat step places the unit in hand if the plate is empty."""
    bench.do("book-in unit=U-1 model=m", "start step=frame-off")
    assert bench.kinds()[-2:] == ["unit-placed", "step-started"]
    assert bench.durable.on_plate == "U-1"


def test_a_heat_step_is_refused_while_another_unit_lies_on_the_plate(bench):
    """Its heat would be written into the wrong record."""
    bench.do("book-in unit=U-1 model=m", "place", "book-in unit=U-2 model=m")
    assert bench.ask("start step=frame-off") == ("plate-occupied",)


def test_starting_on_another_unit_takes_it_in_hand(bench):
    """`start unit=` names a unit that is not in hand."""
    bench.do("book-in unit=U-1 model=m", "book-in unit=U-2 model=m", "start step=intake unit=U-1")
    assert bench.durable.in_hand == "U-1"


def test_attempts_and_findings_are_kept(bench):
    """A repeated step counts its attempts; findings stand in the event."""
    bench.do("book-in unit=U-1 model=m", "start step=intake", "finish step=intake result=fail scratch=deep")
    bench.do("start step=intake", "finish step=intake result=pass grade=A note='two words'")
    assert [event["attempt"] for event in bench.told("step-started")] == [1, 2]
    assert bench.told("step-finished")[0]["findings"] == {"scratch": "deep"}
    assert bench.told("step-finished")[1]["findings"] == {"grade": "A", "note": "two words"}
    assert bench.durable.units["U-1"].passed == ("intake",)


def test_silence_acknowledges_nothing_and_ends_with_the_next_alarm(bench):
    """Silence apart from acknowledge: the alarm waits on, a new one sounds."""
    bench.run(1.0, plate_c=None)
    bench.do("silence")
    assert bench.decision.indication.sound == "none"
    assert bench.durable.alarms["plate-sensor-fault"].state == "unacknowledged"
    bench.run(1.0, amps=None)
    assert bench.decision.indication.sound == "high"


def test_closing_a_curing_unit_abandons_its_cure(bench):
    """Nothing is left running on a unit that is gone."""
    bench.do("book-in unit=U-1 model=m", "start step=bond", "finish step=bond result=pass", "start step=cure")
    bench.do("close unit=U-1 outcome=scrapped reason=cracked")
    assert bench.kinds()[-2:] == ["step-abandoned", "unit-closed"]
    assert (bench.durable.units, bench.durable.in_hand) == ({}, None)


def test_several_requests_in_one_tick_are_carried_out_in_order(bench):
    """Each sees what the one before it did, and each has its own outcome."""
    decision = bench.tick("book-in unit=U-1 model=m", "start step=intake", "start step=clean")
    assert [outcome.accepted for outcome in decision.outcomes] == [True, True, False]
    assert [outcome.event_index for outcome in decision.outcomes] == [1, 2, 3]


@pytest.mark.parametrize(
    ("asked", "kind"),
    [
        ("take unit=U-1 by=L-9", "unit-taken"),
        ("start step=intake by=L-9", "step-started"),
        ("start step=solder by=L-9", "step-refused"),
        ("dispense ml=1 by=L-9", "solvent-dispensed"),
        ("shelve alarm=plate-high minutes=5 reason=x by=L-9", "alarm-shelved"),
        ("close unit=U-1 outcome=returned by=L-9", "unit-closed"),
        ("resume by=L-9", "request-refused"),
    ],
)
def test_who_asks_is_recorded_and_takes_nobodys_place_at_the_bench(bench, asked, kind):
    """A lead in the office asks: it is the lead's doing, and the technician still has the bench."""
    bench.do("sign-in technician=T-1", "book-in unit=U-1 model=m")
    bench.ask(asked)
    assert bench.told(kind)[-1]["technician"] == "L-9"
    assert bench.durable.technician == "T-1"
    bench.do("dispense ml=1")
    assert bench.told("solvent-dispensed")[-1]["technician"] == "T-1"


def test_who_asks_is_no_finding():
    """`by` says who finishes the step; every other key of its own is what was found."""
    request = parse_text("finish step=clean result=pass by=L-9 haze=none")
    assert (request.by, request.findings) == ("L-9", {"haze": "none"})
    assert parse_text(print_text(request)) == request


@pytest.mark.parametrize(
    ("period", "refused"),
    [
        ("2026-03-02/2026-03-08", False),
        ("2026-03-02/2026-03-02", False),
        ("2026-03-08/2026-03-02", True),
        ("2026-02-30/2026-03-02", True),
        ("2026-03-02/2026-03-09", False),  # a day that has begun somewhere already
        ("2026-03-02/2026-03-10", True),
    ],
)
def test_only_days_that_were_can_be_signed(bench, period, refused):
    """On 2026-03-08 UTC: no days that do not exist, none backwards, none to come."""
    bench.tick()
    asked = parse_text(f"sign-review period={period} head={'a' * 64} by=S-1")
    now = Moment("boot-1", bench.now_ms + 100, 1_772_971_200_000)
    _state, decision = decide(bench.book, bench.state, bench.reading(), [asked], now)
    assert decision.outcomes[0].reasons == (("no-such-period",) if refused else ())


def test_what_cannot_be_read_is_recorded_with_what_is_wrong_and_never_longer_than_it_may_be(bench):
    """Key, value and what would be right, for whoever looks into the log; a flood of text stays small."""
    assert bench.ask("start") == ("malformed-request",)
    assert bench.ask(f"take unit={'x' * 3000}") == ("malformed-request",)
    first, second = bench.told("request-refused")
    assert first["detail"] == "'step' is missing"
    assert second["detail"].startswith("unit is 'xxx")
    assert second["detail"].endswith("…, not 1 to 40 of letters, digits, '-', '_' and '.'")
    assert len(second["request"]) == 200


@pytest.mark.parametrize("reason", ["not-authorised", "unknown-head"])
def test_what_is_barred_from_outside_is_refused_and_recorded(bench, reason):
    """Nothing is signed; the refusal names the reason, the text and who asked, and is heard."""
    bench.tick()
    durable = bench.durable
    text = f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by=S-1"
    now = Moment("boot-1", bench.now_ms + 100, 1_772_971_200_000)
    barred = Barred(parse_text(text), (reason,))
    state, decision = decide(bench.book, bench.state, bench.reading(), [barred], now)
    outcome = decision.outcomes[0]
    assert (outcome.accepted, outcome.reasons) == (False, (reason,))
    (refused,) = decision.events
    assert (refused.request, list(refused.reasons), refused.technician) == (text, [reason], "S-1")
    assert decision.events[outcome.event_index] is refused
    assert state.durable == durable
    assert decision.indication.sound == "refused"
