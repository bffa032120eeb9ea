"""Who may call: bearer tokens (RFC 6750) with scopes, and how often.

A cookie never opens the interface, so no other site can make a browser use it and no CSRF token is needed.
"""

import math
import threading
from collections.abc import Callable
from typing import NamedTuple

from flask import Flask, g, request
from flask.typing import ResponseReturnValue

from dashboard.access import Scope
from dashboard.api.problem import problem
from dashboard.tokens import Tokens

KEPT_AT_MOST = 1024


class Rate(NamedTuple):
    """How many calls at once, and how many a second in the long run."""

    burst: int
    per_s: float


RATES = {Scope.READ: Rate(60, 10.0), Scope.REQUEST: Rate(10, 2.0)}
STRANGERS = Rate(20, 0.5)


class Allowance:
    """Counts calls by key: a store of ``burst`` calls that fills again by ``per_s``; time is passed in."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}
        self._lock = threading.Lock()

    def wait_s(self, key: str, rate: Rate, now_s: float) -> float:
        """Take one call; 0 if there was one left, else the seconds until there is one (and none is taken)."""
        with self._lock:
            left, last_s = self._left.pop(key, (float(rate.burst), now_s))
            left = min(rate.burst, left + (now_s - last_s) * rate.per_s)
            short = max(0.0, 1.0 - left)
            self._left[key] = (left if short else left - 1.0, now_s)
            while len(self._left) > KEPT_AT_MOST:
                del self._left[next(iter(self._left))]
        return short / rate.per_s


def install(
    app: Flask, tokens: Tokens | None, clock: Callable[[], float], rates: dict[Scope, Rate] | None = None
) -> None:
    """Hold the scopes of every route of the interface; without ``tokens`` nobody may call."""
    allowance = Allowance()
    limits = RATES if rates is None else rates

    def guard(scope: Scope) -> ResponseReturnValue | None:
        kind, _, secret = request.headers.get("Authorization", "").partition(" ")
        token = tokens.holder(secret.strip()) if tokens is not None and kind.lower() == "bearer" else None
        if token is None:
            if not secret:
                return _unknown("Send a token: Authorization: Bearer TOKEN.", "")
            # A right token from the same address never waits for a guesser: nobody guesses 256 bits.
            if wait_s := allowance.wait_s(f"address {request.remote_addr}", STRANGERS, clock()):
                return _slower(wait_s)
            return _unknown("This token is not known here, or was revoked.", ', error="invalid_token"')
        if scope not in token.scopes:
            header = f'Bearer realm="benchward", error="insufficient_scope", scope="{scope}"'
            detail = f"The token {token.name!r} lacks the scope {scope}."
            return problem(403, detail, {"WWW-Authenticate": header})
        if wait_s := allowance.wait_s(f"{scope} {token.name}", limits[scope], clock()):
            return _slower(wait_s)
        g.caller = token.name
        return None

    app.extensions["benchward-bearer"] = guard


def _unknown(detail: str, error: str) -> ResponseReturnValue:
    return problem(401, detail, {"WWW-Authenticate": f'Bearer realm="benchward"{error}'})


def _slower(wait_s: float) -> ResponseReturnValue:
    seconds = math.ceil(wait_s)
    return problem(429, f"Too many calls. Wait {seconds} s.", {"Retry-After": str(seconds)})
