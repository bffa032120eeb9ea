"""`benchward status`: does the station run, what is wrong at the bench, what is to be done, in words."""

import json
from collections.abc import Iterator
from typing import Any

import click
import msgspec

from shared.messages import CommissioningState, KeepingState, StationState
from shared.problems import FailureError
from shared.timeline import rfc3339
from shared.wording import reason_text
from station.cli.output import clock
from station.journal.claim import Holder
from station.rules.alarms import ASIDE
from station.rules.causes import BY_ALARM, PRIORITIES
from station.rules.state import Life
from station.settings import Settings
from station.standing import Record, Standing, look

NOT_COMMISSIONED = {
    "never": "nobody has walked through the wiring (benchward check --by NAME)",
    "failed": "the last walk through the wiring found a fault",
    "wires-changed": "the wires' settings have changed since the last walk",
}
LIVES = {
    Life.UNACKNOWLEDGED: "not acknowledged",
    Life.ACKNOWLEDGED: "acknowledged",
    Life.RETURNED: "gone, not acknowledged",
    Life.LATCHED_UNACKNOWLEDGED: "not acknowledged, then reset it",
    Life.LATCHED_ACKNOWLEDGED: "reset it",
    Life.SHELVED: "put aside for a while",
    Life.SUPPRESSED: "told by another alarm",
    Life.OUT_OF_SERVICE: "out of service",
}
ENDS = {"stopped": "it was stopped in order", "failed": "it failed (see its log)"}
BOTTLE = {True: "OUT of its cradle", False: "in its cradle", None: "not known: its switch cannot be read"}


@click.command()
@click.option("--format", "form", type=click.Choice(["text", "json"]), default="text", show_default=True)
@click.pass_obj
def status(settings: Settings, form: str) -> None:
    """Tell whether the station runs, what is wrong, and what to do.

    It asks the broker, looks for the station's process on this machine, and reads its journal; the station
    may be stopped. Exit code 0: it runs and nothing is wrong; low alarms can wait. 1: it does not run, it is
    not heard, an alarm of medium priority or above stands, or the last shift check failed.
    """
    found = look(settings)
    wrong, minor = list(what_is_wrong(found)), list(to_see_to(found))
    if form == "json":
        click.echo(json.dumps(_as_json(found, wrong, minor), ensure_ascii=False, indent=2))
    else:
        click.echo("\n".join(screen(found, wrong, minor)))
    if not found.runs:
        raise FailureError(f"Station {found.station} does not run: do not trust its light or its pages.")
    if wrong:
        click.get_current_context().exit(1)


def screen(found: Standing, wrong: list[str], minor: list[str]) -> list[str]:
    """The answer, line by line."""
    lines = [headline(found)]
    lines += [f"  WRONG     {each}" for each in wrong]
    lines += [f"  do        {each}" for each in what_to_do(found)]
    lines += [f"  see to    {each}" for each in minor]
    if found.runs and not wrong:
        lines.append("  Nothing is wrong.")
    if found.state is not None:
        lines += ["", *_bench(found.state), *_keeping(found)]
    elif found.record is not None:
        lines += ["", *_left(found.record)]
    return lines


def headline(found: Standing) -> str:
    """Alive or not, in a sentence."""
    name = found.station
    if found.state is not None:
        return f"{name} runs; its clock says {found.state.at or 'nothing, for it has not been set'}."
    if found.runs:
        return f"{name} runs, but nothing of it is heard at the broker."
    if found.hangs and found.holder is not None:
        return f"{name} HANGS: {_process(found.holder)} has the journal and writes nothing."
    if found.holder is not None:
        return f"{name}: {_process(found.holder)} has the journal; whether it works cannot be told."
    if found.said is not None and found.said.online:
        return f"{name} IS SILENT: the broker believes that it runs, but nothing comes from it."
    if found.said is None and found.record is None:
        return f"{name} DOES NOT RUN: nothing was ever heard of it at this broker or found on this machine."
    return f"{name} DOES NOT RUN: nothing watches the bench."


def _process(holder: Holder) -> str:
    return f"process {holder.pid} ({holder.command or 'of another user'})"


def what_is_wrong(found: Standing) -> Iterator[str]:
    """What somebody must act on; what an alarm asks for stands with it."""
    if found.state is not None:
        for alarm in found.state.alarms:
            if alarm.priority != PRIORITIES[0] and not alarm.rests:
                yield _alarm_line(alarm.priority, Life(alarm.state), alarm.title, alarm.text)
        walked = found.state.commissioning
        if walked is not None and walked.shift_passed is False:
            when = walked.shift_at or "date not known"
            yield (
                f"The last shift check failed ({walked.shift_by}, {when}). Mend what it found, then "
                "benchward check --shift."
            )
        return
    if found.broker_fault is not None:
        yield found.broker_fault
    if found.record_fault is not None and found.holder is not None:
        yield found.record_fault
    if found.record is None:
        return
    if not found.runs and found.record.ended is None:
        cut = "" if found.holder is not None else "The last run was cut off (power, kill or crash). "
        yield f"{cut}Lamps and permit may stand as they were: do not go by them."
    for name, life in found.record.durable.alarms.items() if found.runs else ():
        cause = BY_ALARM[name]
        if cause.priority != PRIORITIES[0] and life.state not in ASIDE:
            yield _alarm_line(cause.priority, life.state, cause.title, cause.action)


def _alarm_line(priority: str, life: Life, title: str, action: str) -> str:
    return f"{priority} alarm, {LIVES[life]}: {title}. {action}"


