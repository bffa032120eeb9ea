"""The views of the interface on what is recorded: units, heat, events, alarms, the extractor."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar

import msgspec
from flask import Blueprint, Response, current_app, request
from flask.typing import ResponseReturnValue
from msgspec import UnsetType
from werkzeug.datastructures import MIMEAccept
from werkzeug.http import parse_accept_header

from dashboard.access import Scope, opens_with
from dashboard.api import shapes
from dashboard.api.describe import answers, api_description
from dashboard.api.problem import BASE, fail, record_trouble
from shared.alarm_lives import Life, lives
from shared.alarm_performance import performance
from shared.csv_lines import csv_text
from shared.history import History
from shared.problems import BenchwardError, FailureError
from shared.proof import proof
from shared.requests import is_identifier
from shared.sheet import Sheet
from shared.stored import Filter
from shared.timeline import EPOCH, Moment, rfc3339
from shared.units import StepRecord, UnitFilter

HOUR_S, HOUR_MS = 3600, 3_600_000
CSV_COLUMNS = ("at", "boot", "mono_s", "plate_mean_c", "plate_max_c", "valid_s")
records = Blueprint("api_records", __name__, url_prefix=BASE)
records.register_error_handler(BenchwardError, record_trouble)
T = TypeVar("T")
View = TypeVar("View", bound=Callable[..., Any])


@contextmanager
def _record() -> Iterator[History]:
    path: Path | None = current_app.config.get("RECORD")
    if path is None:
        raise FailureError("This server has no record; start it with --db FILE.")
    with History(path) as history:
        yield history


def _given(value: T | UnsetType) -> T | None:
    """What a query says, or None."""
    return None if isinstance(value, UnsetType) else value


def _ms(time: datetime | UnsetType) -> int | None:
    return None if isinstance(time, UnsetType) else round((time - EPOCH).total_seconds() * 1000)


def _filter(query: Any, **more: Any) -> Filter:
    from_ms, to_ms = _ms(query.from_), _ms(query.to)
    if from_ms is not None and to_ms is not None and to_ms < from_ms:
        fail(422, f"to is {query.to.isoformat()}, before from.", at="to")
    return Filter(from_ms=from_ms, to_ms=to_ms, **more)


def _unit_name(unit: str) -> str:
    if not is_identifier(unit):
        fail(404, f"{unit[:40]!r} is no name of a unit: 1 to 40 of letters, digits, '-', '_' and '.'.")
    return unit


def _known(history: History, unit: str) -> None:
    if not history.knows_unit(unit):
        fail(404, f"The record does not know the unit {unit!r}.")


@records.get("/units")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.UnitPage, 503), tags=["record"])
def units(query: shapes.UnitQuery) -> Any:
    """List units' stays at the bench, in order of booking in."""
    which = UnitFilter(*map(_given, (query.unit, query.model, query.job, query.outcome)))
    with _record() as history:
        page = history.stay_page(query.after, query.limit + 1, which)
    items = [msgspec.convert({"seq": seq, **stay}, shapes.Stay) for seq, stay in page[: query.limit]]
    return shapes.UnitPage(items=items, next_after=items[-1].seq if len(page) > query.limit else None)


@records.get("/units/<unit>")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.Unit, 404, 503), tags=["record"])
def unit(unit: str) -> Any:
    """Give a unit's newest stay, every attempt at a step, and the alarms in them; its heat stands apart."""
    name = _unit_name(unit)
    with _record() as history:
        _known(history, name)
        stay = history.units(UnitFilter(unit=name))[-1]
        steps = history.steps_of(name)
        told = list(history.told(Filter(unit=name)))
    return shapes.Unit(
        unit=name,
        model=stay["model"],
        job=stay["job"],
        outcome=stay["outcome"],
        attempts=[_attempt(step) for step in steps],
        alarms=[_annunciation(life) for life in lives(told)],
    )


def _attempt(step: StepRecord) -> shapes.Attempt:
    ended_ms = step.ended_wall_ms
    return shapes.Attempt(
        step=step.step,
        attempt=step.attempt,
        technician=step.technician,
        started=rfc3339(step.started_wall_ms),
        ended=rfc3339(ended_ms),
        result=step.result or "running",
        findings=step.findings,
    )


def _or_csv(trace: Callable[[str], ResponseReturnValue]) -> Callable[[View], View]:
    """Answer with another view where the caller would rather have CSV; 406 where neither will do."""

    def chosen(view: View) -> View:
        @wraps(view)
        def choose(unit: str) -> Any:
            wanted = request.headers.get("Accept", "*/*")  # none: anything (RFC 9110, 12.5.1)
            kinds = parse_accept_header(wanted, MIMEAccept)
            best = kinds.best_match(["application/json", "text/csv"])
            if best is None:
                fail(406, f"Accept is {wanted!r}; here are application/json and text/csv.")
            return trace(unit) if best == "text/csv" else view(unit)

        return choose  # type: ignore[return-value]

    return chosen


