"""Who may open what: every view carries a rule, and a view without one stops the application from starting.

A view says its rule by a decorator; `check_rules` and `guard` hold it. Everybody may look at a bench: a
tablet at the bench shows it without a sign-in. Every change needs a person.
"""

from collections.abc import Callable
from enum import StrEnum
from typing import TypeVar

from flask import Flask, abort, current_app, redirect, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

ATTRIBUTE = "benchward_opens_to"
View = TypeVar("View", bound=Callable[..., ResponseReturnValue])


class Role(StrEnum):
    """What a person or a program is at the bench."""

    TECHNICIAN = "technician"
    SAFETY_LEAD = "safety-lead"
    JOB_SYSTEM = "job-system"


class MissingRuleError(Exception):
    """A route was added without saying who may open it."""


def open_to_all(view: View) -> View:
    """Let everybody open this view, signed in or not."""
    setattr(view, ATTRIBUTE, None)
    return view


def opens_to(*roles: Role) -> Callable[[View], View]:
    """Let only signed-in people of these roles open this view."""
    if not roles:
        raise ValueError("Name at least one role.")

    def ruled(view: View) -> View:
        setattr(view, ATTRIBUTE, frozenset(roles))
        return view

    return ruled


def check_rules(app: Flask) -> None:
    """Refuse an application with a view that has no rule.

    Raises:
        MissingRuleError: names every such endpoint.
    """
    bare = sorted(
        name for name, view in app.view_functions.items() if name != "static" and not hasattr(view, ATTRIBUTE)
    )
    if bare:
        raise MissingRuleError(f"No rule says who may open {', '.join(bare)}; add opens_to or open_to_all.")


def guard() -> ResponseReturnValue | None:
    """Hold the rule of the view that is asked for; run before every request."""
    if request.endpoint is None or request.endpoint == "static":
        return None
    roles: frozenset[Role] | None = getattr(
        current_app.view_functions[request.endpoint], ATTRIBUTE, frozenset()
    )
    if roles is None:
        return None
    if request.method == "GET" and "sign_in.form" not in current_app.view_functions:
        return None  # nobody can sign in here: the pages can only be read, by whoever reaches them
    if not current_user.is_authenticated:
        if request.method == "GET" and "sign_in.form" in current_app.view_functions:
            return redirect(url_for("sign_in.form", next=request.path))
        abort(401)
    if current_user.role not in roles:
        abort(403)
    return None
