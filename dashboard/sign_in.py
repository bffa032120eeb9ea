"""Signing in and out at the pages, and what every page knows of the person who is signed in."""

import ipaddress
import logging
import math
from typing import Any

from flask import Blueprint, Flask, current_app, redirect, render_template, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_login import LoginManager, current_user, login_user, logout_user
from flask_wtf.csrf import CSRFProtect

from dashboard.access import Role, open_to_all, opens_to
from dashboard.lockout import Lockout
from dashboard.people import People, Person

SESSION_S = 12 * 3600
LONGEST_NAME = 40
FORM_LIMIT_BYTES = 64 * 1024
FORWARDING = ("X-Forwarded-For", "Forwarded", "X-Real-IP")
UNKNOWN_PROXY = (
    "A proxy stands between you and these pages, and they were not told of it, so nobody can say whether you "
    "are at the bench: a PIN does not count. Use your password, or have the pages started with "
    "--proxy ADDRESS, the proxy's address."
)
_log = logging.getLogger(__name__)
blueprint = Blueprint("sign_in", __name__)


class _Desk:
    """What the sign-in needs, one for each application."""

    def __init__(self, people: People, clock: Any) -> None:
        self.people = people
        self.clock = clock
        self.lockout = Lockout()


def install(app: Flask, people: People | None, clock: Any) -> None:
    """Give the application its sessions, its CSRF check and, if there are people, its sign-in pages."""
    app.config.update(
        SECRET_KEY="" if people is None else people.session_key(),
        SESSION_COOKIE_NAME="benchward",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        PERMANENT_SESSION_LIFETIME=SESSION_S,
        MAX_CONTENT_LENGTH=FORM_LIMIT_BYTES,
        WTF_CSRF_TIME_LIMIT=SESSION_S,
        PROXY_NAMED=False,
    )
    app.context_processor(lambda: {"person": _person(), "may_sign_in": people is not None})
    manager = LoginManager(app)
    manager.session_protection = None  # the address of a tablet changes with its access point
    manager.user_loader(lambda name: None if people is None else people.of_session(name))
    CSRFProtect(app)
    if people is not None:
        app.extensions["benchward-desk"] = _Desk(people, clock)
        app.register_blueprint(blueprint)


def _person() -> Person | None:
    return current_user if current_user.is_authenticated else None


def at_bench(address: str) -> bool:
    """Whether an address is this machine or a private network, where a PIN counts."""
    try:
        found = ipaddress.ip_address(address)
    except ValueError:
        return False
    # An IPv4 address written as IPv6 counts as private whatever it is.
    mapped = found.ipv4_mapped if isinstance(found, ipaddress.IPv6Address) else None
    return (mapped or found).is_private


def through_unknown_proxy() -> bool:
    """Whether somebody forwards for the caller whom these pages were not told to believe.

    The address that is seen is then the forwarder's, and says nothing about who calls. A named proxy's word
    has become the address by now: it is what the header ends with.
    """
    if not any(name in request.headers for name in FORWARDING):
        return False
    told = request.headers.get("X-Forwarded-For", "").rpartition(",")[2].strip()
    hosts = {host.removeprefix("[").removesuffix("]") for host in (told, told.rpartition(":")[0])}
    return not current_app.config["PROXY_NAMED"] or request.remote_addr not in hosts


def _local(path: str) -> str:
    """The path, if it leads nowhere but to this server; else the start."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if plain else url_for("pages.benches")


@blueprint.get("/sign-in")
@open_to_all
def form() -> ResponseReturnValue:
    """The form; ``name`` of the query (a badge that was scanned) is filled in."""
    return render_template("sign-in.html", problem="", name=request.args.get("name", "")[:LONGEST_NAME])


@blueprint.post("/sign-in")
@open_to_all
def enter() -> ResponseReturnValue:
    """Admit, refuse (403), or ask to wait (429)."""
    desk = _desk()
    name, secret = request.form.get("name", "").strip()[:LONGEST_NAME], request.form.get("secret", "")[:200]
    address = request.remote_addr or ""
    here = at_bench(address) and not through_unknown_proxy()
    if secret.isdigit() and through_unknown_proxy():
        return render_template("sign-in.html", problem=UNKNOWN_PROXY, name=name), 403
    wait_s = desk.lockout.attempt(name, address, desk.clock(), at_bench=here)
    if wait_s > 0:
        text = f"Too many wrong tries. Wait {math.ceil(wait_s)} s, then try again."
        page = render_template("sign-in.html", problem=text, name=name)
        return page, 429, {"Retry-After": str(math.ceil(wait_s))}
    person = desk.people.admitted(name, secret, at_bench=here)
    if person is None:
        _log.warning(
            "A wrong sign-in as %s from %s (a %s network): by %s",
            # What is typed for a name may be a secret in the wrong field.
            name if desk.people.knows(name) else "nobody known here",
            address,
            "private" if at_bench(address) else "public",
            "PIN" if secret.isdigit() else "password",
        )
        return render_template("sign-in.html", problem=_wrong(secret, here), name=name), 403
    desk.lockout.right(name, address, at_bench=here)
    _end_session(desk)
    login_user(desk.people.open_session(person))
    return redirect(_local(request.args.get("next", "")))


def _wrong(secret: str, here: bool) -> str:
    if secret.isdigit() and not here:
        return "A PIN counts only at the bench's own network. Use your password here."
    return "Name and PIN or password do not fit. Look for a typing mistake and try again."


def _desk() -> _Desk:
    desk: _Desk = current_app.extensions["benchward-desk"]
    return desk


def _end_session(desk: _Desk) -> None:
    """End the session of this browser on the server too, and forget all that its cookie holds."""
    if current_user.is_authenticated:
        desk.people.close_session(current_user.id)
    logout_user()
    session.clear()


@blueprint.post("/sign-out")
@opens_to(*Role)
def leave() -> ResponseReturnValue:
    """Sign out, for good: a copy of the cookie opens nothing any more."""
    _end_session(_desk())
    return redirect(url_for("pages.benches"))
