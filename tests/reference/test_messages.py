"""Messages on the broker against RFC 8428 (SenML) and CloudEvents 1.0.

SenML is resolved here as section 4.6 of the RFC says; section numbers are from memory of the RFC. CloudEvents
are parsed by the cloudevents package, which validates the attributes of version 1.0.
"""

import json
import re
from datetime import UTC, datetime
from typing import Any

import pytest
from cloudevents.core.exceptions import CloudEventValidationError
from cloudevents.core.formats.json import JSONFormat
from cloudevents.core.v1.event import CloudEvent
from hypothesis import given
from hypothesis import strategies as st

from shared.chain import ZERO
from shared.events import EVENT_TYPES, AlarmRaised, EventRecord, SolventLifted, UnitTaken
from shared.messages import Second, cloud_event, encode, senml

# RFC 8428, table 1: base fields and fields of a record (those of a JSON representation).
BASE_FIELDS = {"bn": str, "bt": float, "bu": str, "bv": float, "bs": float, "bver": int}
FIELDS = {
    "n": str,
    "u": str,
    "v": float,
    "vs": str,
    "vb": bool,
    "vd": str,
    "s": float,
    "t": float,
    "ut": float,
}
VALUES = {"v", "vs", "vb", "vd"}
# RFC 8428, 12.1: of the registered units, those that a bench has.
UNITS = {"Cel", "A"}
# RFC 8428, 4.5.1: which characters a resolved name may have, and which it may begin with.
NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
# RFC 8428, 4.5.3: smaller times are relative to now.
ABSOLUTE_S = 2**28

hundredths = st.none() | st.integers(-2000, 13000).map(lambda c: c / 100)
seconds = st.builds(
    Second,
    boot=st.uuids().map(str),
    second=st.integers(0, 10**7),
    plate_mean_c=hundredths,
    plate_min_c=hundredths,
    plate_max_c=hundredths,
    cold_junction_c=hundredths,
    extraction_a=st.none() | st.integers(0, 5000).map(lambda ma: ma / 1000),
    solvent_out=st.none() | st.booleans(),
    quality=st.sampled_from(["good", "open-circuit", "board-silent"]),
    valid_ms=st.integers(0, 1000),
)
stations = st.from_regex(r"[A-Za-z0-9_.\-]{1,40}", fullmatch=True)
wall_times = st.integers(1_600_000_000_000, 4_000_000_000_000)


