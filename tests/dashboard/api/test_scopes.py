"""Every call times every kind of caller; and how often one may call."""

import pytest
from asked import PLENTY, AskedBoard

from dashboard.access import ATTRIBUTE, Role, Scope
from dashboard.api.bearer import RATES, Allowance, Rate
from dashboard.app import create_app
from dashboard.people import People
from dashboard.tokens import Tokens
from shared.messages import Status, encode, topic

# (method, path): the status for no token, a wrong one, the scope read, the scope request
READ, REQUEST = (401, 401, 200, 403), (401, 401, 403, 200)
TABLE = {
    ("GET", "/api/v1/stations"): READ,
    ("GET", "/api/v1/stations/<station>/state"): READ,
    ("POST", "/api/v1/stations/<station>/requests"): REQUEST,
    ("GET", "/api/v1/units"): READ,
    ("GET", "/api/v1/units/<unit>"): READ,
    ("GET", "/api/v1/units/<unit>/heat"): READ,
    ("GET", "/api/v1/events"): READ,
    ("GET", "/api/v1/alarms"): READ,
    ("GET", "/api/v1/alarms/performance"): READ,
    ("GET", "/api/v1/extraction"): READ,
}


@pytest.fixture(scope="module")
def table(tmp_path_factory, journal):
    """An application with a token of each scope and somebody signed in at the pages; and those tokens."""
    folder = tmp_path_factory.mktemp("scopes")
    tokens, people, board = (
        Tokens(folder / "people.db"),
        People(folder / "people.db"),
        AskedBoard(lambda: 1000.0),
    )
    board.receive(topic("bench-1", "status"), encode(Status(online=True, reason="")))
    people.add("lead", Role.SAFETY_LEAD, password="plum-anvil-9")
    right = {scope: tokens.add(scope, frozenset([scope])) for scope in Scope}
    app = create_app(board, people, journal, tokens=tokens, rates=PLENTY)
    app.config["WTF_CSRF_ENABLED"] = False
    yield app, right
    tokens.close()
    people.close()


def test_table_names_every_call(app) -> None:
    """A call that is added is added to the table too, with its scope."""
    calls = {
        (method, rule.rule)
        for rule in app.url_map.iter_rules()
        if isinstance(getattr(app.view_functions[rule.endpoint], ATTRIBUTE, None), Scope)
        for method in rule.methods - {"HEAD", "OPTIONS"}
    }
    assert calls == set(TABLE)


def open_as(client, method, path, secret, scheme="Bearer"):
    """One call with a token, on what exists."""
    real = path.replace("<station>", "bench-1").replace("<unit>", "U-1")
    headers = {} if secret is None else {"Authorization": f"{scheme} {secret}"}
    return client.open(
        real, method=method, headers=headers, json={"verb": "ack"} if method == "POST" else None
    )


@pytest.mark.parametrize("column", range(4))
@pytest.mark.parametrize(("method", "path"), TABLE)
def test_call_opens_to_what_the_table_says(table, method: str, path: str, column: int) -> None:
    """Each call answers each caller as the table says; 401 and 403 say how to ask (RFC 6750, 3)."""
    app, right = table
    secret = (None, "bench-guess", right[Scope.READ], right[Scope.REQUEST])[column]
    answer = open_as(app.test_client(), method, path, secret)
    assert answer.status_code == TABLE[method, path][column]
    if answer.status_code in (401, 403):
        assert answer.mimetype == "application/problem+json"
        assert answer.headers["WWW-Authenticate"].startswith("Bearer ")


def test_cookie_opens_nothing(table) -> None:
    """Who is signed in at the pages is nobody here: another site can ask nothing by their browser."""
    client = table[0].test_client()
    assert client.post("/sign-in", data={"name": "lead", "secret": "plum-anvil-9"}).status_code == 302
    assert client.get("/review").status_code == 200
    assert [open_as(client, *call, None).status_code for call in TABLE] == [401] * len(TABLE)


def test_other_schemes_and_revoked_tokens_open_nothing(app, tokens) -> None:
    """Only Bearer counts, its name in any case; and only until it is revoked."""
    secret, client = tokens.add("jobs", frozenset([Scope.READ])), app.test_client()
    assert open_as(client, "GET", "/api/v1/units", secret, "Basic").status_code == 401
    assert open_as(client, "GET", "/api/v1/units", secret, "bearer").status_code == 200
    tokens.revoke("jobs")
    assert open_as(client, "GET", "/api/v1/units", secret).status_code == 401


def test_without_a_people_file_nobody_may_call(board, journal) -> None:
    """A server that knows no tokens refuses them all."""
    client = create_app(board, None, journal).test_client()
    assert open_as(client, "GET", "/api/v1/units", "anything").status_code == 401


def test_too_many_calls_wait_and_others_do_not(board, journal, tokens, clock) -> None:
    """A token that calls too often gets 429 and Retry-After; another one, or the same later, does not."""
    client = create_app(board, None, journal, tokens=tokens).test_client()
    eager, calm = (tokens.add(name, frozenset([Scope.READ])) for name in ("eager", "calm"))
    statuses = [open_as(client, "GET", "/api/v1/stations", eager).status_code for _ in range(62)]
    assert statuses == [200] * RATES[Scope.READ].burst + [429] * 2
    refused = open_as(client, "GET", "/api/v1/stations", eager)
    assert (refused.headers["Retry-After"], refused.json["status"]) == ("1", 429)
    assert open_as(client, "GET", "/api/v1/stations", calm).status_code == 200
    clock.now_s += 1.0
    assert open_as(client, "GET", "/api/v1/stations", eager).status_code == 200


def test_guessing_tokens_is_slowed(board, journal, tokens, clock) -> None:
    """Twenty wrong tokens from an address, and the next waits; a right one from there does not."""
    client = create_app(board, None, journal, tokens=tokens).test_client()
    right = tokens.add("jobs", frozenset([Scope.READ]))
    for _ in range(20):
        assert open_as(client, "GET", "/api/v1/stations", "bench-guess").status_code == 401
    assert open_as(client, "GET", "/api/v1/stations", "bench-guess").status_code == 429
    assert open_as(client, "GET", "/api/v1/stations", right).status_code == 200
    clock.now_s += 2.0
    assert open_as(client, "GET", "/api/v1/stations", "bench-guess").status_code == 401


def test_allowance_fills_again() -> None:
    """A burst of two, then one every four seconds, and never more than the burst after any pause."""
    allowance, rate = Allowance(), Rate(2, 0.25)
    times = (0.0, 0.0, 0.0, 3.0, 4.0, 5.0, 1000.0, 1000.0, 1000.0)
    assert [allowance.wait_s("a", rate, at) for at in times] == [0, 0, 4.0, 1.0, 0, 3.0, 0, 0, 4.0]
