"""Every route times every role, and that no route comes without a rule."""

import re
import shutil
from pathlib import Path

import pytest
from flask import Flask

from dashboard.access import ATTRIBUTE, MissingRuleError, Role, Scope, check_rules
from dashboard.app import create_app
from dashboard.board import Board
from dashboard.lockout import Lockout
from dashboard.people import People
from dashboard.sign_in import at_bench

PIN = "483920"
# (method, path): the status for nobody, a technician, a safety lead, a job system
TABLE = {
    ("GET", "/"): (200, 200, 200, 200),
    ("GET", "/bench/<station>"): (200, 200, 200, 200),
    ("GET", "/bench/<station>/stream"): (200, 200, 200, 200),
    ("GET", "/healthz"): (200, 200, 200, 200),
    ("GET", "/static/<path:filename>"): (200, 200, 200, 200),
    ("GET", "/sign-in"): (200, 200, 200, 200),
    ("POST", "/sign-in"): (302, 302, 302, 302),
    ("POST", "/sign-out"): (401, 302, 302, 302),
    ("GET", "/stations"): (200, 200, 200, 200),
    ("GET", "/stations/<station>"): (302, 404, 404, 404),
    ("GET", "/units"): (302, 404, 404, 404),
    ("GET", "/units/<unit>"): (302, 404, 404, 404),
    ("GET", "/curve.json"): (302, 404, 404, 404),
    ("GET", "/cards"): (302, 200, 200, 200),
    ("GET", "/labels"): (302, 200, 200, 200),
    ("POST", "/bench/<station>/request"): (401, 302, 302, 403),
    ("GET", "/api/v1/healthz"): (200, 200, 200, 200),
    ("GET", "/api/v1/openapi.json"): (200, 200, 200, 200),
    ("GET", "/review"): (302, 403, 404, 403),
    ("GET", "/review/<table>.csv"): (302, 403, 404, 403),
}
WHO = (None, Role.TECHNICIAN, Role.SAFETY_LEAD, Role.JOB_SYSTEM)


@pytest.fixture(scope="module")
def people_file(tmp_path_factory) -> Path:
    """One person of each role, hashed once."""
    path = tmp_path_factory.mktemp("people") / "people.db"
    people = People(path)
    for role in Role:
        people.add(role.value, role, pin=PIN)
    people.session_key()
    people.close()
    return path


@pytest.fixture
def app(board: Board, people_file: Path, tmp_path: Path):
    """The application with one person of each role."""
    shutil.copy(people_file, tmp_path / "people.db")
    people = People(tmp_path / "people.db")
    app = create_app(board, people)
    app.testing = True
    yield app
    people.close()


def sign_in(client, name: str, secret: str = PIN):
    """Fetch the form and send it."""
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    return client.post("/sign-in", data={"name": name, "secret": secret, "csrf_token": token}), token


def test_table_names_every_route(app: Flask) -> None:
    """A route that is added is added to the table too; those for programs have a table in api/test_scopes."""
    rules = [
        rule
        for rule in app.url_map.iter_rules()
        if not isinstance(getattr(app.view_functions[rule.endpoint], ATTRIBUTE, None), Scope)
    ]
    routes = {(m, rule.rule) for rule in rules for m in rule.methods - {"HEAD", "OPTIONS"}}
    assert routes == set(TABLE)


@pytest.mark.parametrize("column", range(4))
@pytest.mark.parametrize(("method", "path"), TABLE)
def test_route_opens_to_whom_the_table_says(app: Flask, method: str, path: str, column: int) -> None:
    """Each route answers each role as the table says."""
    client = app.test_client()
    token = ""
    if WHO[column] is not None:
        sign_in(client, WHO[column].value)
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    real = (
        path.replace("<station>", "bench-1")
        .replace("<unit>", "U-1")
        .replace("<table>", "alarms")
        .replace("<path:filename>", "bench.css")
    )
    data = {"csrf_token": token, "name": "technician", "secret": PIN}
    answer = client.open(real, method=method, data=data if method == "POST" else None)
    assert answer.status_code == TABLE[method, path][column]
    answer.close()


