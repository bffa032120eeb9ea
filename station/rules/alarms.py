"""The life of an alarm as a table: state × input to new state and the events that tell it.

States and transitions follow ISA-18.2 / IEC 62682 (the letters A to I from memory). Acknowledging never
clears a cause; silencing acknowledges nothing; a latched alarm goes only by reset, and only when its cause
is gone. An alarm that was put aside comes back as normal, and is raised anew at once if its cause stands.
A pair that is not in the table changes nothing.
"""

from enum import StrEnum
from typing import NamedTuple

from station.rules.state import Life


class Input(StrEnum):
    """What can happen to an alarm."""

    RAISE = "raise"
    RETURN = "return"
    ACK = "ack"
    RESET = "reset"
    SHELVE = "shelve"
    UNSHELVE = "unshelve"
    SUPPRESS = "suppress"
    UNSUPPRESS = "unsuppress"
    TAKE_OUT = "take out of service"
    PUT_BACK = "put back into service"
    REALARM = "re-alarm"


class Move(NamedTuple):
    """Where a transition leads, and the kinds of events that tell it, in order."""

    to: Life
    says: tuple[str, ...]


_COMMON: dict[tuple[Life, Input], Move] = {
    (Life.NORMAL, Input.RAISE): Move(Life.UNACKNOWLEDGED, ("alarm-raised",)),
    (Life.NORMAL, Input.SHELVE): Move(Life.SHELVED, ("alarm-shelved",)),
    (Life.UNACKNOWLEDGED, Input.ACK): Move(Life.ACKNOWLEDGED, ("alarm-acknowledged",)),
    (Life.ACKNOWLEDGED, Input.REALARM): Move(Life.UNACKNOWLEDGED, ("alarm-raised",)),
    (Life.UNACKNOWLEDGED, Input.SHELVE): Move(Life.SHELVED, ("alarm-shelved",)),
    (Life.ACKNOWLEDGED, Input.SHELVE): Move(Life.SHELVED, ("alarm-shelved",)),
    (Life.SHELVED, Input.UNSHELVE): Move(Life.NORMAL, ("alarm-unshelved",)),
    (Life.NORMAL, Input.SUPPRESS): Move(Life.SUPPRESSED, ("alarm-suppressed",)),
    (Life.UNACKNOWLEDGED, Input.SUPPRESS): Move(Life.SUPPRESSED, ("alarm-suppressed",)),
    (Life.ACKNOWLEDGED, Input.SUPPRESS): Move(Life.SUPPRESSED, ("alarm-suppressed",)),
    (Life.SUPPRESSED, Input.UNSUPPRESS): Move(Life.NORMAL, ("alarm-unsuppressed",)),
    (Life.SUPPRESSED, Input.SHELVE): Move(Life.SHELVED, ("alarm-unsuppressed", "alarm-shelved")),
    (Life.NORMAL, Input.TAKE_OUT): Move(Life.OUT_OF_SERVICE, ("alarm-out-of-service",)),
    (Life.UNACKNOWLEDGED, Input.TAKE_OUT): Move(Life.OUT_OF_SERVICE, ("alarm-out-of-service",)),
    (Life.ACKNOWLEDGED, Input.TAKE_OUT): Move(Life.OUT_OF_SERVICE, ("alarm-out-of-service",)),
    (Life.SHELVED, Input.TAKE_OUT): Move(Life.OUT_OF_SERVICE, ("alarm-unshelved", "alarm-out-of-service")),
    (Life.SUPPRESSED, Input.TAKE_OUT): Move(
        Life.OUT_OF_SERVICE, ("alarm-unsuppressed", "alarm-out-of-service")
    ),
    (Life.OUT_OF_SERVICE, Input.PUT_BACK): Move(Life.NORMAL, ("alarm-in-service",)),
}
_PLAIN: dict[tuple[Life, Input], Move] = {
    (Life.UNACKNOWLEDGED, Input.RETURN): Move(Life.RETURNED, ("alarm-returned",)),
    (Life.ACKNOWLEDGED, Input.RETURN): Move(Life.NORMAL, ("alarm-returned", "alarm-closed")),
    (Life.RETURNED, Input.ACK): Move(Life.NORMAL, ("alarm-acknowledged", "alarm-closed")),
    (Life.RETURNED, Input.RAISE): Move(Life.UNACKNOWLEDGED, ("alarm-raised",)),
    (Life.RETURNED, Input.SHELVE): Move(Life.SHELVED, ("alarm-shelved",)),
    (Life.RETURNED, Input.SUPPRESS): Move(Life.SUPPRESSED, ("alarm-suppressed",)),
    (Life.RETURNED, Input.TAKE_OUT): Move(Life.OUT_OF_SERVICE, ("alarm-out-of-service",)),
}
_LATCHING: dict[tuple[Life, Input], Move] = {
    (Life.UNACKNOWLEDGED, Input.RETURN): Move(Life.LATCHED_UNACKNOWLEDGED, ("alarm-returned",)),
    (Life.ACKNOWLEDGED, Input.RETURN): Move(Life.LATCHED_ACKNOWLEDGED, ("alarm-returned",)),
    (Life.LATCHED_UNACKNOWLEDGED, Input.ACK): Move(Life.LATCHED_ACKNOWLEDGED, ("alarm-acknowledged",)),
    # A new excursion sounds again even where the last one had been acknowledged.
    (Life.LATCHED_UNACKNOWLEDGED, Input.RAISE): Move(Life.UNACKNOWLEDGED, ("alarm-raised",)),
    (Life.LATCHED_ACKNOWLEDGED, Input.RAISE): Move(Life.UNACKNOWLEDGED, ("alarm-raised",)),
    (Life.LATCHED_ACKNOWLEDGED, Input.RESET): Move(Life.NORMAL, ("alarm-closed",)),
}

TABLE: dict[bool, dict[tuple[Life, Input], Move]] = {
    False: _COMMON | _PLAIN,
    True: _COMMON | _LATCHING,
}

# What each state means to the rest of the rules.
WAITING = frozenset({Life.UNACKNOWLEDGED, Life.RETURNED, Life.LATCHED_UNACKNOWLEDGED})
SOUNDING = frozenset({Life.UNACKNOWLEDGED, Life.LATCHED_UNACKNOWLEDGED})
STANDING = frozenset({Life.UNACKNOWLEDGED, Life.ACKNOWLEDGED})
LATCHED = frozenset({Life.LATCHED_UNACKNOWLEDGED, Life.LATCHED_ACKNOWLEDGED})
ACTIVE = STANDING | LATCHED
ASIDE = frozenset({Life.SHELVED, Life.SUPPRESSED, Life.OUT_OF_SERVICE})


def move(state: Life, happening: Input, *, latching: bool) -> Move | None:
    """The transition for a state and an input, or None where it changes nothing."""
    return TABLE[latching].get((state, happening))
