"""The views of the interface: stations now and requests to them, and the document that describes it all."""

from typing import Any

import msgspec
from flask import Blueprint, current_app, g, request
from flask.typing import ResponseReturnValue
from spectree import Response

from dashboard.access import Scope, open_to_all, opens_with
from dashboard.api.describe import answers, api_description
from dashboard.api.problem import BASE, fail
from dashboard.api.shapes import Health, NamePage, StationLine, StationNow, StationPage
from dashboard.board import Board, Snapshot
from shared import requests
from shared.messages import Answer
from shared.requests import Unreadable, is_identifier, parse_json, print_text

WAIT_S = 5.0
stations = Blueprint("api_stations", __name__, url_prefix=BASE)


def _live() -> Any:
    """The board, which can also ask where it follows a broker (`live.Live`)."""
    return current_app.extensions["benchward-live"]


def _known(station: str) -> Snapshot:
    board: Board = _live()
    if not is_identifier(station) or station not in board.stations():
        fail(404, f"No station {station[:40]!r} was heard of. GET {BASE}/stations lists them.")
    return board.snapshot(station)


@stations.get("/stations")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(StationPage), tags=["stations"])
def list_stations(query: NamePage) -> Any:
    """List the stations heard of since this server started, by name."""
    board: Board = _live()
    names = [name for name in board.stations() if name > query.after]
    now_s = board.clock()
    items = []
    for name in names[: query.limit]:
        snapshot = board.snapshot(name)
        liveness = snapshot.liveness(now_s, board.connected)
        items.append(StationLine(station=name, liveness=liveness, age_s=snapshot.age_s(now_s)))
    return StationPage(items=items, next_after=items[-1].station if len(names) > query.limit else None)


@stations.get("/stations/<station>/state")
@opens_with(Scope.READ)
@api_description.validate(resp=answers(StationNow, 404), tags=["stations"])
def state(station: str) -> Any:
    """Give a station's newest state, and whether it is now."""
    snapshot = _known(station)
    board: Board = _live()
    now_s = board.clock()
    return StationNow(
        station=station,
        liveness=snapshot.liveness(now_s, board.connected),
        age_s=snapshot.age_s(now_s),
        state=snapshot.state,
    )


@stations.post("/stations/<station>/requests")
@opens_with(Scope.REQUEST)
@api_description.validate(resp=answers(Answer, 400, 404, 409, 413, 415, 422, 503, 504), tags=["stations"])
def ask(station: str) -> Any:
    """Ask a station; answered when the event is on its disk, and recorded by the token's name.

    409: the station refused, with its reasons. 504: it did not answer in time, and may have done it all the
    same; look at its events before asking again.
    """
    if request.mimetype != "application/json":
        fail(415, f"Content-Type is {request.mimetype!r}; send application/json.")
    wanted = parse_json(request.get_data())
    _known(station)
    if isinstance(wanted, Unreadable):
        fail(422, f"That is no request: {wanted.detail}.", reasons=[wanted.reason])
    if isinstance(wanted, requests.OFFICE_ONLY):
        fail(403, "Only a person may ask that, signed in at the pages.")
    if wanted.by not in (None, g.caller):
        fail(403, f"by is {wanted.by!r}; what this token asks is recorded as by {g.caller!r}.", at="by")
    if not isinstance(wanted, requests.SignIn):
        wanted = msgspec.structs.replace(wanted, by=g.caller)
    if not _live().connected:
        fail(503, "The broker cannot be reached, so no station can be asked.", {"Retry-After": "5"})
    answer: Answer | None = _live().ask(station, print_text(wanted), WAIT_S)
    if answer is None:
        fail(504, f"The station {station!r} did not answer within {WAIT_S:g} s. It may have done it.")
    if not answer.accepted:
        fail(409, "The station refused.", reasons=answer.reasons, seq=answer.seq)
    return answer


@stations.get("/healthz")
@open_to_all
@api_description.validate(resp=Response(HTTP_200=Health, HTTP_503=Health), tags=["server"])
def health() -> Any:
    """Say whether the server is up and follows the broker; no token needed."""
    up = _live().connected
    return current_app.json.response(status="up" if up else "down"), 200 if up else 503


@stations.get("/openapi.json")
@open_to_all
def document() -> ResponseReturnValue:
    """The description of this interface; no token needed."""
    return current_app.json.response(current_app.extensions["benchward-openapi"])
