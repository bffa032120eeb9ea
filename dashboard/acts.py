"""What somebody may ask of a bench now, as buttons: each is one request, worked out from the bench's state.

The rules are the station's: a button that would be refused is not forbidden here, only left out where the
state says so already. Whoever presses it still gets the station's answer.
"""

import msgspec

from shared.messages import AlarmState, StationState, StepState

DOSES_ML = (1, 2, 5)
UNSEEN = ("unacknowledged", "returned-unacknowledged", "latched-unacknowledged")


class Act(msgspec.Struct, frozen=True):
    """One button: what it says, the request it sends, and its weight (``main``, ``light``, ``grave``)."""

    label: str
    request: str
    weight: str = "light"


class Field(msgspec.Struct, frozen=True):
    """A request with something to write: its verb, and the keys to fill in with their labels."""

    label: str
    verb: str
    keys: tuple[tuple[str, str], ...]


def alarm_acts(alarms: list[AlarmState]) -> tuple[Act, ...]:
    """For the alarms as a whole."""
    acts = []
    if any(alarm.state in UNSEEN for alarm in alarms):
        acts += [Act("Acknowledge all: seen", "ack", "main"), Act("Buzzer off", "silence")]
    if any(alarm.state == "latched-acknowledged" for alarm in alarms):
        acts.append(Act("Reset", "reset", "main"))
    return tuple(acts)


def alarm_act(alarm: AlarmState) -> Act | None:
    """For one alarm."""
    if alarm.state in UNSEEN:
        return Act("Acknowledge: seen", f"ack alarm={alarm.alarm}", "main")
    if alarm.state == "latched-acknowledged":
        return Act("Reset", f"reset alarm={alarm.alarm}", "main")
    if alarm.state == "shelved":
        return Act("Switch this alarm on again", f"unshelve alarm={alarm.alarm}")
    return None


def bench_acts(state: StationState) -> tuple[Act, ...]:
    """For the unit in hand and its step, the most likely first."""
    acts = _step_acts(state.step) if state.step is not None else ()
    if state.step is None or state.step.kind == "cure":
        starts = state.may_start
        acts += tuple(Act(f"Start: {step.title}", f"start step={step.key}", "main") for step in starts)
    if state.on_plate is not None:
        acts += (Act(f"Take {state.on_plate} off the plate", "remove"),)
    elif state.unit is not None:
        acts += (Act("Lay it on the plate", "place"),)
    return acts


def _step_acts(step: StepState) -> tuple[Act, ...]:
    if step.held:
        return (Act("Go on with the step", "resume", "main"),)
    return (
        Act("Finish: pass", f"finish step={step.key} result=pass", "main"),
        Act("Finish: fail", f"finish step={step.key} result=fail", "grave"),
    )


def other_acts(state: StationState) -> tuple[Act, ...]:
    """What may be said at any time."""
    doses = tuple(Act(f"I took {dose} mL solvent", f"dispense ml={dose}") for dose in DOSES_ML)
    return (*doses, Act("Test lamps and buzzer", "lamp-test"), Act("I stop working here", "sign-out"))


def fields(state: StationState) -> tuple[Field, ...]:
    """What needs words."""
    found = [
        Field("Book in a new unit", "book-in", (("unit", "Unit"), ("model", "Model"))),
        Field("Take a unit in hand", "take", (("unit", "Unit"),)),
    ]
    if state.step is not None:
        found.append(Field("Stop this step for good", "abandon", (("reason", "Why"),)))
    if state.unit is not None:
        keys = (("unit", "Unit"), ("outcome", "How it ended, e.g. delivered"))
        found.append(Field("Send a unit away", "close", keys))
    if state.alarms:
        shelving = (("alarm", "Alarm"), ("minutes", "Minutes"), ("reason", "Why"))
        found.append(Field("Quiet an alarm for a while", "shelve", shelving))
    return tuple(found)
