"""All stations on one page, and a day of one of them out of the collected database."""

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import Any

import msgspec
from flask import Blueprint, abort, current_app, render_template, request
from flask.typing import ResponseReturnValue

from dashboard.access import Role, open_to_all, opens_to
from dashboard.band import band
from dashboard.board import Board
from dashboard.collected import Collected, LastSeen, Minute
from dashboard.drawing import Drawing, Frame, Tick, area, line
from dashboard.words import duration_text, event_text
from shared.events import body_from_fields
from shared.problems import BenchwardError, InputError
from shared.requests import is_identifier

DAY_S = 86_400
KEY = "benchward-stations"
LOOK_AGAIN_S = 10.0
LIST_LOST_AFTER_MS = 4000
"""A list in a browser fetches itself every 1.5 s; older than this, it says that it has lost its server."""
LOST = "This page has lost its server. Go by the bench and its light."

stations = Blueprint("stations", __name__)


class _Sources:
    """Where these pages look: what is live, and what was collected, if anything was."""

    def __init__(self, board: Board, collected: Collected | None) -> None:
        self.board = board
        self.collected = collected
        self._seen: tuple[float, dict[str, LastSeen]] | None = None

    def last_seen(self) -> dict[str, LastSeen]:
        """What was collected last of each station; looked up anew after some seconds, however many ask."""
        if self.collected is None:
            return {}
        now_s = self.board.clock()
        if self._seen is None or now_s - self._seen[0] >= LOOK_AGAIN_S:
            self._seen = now_s, {each.station: each for each in self.collected.last_seen()}
        return self._seen[1]


def sources(board: Board, collected: Collected | None) -> object:
    """What `create_app` keeps under KEY for these pages."""
    return _Sources(board, collected)


class StationLine(msgspec.Struct, frozen=True, kw_only=True):
    """One station in the list. ``last``: when it was last heard of, in words; ``day``: the last day."""

    station: str
    word: str
    line: str
    last: str
    day: str | None


def _sources() -> _Sources:
    found: _Sources = current_app.extensions[KEY]
    return found


def _collected() -> Collected:
    collected = _sources().collected
    if collected is None:
        raise InputError(
            "These pages are served without a collected database; start them with --collected URL."
        )
    return collected


@stations.errorhandler(BenchwardError)
def _cannot(error: BenchwardError) -> ResponseReturnValue:
    """A database that cannot be read, or was asked for what it does not know, in words."""
    return render_template("trouble.html", message=str(error)), 404 if isinstance(error, InputError) else 503


@stations.get("/stations")
@open_to_all
def every_station() -> ResponseReturnValue:
    """Every station that is heard, or was ever collected, with how it is and when it was last heard of."""
    board, collected = _sources().board, _sources().collected
    now_s = datetime.now(UTC).timestamp()
    last = _sources().last_seen()
    lines = []
    for name in sorted({*board.stations(), *last}):
        snapshot = board.snapshot(name)
        head = band(snapshot, snapshot.liveness(board.clock(), board.connected))
        seen = last.get(name)
        if (age_s := snapshot.age_s(board.clock())) is not None:
            words = f"heard {duration_text(age_s)} ago"
        elif seen is not None:
            words = f"collected {moment(seen.at_s, seen.dated)}, {_ago(now_s - seen.at_s)}"
        else:
            words = "nothing collected"
        lines.append(StationLine(station=name, word=head.word, line=head.line, last=words, day=_day_of(seen)))
    return render_template(
        "stations.html",
        lines=lines,
        lost_lines=[msgspec.structs.replace(each, word="Lost", line=LOST, last="–") for each in lines],
        lost_after_ms=LIST_LOST_AFTER_MS,
        has_past=collected is not None,
    )


@stations.get("/stations/<station>")
@opens_to(*Role)
def past(station: str) -> ResponseReturnValue:
    """A day of the station (UTC): the plate by minutes, the events, and which events are missing."""
    if not is_identifier(station):
        abort(404)
    day, collected = _day(), _collected()
    from_s = round(datetime(day.year, day.month, day.day, tzinfo=UTC).timestamp())
    minutes = collected.minutes(station, from_s, from_s + DAY_S)
    told = [
        (moment(each.at_s, each.dated), each.seq, _text(each.data))
        for each in collected.events(station, from_s, from_s + DAY_S)
    ]
    return render_template(
        "past.html",
        station=station,
        day=day,
        before=day - timedelta(days=1),
        after=day + timedelta(days=1),
        drawing=drawing_of(minutes, from_s),
        events=told,
        gaps=collected.gaps(station),
    )


def _ago(seconds: float) -> str:
    """Beyond two days, in days."""
    days = int(seconds // DAY_S)
    return f"{days} days ago" if days > 2 else f"{duration_text(seconds)} ago"


def _day_of(seen: LastSeen | None) -> str | None:
    return None if seen is None else datetime.fromtimestamp(seen.at_s, UTC).strftime("%Y-%m-%d")


def _day() -> date:
    text = request.args.get("day")
    try:
        day = datetime.now(UTC).date() if not text else date.fromisoformat(text)
    except ValueError as error:
        raise InputError(f"day is {text!r}, not a day such as 2026-03-02.") from error
    if not 1971 <= day.year <= 9000:
        raise InputError(f"day is {text!r}; nothing was collected then.")
    return day


def moment(at_s: float, dated: bool) -> str:
    """The moment in UTC, with ``about`` where the station's clock was never told."""
    text = datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M:%S")
    return text if dated else f"about {text}"


def _text(data: dict[str, Any]) -> str:
    """The event as a sentence; one of a kind that this version does not know, by its kind."""
    try:
        return event_text(body_from_fields(data))
    except msgspec.ValidationError:
        return str(data.get("kind"))


def drawing_of(minutes: list[Minute], from_s: int) -> Drawing | None:
    """The day's plate: its mean and the span between its extremes; a gap stays open."""
    known = [
        (each.at_s, each.mean_c, each.min_c, each.max_c)
        for each in minutes
        if each.mean_c is not None and each.min_c is not None and each.max_c is not None
    ]
    if not known:
        return None
    frame = Frame(from_s, from_s + DAY_S, min(each[2] for each in known), max(each[3] for each in known))
    stretches = [[known[0]]]
    for one, other in pairwise(known):
        if other[0] - one[0] > 60:
            stretches.append([])
        stretches[-1].append(other)
    columns = tuple(Tick(frame.x(from_s + 3600 * hour), f"{hour:02d}:00") for hour in range(0, 24, 3))
    return Drawing(
        title="Plate in °C over the day (UTC)",
        lines=tuple(line(frame, _middles(stretch)) for stretch in stretches),
        areas=tuple(area(frame, [(s, low, high) for s, _, low, high in stretch]) for stretch in stretches),
        rows=frame.rows(),
        columns=columns,
    )


def _middles(stretch: list[tuple[int, float, float, float]]) -> list[tuple[float, float]]:
    """At least two points, so that a lone minute is seen."""
    points = [(at_s + 30.0, mean_c) for at_s, mean_c, _, _ in stretch]
    return (
        points if len(points) > 1 else [(points[0][0] - 30, points[0][1]), (points[0][0] + 30, points[0][1])]
    )
