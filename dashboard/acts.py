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


class Key(msgspec.Struct, frozen=True):
    """Something to fill in: its key in the request, its label, whether it may stay empty.

    ``choices``: what to choose from, each with its words; empty where anything may be written.
    """

    name: str
    label: str
    required: bool = True
    choices: tuple[tuple[str, str], ...] = ()


class Field(msgspec.Struct, frozen=True):
    """A request with something to write: its verb, what to fill in, and what is filled in already."""

    label: str
    verb: str
    keys: tuple[Key, ...]
    fixed: tuple[tuple[str, str], ...] = ()


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
    unit, why = Key("unit", "Unit"), Key("reason", "Why")
    booking = (unit, Key("model", "Model"), Key("job", "Job, if there is one", required=False))
    found = [Field("Book in a new unit", "book-in", booking), Field("Take a unit in hand", "take", (unit,))]
    if state.step is not None:
        if not state.step.held:
            found.append(_finishing(state.step))
        found.append(Field("Stop this step for good", "abandon", (why,)))
    if state.unit is not None:
        ending = (unit, Key("outcome", "How it ended, e.g. delivered"), Key("reason", "Why", required=False))
        found.append(Field("Send a unit away", "close", ending))
    quieted = tuple((alarm.alarm, alarm.title) for alarm in state.alarms if alarm.priority != "critical")
    if quieted:
        shelving = (Key("alarm", "Alarm", choices=quieted), Key("minutes", "Minutes"), why)
        found.append(Field("Quiet an alarm for a while", "shelve", shelving))
    return tuple(found)


def _finishing(step: StepState) -> Field:
    results = (("pass", "pass"), ("fail", "fail"))
    keys = (
        Key("result", "Result", choices=results),
        Key("grade", "Grade, if any", required=False),
        Key("note", "What was found, if anything", required=False),
    )
    return Field("Finish with a grade or a note", "finish", keys, (("step", step.key),))
