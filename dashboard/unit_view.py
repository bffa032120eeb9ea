"""One unit's record as words, figures and a drawing: what the panel went through, start to end."""

from collections.abc import Sequence
from typing import Any

import msgspec

from dashboard.drawing import Band, Drawing, Frame, Mark, Tick, line, thinned, time_step_s
from dashboard.words import capital, duration_text, event_text, moment_text, plain
from shared import heat
from shared.alarm_lives import Life
from shared.events import EventBody
from shared.timeline import rfc3339
from shared.units import UnitRecord

URGENT = ("critical", "high")
# What each figure means to somebody who has to judge a panel by it.
MEANINGS = {
    "duration_s": ("On the plate", "all placements together"),
    "coverage": ("Of that with a reading", "the rest is not known, and never guessed"),
    "peak_c": ("Hottest", "the highest reading of the plate below it"),
    "mean_c": ("Mean", "weighted by time"),
    "max_rise_c_per_min": ("Steepest rise", "in any minute: heat shock"),
    "heat_cycles": ("Heat cycles", "times it came up to 60 °C after having been below 50 °C"),
    "mean_kinetic_c": ("Mean kinetic", "the one temperature that ages as much; USP <1160>, ΔH/R = 10 000 K"),
    "equivalent_min_at_100c": (
        "Dose",
        "minutes at 100 °C that would age as much; ranks panels against each other, is no lifetime",
    ),
}


class StepLine(msgspec.Struct, frozen=True, kw_only=True):
    """One attempt at a step."""

    step: str
    attempt: int
    began: str
    took: str
    result: str
    findings: str
    technician: str


class FigureLine(msgspec.Struct, frozen=True, kw_only=True):
    """One figure of the heat history with its unit and meaning."""

    name: str
    value: str
    meaning: str


class UnitView(msgspec.Struct, frozen=True, kw_only=True):
    """Everything the page of a unit shows."""

    unit: str
    model: str
    job: str
    outcome: str
    steps: tuple[StepLine, ...]
    figures: tuple[FigureLine, ...]
    gaps: tuple[str, ...]
    drawing: Drawing | None
    happened: tuple[tuple[str, str], ...]
    alarms: int


def unit_view(record: UnitRecord) -> UnitView:
    """The page of one unit."""
    found = record.heat
    return UnitView(
        unit=record.unit,
        model=record.model,
        job=record.job or "–",
        outcome=capital(record.outcome or "open"),
        steps=tuple(_step_line(step) for step in record.steps),
        figures=_figures(found) if found["intervals"] else (),
        gaps=(*map(_gap_text, found["gaps"]), *_unmeasured(found["unseen"])),
        drawing=_drawing(record),
        happened=tuple((_when(wall_ms), _told(body)) for wall_ms, body in record.events),
        alarms=len(record.alarms),
    )


def _when(wall_ms: int | None) -> str:
    text = rfc3339(wall_ms)
    return "time unknown" if text is None else f"{text[:10]} {moment_text(text)}"


def _told(body: EventBody) -> str:
    who = f" ({body.technician})" if body.technician else ""
    return event_text(body) + who


def _step_line(step: Any) -> StepLine:
    took = "–"
    if step.ended_ms is not None and step.ended_boot == step.boot:
        took = duration_text((step.ended_ms - step.started_ms) / 1000)
    return StepLine(
        step=step.step,
        attempt=step.attempt,
        began=_when(step.started_wall_ms),
        took=took,
        result=step.result or "running",
        findings="; ".join(f"{plain(key)}: {value}" for key, value in step.findings.items()),
        technician=step.technician or "–",
    )


def _gap_text(gap: dict[str, Any]) -> str:
    return f"{duration_text(gap['to_s'] - gap['from_s'])} without a reading"


def _unmeasured(unseen: Sequence[dict[str, Any]]) -> list[str]:
    return [
        "An unknown time without a reading: no station ran, and its boots have no dates to measure it by"
        for stretch in unseen
        if stretch["length_s"] is None
    ]


