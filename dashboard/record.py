"""The pages made from the record: units, one unit, the safety review; and the review's tables as CSV."""

from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from flask import Blueprint, Response, abort, current_app, jsonify, render_template, request, url_for
from flask.typing import ResponseReturnValue

from dashboard.access import Role, opens_to
from dashboard.cards import code
from dashboard.chain_seen import SeenChain
from dashboard.drawing import Drawing, Frame, Tick, area, line
from dashboard.ranks import Comparison, compare
from dashboard.review_view import DAY_MS, Period, as_csv, period_of, review, undated_line
from dashboard.signing import ticket
from dashboard.unit_view import unit_view
from dashboard.words import duration_text
from shared.csv_lines import csv_text
from shared.curve import Point, curve
from shared.history import History
from shared.problems import BenchwardError, InputError
from shared.requests import is_identifier
from shared.sheet import Sheet
from shared.units import UnitHeat

PAGE = 100
MOST_ROWS = 40
SHOWN_DAYS = 7
LONGEST_DAYS = 400
COMPARED = 500
GOOD_OUTCOMES = ("delivered", "done", "repaired", "returned")

record = Blueprint("record", __name__)


@record.errorhandler(BenchwardError)
def _cannot(error: BenchwardError) -> ResponseReturnValue:
    """A record that cannot be read, or was asked for what it does not know, in words."""
    status = 404 if isinstance(error, InputError) else 503
    return render_template("trouble.html", message=str(error)), status


def _path() -> Path:
    path: Path | None = current_app.config.get("RECORD")
    if path is None:
        raise InputError("These pages are served without a record; start them with --db FILE.")
    return path


def solder_steps() -> list[str]:
    """The keys of the sheet's solder steps."""
    sheet: Sheet = current_app.config["SHEET"]
    return [step.key for step in sheet.step if step.kind == "solder"]


def _seen_chain() -> SeenChain:
    seen: SeenChain = current_app.extensions["benchward-chain"]
    return seen


@record.get("/units")
@opens_to(*Role)
def units() -> ResponseReturnValue:
    """The units on record, the newest first, with search, yield by step and model, and the comparison."""
    query = request.args.get("q", "").strip()
    model, outcome = request.args.get("model", ""), request.args.get("outcome", "")
    with History(_path()) as history:
        everything = history.units()
        closed = history.closed_heat(COMPARED)
    models = sorted({stay["model"] for stay in everything})
    outcomes = sorted({stay["outcome"] for stay in everything})
    found = [
        stay
        for stay in reversed(everything)
        if (not query or query.lower() in f"{stay['unit']} {stay['job'] or ''}".lower())
        and model in ("", stay["model"])
        and outcome in ("", stay["outcome"])
    ]
    return render_template(
        "units.html",
        stays=found[:PAGE],
        count=len(found),
        shown=min(PAGE, len(found)),
        models=models,
        outcomes=outcomes,
        query=query,
        model=model,
        outcome=outcome,
        by_step=_yield_by(found, lambda stay: [(step["step"], step["result"]) for step in stay["steps"]]),
        by_model=_yield_by(found, lambda stay: [(stay["model"], _fate(stay["outcome"]))]),
        comparisons=_comparisons(closed),
        good=", ".join(GOOD_OUTCOMES),
        most_compared=COMPARED,
    )


def _fate(outcome: str) -> str:
    if outcome == "open":
        return "running"
    return "pass" if outcome in GOOD_OUTCOMES else "fail"


def _yield_by(stays: list[dict[str, Any]], pairs: Any) -> list[tuple[str, int, int, str]]:
    """Passed and ended by name, with the share that passed; what still runs is in neither."""
    passed: dict[str, int] = {}
    ended: dict[str, int] = {}
    for stay in stays:
        for name, result in pairs(stay):
            if result in ("pass", "fail", "abandoned"):
                ended[name] = ended.get(name, 0) + 1
                passed[name] = passed.get(name, 0) + (result == "pass")
    return [(name, passed[name], whole, f"{passed[name] / whole:.0%}") for name, whole in ended.items()]


def _comparisons(closed: list[UnitHeat]) -> list[tuple[str, str, Comparison]]:
    """Were units that ended badly hotter, or hot for longer? Sizes, medians, chance; no verdict."""
    good = [unit for unit in closed if unit.outcome in GOOD_OUTCOMES]
    bad = [unit for unit in closed if unit.outcome not in GOOD_OUTCOMES]
    return [
        ("Hottest reading", "°C", compare([u.peak_c for u in good], [u.peak_c for u in bad])),
        ("Time at 80 °C or more", "min", compare([u.hot_min for u in good], [u.hot_min for u in bad])),
    ]


@record.get("/units/<unit>")
@opens_to(*Role)
def unit(unit: str) -> ResponseReturnValue:
    """What one unit went through."""
    if not is_identifier(unit):
        abort(404)
    with History(_path()) as history:
        if not history.knows_unit(unit):
            raise InputError(f"Unit {unit!r} was never booked in at this bench.")
        view = unit_view(history.unit_record(unit))
    picture = code(url_for("record.unit", unit=unit, _external=True))
    return render_template("unit.html", view=view, code=picture)


