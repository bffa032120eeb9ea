"""The contract over MQTT as an AsyncAPI 3.0 document, made from the structs that are sent.

What is printed is what is sent: the schemas come from the structs themselves, and only the topics and what
each is for are written here. ``deploy/asyncapi.json`` is kept equal to it.
"""

from typing import Any

import msgspec

from shared.messages import (
    OFFICE,
    REQUESTS,
    ROOT,
    Answer,
    CloudEvent,
    Head,
    SenmlRecord,
    StationState,
    Status,
)
from shared.requests import OFFICE_ONLY, AnyRequest

# The major number is the topics'; the minor one counts what was added to them.
CONTRACT = "1.3.0"
_STATION = {"station": {"description": "The station's name, e.g. bench-1."}}
# Channel: leaf of the topic, retained, type of the payload, and what it is for.
_PUBLISHED: tuple[tuple[str, bool, Any, str], ...] = (
    ("status", True, Status, "Whether the station is on line; also its last will."),
    ("state", True, StationState, "Everything a page needs to show the bench as it is now."),
    (
        "head",
        True,
        Head,
        "The newest event on disk and the head of its chain, for whoever keeps watch over it.",
    ),
    (
        "readings",
        False,
        list[SenmlRecord],
        "One second of readings, a SenML pack (RFC 8428). Oldest first; but while a backlog of more than ten "
        "minutes is sent, what is measured now comes at once, between the older ones. Sort by boot and seq.",
    ),
    (
        "events",
        False,
        CloudEvent,
        "One event, CloudEvents 1.0 in structured JSON. Always by rising seq; after a lost connection some "
        "come again from an earlier one on. A seq left out was told to be message-set-aside.",
    ),
)
_NAMED = ", ".join(str(kind.__struct_config__.tag) for kind in OFFICE_ONLY)
# Channel, leaf of the topic, and what it is for.
_ASKED = (
    (
        "requests",
        REQUESTS,
        f"What the station is asked. Retained requests are ignored; {_NAMED} are refused here.",
    ),
    (
        "office-requests",
        OFFICE,
        f"The same, for {_NAMED} and whatever else is asked there. The broker lets only the pages and the "
        "station's own programs write on it.",
    ),
)
_CONTENT_TYPES = {"readings": "application/senml+json", "events": "application/cloudevents+json"}


def payload_schemas() -> dict[str, dict[str, Any]]:
    """A JSON Schema (2020-12) for each kind of payload, by channel; each stands by itself."""
    types = {leaf: kind for leaf, _, kind, _ in _PUBLISHED} | {"requests": AnyRequest, "answers": Answer}
    return {leaf: msgspec.json.schema(kind) for leaf, kind in types.items()}


def document() -> dict[str, Any]:
    """The whole contract as an AsyncAPI 3.0 document."""
    types = [*(kind for _, _, kind, _ in _PUBLISHED), AnyRequest, Answer]
    found, components = msgspec.json.schema_components(types, ref_template="#/components/schemas/{name}")
    found = tuple(_plain_discriminator(schema) for schema in found)
    schemas = dict(zip([*(leaf for leaf, *_ in _PUBLISHED), "requests", "answers"], found, strict=True))
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    for leaf, retained, _, purpose in _PUBLISHED:
        channels[leaf] = _channel(f"{ROOT}/{{station}}/{leaf}", [leaf], purpose)
        operations[f"publish-{leaf}"] = _operation("send", leaf, retained=retained)
    for channel, leaf, purpose in _ASKED:
        channels[channel] = _channel(f"{ROOT}/{{station}}/{leaf}", ["requests", "request-text"], purpose)
    channels["answers"] = {
        "address": None,
        "description": "The response topic that the request names.",
        "messages": {"answers": {"$ref": "#/components/messages/answers"}},
    }
    reply = {
        "address": {"location": "$message.header#/responseTopic"},
        "channel": {"$ref": "#/channels/answers"},
    }
    for channel, *_ in _ASKED:
        operations[f"take-{channel}"] = _operation("receive", channel) | {"reply": reply}
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Benchward station",
            "version": CONTRACT,
            "description": "MQTT 5, QoS 1 throughout. Repeats may come: drop them by boot and seq.",
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {
            "messages": {leaf: _message(leaf, schema) for leaf, schema in schemas.items()}
            | {"request-text": _text_message()},
            "schemas": components,
        },
    }


def _plain_discriminator(schema: dict[str, Any]) -> dict[str, Any]:
    """AsyncAPI takes the discriminator's name alone, where JSON tools write an object."""
    if "discriminator" not in schema:
        return schema
    return {**schema, "discriminator": schema["discriminator"]["propertyName"]}


def _channel(address: str, messages: list[str], description: str) -> dict[str, Any]:
    return {
        "address": address,
        "description": description,
        "parameters": _STATION,
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in messages},
    }


def _operation(action: str, channel: str, *, retained: bool = False) -> dict[str, Any]:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "bindings": {"mqtt": {"qos": 1, "retain": retained, "bindingVersion": "0.2.0"}},
    }


def _message(leaf: str, schema: dict[str, Any]) -> dict[str, Any]:
    message: dict[str, Any] = {"contentType": _CONTENT_TYPES.get(leaf, "application/json"), "payload": schema}
    if leaf == "answers":
        message["description"] = "Sent after the event is on disk, with the request's correlation data."
    return message


def _text_message() -> dict[str, Any]:
    return {
        "contentType": "text/plain",
        "description": "A request as text: verb key=value, quoted as in a shell.",
        "payload": {"type": "string"},
    }