def _figures(found: dict[str, Any]) -> tuple[FigureLine, ...]:
    lines = [
        FigureLine(name=name, value=_least(key, found) + _value(key, found[key]), meaning=meaning)
        for key, (name, meaning) in MEANINGS.items()
    ]
    lines += [
        FigureLine(
            name=f"At {limit} °C or more", value=duration_text(time_s), meaning="all placements together"
        )
        for limit, time_s in found["time_above_s"].items()
    ]
    return tuple(lines)


def _least(key: str, found: dict[str, Any]) -> str:
    """Said before a time on the plate to which an unknown one adds."""
    return "at least " if key == "duration_s" and _unmeasured(found["unseen"]) else ""


def _value(key: str, value: float | None) -> str:
    if value is None:
        return "not known"
    match key:
        case "duration_s":
            return duration_text(value)
        case "coverage":
            return f"{value:.1%}"
        case "heat_cycles":
            return str(value)
        case "max_rise_c_per_min":
            return f"{value:.1f} °C/min"
        case "equivalent_min_at_100c":
            return f"{value:.1f} min"
    return f"{value:.1f} °C"


def _drawing(record: UnitRecord) -> Drawing | None:
    """The plate while the unit lay on it, its placements one after the other, with steps, gaps and alarms."""
    if not record.runs:
        return None
    starts, whole_s = _placed(record.intervals)
    peaks = [plate_c for run in record.runs for _, plate_c in run.points]
    frame = Frame(0.0, whole_s, min(20.0, *peaks), max(120.0, *peaks))

    def along(boot: str, at_s: float) -> float | None:
        for interval, start_s in starts:
            if interval.boot == boot and interval.from_s <= at_s <= interval.to_s:
                return start_s + at_s - interval.from_s
        return None

    lines = []
    for run in record.runs:
        points = [(along(run.boot, at_s), plate_c) for at_s, plate_c in run.points]
        known = [(at_s, plate_c) for at_s, plate_c in points if at_s is not None]
        if len(known) > 1:
            lines.append(line(frame, thinned(known)))
    step_s = time_step_s(whole_s)
    return Drawing(
        title=f"Plate under {record.unit}, in °C over time on the plate",
        lines=tuple(lines),
        bands=_bands(record, frame, along),
        marks=_marks(record.alarms, frame, along),
        rows=frame.rows(),
        columns=tuple(
            Tick(frame.x(at_s), duration_text(at_s)) for at_s in range(0, int(whole_s) + 1, step_s)
        ),
    )


def _placed(intervals: Sequence[heat.Interval]) -> tuple[list[tuple[heat.Interval, float]], float]:
    """Where each placement begins when they are put one after the other, and how long they are in all."""
    starts, whole_s = [], 0.0
    for interval in intervals:
        starts.append((interval, whole_s))
        whole_s += interval.to_s - interval.from_s
    return starts, whole_s


def _bands(record: UnitRecord, frame: Frame, along: Any) -> tuple[Band, ...]:
    bands: list[Band] = []
    for interval in record.intervals:
        for key, when in record.step_intervals:
            begin_s, end_s = max(when.from_s, interval.from_s), min(when.to_s, interval.to_s)
            if when.boot != interval.boot or end_s <= begin_s:
                continue
            left, right = along(when.boot, begin_s), along(when.boot, end_s)
            if left is not None and right is not None:
                x = frame.x(left)
                bands.append(Band(x, round(frame.x(right) - x, 1), key, len(bands) % 2 == 0))
    return tuple(bands)


def _marks(alarms: Sequence[Life], frame: Frame, along: Any) -> tuple[Mark, ...]:
    marks = []
    for life in alarms:
        at_s = along(life.raised.boot, life.raised.mono_ms / 1000)
        if at_s is not None:
            marks.append(Mark(frame.x(at_s), plain(life.alarm), life.priority in URGENT))
    return tuple(marks)
