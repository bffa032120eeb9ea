"""Events: every kind that other programs read, in their printed form and back."""

import json
import types
from typing import Any, get_args, get_origin

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.chain import ZERO, event_hash
from shared.events import (
    EVENT_TYPES,
    KINDS,
    Event,
    EventRecord,
    StationStarted,
    StepFinished,
    body_from_fields,
    hashed_fields,
    kind_of,
)

# The kinds that other programs read; they change only with a version.
READ_BY_OTHERS = """
message-set-aside
commissioned shift-checked
solvent-dispensed alarm-suppressed alarm-unsuppressed alarm-out-of-service alarm-in-service
station-started station-stopped clock-set signed-in signed-out unit-booked-in unit-taken unit-placed
unit-removed unit-closed step-started step-refused step-held step-resumed step-finished step-abandoned
request-refused plate-at-setpoint extraction-proven extraction-lost solvent-lifted solvent-returned
permit-granted permit-dropped alarm-raised alarm-acknowledged alarm-returned alarm-closed alarm-shelved
alarm-unshelved calibrated settings-changed review-signed trace-finished
""".split()

texts = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
whole_numbers = st.integers(-(2**53) + 1, 2**53 - 1)
numbers = st.floats(allow_nan=False, allow_infinity=False)


def values_of(kind: Any) -> st.SearchStrategy[Any]:
    """Values of a field's type."""
    origin, inner = get_origin(kind), get_args(kind)
    if origin is types.UnionType:
        return st.one_of([values_of(part) for part in inner])
    if origin is list:
        return st.lists(values_of(inner[0]), max_size=3)
    if origin is dict:
        return st.dictionaries(values_of(inner[0]), values_of(inner[1]), max_size=3)
    simple = {str: texts, int: whole_numbers, float: numbers, bool: st.booleans(), types.NoneType: st.none()}
    return simple[kind]


def bodies_of(kind: type[Event]) -> st.SearchStrategy[Event]:
    """Bodies of one kind with every field filled."""
    return st.builds(kind, **{field.name: values_of(field.type) for field in msgspec.structs.fields(kind)})


any_body = st.one_of([bodies_of(kind) for kind in EVENT_TYPES])


def record_of(body: Any, seq: int = 7) -> EventRecord:
    """A record around a body."""
    return EventRecord(seq=seq, boot="b", mono_ms=1234, body=body, prev=ZERO, hash="f" * 64)


def test_kinds_are_those_others_read_when_listed() -> None:
    """No kind is missing, none is new, none stands twice."""
    assert sorted(KINDS) == sorted(READ_BY_OTHERS)


@pytest.mark.parametrize("kind", EVENT_TYPES, ids=KINDS)
@settings(max_examples=10)
@given(data=st.data())
def test_event_comes_back_when_printed_and_read(kind: type[Event], data: st.DataObject) -> None:
    """Every kind, whatever its fields hold, is the same after printing as a line of JSON and reading it."""
    body = data.draw(bodies_of(kind))
    printed = json.loads(record_of(body).to_json(None))
    assert body_from_fields(printed) == body
    assert printed["kind"] == kind_of(body)


@given(any_body)
def test_event_line_is_one_line_when_its_texts_hold_line_ends(body: Event) -> None:
    """One event is one line, whatever a technician wrote."""
    assert "\n" not in record_of(body).to_json(None)


@given(any_body, st.integers(0, 2**40))
def test_hash_leaves_out_wall_time_when_the_printed_form_is_hashed(body: Event, wall_ms: int) -> None:
    """The printed form, dated or not, has the hash of the event's own fields."""
    record = record_of(body)
    expected = event_hash(ZERO, hashed_fields(7, "b", 1234, record.body))
    undated, dated = json.loads(record.to_json(None)), json.loads(record.to_json(wall_ms))
    assert [event_hash(ZERO, undated), event_hash(ZERO, dated)] == [expected, expected]


def test_printed_event_has_its_envelope_in_order_when_dated() -> None:
    """seq, boot, mono_s, at and kind come first, prev and hash last; what is absent is not printed."""
    record = record_of(StationStarted(station="bench-1", version="0", sheet="s 1"))
    assert list(record.to_dict(0).items()) == [
        ("seq", 7),
        ("boot", "b"),
        ("mono_s", 1.234),
        ("at", "1970-01-01T00:00:00.000Z"),
        ("kind", "station-started"),
        ("station", "bench-1"),
        ("version", "0"),
        ("sheet", "s 1"),
        ("prev", ZERO),
        ("hash", "f" * 64),
    ]


def test_printed_event_has_a_null_at_when_the_offset_is_unknown() -> None:
    """An unknown wall time is null and stays in its place."""
    assert record_of(StationStarted(station="s", version="0", sheet="s"), 1).to_dict(None)["at"] is None


@pytest.mark.parametrize(
    "fields",
    [
        {},
        {"kind": "unit-exploded"},
        {"kind": "unit-taken"},
        {"kind": "unit-taken", "unit": 3},
        {"kind": "step-refused", "step": "a", "reasons": "no-unit"},
    ],
)
def test_event_is_refused_when_its_kind_or_a_field_is_wrong(fields: dict[str, Any]) -> None:
    """What is no event of ours is an error, not a half-read event."""
    with pytest.raises(msgspec.ValidationError):
        body_from_fields(fields)


def test_envelope_is_left_out_when_a_printed_event_is_read() -> None:
    """The envelope's keys never reach the body, the findings' keys do."""
    body = StepFinished(unit="u", step="s", result="pass", findings={"seq": "9", "hash": "x"})
    assert body_from_fields(record_of(body).to_dict(0)) == body