def resolved(pack: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """The records with their base fields worked in (RFC 8428, 4.6)."""
    name, time_s, records = "", 0.0, []
    for entry in pack:
        name = entry.get("bn", name)
        time_s = entry.get("bt", time_s)
        record = {key: value for key, value in entry.items() if key not in BASE_FIELDS}
        records.append({**record, "n": name + entry.get("n", ""), "t": time_s + entry.get("t", 0.0)})
    return records


def sent(station: str, second: Second, wall_ms: int | None) -> list[dict[str, Any]]:
    """The pack as a receiver reads it."""
    pack: list[dict[str, Any]] = json.loads(encode(senml(station, second, wall_ms)))
    return pack


@given(stations, seconds, st.none() | wall_times)
def test_pack_obeys_the_standard_whatever_the_second(
    station: str, second: Second, wall_ms: int | None
) -> None:
    """Types, one value a record, registered units, legal and different names (RFC 8428, 4 and 12.1)."""
    pack = sent(station, second, wall_ms)
    assert pack
    for entry in pack:
        for key, kind in {**BASE_FIELDS, **FIELDS}.items():
            allowed = (int, float) if kind is float else (kind,)
            assert key not in entry or type(entry[key]) in allowed
        assert len(VALUES & set(entry)) == 1
        assert entry.get("u") in {*UNITS, None}
        assert ("u" in entry) == ("v" in entry)
    names = [record["n"] for record in resolved(pack)]
    assert all(NAME.fullmatch(name) for name in names)
    assert len(set(names)) == len(names)


@given(stations, seconds, wall_times)
def test_time_is_absolute_when_the_clock_is_known(station: str, second: Second, wall_ms: int) -> None:
    """A base time stands for its moment, not for a distance from now (RFC 8428, 4.5.3)."""
    for record in resolved(sent(station, second, wall_ms)):
        assert record["t"] >= ABSOLUTE_S
        assert record["t"] == pytest.approx(wall_ms / 1000, abs=0.0005)


@given(stations, seconds, st.none() | wall_times)
def test_extension_fields_may_be_ignored_when_a_receiver_does_not_know_them(
    station: str, second: Second, wall_ms: int | None
) -> None:
    """boot, mono_s and seq are no labels of the standard and do not end in an underscore (RFC 8428, 4.4)."""
    pack = sent(station, second, wall_ms)
    own = set(pack[0]) - set(BASE_FIELDS) - set(FIELDS)
    assert own >= {"boot", "mono_s", "seq"}
    assert not [label for label in own if label.endswith("_")]
    assert (pack[0]["boot"], pack[0]["mono_s"]) == (second.boot, second.second)


@given(seconds)
def test_pack_holds_exactly_what_is_known_whatever_the_second(second: Second) -> None:
    """Each value that is known is in the pack under its name, and no other number is."""
    measured = {
        "plate": second.plate_mean_c,
        "cold-junction": second.cold_junction_c,
        "extraction": second.extraction_a,
        "solvent-out": second.solvent_out,
    }
    pack = sent("bench-1", second, None)
    told = {entry["n"]: entry.get("v", entry.get("vb")) for entry in pack if "vs" not in entry}
    assert told == {name: value for name, value in measured.items() if value is not None}
    assert [entry["n"] for entry in pack if "vs" in entry] == ([] if told else ["plate-quality"])


# ---- CloudEvents


def record_of(body: Any) -> EventRecord:
    """A record around a body."""
    return EventRecord(seq=7, boot="0b7e", mono_ms=1500, body=body, prev=ZERO, hash="f" * 64)


def parsed(body: Any, wall_ms: int | None) -> CloudEvent:
    """The event as another program's library reads it from the wire."""
    message = encode(cloud_event("bench-1", record_of(body), wall_ms))
    event = JSONFormat().read(CloudEvent, message)
    assert isinstance(event, CloudEvent)
    return event


def test_event_is_read_by_another_library_when_dated() -> None:
    """Required and optional attributes are those of CloudEvents 1.0, the data is the printed event."""
    body = AlarmRaised(alarm="plate-high", priority="medium", unit="DP-1", values={"plate_c": 106.5})
    event = parsed(body, 1_772_440_200_500)
    assert (event.get_specversion(), event.get_id(), event.get_source(), event.get_type()) == (
        "1.0", "0b7e/7", "/benchward/v1/bench-1/events", "benchward.alarm-raised",
    )  # fmt: skip
    assert event.get_time() == datetime(2026, 3, 2, 8, 30, 0, 500_000, tzinfo=UTC)
    assert (event.get_subject(), event.get_datacontenttype()) == ("DP-1", "application/json")
    assert event.get_data() == record_of(body).to_dict(1_772_440_200_500)


def test_event_is_read_by_another_library_when_undated() -> None:
    """Without wall time the optional time is absent, not null, and the event is valid all the same.

    The absence is read from the message: the package gives an event without time the time of its reading.
    """
    assert "time" not in json.loads(encode(cloud_event("bench-1", record_of(SolventLifted()), None)))
    event = parsed(SolventLifted(), None)
    assert (event.get_type(), event.get_subject()) == ("benchward.solvent-lifted", "bench-1")


@pytest.mark.parametrize("kind", EVENT_TYPES)
def test_type_names_every_kind_in_reverse_domain_style_when_sent(kind: type) -> None:
    """Every kind makes a type of printable characters under one prefix (CloudEvents 1.0, type)."""
    tag = kind.__struct_config__.tag  # type: ignore[attr-defined]
    assert re.fullmatch(r"benchward\.[a-z]+(-[a-z]+)*", f"benchward.{tag}")


@pytest.mark.parametrize(
    ("attribute", "value"), [("source", None), ("type", None), ("id", ""), ("subject", ""), ("subject", None)]
)
def test_library_refuses_an_event_when_an_attribute_is_wrong(attribute: str, value: str | None) -> None:
    """The library really validates: with an empty or null attribute the same message is refused."""
    message = json.loads(encode(cloud_event("bench-1", record_of(UnitTaken(unit="DP-1")), None)))
    message[attribute] = value
    with pytest.raises(CloudEventValidationError):
        JSONFormat().read(CloudEvent, json.dumps(message))


def test_ids_differ_when_boot_or_seq_does() -> None:
    """Two events of one source differ in id (CloudEvents 1.0, id): other boot or seq, other id."""
    record = record_of(SolventLifted())
    others = [
        EventRecord(seq=seq, boot=boot, mono_ms=0, body=record.body, prev=ZERO, hash="f" * 64)
        for boot in ("0b7e", "0b7f")
        for seq in (7, 8)
    ]
    assert len({cloud_event("bench-1", other, None).id for other in others}) == 4


def test_receiver_of_these_tests_reads_the_standards_own_example() -> None:
    """RFC 8428, 5.1.2 and 5.1.4 (several data points and their resolved form), from memory."""
    name = "urn:dev:ow:10e2073a0108006:"
    pack = [
        {"bn": name, "bt": 1.276020076001e09, "bu": "A", "bver": 5, "n": "voltage", "u": "V", "v": 120.1},
        *(
            {"n": "current", "t": -ago, "v": v}
            for ago, v in ((5, 1.2), (4, 1.3), (3, 1.4), (2, 1.5), (1, 1.6))
        ),
        {"n": "current", "v": 1.7},
    ]
    found = resolved(pack)
    assert [record["n"] for record in found] == [f"{name}voltage", *[f"{name}current"] * 6]
    assert [round(record["t"], 3) for record in found] == [
        1276020076.001, 1276020071.001, 1276020072.001, 1276020073.001, 1276020074.001, 1276020075.001,
        1276020076.001,
    ]  # fmt: skip
    assert [record["v"] for record in found] == [120.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]
