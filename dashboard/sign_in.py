"""Signing in and out at the pages, and what every page knows of the person who is signed in."""

import ipaddress
import math
from typing import Any

from flask import Blueprint, Flask, current_app, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import LoginManager, current_user, login_user, logout_user
from flask_wtf.csrf import CSRFProtect

from dashboard.access import Role, open_to_all, opens_to
from dashboard.lockout import Lockout
from dashboard.people import People, Person

SESSION_S = 12 * 3600
FORM_LIMIT_BYTES = 64 * 1024
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


def _local(path: str) -> str:
    """The path, if it leads nowhere but to this server; else the start."""
    plain = path.startswith("/") and not path.startswith("//") and "\\" not in path and path.isprintable()
    return path if plain else url_for("pages.benches")


@blueprint.get("/sign-in")
@open_to_all
def form() -> ResponseReturnValue:
    """The form."""
    return render_template("sign-in.html", problem="", name="")


@blueprint.post("/sign-in")
@open_to_all
def enter() -> ResponseReturnValue:
    """Admit, refuse (403), or ask to wait (429)."""
    desk: _Desk = current_app.extensions["benchward-desk"]
    name, secret = request.form.get("name", "").strip()[:40], request.form.get("secret", "")[:200]
    address = request.remote_addr or ""
    here = at_bench(address)
    wait_s = desk.lockout.wait_s(name, address, desk.clock(), at_bench=here)
    if wait_s > 0:
        text = f"Too many wrong tries. Wait {math.ceil(wait_s)} s, then try again."
        page = render_template("sign-in.html", problem=text, name=name)
        return page, 429, {"Retry-After": str(math.ceil(wait_s))}
    person = desk.people.admitted(name, secret, at_bench=here)
    if person is None:
        desk.lockout.wrong(name, address, desk.clock(), at_bench=here)
        return render_template("sign-in.html", problem="Name and secret do not fit.", name=name), 403
    desk.lockout.right(name, address)
    login_user(person)
    return redirect(_local(request.args.get("next", "")))


@blueprint.post("/sign-out")
@opens_to(*Role)
def leave() -> ResponseReturnValue:
    """Sign out."""
    logout_user()
    return redirect(url_for("pages.benches"))
