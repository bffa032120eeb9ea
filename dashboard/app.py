"""The web application: one page a bench, its stream of news, and whether the server follows the broker."""

import logging
import re
import time
from pathlib import Path
from typing import Any

from flask import (
    Blueprint,
    Flask,
    Response,
    abort,
    current_app,
    jsonify,
    redirect,
    render_template,
    request,
    url_for,
)
from flask.typing import ResponseReturnValue

from dashboard import sign_in
from dashboard import stations as stations_page
from dashboard.access import Scope, check_rules, guard, open_to_all
from dashboard.api import bearer, problem
from dashboard.api.bearer import Rate
from dashboard.api.describe import description
from dashboard.api.record_views import records
from dashboard.api.views import stations
from dashboard.asking import asking
from dashboard.board import LOST_AFTER_S, Board, Liveness, Snapshot
from dashboard.cards import cards
from dashboard.chain_seen import SeenChain
from dashboard.collected import Collected
from dashboard.people import People
from dashboard.record import record
from dashboard.signing import signing
from dashboard.stations import LIST_LOST_AFTER_MS
from dashboard.stream import Gate, Printer, age_ms, messages
from dashboard.tokens import Tokens
from dashboard.view import bench_view
from shared.requests import IDENTIFIER, VERBS
from shared.sheet import Sheet, default_sheet

HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
STREAM_HEADERS = {"Cache-Control": "no-cache", "X-Accel-Buffering": "no"}
RETRY_AFTER_S = 10
RUNNING_FROM_A = 0.25  # as the station's settings have it unless told otherwise

_log = logging.getLogger(__name__)
_station_name = re.compile(IDENTIFIER)
pages = Blueprint("pages", __name__)


def create_app(
    live: Board,
    people: People | None = None,
    journal: Path | None = None,
    sheet: Sheet | None = None,
    *,
    tokens: Tokens | None = None,
    rates: dict[Scope, Rate] | None = None,
    running_from_a: float = RUNNING_FROM_A,
    collected: Collected | None = None,
) -> Flask:
    """The application over a board; it neither starts nor stops what fills the board.

    Without ``people`` nobody can sign in: the pages can only be read. ``journal``: a station's database, for
    the pages of what is recorded. Without ``tokens`` no program can call the JSON interface. ``rates``: how
    often programs may call, by scope, instead of the usual ones. ``running_from_a``: the current in amperes
    from which the extractor counts as running. ``collected``: the
    database of all stations.
    """
    app = Flask(__name__)
    app.jinja_env.trim_blocks = True
    app.jinja_env.lstrip_blocks = True
    app.extensions["benchward"] = _Rooms(live, app)
    app.before_request(guard)
    sign_in.install(app, people, live.clock)
    app.config["RECORD"] = journal
    app.extensions["benchward-chain"] = SeenChain()
    app.jinja_env.globals["has_record"] = journal is not None
    app.register_blueprint(pages)
    app.config["SHEET"] = sheet or default_sheet()
    app.extensions["benchward-live"] = live
    app.register_blueprint(record)
    app.register_blueprint(signing)
    app.register_blueprint(cards)
    app.register_blueprint(asking)
    app.config["RUNNING_FROM_A"] = running_from_a
    bearer.install(app, tokens, live.clock, rates)
    problem.install(app)
    for blueprint in (stations, records):
        app.extensions["csrf"].exempt(blueprint)  # no cookie opens these, so no other site can use one
        app.register_blueprint(blueprint)
    app.extensions["benchward-openapi"] = description(app)
    app.extensions[stations_page.KEY] = stations_page.sources(live, collected)
    app.register_blueprint(stations_page.stations)
    check_rules(app)
    app.after_request(_protect)
    return app


class _Rooms:
    """What the views need, one set for each application."""

    def __init__(self, board: Board, app: Flask) -> None:
        self.board = board
        self.printer = Printer(app.jinja_env)
        self.gate = Gate()


def _rooms() -> _Rooms:
    rooms: _Rooms = current_app.extensions["benchward"]
    return rooms


def _protect(response: Response) -> Response:
    for name, value in HEADERS.items():
        response.headers[name] = value
    response.headers.setdefault("Cache-Control", "no-store")
    return response


def _checked(station: str) -> str:
    """The name, if a station may have it; else the page does not exist."""
    if _station_name.fullmatch(station) is None:
        abort(404)
    return station


@pages.get("/")
@open_to_all
def benches() -> ResponseReturnValue:
    """Straight to the only bench, or the list of them."""
    board = _rooms().board
    names = board.stations()
    if len(names) == 1:
        return redirect(url_for("pages.bench", station=names[0]))
    now_s = board.clock()
    snapshots = [board.snapshot(name) for name in names]
    views = [bench_view(each, each.liveness(now_s, board.connected)) for each in snapshots]
    return render_template(
        "benches.html",
        views=views,
        lost_views=[bench_view(Snapshot(station=name), Liveness.SILENT) for name in names],
        lost_after_ms=LIST_LOST_AFTER_MS,
        connected=board.connected,
    )


@pages.get("/bench/<station>")
@open_to_all
def bench(station: str) -> ResponseReturnValue:
    """The bench as it is now; complete without scripts."""
    rooms = _rooms()
    snapshot = rooms.board.snapshot(_checked(station))
    liveness = snapshot.liveness(rooms.board.clock(), rooms.board.connected)
    printed = rooms.printer.printed(snapshot, liveness)
    lost = rooms.printer.printed(Snapshot(station=station, state=snapshot.state), Liveness.SILENT)
    return render_template(
        "bench.html",
        view=printed.view,
        title=printed.title,
        parts=printed.parts,
        lost_parts=lost.parts,
        lost_title=lost.title,
        age_ms=age_ms(rooms.board, snapshot),
        lost_after_ms=round(1000 * LOST_AFTER_S),
        verbs=" ".join(VERBS),
    )


@pages.get("/bench/<station>/stream")
@open_to_all
def stream(station: str) -> ResponseReturnValue:
    """The bench's news as server-sent events; refused when too many are open."""
    rooms = _rooms()
    _checked(station)
    address = request.remote_addr or ""
    if not rooms.gate.enter(address):
        _log.warning("A stream of %s was refused to %s: all places are taken", station, address)
        return Response(
            "Too many benches' pages are open, here or in all. Close one that nobody looks at.\n",
            status=503,
            mimetype="text/plain",
            headers={"Retry-After": str(RETRY_AFTER_S)},
        )
    hung_up: Any = request.environ.get("waitress.client_disconnected", _never)
    text = messages(rooms.board, rooms.printer, station, hung_up, time.sleep)
    response = Response(text, mimetype="text/event-stream", headers=STREAM_HEADERS)
    response.call_on_close(lambda: rooms.gate.leave(address))
    return response


@pages.get("/healthz")
@open_to_all
def healthz() -> ResponseReturnValue:
    """Up while the broker is followed, else down (503)."""
    up = _rooms().board.connected
    return jsonify(status="up" if up else "down"), 200 if up else 503


def _never() -> bool:
    return False
