"""Payloads on the broker: what is unknown is left out, and never sent as nought."""

import json
from typing import Any

import msgspec
import pytest

from shared.chain import ZERO
from shared.events import AlarmRaised, EventBody, EventRecord, SolventLifted, UnitTaken
from shared.messages import (
    Answer,
    CloudEvent,
    Second,
    Status,
    cloud_event,
    encode,
    requests_topic,
    senml,
    topic,
)

WALL_MS = 1_772_440_200_500


def second_of(**fields: Any) -> Second:
    """A second of record with everything known."""
    known: dict[str, Any] = {
        "boot": "b", "second": 12, "plate_mean_c": 99.5, "plate_min_c": 99.0, "plate_max_c": 100.0,
        "cold_junction_c": 24.5, "extraction_a": 0.42, "solvent_out": False, "quality": "good",
        "valid_ms": 1000,
    }  # fmt: skip
    return Second(**{**known, **fields})


def sent(station: str, second: Second, wall_ms: int | None) -> list[dict[str, Any]]:
    """The pack as a receiver reads it."""
    pack: list[dict[str, Any]] = json.loads(encode(senml(station, second, wall_ms)))
    return pack


def record_of(body: EventBody) -> EventRecord:
    """A record around a body."""
    return EventRecord(seq=7, boot="b", mono_ms=1500, body=body, prev=ZERO, hash="f" * 64)


@pytest.mark.parametrize("leaf", ["status", "state", "readings", "events", "requests", "requests/office"])
def test_topic_stands_under_the_stations_base_when_named(leaf: str) -> None:
    """Every topic of a station is below benchward/v1/<station>, as subscribers rely on."""
    assert topic("bench-1", leaf) == f"benchward/v1/bench-1/{leaf}"


def test_pack_carries_every_value_when_all_are_known() -> None:
    """Plate, cold junction, extraction and cradle, with boot, mono_s and seq beside the first."""
    pack = sent("bench-1", second_of(), WALL_MS)
    assert [(entry["n"], entry.get("u"), entry.get("v", entry.get("vb"))) for entry in pack] == [
        ("plate", "Cel", 99.5),
        ("cold-junction", "Cel", 24.5),
        ("extraction", "A", 0.42),
        ("solvent-out", None, False),
    ]
    assert {key: pack[0][key] for key in ("bt", "boot", "mono_s", "seq")} == {
        "bt": 1_772_440_200.5, "boot": "b", "mono_s": 12, "seq": 12,
    }  # fmt: skip


UNKNOWN = {
    "plate": {"plate_mean_c": None, "plate_min_c": None, "plate_max_c": None, "quality": "open-circuit"},
    "cold-junction": {"cold_junction_c": None},
    "extraction": {"extraction_a": None},
    "solvent-out": {"solvent_out": None},
}


@pytest.mark.parametrize("name", UNKNOWN)
def test_value_is_left_out_when_it_is_unknown(name: str) -> None:
    """One unknown value is missing from the pack; the others and the base stay."""
    pack = sent("bench-1", second_of(**UNKNOWN[name]), WALL_MS)
    assert [entry["n"] for entry in pack] == [other for other in UNKNOWN if other != name]
    assert "bn" in pack[0]
    assert 0 not in [entry.get("v") for entry in pack]


def test_pack_says_only_why_when_nothing_is_known() -> None:
    """A second without any value is still told, with the reason and without a number."""
    nothing = {key: None for part in UNKNOWN.values() for key, value in part.items() if value is None}
    pack = sent("bench-1", second_of(**nothing, quality="board-silent", valid_ms=0), None)
    assert [{key: entry.get(key) for key in ("n", "vs", "v", "vb")} for entry in pack] == [
        {"n": "plate-quality", "vs": "board-silent", "v": None, "vb": None}
    ]


@pytest.mark.parametrize("fields", [{"plate_mean_c": 0.0}, {"extraction_a": 0.0}, {"cold_junction_c": 0.0}])
def test_value_is_sent_when_it_is_a_true_nought(fields: dict[str, float]) -> None:
    """A measured nought is a value like any other."""
    pack = sent("bench-1", second_of(**fields), WALL_MS)
    assert [entry["v"] for entry in pack if entry.get("v") == 0] == [0]
    assert len(pack) == 4


def test_base_time_is_left_out_when_the_clock_is_unknown() -> None:
    """Without wall time there is no bt; a receiver must not read one as now."""
    assert "bt" not in sent("bench-1", second_of(), None)[0]


@pytest.mark.parametrize(
    ("body", "kind", "subject"),
    [
        (UnitTaken(unit="DP-1"), "unit-taken", "DP-1"),
        (AlarmRaised(alarm="plate-high", priority="medium"), "alarm-raised", "plate-high"),
        (AlarmRaised(alarm="plate-high", priority="medium", unit="DP-1"), "alarm-raised", "DP-1"),
        (SolventLifted(), "solvent-lifted", "bench-1"),
    ],
)
def test_cloud_event_names_boot_seq_kind_and_subject_when_made(
    body: EventBody, kind: str, subject: str
) -> None:
    """The id is boot and seq, the type the kind, the subject the unit, else the alarm, else the station."""
    event = cloud_event("bench-1", record_of(body), WALL_MS)
    assert (event.id, event.type, event.subject) == ("b/7", f"benchward.{kind}", subject)
    assert (event.time, event.data) == ("2026-03-02T08:30:00.500Z", record_of(body).to_dict(WALL_MS))


def test_cloud_event_has_no_time_when_the_clock_is_unknown() -> None:
    """The key is absent from the message, not null: CloudEvents 1.0 has no null times."""
    message = json.loads(encode(cloud_event("bench-1", record_of(SolventLifted()), None)))
    assert "time" not in message
    assert message["data"]["at"] is None


NO_UNIT = Answer(accepted=False, reasons=["no-unit"], seq=None)


@pytest.mark.parametrize(
    ("message", "sent"),
    [
        (Status(online=True, reason="started"), '{"online":true,"reason":"started"}'),
        (NO_UNIT, '{"accepted":false,"reasons":["no-unit"],"seq":null}'),
        ([{"n": "°"}], '[{"n":"°"}]'),
    ],
)
def test_message_is_compact_utf8_json_when_encoded(message: Any, sent: str) -> None:
    """Structs and packs alike are one line of UTF-8 JSON."""
    assert encode(message) == sent.encode()


def test_cloud_event_comes_back_when_encoded_and_decoded() -> None:
    """Nothing of the message is lost on the wire."""
    event = cloud_event("bench-1", record_of(UnitTaken(unit="é")), WALL_MS)
    assert msgspec.json.decode(encode(event), type=CloudEvent) == event


@pytest.mark.parametrize(
    ("text", "leaf"),
    [
        ("ack", "requests"),
        ("start step=solder by=T-04", "requests"),
        ("sign-review", "requests"),  # unreadable: refused, on record, wherever it comes
        (f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by=S-01", "requests/office"),
        ("out-of-service alarm=link-down reason='new router' by=S-01", "requests/office"),
        ("in-service alarm=link-down by=S-01", "requests/office"),
        ("shift-check verdicts=lamps=passed by=S-01", "requests/office"),
    ],
)
def test_request_goes_where_it_is_taken(text: str, leaf: str) -> None:
    """What somebody answers for with their name goes to the office's topic, all else to the common one."""
    assert requests_topic("bench-1", text) == f"benchward/v1/bench-1/{leaf}"