@record.get("/review")
@opens_to(Role.SAFETY_LEAD)
def safety_review() -> ResponseReturnValue:
    """A range of days, for the safety lead; made to be printed."""
    period = _period()
    with History(_path()) as history:
        view = review(history, period, solder_steps(), _seen_chain())
        points = curve(_path(), period.from_ms, period.to_ms)
    return render_template(
        "review.html",
        view=view,
        period=period,
        undated=undated_line(view.undated),
        most=MOST_ROWS,
        library=chart_library(),
        ticket=ticket(f"{period.first_day}/{period.last_day}", view.head) if view.chain_good else None,
        drawing=curve_drawing(points, period),
        made=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
    )


@record.get("/curve.json")
@opens_to(*Role)
def curve_points() -> ResponseReturnValue:
    """The plate between two moments (Unix ms): [s, mean, lowest, highest], a null where a gap begins."""
    from_ms, to_ms = _moment("from"), _moment("to")
    if not 0 < to_ms - from_ms <= (LONGEST_DAYS + 1) * DAY_MS:
        raise InputError(f"from {from_ms} to {to_ms} is no stretch of time of at most {LONGEST_DAYS} days.")
    found = curve(_path(), from_ms, to_ms)
    points: list[list[float | None]] = []
    for stretch in _stretches([point for point in found if point.mean_c is not None]):
        points += [[point.at_ms / 1000, point.mean_c, point.min_c, point.max_c] for point in stretch]
        last = stretch[-1]
        points.append([(last.at_ms + last.width_ms) / 1000, None, None, None])
    return jsonify(points=points)


def _moment(name: str) -> int:
    text = request.args.get(name, "")
    try:
        return int(text)
    except ValueError as error:
        raise InputError(f"{name} is {text!r}, not a whole number of milliseconds.") from error


def chart_library() -> str | None:
    """The chart library's name under ``static/vendor``, where it was brought in (`deploy/chart-library`)."""
    found = sorted((Path(__file__).parent / "static" / "vendor").glob("uplot-*.js"))
    return found[-1].stem if found else None


@record.get("/review/<table>.csv")
@opens_to(Role.SAFETY_LEAD)
def review_csv(table: str) -> ResponseReturnValue:
    """One table of the review as CSV (RFC 4180)."""
    with History(_path()) as history:
        view = review(history, _period(), solder_steps(), _seen_chain())
    found = next((each for each in (*view.tables, view.performance) if each.key == table), None)
    if found is None:
        abort(404)
    headers = {"Content-Disposition": f'attachment; filename="{table}.csv"'}
    return Response(csv_text(as_csv(found)), mimetype="text/csv", headers=headers)


def _period() -> Period:
    """The days asked for, or the last week."""
    today = datetime.now(UTC).date()
    first = _day("from", today - timedelta(days=SHOWN_DAYS - 1))
    last = _day("to", today)
    if last < first:
        raise InputError(f"The review would end ({last}) before it begins ({first}).")
    if (last - first).days > LONGEST_DAYS:
        raise InputError(f"A review of {(last - first).days} days is too long; {LONGEST_DAYS} at most.")
    return period_of(str(first), str(last), _midnight_ms(first), _midnight_ms(last))


def _day(name: str, otherwise: date) -> date:
    text = request.args.get(name)
    if not text:
        return otherwise
    try:
        return date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"{name} is {text!r}, not a day such as 2026-03-02.") from error


def _midnight_ms(day: date) -> int:
    return round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp() * 1000)


def curve_drawing(points: list[Point], period: Period) -> Drawing | None:
    """The plate over the period: its mean, and the span between its extremes."""
    known = [point for point in points if point.mean_c is not None]
    if not known:
        return None
    lows = [point.min_c for point in known if point.min_c is not None]
    highs = [point.max_c for point in known if point.max_c is not None]
    begin_s, end_s = period.from_ms / 1000, period.to_ms / 1000
    frame = Frame(begin_s, end_s, min(lows), max(highs))
    lines, areas = [], []
    for stretch in _stretches(known):
        middles = [((p.at_ms + p.width_ms / 2) / 1000, p.mean_c or 0.0) for p in stretch]
        lines.append(line(frame, middles if len(middles) > 1 else [middles[0], middles[0]]))
        areas.append(
            area(
                frame, [((p.at_ms + p.width_ms / 2) / 1000, p.min_c or 0.0, p.max_c or 0.0) for p in stretch]
            )
        )
    days = (end_s - begin_s) / 86_400
    step = max(1, round(days / 8))
    columns = tuple(
        Tick(frame.x(begin_s + 86_400 * day), _day_text(period.from_ms + 86_400_000 * day))
        for day in range(0, int(days), step)
    )
    title = f"Plate in °C, {duration_text(end_s - begin_s)}"
    return Drawing(title=title, lines=tuple(lines), areas=tuple(areas), rows=frame.rows(), columns=columns)


def _day_text(wall_ms: int) -> str:
    return datetime.fromtimestamp(wall_ms / 1000, UTC).strftime("%d %b")


def _stretches(points: list[Point]) -> list[list[Point]]:
    """Points that follow each other without a gap."""
    found: list[list[Point]] = []
    for point in points:
        if found and point.at_ms - found[-1][-1].at_ms <= 1.5 * point.width_ms:
            found[-1].append(point)
        else:
            found.append([point])
    return found
