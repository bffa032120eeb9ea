"""From a boot's events back to the requests they came of, so that a record can be judged again."""

from collections.abc import Callable, Iterable, Sequence
from typing import Any

from msgspec.structs import replace

from shared import events
from shared import requests as asking
from shared.events import EventBody
from shared.requests import OFFICE_ONLY, Asked, Barred, Unreadable, parse_text
from station.rules.causes import BY_ALARM


def asked_again(told: Iterable[tuple[int, EventBody]]) -> list[tuple[int, Asked]]:
    """The requests that a boot's events came of, with their monotonic ms.

    What followed from another request at the same moment (a unit taken and placed by a start) is not asked
    for again. Silences and lamp tests left no event and are lost; they change no alarm.
    """
    found: list[tuple[int, Asked]] = []
    every = list(told)
    signed_in = None
    for index, (mono_ms, body) in enumerate(every):
        if isinstance(body, events.SignedIn | events.SignedOut):
            signed_in = body.technician if isinstance(body, events.SignedIn) else None
        maker = _MAKERS.get(type(body))
        if maker is None:
            continue
        beside = [other for ms, other in every[max(0, index - 1) : index + 3] if ms == mono_ms]
        request = maker(body, beside)
        if request is not None:
            by = None if body.technician == signed_in else body.technician
            found.append((mono_ms, _asked_by(request, by)))
    return found


def _asked_by(request: Asked, who: str | None) -> Asked:
    """The request with who asked for it, where that was not the technician signed in at the bench."""
    if isinstance(request, Unreadable | Barred | asking.SignIn | asking.SignOut) or who is None or request.by:
        return request
    return replace(request, by=who)


def _beside(kind: type, beside: Sequence[EventBody]) -> bool:
    return any(isinstance(other, kind) for other in beside)


def _sign_in(body: events.SignedIn, beside: Sequence[EventBody]) -> Asked | None:
    return asking.SignIn(technician=body.technician) if body.technician else None


def _sign_out(body: events.SignedOut, beside: Sequence[EventBody]) -> Asked | None:
    return None if _beside(events.SignedIn, beside) else asking.SignOut()


def _take(body: events.UnitTaken, beside: Sequence[EventBody]) -> Asked | None:
    implied = _beside(events.StepStarted, beside) or _beside(events.UnitBookedIn, beside)
    return None if implied else asking.Take(unit=body.unit)


def _place(body: events.UnitPlaced, beside: Sequence[EventBody]) -> Asked | None:
    return None if _beside(events.StepStarted, beside) else asking.Place(unit=body.unit)


def _refused(body: events.StepRefused, beside: Sequence[EventBody]) -> Asked | None:
    if body.request == "start":
        return asking.Start(step=body.step, unit=body.unit)
    return asking.Finish(step=body.step, result="pass")


def _refused_request(body: events.RequestRefused, beside: Sequence[EventBody]) -> Asked | None:
    """What stood against it outside the bench stands against it again: nobody answers for it afterwards."""
    request = parse_text(body.request)
    outside = [reason for reason in body.reasons if reason in ("not-authorised", "unknown-head")]
    if not isinstance(request, OFFICE_ONLY) or outside != list(body.reasons):
        return request
    return Barred(request, tuple(outside))


def _finish(body: events.StepFinished, beside: Sequence[EventBody]) -> Asked | None:
    result: Any = body.result
    return asking.Finish(step=body.step, result=result, findings=body.findings)


def _abandon(body: events.StepAbandoned, beside: Sequence[EventBody]) -> Asked | None:
    return None if _beside(events.UnitClosed, beside) else asking.Abandon(reason=body.reason)


def _reset(body: events.AlarmClosed, beside: Sequence[EventBody]) -> Asked | None:
    return asking.Reset(alarm=body.alarm) if BY_ALARM[body.alarm].latching else None


def _unshelve(body: events.AlarmUnshelved, beside: Sequence[EventBody]) -> Asked | None:
    return asking.Unshelve(alarm=body.alarm) if body.reason == "asked" else None


_MAKERS: dict[type, Callable[[Any, Sequence[EventBody]], Asked | None]] = {
    events.SignedIn: _sign_in,
    events.SignedOut: _sign_out,
    events.UnitBookedIn: lambda e, _: asking.BookIn(unit=e.unit, model=e.model, job=e.job),
    events.UnitTaken: _take,
    events.UnitPlaced: _place,
    events.UnitRemoved: lambda e, _: asking.Remove(unit=e.unit),
    events.UnitClosed: lambda e, _: asking.Close(unit=e.unit, outcome=e.outcome, reason=e.reason),
    events.StepStarted: lambda e, _: asking.Start(step=e.step, unit=e.unit),
    events.StepRefused: _refused,
    events.StepFinished: _finish,
    events.StepResumed: lambda e, _: asking.Resume(),
    events.StepAbandoned: _abandon,
    events.ReviewSigned: lambda e, _: asking.SignReview(period=e.period, head=e.head, by=e.technician),
    events.SolventDispensed: lambda e, _: asking.Dispense(ml=e.values["ml"]),
    events.RequestRefused: _refused_request,
    events.AlarmAcknowledged: lambda e, _: asking.Ack(alarm=e.alarm),
    events.AlarmClosed: _reset,
    events.AlarmShelved: lambda e, _: asking.Shelve(alarm=e.alarm, minutes=e.minutes, reason=e.reason),
    events.AlarmUnshelved: _unshelve,
    events.AlarmOutOfService: lambda e, _: asking.OutOfService(alarm=e.alarm, by=e.by, reason=e.reason),
    events.AlarmInService: lambda e, _: asking.InService(alarm=e.alarm, by=e.by),
}
