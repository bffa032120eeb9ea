"""The hash chain over a station's events.

Each hash is SHA-256 (hex) of the hash before it (64 hex digits, zeros for a station's first event) followed
by the RFC 8785 canonical JSON of the event without ``hash``, ``prev`` and ``at``; ``at`` stays outside
because it may be learned later. A chain shows an edit, a removal, an insertion and a change of order. It
cannot show by itself that its tail was cut or that all of it was rewritten: compare the head with a copy kept
elsewhere.
"""

import hashlib
from collections.abc import Iterable, Mapping
from typing import Any

import msgspec
import rfc8785

ZERO = "0" * 64
OUTSIDE = frozenset({"hash", "prev", "at"})


def event_hash(prev: str, fields: Mapping[str, Any]) -> str:
    """The hash of one event whose flat fields are given (those outside the chain are left out)."""
    covered = {key: value for key, value in fields.items() if key not in OUTSIDE}
    return hashlib.sha256(prev.encode("ascii") + rfc8785.dumps(covered)).hexdigest()


class Verdict(msgspec.Struct, frozen=True):
    """What a walk along the chain found; ``problem`` is None when it is whole."""

    count: int
    head: str
    problem: str | None = None
    seq: int | None = None


NOTHING = Verdict(0, ZERO)
"""A chain without events."""


def verify(events: Iterable[Mapping[str, Any]], after: Verdict = NOTHING) -> Verdict:
    """Walk printed events in order of ``seq`` and name the first that does not fit.

    Args:
        events: flat event objects with ``seq``, ``prev`` and ``hash``.
        after: what an earlier walk found, whose last event the first of these must follow.
    """
    prev, count = after.head, after.count
    for event in events:
        seq = event["seq"]
        if seq != count + 1:
            what = f"event {count + 1} is missing" if seq > count + 1 else f"event {seq} has no place there"
            return Verdict(count, prev, f"{what}: after seq {count} comes seq {seq}", seq)
        if event["prev"] != prev:
            return Verdict(count, prev, f"event {seq} does not follow event {count}: prev differs", seq)
        try:
            fits = event_hash(prev, event) == event["hash"]
        except rfc8785.CanonicalizationError:
            fits = False  # no event of ours holds what has no canonical form
        if not fits:
            return Verdict(count, prev, f"event {seq} was changed: its hash does not fit its content", seq)
        prev, count = event["hash"], seq
    return Verdict(count, prev)
