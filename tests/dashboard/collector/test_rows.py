"""Messages as rows: what stations send is read to the letter, and nothing that arrives raises an error."""

import json

import pytest
from collecting import clock_set, event, reading
from hypothesis import given
from hypothesis import strategies as st

from dashboard.collector.rows import Offset, Row, SetAside, Told, row_of, set_aside
from shared.messages import SenmlRecord, encode, topic

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
)
NAMES = st.sampled_from(["id", "type", "data", "boot", "seq", "mono_s", "kind", "at", "wall", "n", "v", "bt"])


def test_a_reading_is_read_to_the_letter():
    """Values, place and, where the message is dated, the boot's offset."""
    row = row_of(reading("bench-1", 7, 1_772_440_007_000))
    assert isinstance(row, Row)
    assert row[1:] == (
        "readings",
        "bench-1",
        "b",
        7,
        7,
        (20.07, 25.06, 1.017, False, "good"),
        Offset(0, 1_772_440_000_000),
    )


def test_a_reading_without_values_stays_a_row_of_unknowns():
    """A second in which nothing could be measured is a row, never a zero."""
    pack = [SenmlRecord(n="plate-quality", vs="open", boot="b", mono_s=7, quality="open")]
    row = row_of(Told(topic("bench-1", "readings"), encode(pack)))
    assert isinstance(row, Row)
    assert row.values == (None, None, None, None, "open")
    assert row.offset is None


def test_an_event_keeps_its_text():
    """The data is kept as it was told, so that its hash can be checked."""
    told = event("bench-1", 3, 1500)
    row = row_of(told)
    assert isinstance(row, Row)
    assert (row.table, row.key, row.mono_s, row.offset) == ("events", 3, 1.5, None)
    mono_s, kind, text = row.values
    assert (mono_s, kind, json.loads(text)) == (1.5, "signed-out", json.loads(told.payload)["data"])


def test_a_clock_set_outranks_a_dated_event():
    """Its offset has the event's seq as rank."""
    dated, clock = row_of(event("s", 5, 2000, 10_000)), row_of(clock_set("s", 6, 3000, 20_000))
    assert isinstance(dated, Row)
    assert isinstance(clock, Row)
    assert dated.offset == Offset(0, 8_000)
    assert clock.offset == Offset(6, 17_000)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"id": "b/4"}, "id is 'b/4'"),
        ({"type": "benchward.signed-in"}, "type is 'benchward.signed-in'"),
        ({"data": {"seq": 0, "boot": "b", "mono_s": 1, "kind": "k"}, "id": "b/0"}, ""),
        ({"data": 5}, "Expected `object`"),
        ({"id": None}, "Expected `str`"),
    ],
)
def test_an_event_that_contradicts_itself_is_set_aside(change, reason):
    """The reason names the value."""
    told = event("bench-1", 3, 1500)
    row = row_of(told._replace(payload=json.dumps({**json.loads(told.payload), **change}).encode()))
    assert isinstance(row, SetAside)
    assert reason in row.reason


@pytest.mark.parametrize("value", [-1, 3650 * 86_400 + 1, 1.5, True, None, "7"])
def test_a_reading_out_of_place_is_set_aside(value):
    """The second of the boot's clock is a whole number below ten years."""
    told = reading("bench-1", 7)
    pack = json.loads(told.payload)
    pack[0]["mono_s"] = value
    assert isinstance(row_of(told._replace(payload=json.dumps(pack).encode())), SetAside)


@pytest.mark.parametrize(
    "name", ["benchward/v1/a b/readings", "benchward/v1/s/other", "x", "benchward/v1/s/readings/x"]
)
def test_a_topic_of_nobody_is_set_aside(name):
    """Neither station nor leaf can be guessed."""
    assert isinstance(row_of(reading("s", 1)._replace(topic=name)), SetAside)


@given(st.sampled_from(["readings", "events", "x"]), st.binary() | JSON.map(lambda v: json.dumps(v).encode()))
def test_nothing_that_arrives_raises(leaf, payload):
    """Any bytes and any JSON become a row or are set aside with the payload kept."""
    row = row_of(Told(topic("s", leaf), payload))
    assert isinstance(row, SetAside)
    assert row.payload == payload


@given(st.dictionaries(NAMES, JSON, max_size=6), st.booleans())
def test_nothing_that_looks_like_a_message_raises(fields, nested):
    """Fields of the right names with any values."""
    told = json.dumps({**fields, "data": fields} if nested else [fields]).encode()
    for leaf in ("readings", "events"):
        row_of(Told(topic("s", leaf), told))


def test_deep_nesting_is_set_aside():
    """A pack of a hundred thousand brackets is no error either."""
    assert isinstance(row_of(Told(topic("s", "events"), b"[" * 100_000)), SetAside)


@given(st.text())
def test_what_is_set_aside_can_be_kept_by_any_database(text):
    """No NUL and no lone surrogate in topic and reason."""
    row = set_aside(Told(text, b""), text + "\ud800\0")
    assert "\0" not in row.topic + row.reason
    assert (row.topic + row.reason).encode()


@given(st.integers(0, 3650 * 86_400), st.floats(-50, 500), st.none() | st.integers(0, 2**41))
def test_what_a_station_sends_comes_back(second, plate_c, wall_ms):
    """A second through the station's own encoder and this reader."""
    told = reading("s", second, wall_ms)
    pack = json.loads(told.payload)
    pack[0]["v"] = plate_c
    row = row_of(told._replace(payload=json.dumps(pack).encode()))
    assert isinstance(row, Row)
    assert (row.key, row.values[0]) == (second, plate_c)
    assert row.offset is None or row.offset.wall_ms == wall_ms - 1000 * second
