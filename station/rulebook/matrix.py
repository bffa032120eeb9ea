"""The cause-and-effect matrix and what belongs to it, as plain rows made from the tables the rules go by."""

from typing import Any, NamedTuple

import msgspec

from shared.indication import Indication, Lamp
from shared.timeline import Moment
from shared.wording import REASONS
from station.rules.alarms import TABLE
from station.rules.causes import CAUSES, PRIORITIES, Cause, Effect
from station.rules.indication import indicate
from station.rules.limits import Limits
from station.rules.state import AlarmLife, Life

Row = dict[str, Any]


def cause_rows(limits: Limits) -> list[Row]:
    """One row a cause: numbers filled in, effects as codes and by what they act on."""
    return [_cause_row(cause, limits) for cause in CAUSES]


def _cause_row(cause: Cause, limits: Limits) -> Row:
    effects = cause.effects
    starts = "all" if Effect.REFUSE_ALL in effects else None
    if Effect.REFUSE_HEAT_AND_SOLDER in effects:
        starts = "heat, solder"
    held = "any" if Effect.HOLD_ANY in effects else None
    if Effect.HOLD_HEAT in effects:
        held = "heat"
    return {
        "alarm": cause.alarm,
        "title": cause.title,
        "priority": cause.priority,
        "when": cause.condition_text(limits),
        "on_delay_s": cause.on_delay_s(limits),
        "off_delay_s": cause.off_delay_s(limits),
        "latching": cause.latching,
        "starts_refused": starts,
        "step_held": held,
        "permit_dropped": Effect.DROP_PERMIT in effects,
        "soak_stopped": Effect.STOP_SOAK in effects,
        "suppressed_by": list(cause.suppressed_by),
        "effects": sorted(str(effect) for effect in effects),
        "reasons": list(cause.reasons),
        "action": cause.action,
    }


def life_rows() -> list[Row]:
    """One row a transition of an alarm's life: from, on, to, what it tells, and for which rows."""
    rows: dict[tuple[str, str, str], Row] = {}
    for latching, table in TABLE.items():
        for (state, happening), move in table.items():
            row = rows.setdefault(
                (state, happening, move.to),
                {"from": str(state), "on": str(happening), "to": str(move.to), "tells": list(move.says)},
            )
            row["rows"] = "all" if "rows" in row else ("latching" if latching else "others")
    return list(rows.values())


class _Case(NamedTuple):
    what: str
    alarm: str | None = None
    life: Life | None = None
    permit: bool = False
    held: bool = False
    resumable: bool = False
    bottle_away: bool = True
    hurry: bool = False
    refused: bool = False
    lamp_test: bool = False


_EXAMPLE = {cause.priority: cause.alarm for cause in CAUSES}
_STATES = (
    (Life.UNACKNOWLEDGED, "new"),
    (Life.ACKNOWLEDGED, "acknowledged, cause still there"),
    (Life.RETURNED, "cause gone, not acknowledged"),
)


def _cases() -> list[_Case]:
    cases = [
        _Case("the iron may be used, nothing stands", permit=True),
        _Case("the iron is locked, nothing stands"),
        _Case("the iron has power, but the solvent is not in its cradle", permit=True, bottle_away=False),
        _Case("a step is held, its alarm is dealt with", permit=True, held=True, resumable=True),
        _Case(
            "a step is held, what holds it still stands, acknowledged",
            "plate-sensor-fault",
            Life.ACKNOWLEDGED,
            held=True,
        ),
        _Case("most of an open time or all of a step's longest time is over", hurry=True),
    ]
    for priority in reversed(PRIORITIES):
        for life, words in _STATES:
            dead = priority == "critical"
            cases.append(_Case(f"{priority} alarm, {words}", _EXAMPLE[priority], life, permit=not dead))
    cases += [
        _Case("latched alarm, cause gone, not acknowledged", "plate-over-limit", Life.LATCHED_UNACKNOWLEDGED),
        _Case("latched alarm, acknowledged, to be reset", "plate-over-limit", Life.LATCHED_ACKNOWLEDGED),
        _Case("a request was refused a moment ago", refused=True),
        _Case("lamp test", lamp_test=True),
    ]
    return cases


def light_rows() -> list[Row]:
    """What the station light and the buzzer say in each case, by asking the function that drives them."""
    return [{"when": case.what, **msgspec.to_builtins(_shown(case))} for case in _cases()]


def _shown(case: _Case) -> Indication:
    lives = {}
    if case.alarm is not None and case.life is not None:
        lives[case.alarm] = AlarmLife(case.life, Moment("", 0))
    return indicate(
        lives,
        permit=case.permit,
        bottle_away=case.bottle_away,
        held=case.held,
        resumable=case.resumable,
        hurry=case.hurry,
        silenced=frozenset(),
        refused=case.refused,
        lamp_test=case.lamp_test,
    )


LAMP_WORDS = {Lamp.OFF: "dark", Lamp.STEADY: "lit", Lamp.SLOW: "slow", Lamp.FAST: "fast"}


def number_rows(limits: Limits) -> list[Row]:
    """Every number the rules go by: its key in the settings, value, default, range and meaning."""
    schema = msgspec.json.schema(Limits)
    return list(_numbers("limits", schema, schema["$defs"], msgspec.to_builtins(limits)))


def _numbers(key: str, schema: Row, known: Row, value: Any) -> list[Row]:
    schema = known[schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema
    rows = []
    for name, field in schema["properties"].items():
        if not isinstance(value, dict) or "anyOf" in field:
            continue  # a solvent's own properties have a reference of their own
        if "$ref" in field and "properties" in known[field["$ref"].rpartition("/")[2]]:
            rows += _numbers(f"{key}.{name}", field, known, value[name])
            continue
        rows.append(
            {
                "key": f"{key}.{name}",
                "value": value[name],
                "default": field.get("default"),
                "least": field.get("minimum"),
                "most": field.get("maximum"),
                "meaning": field.get("description", ""),
            }
        )
    return rows


def reason_rows() -> list[Row]:
    """The codes with which starts, finishes and requests are refused, in words."""
    return [{"reason": code, "text": text} for code, text in REASONS.items()]


def whole(limits: Limits) -> Row:
    """Everything in one object, for programs."""
    return {
        "causes": cause_rows(limits),
        "alarm_life": life_rows(),
        "light": light_rows(),
        "numbers": number_rows(limits),
    }
