"""Asking a bench from its page: a signed-in person's request to the station, its answer in words."""

from collections.abc import Callable
from typing import Any, Protocol

from flask import Blueprint, abort, current_app, flash, jsonify, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from dashboard.access import Role, opens_to
from dashboard.board import Liveness, Snapshot
from shared import requests
from shared.messages import Answer
from shared.requests import AnyRequest, Unreadable, is_identifier, parse_text, print_text
from shared.wording import reason_text

WAIT_S = 5.0
asking = Blueprint("asking", __name__)
# Only the safety lead may ask these, and only in their own name.
_LEADS = (requests.OutOfService, requests.InService, requests.SignReview)


class Station(Protocol):
    """Whoever can be asked (`live.Live`)."""

    clock: Callable[[], float]
    connected: bool

    def ask(self, station: str, text: str, timeout_s: float) -> Answer | None:
        """The answer, or None where none came in time."""

    def snapshot(self, station: str) -> Snapshot:
        """What is known of the station."""


@asking.post("/bench/<station>/request")
@opens_to(Role.TECHNICIAN, Role.SAFETY_LEAD)
def ask(station: str) -> ResponseReturnValue:
    """Send one request; the answer as JSON for scripts, else as a word on the bench's page."""
    if not is_identifier(station):
        abort(404)
    wanted = parse_text(_written(request.form))
    accepted, words, status = _asked(station, wanted)
    if request.accept_mimetypes.best == "application/json":
        return jsonify(accepted=accepted, text=words), status
    flash(words)
    return redirect(url_for("pages.bench", station=station))


def _written(form: Any) -> str:
    """The request as text: written whole, or a verb with fields of the form."""
    if "request" in form:
        return str(form["request"])
    fields = {key: value for key, value in form.items() if key not in ("verb", "csrf_token") and value}
    parsed = requests.parse_json(_as_json({"verb": form.get("verb", ""), **fields}))
    return print_text(parsed)


def _as_json(fields: dict[str, str]) -> bytes:
    return current_app.json.dumps(fields).encode()


def _asked(station: str, wanted: AnyRequest | Unreadable) -> tuple[bool, str, int]:
    """Whether it was accepted, what to say, and the status; a refusal is an answer like any."""
    if isinstance(wanted, Unreadable):
        return False, f"That is no request: {wanted.detail}.", 400
    if not _may(wanted):
        return False, "That is for the safety lead to ask.", 403
    live: Station = current_app.extensions["benchward-live"]
    for_itself = isinstance(wanted, requests.SignIn | requests.SignOut | requests.SignReview)
    if _at_bench(live, station) != current_user.name and not for_itself:
        # Whoever works at the page is whom the record names: without that, nothing is asked in their name.
        signed_in = live.ask(station, f"sign-in technician={current_user.name}", WAIT_S)
        if signed_in is None or not signed_in.accepted:
            return _in_words(signed_in)
    return _in_words(live.ask(station, print_text(wanted), WAIT_S))


def _at_bench(live: Station, station: str) -> str | None:
    """Whom the station takes to be at the bench now; None where what is known of it is not of now."""
    snapshot = live.snapshot(station)
    now = snapshot.liveness(live.clock(), live.connected) is Liveness.LIVE
    return snapshot.state.technician if now and snapshot.state is not None else None


def _in_words(answer: Answer | None) -> tuple[bool, str, int]:
    if answer is None:
        return False, "The station did not answer. Look at the bench; it may have been done.", 504
    if answer.accepted:
        return True, "Done.", 200
    return False, " ".join(reason_text(code) for code in answer.reasons), 200


def _may(wanted: AnyRequest) -> bool:
    name = current_user.name
    if isinstance(wanted, _LEADS):
        return bool(current_user.role == Role.SAFETY_LEAD and wanted.by == name)
    return not isinstance(wanted, requests.SignIn) or bool(wanted.technician == name)