def what_to_do(found: Standing) -> Iterator[str]:
    """How the station comes back."""
    if found.runs:
        return
    if found.record is not None and found.record.ended is None:
        yield "Unplug the iron until the station runs."
    if found.hangs:
        yield "Restart it: sudo systemctl restart benchward-station."
    elif found.holder is not None:
        yield "Ask again as the station's own user: sudo -u benchward benchward status."
    elif found.said is not None and found.said.online:
        yield "Ask again on the station's own computer; restart it there if it hangs."
    else:
        yield "Start it: sudo systemctl start benchward-station, or benchward run."


def to_see_to(found: Standing) -> Iterator[str]:
    """What can wait: low alarms, commissioning, ticks that were left out."""
    state = found.state
    if state is None:
        return
    for alarm in state.alarms:
        if alarm.rests:
            yield f"{alarm.title}: {LIVES[Life(alarm.state)]}; its cause does not stand now."
        elif alarm.priority == PRIORITIES[0]:
            yield f"{alarm.title} ({LIVES[Life(alarm.state)]}). {alarm.text}"
    walked = state.commissioning
    if walked is not None and not walked.commissioned:
        yield f"Not commissioned: {NOT_COMMISSIONED.get(walked.reason or '', 'not known why')}."
    if state.ticks_missed:
        share = state.ticks_missed / max(1, state.ticks + state.ticks_missed)
        yield f"The machine is too slow: {state.ticks_missed} ticks were left out, {share:.2%} of all."


def _bench(state: StationState) -> list[str]:
    plate, air = state.plate, state.extraction
    degrees = reason_text(plate.quality) if plate.plate_c is None else f"{plate.plate_c:.1f} °C"
    wanted = f", wanted {plate.setpoint_c} ± {plate.tolerance_c} °C"
    band = "" if plate.setpoint_c is None else wanted
    current = "" if air.extraction_a is None else f", {air.extraction_a:.2f} A"
    proven = "proven" if air.proven else "not proven"
    return [
        f"  plate       {degrees}{band}",
        f"  extraction  {proven} for {clock(air.since_s)}{current}",
        f"  solvent     {BOTTLE[state.solvent_out]}",
        f"  iron        {'may be used' if state.permit else 'locked. ' + _locked(state)}",
        f"  in hand     {_in_hand(state)}",
        f"  wiring      {_wiring(state.commissioning)}",
    ]


def _locked(state: StationState) -> str:
    reasons = [reason for lock in state.locked if lock.what == "iron-power" for reason in lock.reasons]
    return " ".join(reason_text(reason) for reason in reasons)


def _in_hand(state: StationState) -> str:
    technician = state.technician or "nobody signed in"
    if state.unit is None:
        return f"no unit; {technician}"
    doing = "no step"
    if state.step is not None:
        held = " HELD" if state.step.held else ""
        doing = f"{state.step.title}{held} for {clock(state.step.elapsed_s)}"
    return f"unit {state.unit}, {doing}; {technician}"


def _wiring(walked: CommissioningState | None) -> str:
    if walked is None:
        return "the station tells nothing of it"
    words = "not commissioned"
    if walked.commissioned:
        words = f"commissioned by {walked.by}, {walked.at or 'date not known'}"
    if walked.shift_by is None:
        return f"{words}; no shift check on record"
    outcome = "passed" if walked.shift_passed else "FAILED"
    return f"{words}; last shift check {outcome}, {walked.shift_by}, {walked.shift_at or 'date not known'}"


def _keeping(found: Standing) -> list[str]:
    state = found.state
    if state is None or state.keeping is None:
        return []
    keeping = state.keeping
    written = "written in time" if keeping.journal_fault is None else reason_text(keeping.journal_fault)
    lines = [f"  record      {written}; the oldest that waits is {keeping.journal_lag_s:.1f} s old"]
    lines.append(f"  broker      {_waiting(keeping)}")
    board_c = (found.figures or {}).get("benchward_board_celsius")
    if board_c is not None:
        lines.append(f"  computer    {board_c:.0f} °C")
    return lines


def _waiting(keeping: KeepingState) -> str:
    if keeping.events_waiting is None:
        return "not looked at yet"
    if not keeping.events_waiting and (keeping.readings_waiting or 0) < 10:
        return "has everything"
    events = "1 event" if keeping.events_waiting == 1 else f"{keeping.events_waiting} events"
    return f"has yet to get {events} and {clock(keeping.readings_waiting or 0)} of readings"


def _left(record: Record) -> list[str]:
    """The bench as the record leaves it."""
    durable = record.durable
    unit, run = durable.in_hand, durable.run
    hand = "no unit" if unit is None else f"unit {unit}"
    step = "" if run is None else f", step {run.step} begun and not finished"
    when = rfc3339(record.at_ms) or "a time that is not known"
    ended = "without an end" if record.ended is None else ENDS.get(record.ended, record.ended)
    lines = [
        f"  record      {record.path}",
        f"  last event  {when}; {ended}" if not record.growing else f"  last event  {when}",
        f"  in hand     {hand}{step}",
        f"  on plate    {durable.on_plate or 'nothing'}",
    ]
    for name, life in durable.alarms.items() if not record.growing else ():  # else they stand above
        cause = BY_ALARM[name]
        lines.append(f"  alarm       {_alarm_line(cause.priority, life.state, cause.title, cause.action)}")
    return lines


def _as_json(found: Standing, wrong: list[str], minor: list[str]) -> dict[str, Any]:
    return {
        "station": found.station,
        "runs": found.runs,
        "says": headline(found),
        "wrong": wrong,
        "do": list(what_to_do(found)),
        "see_to": minor,
        "state": msgspec.to_builtins(found.state),
        "figures": found.figures,
    }
