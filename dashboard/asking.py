"""Asking a bench from its page: a signed-in person's request to the station, its answer in words."""

from collections.abc import Callable
from typing import Any, Protocol

import msgspec
from flask import Blueprint, abort, current_app, flash, jsonify, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from dashboard.access import Role, opens_to
from dashboard.board import Liveness, Snapshot
from dashboard.words import done_text, unreadable_text
from shared import requests
from shared.messages import Answer
from shared.requests import AnyRequest, Unreadable, is_identifier, parse_text, print_text
from shared.wording import reason_text

WAIT_S = 5.0
asking = Blueprint("asking", __name__)
# Only the safety lead may ask these.
_LEADS = (requests.OutOfService, requests.InService)


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
    wanted = _wanted(request.form)
    accepted, words, status = _asked(station, wanted)
    if request.accept_mimetypes.best == "application/json":
        return jsonify(accepted=accepted, text=words), status
    flash(words)
    return redirect(url_for("pages.bench", station=station))


def _wanted(form: Any) -> AnyRequest | Unreadable:
    """The request: written whole, or a verb with fields of the form."""
    if "request" in form:
        return parse_text(str(form["request"]))
    fields = {key: value for key, value in form.items() if key not in ("verb", "csrf_token") and value}
    fields.setdefault("by", current_user.name)
    return requests.parse_json(_as_json({"verb": form.get("verb", ""), **fields}))


def _as_json(fields: dict[str, str]) -> bytes:
    return current_app.json.dumps(fields).encode()


def _asked(station: str, wanted: AnyRequest | Unreadable) -> tuple[bool, str, int]:
    """Whether it was accepted, what to say, and the status; a refusal is an answer like any.

    Whoever is signed in at the page asks under their own name (`by`); who works at the bench stays there.
    """
    if isinstance(wanted, Unreadable):
        return False, unreadable_text(wanted, filled_in="request" not in request.form), 400
    live: Station = current_app.extensions["benchward-live"]
    if (problem := _problem(wanted, live.snapshot(station), live)) is not None:
        return False, problem, 403
    if not isinstance(wanted, requests.SignIn):
        wanted = msgspec.structs.replace(wanted, by=current_user.name)
    return _in_words(live.ask(station, print_text(wanted), WAIT_S), wanted)


def _in_words(answer: Answer | None, wanted: AnyRequest) -> tuple[bool, str, int]:
    if answer is None:
        return (
            False,
            "The station did not answer. Look at the bench: it may have been done all the same.",
            504,
        )
    if answer.accepted:
        return True, done_text(wanted), 200
    return False, " ".join(reason_text(code) for code in answer.reasons), 200


def _problem(wanted: AnyRequest, snapshot: Snapshot, live: Station) -> str | None:
    """Why this person may not ask this, or None; the station's own rules come on top."""
    name = current_user.name
    if isinstance(wanted, requests.SignReview):
        return "A review is signed on its own page, under what it says. Open Review, read it, sign there."
    if isinstance(wanted, _LEADS) and current_user.role != Role.SAFETY_LEAD:
        return "Only the safety lead may do that. Call the safety lead."
    if isinstance(wanted, requests.SignIn):
        other = wanted.technician
    elif isinstance(wanted, requests.SignOut):
        other = _at_bench(live, snapshot) or name
    else:
        other = wanted.by or name
    if other == name:
        return None
    return f"You are signed in as {name}, so that cannot be asked as {other}. {other} has to sign in for it."


def _at_bench(live: Station, snapshot: Snapshot) -> str | None:
    """Whom the station takes to be at the bench now; None where what is known of it is not of now."""
    now = snapshot.liveness(live.clock(), live.connected) is Liveness.LIVE
    return snapshot.state.technician if now and snapshot.state is not None else None
