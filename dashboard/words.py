"""Plain words for what the pages show: durations, moments, qualities, alarm states, events.

Nothing here decides anything; a code without a sentence of its own is shown as its own words, never hidden.
"""

from collections.abc import Callable
from datetime import datetime
from typing import Any

from shared.events import EventBody, kind_of
from shared.messages import StepState
from shared.requests import AnyRequest, Unreadable
from shared.wording import reason_text

NO_NUMBER = "–"

ALARM_STATES = {
    "unacknowledged": "New, nobody has acknowledged it",
    "acknowledged": "Acknowledged, the cause is still there",
    "returned-unacknowledged": "The cause is gone, nobody has acknowledged it",
    "latched-unacknowledged": "The cause is gone; acknowledge, then reset",
    "latched-acknowledged": "Acknowledged; now reset it",
    "shelved": "Put aside for a limited time",
    "suppressed": "Put aside while a more urgent alarm tells the same",
    "out-of-service": "Taken out of service",
}


def plain(code: str) -> str:
    """A code as words: dashes and underscores become spaces."""
    return code.replace("-", " ").replace("_", " ")


def capital(text: str) -> str:
    """The text with its first letter as a capital."""
    return text[:1].upper() + text[1:]


def duration_text(seconds: float) -> str:
    """How long, for a sentence: ``48 s``, ``4 min 12 s``, ``3 h 05 min``."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def clock_text(seconds: float) -> str:
    """How long, for a dial: ``4:12``, ``23:05:00``."""
    whole = max(0, int(seconds))
    hours, minutes = divmod(whole // 60, 60)
    head = f"{hours}:{minutes:02d}" if hours else f"{minutes}"
    return f"{head}:{whole % 60:02d}"


def moment_text(at: str | None) -> str:
    """The time of day of an RFC 3339 moment where this machine stands; words where it is not known."""
    if at is None:
        return "time unknown"
    try:
        return datetime.fromisoformat(at).astimezone().strftime("%H:%M:%S")
    except (ValueError, OverflowError):
        return "time unknown"


def event_text(body: EventBody) -> str:
    """The event as one plain sentence without a full stop."""
    words = _EVENTS.get(kind_of(body))
    return words(body) if words else capital(plain(kind_of(body)))


def _reasons(codes: list[str]) -> str:
    return "; ".join(_sentence(code) for code in codes) or "no reason given"


def _sentence(code: str) -> str:
    """A reason inside a longer line: what is wrong without what to do, starting small."""
    text = reason_text(code).partition(". ")[0].rstrip(".")
    return text[:1].lower() + text[1:]


def _by(body: Any) -> str:
    return f" by {body.technician}" if body.technician else ""


def _said(reason: str | None) -> str:
    """What a person gave as the reason, untouched."""
    return f": {reason}" if reason else ""


def _because(reason: str | None) -> str:
    return f": {_sentence(reason)}" if reason else ""


def _found(verdicts: dict[str, str]) -> str:
    failed = ", ".join(plain(name) for name, outcome in verdicts.items() if outcome == "failed")
    return f"{failed} failed" if failed else "all passed"


_EVENTS: dict[str, Callable[[Any], str]] = {
    "commissioned": lambda e: f"{e.by} walked through the wiring: {_found(e.verdicts)}",
    "shift-checked": lambda e: f"{e.by} checked the bench for the shift: {_found(e.verdicts)}",
    "station-started": lambda e: (
        f"The station started{_because(e.reason)}"
        + (f"; the damaged journal is kept as {e.set_aside}" if e.set_aside else "")
    ),
    "station-stopped": lambda e: f"The station stopped{_because(e.reason)}",
    "clock-set": lambda e: "The clock was set",
    "signed-in": lambda e: f"{e.technician or 'Somebody'} signed in",
    "signed-out": lambda e: f"{e.technician or 'Somebody'} signed out",
    "unit-booked-in": lambda e: f"Unit {e.unit} ({e.model}) was booked in",
    "unit-taken": lambda e: f"Unit {e.unit} was taken in hand",
    "unit-placed": lambda e: f"Unit {e.unit} went on the plate",
    "unit-removed": lambda e: f"Unit {e.unit} came off the plate",
    "unit-closed": lambda e: f"Unit {e.unit} was closed as {plain(e.outcome)}{_said(e.reason)}",
    "step-started": lambda e: (
        f"Step {e.step} began on {e.unit}" + (f", attempt {e.attempt}" if e.attempt > 1 else "")
    ),
    "step-refused": lambda e: f"Step {e.step} may not {plain(e.request)}: {_reasons(e.reasons)}",
    "step-held": lambda e: f"Step {e.step} is held: {plain(e.alarm)}",
    "step-resumed": lambda e: f"Step {e.step} goes on",
    "step-finished": lambda e: f"Step {e.step} finished on {e.unit}: {plain(e.result)}",
    "step-abandoned": lambda e: f"Step {e.step} was given up on {e.unit}{_said(e.reason)}",
    "request-refused": lambda e: (
        f"Refused “{e.request}”: {_reasons(e.reasons)}" + (f" ({e.detail})" if e.detail else "")
    ),
    "plate-at-setpoint": lambda e: f"The plate reached the setpoint of {e.step}",
    "extraction-proven": lambda e: "Extraction is proven",
    "extraction-lost": lambda e: f"Extraction is not proven any more{_because(e.reason)}",
    "solvent-lifted": lambda e: "The solvent bottle left its cradle",
    "solvent-dispensed": lambda e: f"Solvent drawn at the last lift: {e.values.get('ml', 0):g} mL",
    "solvent-returned": lambda e: "The solvent bottle is back in its cradle",
    "permit-granted": lambda e: "The iron has power",
    "permit-dropped": lambda e: f"The iron lost power: {_reasons(e.reasons)}",
    "alarm-raised": lambda e: f"Alarm ({e.priority}): {plain(e.alarm)}{_because(e.reason)}",
    "alarm-acknowledged": lambda e: f"Alarm acknowledged{_by(e)}: {plain(e.alarm)}",
    "alarm-returned": lambda e: f"Cause gone: {plain(e.alarm)}",
    "alarm-closed": lambda e: f"Alarm over: {plain(e.alarm)}",
    "alarm-shelved": lambda e: f"Alarm put aside for {e.minutes:g} min: {plain(e.alarm)}{_said(e.reason)}",
    "alarm-unshelved": lambda e: f"Alarm counts again: {plain(e.alarm)}",
    "alarm-suppressed": lambda e: f"Alarm put aside: {plain(e.alarm)}, told by {plain(e.reason)}",
    "alarm-unsuppressed": lambda e: f"Alarm counts again: {plain(e.alarm)}",
    "alarm-out-of-service": lambda e: (
        f"Alarm taken out of service by {e.by}: {plain(e.alarm)}{_said(e.reason)}"
    ),
    "alarm-in-service": lambda e: f"Alarm back in service by {e.by}: {plain(e.alarm)}",
    "calibrated": lambda e: f"The {plain(e.channel)} was calibrated{_by(e)}",
    "settings-changed": lambda e: "The station runs with other settings",
    "review-signed": lambda e: f"The review of {e.period} was signed{_by(e)}",
    "message-set-aside": lambda e: (
        f"Never sent to the broker: {e.values.get('count', 1):g} of the {plain(e.stream)}{_because(e.reason)}"
    ),
    "trace-finished": lambda e: f"The recorded trace ended after {e.lines} lines",
}


def held_because(step: StepState) -> tuple[str, ...]:
    """Why a held step may not go on, or that it may."""
    if not step.resume_refusals:
        return ("Nothing stands against it any more: resume it.",)
    return tuple(reason_text(code) for code in step.resume_refusals)


_DONE = {
    "sign-in": "You work at this bench now.",
    "sign-out": "You have stopped working at this bench.",
    "book-in": "The unit is booked in and in hand.",
    "take": "The unit is in hand.",
    "place": "Noted: the unit lies on the plate.",
    "remove": "Noted: the unit is off the plate.",
    "start": "The step has begun.",
    "finish": "The step is finished.",
    "resume": "The step goes on.",
    "abandon": "The step is given up.",
    "ack": "Acknowledged: it is noted that you have seen it.",
    "silence": "The buzzer is quiet until the next alarm. The alarm itself stays.",
    "reset": "The alarm is reset.",
    "shelve": "The alarm is put aside for that time. What it locks stays locked.",
    "unshelve": "The alarm counts again.",
    "out-of-service": "The alarm is out of service.",
    "in-service": "The alarm is back in service.",
    "lamp-test": "Every lamp and the buzzer come on for a few seconds.",
    "shift-check": "The check is on record.",
    "sign-review": "The review is signed.",
    "dispense": "The solvent is noted.",
    "close": "The unit is closed and on record.",
}


def done_text(wanted: AnyRequest) -> str:
    """What a request has brought about, now that the station has done it."""
    return _DONE[str(wanted.__struct_config__.tag)]


def unreadable_text(wanted: Unreadable, *, filled_in: bool = False) -> str:
    """What to do about a text, typed or scanned or filled into a form, that is no request."""
    if filled_in:
        return f"That cannot be asked so: {wanted.detail}. Mend it and press the button again."
    if wanted.reason == "unknown-request":
        return (
            f"“{wanted.text}” is nothing that this bench can do. Scan a request card or a unit's label, "
            "or press a button."
        )
    once_more = "Write or scan it once more, or press a button."
    return f"“{wanted.text}” cannot be read as it stands: {wanted.detail}. {once_more}"
