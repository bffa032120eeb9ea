"""Every route times every role, and that no route comes without a rule."""

import logging
import re
import shutil
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from flask import Flask

from dashboard.access import ATTRIBUTE, MissingRuleError, Role, Scope, check_rules
from dashboard.app import create_app
from dashboard.board import Board
from dashboard.lockout import Lockout, group_of
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
    ("POST", "/review/sign"): (401, 403, 302, 403),
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


def test_a_wrong_sign_in_is_one_line_in_the_log_without_the_secret(app: Flask, caplog) -> None:
    """Whose name, from where, of which kind; what was typed for a name nobody has is not written either."""
    client = app.test_client()
    tries = [
        ("technician", "000123"),
        ("technician", "plum-anvil-9"),
        ("483920", "technician"),
        ("x\ny", "1"),
    ]
    with caplog.at_level(logging.INFO, "dashboard"):
        for name, secret in tries:
            assert sign_in(client, name, secret)[0].status_code == 403
        assert sign_in(client, "safety-lead")[0].status_code == 302
    assert [(each.levelname, each.getMessage()) for each in caplog.records] == [
        ("WARNING", "A wrong sign-in as technician from 127.0.0.1 (a private network): by PIN"),
        ("WARNING", "A wrong sign-in as technician from 127.0.0.1 (a private network): by password"),
        ("WARNING", "A wrong sign-in as nobody known here from 127.0.0.1 (a private network): by password"),
        ("WARNING", "A wrong sign-in as nobody known here from 127.0.0.1 (a private network): by PIN"),
    ]


def test_a_pin_from_afar_is_told_in_the_log(app: Flask, caplog) -> None:
    """The address is the one that called; a try that must wait is not judged and leaves no line."""
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    data = {"name": "technician", "secret": PIN, "csrf_token": token}
    for _ in range(5):
        client.post("/sign-in", data=data, environ_base={"REMOTE_ADDR": "11.22.33.44"})
    line = "A wrong sign-in as technician from 11.22.33.44 (a public network): by PIN"
    assert [each.getMessage() for each in caplog.records if each.name.startswith("dashboard")] == [line] * 3


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
    """1, 2, 4 … s, at most 300, forgotten after a quarter of an hour; a try that must wait is not counted."""
    lockout, now_s, waits = Lockout(), 0.0, []
    for _ in range(14):
        assert lockout.attempt("a", "10.0.0.1", now_s, at_bench=True) == 0
        waits.append(lockout.attempt("a", "10.0.0.1", now_s, at_bench=True) if len(waits) >= 2 else 0)
        now_s += waits[-1]
    assert waits == [0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300, 300]
    assert lockout.attempt("b", "10.0.0.2", now_s, at_bench=True) == 0
    assert lockout.attempt("a", "10.0.0.1", now_s + 901, at_bench=True) == 0
    assert lockout.attempt("a", "10.0.0.1", now_s + 901, at_bench=True) == 0


def test_many_guesses_at_once_are_no_more_than_one_after_the_other() -> None:
    """Each is counted before any is judged: of sixty in flight three are heard."""
    lockout = Lockout()
    waits = [lockout.attempt("a", "10.0.0.1", 0.0, at_bench=True) for _ in range(60)]
    assert (waits.count(0), waits[3:]) == (3, [1.0] * 57)


def test_right_secrets_are_counted_against_nobody() -> None:
    """A hundred people who know their PIN sign in from one address; a wrong one is still counted."""
    lockout = Lockout()
    for number in range(100):
        assert lockout.attempt(f"p{number}", "10.0.0.1", 0.0, at_bench=True) == 0
        lockout.right(f"p{number}", "10.0.0.1", at_bench=True)
    heard = [lockout.attempt(f"x{number}", "10.0.0.1", 0.0, at_bench=True) == 0 for number in range(21)]
    assert heard == [True] * 20 + [False]


def test_who_was_let_in_at_an_address_does_not_wait_for_guesses_at_other_names() -> None:
    """The free tries of an address are used up: who had signed in there still can, a stranger waits."""
    lockout = Lockout()
    lockout.attempt("regular", "10.0.0.1", 0.0, at_bench=True)
    lockout.right("regular", "10.0.0.1", at_bench=True)
    for number in range(20):
        lockout.attempt(f"x{number}", "10.0.0.1", 0.0, at_bench=True)
    assert lockout.attempt("new", "10.0.0.1", 0.0, at_bench=True) == 1
    assert [lockout.attempt("regular", "10.0.0.1", 0.0, at_bench=True) for _ in range(4)] == [0, 0, 0, 1]


