"""The contract as a document: current, and its schemas accept what is sent and refuse what is not.

Schemas are judged by the jsonschema package (JSON Schema 2020-12).
"""

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from shared.asyncapi import document, payload_schemas
from shared.chain import ZERO
from shared.events import EventRecord, SolventLifted
from shared.messages import Answer, Second, Status, cloud_event, encode, senml

KEPT = Path(__file__).parents[2] / "deploy" / "asyncapi.json"
SECOND = Second(
    boot="0b7e", second=7, plate_mean_c=99.5, plate_min_c=99.0, plate_max_c=100.0, cold_junction_c=25.0,
    extraction_a=0.4, solvent_out=False, quality="good", valid_ms=1000,
)  # fmt: skip
EVENT = EventRecord(seq=7, boot="0b7e", mono_ms=1500, body=SolventLifted(), prev=ZERO, hash="f" * 64)
SENT = {
    "status": Status(online=True, reason="running"),
    "readings": senml("bench-1", SECOND, 1_772_440_200_500),
    "events": cloud_event("bench-1", EVENT, None),
    "answers": Answer(accepted=True, reasons=[], seq=7),
    "requests": {"verb": "take", "unit": "DP-1"},
}
WRONG = {
    "status": {"online": "yes", "reason": "running"},
    "readings": [{"n": "plate", "u": "F", "v": 211.0}],
    "events": {**json.loads(encode(SENT["events"])), "data": {"kind": "coffee-made"}},
    "answers": {"accepted": True, "reasons": []},
    "requests": {"verb": "dance"},
    "state": {"station": "bench-1"},
}


def test_kept_document_is_current() -> None:
    """deploy/asyncapi.json says what `benchward contract asyncapi` prints."""
    assert json.loads(KEPT.read_text("utf-8")) == document()


@pytest.mark.parametrize("channel", sorted(payload_schemas()))
def test_schema_is_valid_itself(channel: str) -> None:
    """Each schema obeys the meta-schema of JSON Schema 2020-12."""
    Draft202012Validator.check_schema(payload_schemas()[channel])


@pytest.mark.parametrize("channel", sorted(SENT))
def test_schema_accepts_what_is_sent(channel: str) -> None:
    """What `encode` makes fits the schema of its channel."""
    Draft202012Validator(payload_schemas()[channel]).validate(json.loads(encode(SENT[channel])))


@pytest.mark.parametrize("channel", sorted(WRONG))
def test_schema_refuses_what_is_wrong(channel: str) -> None:
    """A wrong payload does not fit."""
    assert not Draft202012Validator(payload_schemas()[channel]).is_valid(WRONG[channel])


def references(part: Any) -> list[str]:
    """Every reference inside the document."""
    if isinstance(part, dict):
        own = [part["$ref"]] if isinstance(part.get("$ref"), str) else []
        return own + [found for value in part.values() for found in references(value)]
    return [found for value in part for found in references(value)] if isinstance(part, list) else []


def test_every_reference_leads_somewhere() -> None:
    """No reference of the document dangles."""
    whole = document()
    found = references(whole)
    assert found
    for reference in found:
        part: Any = whole
        for key in reference.removeprefix("#/").split("/"):
            part = part[key]