def test_route_without_rule_is_refused(app: Flask) -> None:
    """An application with a bare view does not start."""
    app.view_functions["bare"] = lambda: ""
    with pytest.raises(MissingRuleError, match="bare"):
        check_rules(app)


def test_change_without_token_is_refused(app: Flask) -> None:
    """Neither sign-in nor sign-out works without the CSRF token."""
    client = app.test_client()
    assert client.post("/sign-in", data={"name": "technician", "secret": PIN}).status_code == 400
    sign_in(client, "technician")
    assert client.post("/sign-out").status_code == 400


def test_session_cookie_carries_its_flags(app: Flask) -> None:
    """Scripts cannot read the cookie, and other sites cannot send it."""
    answer, _ = sign_in(app.test_client(), "technician")
    cookie = answer.headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def test_session_ends_with_the_secret_it_was_opened_with(app: Flask, tmp_path: Path) -> None:
    """Who is removed, or gets another secret, is signed out everywhere."""
    client = app.test_client()
    sign_in(client, "technician")
    assert client.get("/cards").status_code == 200
    people = People(tmp_path / "people.db")
    people.remove("technician")
    people.add("technician", Role.TECHNICIAN, pin="111222")
    people.close()
    assert client.get("/cards").status_code == 302


def test_guessing_is_slowed(app: Flask) -> None:
    """The fourth try waits, even with the right PIN; another name at the same address does not."""
    client = app.test_client()
    assert [sign_in(client, "technician", "0000")[0].status_code for _ in range(3)] == [403] * 3
    assert sign_in(client, "technician")[0].status_code == 429
    assert sign_in(client, "safety-lead")[0].status_code == 302


def test_next_leads_nowhere_else(app: Flask) -> None:
    """A prepared link cannot send a person to another host after the sign-in."""
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    data = {"name": "technician", "secret": PIN, "csrf_token": token}
    assert client.post("/sign-in?next=//elsewhere.example/", data=data).headers["Location"] == "/"


@pytest.mark.parametrize(
    ("address", "here"),
    [
        ("127.0.0.1", True),
        ("192.168.1.20", True),
        ("fd00::20", True),
        ("11.22.33.44", False),
        ("::ffff:11.22.33.44", False),
        ("::ffff:10.0.0.5", True),
        ("2a00::1", False),
        ("", False),
    ],
)
def test_bench_is_this_machine_or_a_private_network(address: str, here: bool) -> None:
    """Private addresses of RFC 1918 and RFC 4193 and the loopback; written as IPv6 too."""
    assert at_bench(address) == here


def test_wait_doubles_and_ends() -> None:
    """1, 2, 4 … s, at most 300, forgotten after a quarter of an hour."""
    lockout = Lockout()
    waits = []
    for _ in range(14):
        lockout.wrong("a", "10.0.0.1", 0.0, at_bench=True)
        waits.append(lockout.wait_s("a", "10.0.0.1", 0.0, at_bench=True))
    assert waits == [0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300]
    assert lockout.wait_s("a", "10.0.0.2", 0.0, at_bench=True) == 0
    assert lockout.wait_s("a", "10.0.0.1", 1000.0, at_bench=True) == 0


def test_guessing_one_name_from_many_addresses_is_slowed_but_not_at_the_bench() -> None:
    """Ten wrong secrets from ten places elsewhere: every place elsewhere waits, the bench does not."""
    lockout = Lockout()
    for number in range(10):
        assert lockout.wait_s("a", f"203.0.113.{number}", 0.0, at_bench=False) == 0
        lockout.wrong("a", f"203.0.113.{number}", 0.0, at_bench=False)
    assert lockout.wait_s("a", "203.0.113.99", 0.0, at_bench=False) == 1
    assert lockout.wait_s("b", "203.0.113.99", 0.0, at_bench=False) == 0
    assert lockout.wait_s("a", "10.0.0.1", 0.0, at_bench=True) == 0
    for number in range(20):
        lockout.wrong("a", f"10.0.0.{number}", 0.0, at_bench=True)
    assert lockout.wait_s("a", "203.0.113.99", 0.0, at_bench=False) == 1
