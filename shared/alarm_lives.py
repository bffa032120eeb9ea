"""The lives of alarms, told from events: when each was raised, acknowledged, gone, and over.

A life begins with ``alarm-raised`` and is over when it is closed or put aside; one that is raised again
before that (it came back, or nobody saw to it for long) is a new annunciation, and ends the one before.
"""

from collections.abc import Iterable
from typing import NamedTuple

from shared import events
from shared.events import Event
from shared.timeline import Moment


class Life(NamedTuple):
    """One annunciation of an alarm. Moments that have not come are None.

    ``aside``: it was shelved, suppressed or taken out of service rather than closed.
    """

    alarm: str
    priority: str
    unit: str | None
    step: str | None
    reason: str | None
    seq: int
    raised: Moment
    acknowledged: Moment | None = None
    returned: Moment | None = None
    over: Moment | None = None
    aside: bool = False


_ASIDE = (events.AlarmShelved, events.AlarmSuppressed, events.AlarmOutOfService)


def lives(history: Iterable[tuple[int, Moment, Event]]) -> list[Life]:
    """Every annunciation in a history of (seq, moment, event), in the order in which they were raised."""
    found: list[Life] = []
    open_at: dict[str, int] = {}
    for seq, moment, body in history:
        if isinstance(body, events.AlarmRaised):
            if body.alarm in open_at:
                before = open_at[body.alarm]
                found[before] = found[before]._replace(over=moment)
            open_at[body.alarm] = len(found)
            found.append(Life(body.alarm, body.priority, body.unit, body.step, body.reason, seq, moment))
            continue
        at = open_at.get(getattr(body, "alarm", ""))
        if at is None:
            continue
        if isinstance(body, events.AlarmAcknowledged):
            found[at] = found[at]._replace(acknowledged=moment)
        elif isinstance(body, events.AlarmReturned):
            found[at] = found[at]._replace(returned=moment)
        elif isinstance(body, (events.AlarmClosed, *_ASIDE)):
            found[at] = found[at]._replace(over=moment, aside=not isinstance(body, events.AlarmClosed))
            del open_at[body.alarm]
    return found