def _trace(unit: str) -> ResponseReturnValue:
    name = _unit_name(unit)
    with _record() as history:
        _known(history, name)
        rows = history.heat_rows(name)
    lines = [
        (rfc3339(wall_ms), row.boot, row.second, row.mean_c, row.max_c, row.known_s) for row, wall_ms in rows
    ]
    headers = {"Content-Disposition": f'attachment; filename="{name}-heat.csv"', "Vary": "Accept"}
    return Response(csv_text([CSV_COLUMNS, *lines]), mimetype="text/csv", headers=headers)


@records.get("/units/<unit>/heat")
@opens_with(Scope.READ)
@_or_csv(_trace)
@api_description.validate(resp=answers(shapes.UnitHeat, 404, 406, 503), tags=["record"])
def heat(unit: str) -> Any:
    """Give a unit's heat history: figures as JSON, or with Accept: text/csv the seconds they come from.

    In the CSV a second without a valid reading has empty temperatures; at is empty while the wall time is
    unknown.
    """
    name = _unit_name(unit)
    with _record() as history:
        _known(history, name)
        found = history.heat(name)
    return msgspec.convert(found, shapes.UnitHeat)


@records.get("/events")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.EventPage, 503), tags=["record"])
def events(query: shapes.EventQuery) -> Any:
    """List events, oldest first; poll with the last seq as after to follow them."""
    which = _filter(query, kind=_given(query.kind), unit=_given(query.unit))
    with _record() as history:
        page = history.event_page(query.after, query.limit + 1, which)
    items = [dated.to_dict() for dated in page[: query.limit]]
    return shapes.EventPage(items=items, next_after=items[-1]["seq"] if len(page) > query.limit else None)


@records.get("/alarms")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.AlarmPage, 503), tags=["alarms"])
def alarms(query: shapes.AlarmQuery) -> Any:
    """List every annunciation of an alarm and how its life went on, by when it was raised."""
    period = _filter(query)
    with _record() as history:
        told = list(history.told(Filter(family="alarm")))  # what was raised within may end after the period
    found = [life for life in lives(told) if life.seq > query.after and _within(life.raised, period)]
    items = [_annunciation(life) for life in found[: query.limit]]
    return shapes.AlarmPage(items=items, next_after=items[-1].seq if len(found) > query.limit else None)


def _within(moment: Moment, period: Filter) -> bool:
    if moment.wall_ms is None:
        return period.from_ms is None and period.to_ms is None
    early = period.from_ms is not None and moment.wall_ms < period.from_ms
    return not early and (period.to_ms is None or moment.wall_ms < period.to_ms)


def _annunciation(life: Life) -> shapes.Annunciation:
    def when(moment: Moment | None) -> str | None:
        return None if moment is None else rfc3339(moment.wall_ms)

    return shapes.Annunciation(
        seq=life.seq,
        alarm=life.alarm,
        priority=life.priority,
        unit=life.unit,
        step=life.step,
        reason=life.reason,
        boot=life.raised.boot,
        raised=when(life.raised),
        acknowledged=when(life.acknowledged),
        returned=when(life.returned),
        closed=None if life.aside else when(life.over),
        put_aside=when(life.over) if life.aside else None,
        active=life.over is None,
    )


@records.get("/alarms/performance")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.Performance, 503), tags=["alarms"])
def alarm_performance(query: shapes.PeriodQuery) -> Any:
    """Judge the alarms by their published benchmarks."""
    which = _filter(query)
    with _record() as history:
        found = performance(history.told(which), history.spans(which.from_ms, which.to_ms))
    return msgspec.convert(found.to_dict(), shapes.Performance)


@records.get("/extraction")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(shapes.Extraction, 503), tags=["record"])
def extraction(query: shapes.PeriodQuery) -> Any:
    """Tell the extractor's hours, and the share of soldering time with proof."""
    which = _filter(query)
    sheet: Sheet = current_app.config["SHEET"]
    solder = [step.key for step in sheet.step if step.kind == "solder"]
    running_from_a: float = current_app.config["RUNNING_FROM_A"]
    with _record() as history:
        run_s, blind_s = history.extractor_seconds(running_from_a, which.from_ms, which.to_ms)
        # Proof, and steps that began before the period or end after it, are known only from all of it.
        ends = {span.boot: span.to_ms for span in history.spans()}
        seen = proof(history.told(), solder, which.from_ms, which.to_ms, ends)
    proven_ms = sum(run.proven_ms for run in seen.soldering)
    return shapes.Extraction(
        hours_run=run_s / HOUR_S,
        hours_without_current=blind_s / HOUR_S,
        running_from_a=running_from_a,
        hours_proven=seen.proven_ms / HOUR_MS,
        proof_losses=seen.losses,
        hours_soldering=seen.soldering_ms / HOUR_MS,
        hours_soldering_proven=proven_ms / HOUR_MS,
        soldering_proven_share=seen.share,
    )