def test_guessing_one_name_from_many_addresses_is_slowed_but_not_where_its_owner_works() -> None:
    """Ten tries from elsewhere, thirty within the bench's network; the known tablet waits for none."""
    lockout = Lockout()
    lockout.attempt("a", "10.0.0.1", 0.0, at_bench=True)
    lockout.right("a", "10.0.0.1", at_bench=True)
    for number in range(10):
        assert lockout.attempt("a", f"11.0.113.{number}", 0.0, at_bench=False) == 0
    assert lockout.attempt("a", "11.0.113.99", 0.0, at_bench=False) == 1
    assert lockout.attempt("b", "11.0.113.99", 0.0, at_bench=False) == 0
    for number in range(30):
        assert lockout.attempt("a", f"10.0.1.{number}", 0.0, at_bench=True) == 0
    assert lockout.attempt("a", "10.0.1.99", 0.0, at_bench=True) == 1
    assert lockout.attempt("a", "10.0.0.1", 0.0, at_bench=True) == 0


def test_a_public_ipv6_network_is_one_address() -> None:
    """Whoever holds 64 bits of addresses holds as many tries as anybody; at the bench each is one device."""
    lockout = Lockout()
    heard = [lockout.attempt("a", f"2a00:1:2:3::{at:x}", 0.0, at_bench=False) == 0 for at in range(1, 6)]
    assert heard == [True] * 3 + [False] * 2
    assert group_of("fd00::1") != group_of("fd00::2")


class SlowPeople(People):
    """Nobody is admitted, and nobody is refused before three are being judged."""

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self.judged: list[str] = []
        self.three_in = threading.Barrier(3)

    def admitted(self, name, secret, *, at_bench):
        """Wait for the others, then refuse."""
        self.judged.append(secret)
        self.three_in.wait(10)


def test_sixty_wrong_pins_in_flight_are_judged_three_times(board: Board, tmp_path: Path) -> None:
    """Through the sign-in itself: while the first are being judged, the others are told to wait."""
    people = SlowPeople(tmp_path / "people.db")
    app = create_app(board, people)
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    cookie = client.get_cookie("benchward").value

    def guess(number: int) -> int:
        other = app.test_client()
        other.set_cookie("benchward", cookie)
        data = {"name": "technician", "secret": f"{number:04}", "csrf_token": token}
        return other.post("/sign-in", data=data).status_code

    with ThreadPoolExecutor(60) as pool:
        statuses = sorted(pool.map(guess, range(60)))
    people.close()
    assert (statuses, len(people.judged)) == ([403] * 3 + [429] * 57, 3)


def test_sign_out_ends_the_session_for_every_copy_of_its_cookie(app: Flask) -> None:
    """A copied cookie opens nothing after the sign-out; another session of the same person goes on."""
    client, elsewhere, thief = app.test_client(), app.test_client(), app.test_client()
    sign_in(client, "technician")
    sign_in(elsewhere, "technician")
    thief.set_cookie("benchward", client.get_cookie("benchward").value)
    assert thief.get("/cards").status_code == 200
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/cards").text)[1]
    assert client.post("/sign-out", data={"csrf_token": token}).status_code == 302
    assert [each.get("/cards").status_code for each in (client, thief, elsewhere)] == [302, 302, 200]


def test_signing_in_anew_ends_the_session_before(app: Flask) -> None:
    """A browser holds one session: the cookie of the one before opens nothing."""
    client, thief = app.test_client(), app.test_client()
    sign_in(client, "technician")
    thief.set_cookie("benchward", client.get_cookie("benchward").value)
    sign_in(client, "safety-lead")
    assert (client.get("/cards").status_code, thief.get("/cards").status_code) == (200, 302)


@pytest.mark.parametrize("header", ["X-Forwarded-For", "Forwarded", "X-Real-IP"])
def test_a_pin_does_not_count_through_a_proxy_that_nobody_named(app: Flask, header: str) -> None:
    """Nobody can say where such a caller is; the page says what to do."""
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    data = {"name": "technician", "secret": PIN, "csrf_token": token}
    answer = client.post("/sign-in", data=data, headers={header: "10.0.0.7"})
    assert answer.status_code == 403
    assert "--proxy ADDRESS" in answer.text
    assert "Use your password" in answer.text


@pytest.mark.parametrize(
    ("told", "peer", "status"),
    [
        ("10.0.0.7", "10.0.0.7", 302),  # the server has taken the named proxy's word as the address
        ("10.0.0.7:51000", "10.0.0.7", 302),
        ("11.22.33.44, 10.0.0.7", "10.0.0.7", 302),
        ("10.0.0.7", "10.0.0.1", 403),  # another proxy than the one named
    ],
)
def test_a_named_proxy_is_believed_and_no_other(app: Flask, told: str, peer: str, status: int) -> None:
    """What the header ends with is the caller's address only where the named proxy wrote it."""
    app.config["PROXY_NAMED"] = True
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    data = {"name": "technician", "secret": PIN, "csrf_token": token}
    answer = client.post(
        "/sign-in", data=data, headers={"X-Forwarded-For": told}, environ_base={"REMOTE_ADDR": peer}
    )
    assert answer.status_code == status
