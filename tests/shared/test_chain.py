"""The hash chain: what it shows, by which seq, and what it cannot show."""

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.chain import ZERO, Verdict, event_hash, verify

Printed = dict[str, Any]


def chained(count: int) -> list[Printed]:
    """A whole chain of small events."""
    events: list[Printed] = []
    prev = ZERO
    for seq in range(1, count + 1):
        fields = {"seq": seq, "boot": "b", "mono_s": seq / 10, "kind": "unit-taken", "unit": f"DP-{seq}"}
        digest = event_hash(prev, fields)
        events.append({**fields, "at": None, "prev": prev, "hash": digest})
        prev = digest
    return events


def test_chain_is_whole_when_nothing_was_touched() -> None:
    """A whole chain has no problem, and its head is the last hash."""
    events = chained(5)
    assert verify(events) == Verdict(5, events[-1]["hash"])


def test_chain_is_whole_when_it_is_empty() -> None:
    """A station without events has a chain of none, whose head is all zeros."""
    assert verify([]) == Verdict(0, "0" * 64)


def test_chain_stays_whole_when_the_wall_time_is_learned_later() -> None:
    """Dating old events breaks nothing."""
    events = [{**event, "at": "2026-03-02T08:30:00.000Z"} for event in chained(3)]
    assert verify(events).problem is None


def resealed(events: list[Printed], index: int) -> list[Printed]:
    """The chain with the hash of one event made to fit its content again."""
    event = events[index]
    sealed = {**event, "hash": event_hash(event["prev"], event)}
    return [*events[:index], sealed, *events[index + 1 :]]


def edited(events: list[Printed], key: str, value: Any) -> list[Printed]:
    """The third event with another value."""
    return [*events[:2], {**events[2], key: value}, *events[3:]]


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("unit", "DP-9"),
        ("mono_s", 0.31),
        ("boot", "c"),
        ("kind", "unit-placed"),
        ("technician", "T-1"),
        ("hash", "0" * 64),
    ],
)
def test_edit_is_named_by_its_seq_when_one_value_was_changed(key: str, value: str) -> None:
    """Any changed, added or forged field breaks the chain at that very event."""
    found = verify(edited(chained(5), key, value))
    assert (found.seq, found.count) == (3, 2)
    assert "event 3 was changed" in str(found.problem)


def test_edit_is_named_at_the_next_event_when_its_own_hash_was_forged() -> None:
    """Who seals the edited event again breaks the link to the one after it."""
    found = verify(resealed(edited(chained(5), "unit", "DP-9"), 2))
    assert (found.seq, found.problem) == (4, "event 4 does not follow event 3: prev differs")


@pytest.mark.parametrize("gone", [1, 2, 3, 4])
def test_removal_is_named_by_the_missing_seq_when_one_event_is_gone(gone: int) -> None:
    """A removed event, the first one too, is named as missing, with the seq that came instead."""
    found = verify(event for event in chained(5) if event["seq"] != gone)
    assert (found.seq, found.count) == (gone + 1, gone - 1)
    assert f"event {gone} is missing" in str(found.problem)


def test_cut_at_the_start_is_named_when_the_oldest_events_are_gone() -> None:
    """A chain does not begin in the middle."""
    found = verify(chained(5)[2:])
    assert (found.count, found.head, found.seq) == (0, ZERO, 3)
    assert "event 1 is missing" in str(found.problem)


def test_removal_is_named_when_the_rest_was_numbered_anew() -> None:
    """Closing the numbers over a removed event does not hide it."""
    events = chained(5)
    closed = [*events[:2], *({**event, "seq": event["seq"] - 1} for event in events[3:])]
    assert verify(closed).seq == 3


def test_insertion_is_named_when_an_event_stands_twice() -> None:
    """An event put in again under its number is named."""
    events = chained(4)
    found = verify([*events[:2], events[1], *events[2:]])
    assert (found.seq, "event 2 has no place there" in str(found.problem)) == (2, True)


def test_insertion_is_named_when_the_rest_was_numbered_anew() -> None:
    """A new event sealed onto its place breaks the link of the one that followed there."""
    events = chained(4)
    fields = {"seq": 3, "boot": "b", "mono_s": 0.25, "kind": "signed-out"}
    new = {**fields, "prev": events[1]["hash"], "hash": event_hash(events[1]["hash"], fields)}
    later = [{**event, "seq": event["seq"] + 1} for event in events[2:]]
    assert verify([*events[:2], new, *later]).seq == 4


def test_swap_is_named_when_two_events_changed_places() -> None:
    """Two events in the wrong order are named, with their numbers or with numbers that look right."""
    events = chained(5)
    swapped = [events[0], events[2], events[1], *events[3:]]
    renumbered = [{**event, "seq": seq} for seq, event in enumerate(swapped, start=1)]
    assert [verify(swapped).seq, verify(renumbered).seq] == [3, 2]


def test_cut_tail_shows_only_against_a_head_kept_elsewhere_when_verified() -> None:
    """A chain without its tail is whole in itself; its head is not the one written down before."""
    events = chained(5)
    kept_elsewhere = verify(events).head
    cut = verify(events[:3])
    assert (cut.problem, cut.count) == (None, 3)
    assert kept_elsewhere not in [cut.head, *(event["hash"] for event in events[:3])]


def test_rewritten_chain_shows_only_against_a_head_kept_elsewhere_when_verified() -> None:
    """A chain rewritten from one event on is whole in itself, and ends in another head."""
    events = chained(3)
    fields = {**events[0], "unit": "DP-9"}
    forged = [{**fields, "hash": event_hash(ZERO, fields)}]
    assert verify(forged).problem is None
    assert forged[0]["hash"] != events[0]["hash"]


@given(st.integers(1, 12), st.data())
def test_chain_breaks_at_the_touched_event_whichever_it_is(count: int, data: st.DataObject) -> None:
    """Whatever event has its unit changed is the one that is named."""
    index = data.draw(st.integers(0, count - 1))
    events = chained(count)
    events[index] = {**events[index], "unit": "changed"}
    assert verify(events).seq == index + 1
