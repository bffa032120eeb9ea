"""Signing a review: only what was looked at, only by who looked, only on a chain that is whole.

Each review that is shown carries a ticket: whose session it was shown in, of which days, and at which head of
the chain. Signing hands the ticket back. The chain is then walked anew, and the head that was shown must
still be in it: a signature never covers a record that nobody saw.
"""

from pathlib import Path
from typing import Any

from flask import Blueprint, current_app, flash, jsonify, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from itsdangerous import BadData, SignatureExpired, URLSafeTimedSerializer

from dashboard.access import Role, opens_to
from dashboard.words import done_text
from shared import events
from shared.history import History
from shared.problems import BenchwardError
from shared.requests import SignReview, print_text
from shared.stored import Filter
from shared.wording import reason_text

WAIT_S = 5.0
TICKET_S = 3600
signing = Blueprint("signing", __name__)


class _NotToBeSignedError(Exception):
    """Why a review is not signed, and what to do, in words."""


def ticket(period: str, head: str) -> str | None:
    """What the form of a review that is shown now hands back; None where nobody here may sign it.

    Args:
        period: its days, as ``2026-03-02/2026-03-08``.
        head: the chain's head as the review shows it.
    """
    if not current_user.is_authenticated or current_user.role != Role.SAFETY_LEAD:
        return None
    seen = {"session": current_user.id, "period": period, "head": head}
    return str(_serializer().dumps(seen))


def _serializer() -> URLSafeTimedSerializer:
    return URLSafeTimedSerializer(str(current_app.config["SECRET_KEY"]), salt="review that was looked at")


def station_of(history: History) -> str | None:
    """The station whose record this is; None before its first start."""
    named = None
    for _, _, body in history.told(Filter(kind="station-started")):
        named = body.station if isinstance(body, events.StationStarted) else named
    return named


@signing.post("/review/sign")
@opens_to(Role.SAFETY_LEAD)
def sign() -> ResponseReturnValue:
    """Have the station record the signature; refuse (409) what was not looked at or is not whole."""
    days = ""
    try:
        seen = _seen(request.form.get("ticket", ""))
        days = "?from={}&to={}".format(*seen["period"].split("/"))
        signed, words, status = _signed(seen)
    except _NotToBeSignedError as why:
        signed, words, status = False, str(why), 409
    if request.accept_mimetypes.best == "application/json":
        return jsonify(accepted=signed, text=words), status
    flash(words)
    return redirect(url_for("record.safety_review") + days)


def _seen(text: str) -> dict[str, str]:
    try:
        seen: dict[str, str] = _serializer().loads(text, max_age=TICKET_S)
    except SignatureExpired as error:
        raise _NotToBeSignedError(
            "You looked at this review more than an hour ago. Load it again, read it, and sign then."
        ) from error
    except BadData as error:
        raise _NotToBeSignedError(
            "These days were not looked at. Open the review of them, read it, and sign there."
        ) from error
    if seen["session"] != current_user.id:
        raise _NotToBeSignedError("Somebody else looked at this review. Load it again and read it yourself.")
    return seen


def _signed(seen: dict[str, str]) -> tuple[bool, str, int]:
    """Whether the station signed, what to say, and the status.

    Raises:
        _NotToBeSignedError: the record does not bear a signature, or no station can write it.
    """
    station = _checked_station(seen["head"])
    live: Any = current_app.extensions["benchward-live"]
    wanted = SignReview(period=seen["period"], head=seen["head"], by=current_user.name)
    answer = live.ask(station, print_text(wanted), WAIT_S)
    if answer is None:
        return False, f"{station} did not answer. Load the review again and look whether it is signed.", 504
    if answer.accepted:
        return True, done_text(wanted), 200
    return False, " ".join(reason_text(code) for code in answer.reasons), 200


def _checked_station(head: str) -> str:
    path: Path | None = current_app.config.get("RECORD")
    if path is None:
        raise _NotToBeSignedError("These pages are served without a record, so there is nothing to sign.")
    try:
        with History(path) as history:
            verdict = history.verify()
            known = history.has_event(head)
            station = station_of(history)
    except BenchwardError as error:
        raise _NotToBeSignedError(f"{error} Nothing was signed.") from error
    if verdict.problem is not None:
        raise _NotToBeSignedError(
            f"The chain of events breaks: {verdict.problem}. Nothing was signed. Keep the file as it is and "
            "find out who wrote to it."
        )
    if not known:
        raise _NotToBeSignedError(
            "The record is not the one that this review was made of. Nothing was signed. Load it again."
        )
    if station is None:
        raise _NotToBeSignedError("The record names no station, so none can sign.")
    return station
