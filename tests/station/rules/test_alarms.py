"""The life of an alarm: the whole product of states and inputs, and the fold that follows it.

ISA-18.2 / IEC 62682; letters and transitions from memory, names as OPC 10000-9 clause 5.8 restates them.
"""

import itertools

import pytest

from shared import events
from shared.timeline import Moment
from station.rules.alarms import ACTIVE, ASIDE, LATCHED, SOUNDING, STANDING, TABLE, WAITING, Input, move
from station.rules.fold import apply
from station.rules.state import AlarmLife, Durable, Life

N, U, A, R, LU, LA, S, P, X = (
    Life.NORMAL, Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED, Life.RETURNED,
    Life.LATCHED_UNACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED, Life.SHELVED,
    Life.SUPPRESSED, Life.OUT_OF_SERVICE,
)  # fmt: skip

_ = None
# Written out by hand: rows are states, columns raise, return, ack, reset, shelve, unshelve, suppress,
# unsuppress, take out of service, put back, re-alarm; _ stays.
PLAIN = {
    N: (U, _, _, _, S, _, P, _, X, _, _),
    U: (_, R, A, _, S, _, P, _, X, _, _),
    A: (_, N, _, _, S, _, P, _, X, _, U),
    R: (U, _, N, _, S, _, P, _, X, _, _),
    S: (_, _, _, _, _, N, _, _, X, _, _),
    P: (_, _, _, _, S, _, _, N, X, _, _),
    X: (_, _, _, _, _, _, _, _, _, N, _),
}
LATCHING = {
    N: (U, _, _, _, S, _, P, _, X, _, _),
    U: (_, LU, A, _, S, _, P, _, X, _, _),
    A: (_, LA, _, _, S, _, P, _, X, _, U),
    LU: (U, _, LA, _, _, _, _, _, _, _, _),
    LA: (U, _, _, N, _, _, _, _, _, _, _),
    S: (_, _, _, _, _, N, _, _, X, _, _),
    P: (_, _, _, _, S, _, _, N, X, _, _),
    X: (_, _, _, _, _, _, _, _, _, N, _),
}
CASES = [
    pytest.param(latching, state, happening, to, id=f"{state}-{happening}-{'latch' if latching else 'plain'}")
    for latching, table in ((False, PLAIN), (True, LATCHING))
    for state, row in table.items()
    for happening, to in zip(Input, row, strict=True)
]  # fmt: skip


@pytest.mark.parametrize(("latching", "state", "happening", "to"), CASES)
def test_alarm_moves_as_the_standard_says(latching, state, happening, to):
    """Every state and input, against a table written by hand."""
    found = move(state, happening, latching=latching)
    assert (found.to if found else None) == to


def test_the_table_holds_no_pair_beyond_the_hand_written_one():
    """Nothing moves that the hand-written table does not know."""
    known = {(c.values[0], c.values[1], c.values[2]) for c in CASES if c.values[3] is not None}
    held = {(latching, state, happening) for latching in TABLE for state, happening in TABLE[latching]}
    assert held == known


EVENT_OF = {
    "alarm-raised": lambda latched: events.AlarmRaised(alarm="x", priority="low"),
    "alarm-acknowledged": lambda latched: events.AlarmAcknowledged(alarm="x"),
    "alarm-returned": lambda latched: events.AlarmReturned(alarm="x", latched=latched),
    "alarm-closed": lambda latched: events.AlarmClosed(alarm="x"),
    "alarm-shelved": lambda latched: events.AlarmShelved(alarm="x", minutes=5, reason="test"),
    "alarm-unshelved": lambda latched: events.AlarmUnshelved(alarm="x", reason="test"),
    "alarm-suppressed": lambda latched: events.AlarmSuppressed(alarm="x", reason="y"),
    "alarm-unsuppressed": lambda latched: events.AlarmUnsuppressed(alarm="x"),
    "alarm-out-of-service": lambda latched: events.AlarmOutOfService(alarm="x", by="S-1", reason="test"),
    "alarm-in-service": lambda latched: events.AlarmInService(alarm="x", by="S-1"),
}


@pytest.mark.parametrize(("latching", "state", "happening", "to"), [c for c in CASES if c.values[3]])
def test_fold_of_a_moves_events_leads_where_the_table_says(latching, state, happening, to):
    """The events a transition tells rebuild exactly its new state."""
    now = Moment("b", 0)
    durable = Durable(alarms={} if state is N else {"x": AlarmLife(state, now)})
    for kind in move(state, happening, latching=latching).says:
        durable = apply(durable, now, EVENT_OF[kind](latching))
    life = durable.alarms.get("x")
    assert (life.state if life else N) is to


def test_acknowledging_never_clears_a_standing_cause():
    """Whatever the alarm, an acknowledged standing one still stands."""
    for latching in (False, True):
        assert move(U, Input.ACK, latching=latching).to in STANDING


def test_what_sounds_waits_and_what_is_latched_is_active():
    """The sets the rest of the rules go by fit each other."""
    assert SOUNDING < WAITING
    assert LATCHED < ACTIVE
    assert STANDING < ACTIVE
    assert not {N, R, S, P, X} & ACTIVE
    assert {S, P, X} == ASIDE


def test_no_sequence_of_inputs_loses_a_latched_alarm_without_a_reset():
    """From latched, only reset (after ack) or a new excursion leads away; all words of length 4."""
    for word in itertools.product([Input.RETURN, Input.ACK, Input.SHELVE, Input.UNSHELVE], repeat=4):
        state = LU
        for happening in word:
            found = move(state, happening, latching=True)
            state = found.to if found else state
        assert state in LATCHED
