"""Errors of the interface as problem details (RFC 9457): one shape, whatever went wrong."""

import inspect
from http import HTTPStatus
from typing import Any, NoReturn

import msgspec
from flask import Flask, Response, abort, current_app, request
from flask.typing import ResponseReturnValue
from werkzeug.exceptions import HTTPException, MethodNotAllowed

from dashboard import trouble
from shared.problems import BenchwardError

BASE = "/api/v1"
MIMETYPE = "application/problem+json"


class Problem(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """Problem details (RFC 9457). ``type`` is about:blank: ``status`` and ``detail`` say all there is to say.

    ``at``: the place of a wrong value, e.g. ``limit``. ``reasons`` and ``seq``: why a station refused a
    request, and the event that records it.
    """

    title: str
    status: int
    detail: str
    type: str = "about:blank"
    at: str | None = None
    reasons: list[str] | None = None
    seq: int | None = None


def problem(status: int, detail: str, headers: dict[str, str] | None = None, **more: Any) -> Response:
    """A response with problem details."""
    title = HTTPStatus(status).phrase
    body = msgspec.json.encode(Problem(title=title, status=status, detail=detail, **more))
    # RFC 9457 says that type is about:blank when it is left out; it is told, so that nobody need know.
    body = body[:-1] + b',"type":"about:blank"}'
    return Response(body, status=status, mimetype=MIMETYPE, headers=headers)


def fail(status: int, detail: str, headers: dict[str, str] | None = None, **more: Any) -> NoReturn:
    """End this request with problem details."""
    abort(problem(status, detail, headers, **more))


def refuse_invalid(_request: Any, _response: Any, error: Any, _instance: Any, _adapter: Any) -> None:
    """Before a view: a query that does not fit its description ends here, with the place of what is wrong."""
    if error is None:
        if request.args and not _takes_a_query(request.endpoint):
            key = next(iter(request.args))
            fail(422, f"{key!r} is not known here: this call takes no query.", at=key)
        return
    message, _, path = str(error).partition(" - at `")
    place = path.rstrip("`").removeprefix("$").lstrip(".")
    fail(422, f"{message}.", at=place or None)


def _takes_a_query(endpoint: str | None) -> bool:
    """Whether a view has a description of its query; one that has none would pass over a misspelt key."""
    return "query" in inspect.signature(current_app.view_functions[endpoint or ""]).parameters


def install(app: Flask) -> None:
    """Turn every error below ``/api/v1`` into problem details, also those that no view raised."""

    def http(error: HTTPException) -> ResponseReturnValue:
        if not request.path.startswith(f"{BASE}/") or error.response is not None:
            return trouble.say(error)
        headers = {}
        if isinstance(error, MethodNotAllowed) and error.valid_methods:
            headers["Allow"] = ", ".join(sorted(error.valid_methods))
        detail = error.description or ""
        if error.code == 404:
            detail = f"There is nothing at {request.path}; {BASE}/openapi.json says what there is."
        return problem(error.code or 500, detail, headers)

    app.register_error_handler(HTTPException, http)


def record_trouble(error: BenchwardError) -> ResponseReturnValue:
    """A record that is not there or cannot be read: not the caller's fault, and it may pass."""
    return problem(503, str(error), {"Retry-After": "30"})
