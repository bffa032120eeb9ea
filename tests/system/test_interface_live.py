"""A program asks a real station over HTTP, through the server and the broker, and reads what came of it."""

import http.client
import json
import re
import subprocess
import sys
import urllib.error
import urllib.parse
import urllib.request

import pytest
from live import Broker, Station, free_port, wait_until

from dashboard.access import Role
from dashboard.people import People

pytestmark = pytest.mark.system


def called(port: int, path: str, token: str = "", body: dict | None = None) -> tuple[int, dict]:
    """One call; its status and its JSON."""
    headers = {"Authorization": f"Bearer {token}"} if token else {}
    data = None
    if body is not None:
        data, headers["Content-Type"] = json.dumps(body).encode(), "application/json"
    asked = urllib.request.Request(f"http://127.0.0.1:{port}{path}", data=data, headers=headers)
    try:
        with urllib.request.urlopen(asked, timeout=15) as answer:
            return answer.status, json.load(answer)
    except urllib.error.HTTPError as error:
        return error.code, json.load(error)


def test_program_asks_a_station_and_reads_its_record(tmp_path) -> None:
    """Booked in by a call, found on record; refused with reasons; 504 while the station is stopped."""
    broker, port, people = Broker(tmp_path), free_port(), tmp_path / "people.db"
    broker.start()
    station = Station(tmp_path, broker.port)
    station.start()
    made = subprocess.run(
        [sys.executable, "-m", "station", "token", "add", "jobs", "--scope", "read", "--scope", "request",
         "--people", people],
        capture_output=True, text=True, check=True,
    )  # fmt: skip
    token = made.stdout.strip()
    command = [
        sys.executable,
        "-m",
        "station",
        "--settings",
        station.settings,
        "dashboard",
        "--port",
        str(port),
    ]
    command += ["--broker", f"127.0.0.1:{broker.port}", "--people", people, "--db", station.db]
    with (tmp_path / "pages.log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        live = "/api/v1/stations/bench-1/state"
        wait_until(lambda: _liveness(port, live, token) == "live", 30, "a live station")
        ask = "/api/v1/stations/bench-1/requests"
        status, told = called(port, ask, token, {"verb": "book-in", "unit": "U-7", "model": "oled"})
        assert (status, told["accepted"]) == (200, True)
        _, page = called(port, f"/api/v1/events?after={told['seq'] - 1}&limit=1", token)
        assert [(each["seq"], each["unit"]) for each in page["items"]] == [(told["seq"], "U-7")]
        assert called(port, "/api/v1/units/U-7", token)[1]["model"] == "oled"
        status, told = called(port, ask, token, {"verb": "start", "step": "solder"})
        assert status == 409
        assert "extraction-not-proven" in told["reasons"]
        assert called(port, ask, "", {"verb": "ack"})[0] == 401
        station.end()
        status, told = called(port, ask, token, {"verb": "ack"})
        assert status == 504
        assert called(port, live, token)[1]["liveness"] in ("silent", "stopped")
        broker.end()
        wait_until(lambda: called(port, "/healthz") == (503, {"status": "down"}), what="down")
        assert called(port, ask, token, {"verb": "ack"})[0] == 503
    finally:
        server.terminate()
        server.wait(10)
        if station.process is not None:
            station.end()
        broker.end()


def _liveness(port: int, path: str, token: str) -> str:
    try:
        return called(port, path, token)[1].get("liveness", "")
    except OSError:
        return ""


@pytest.mark.parametrize("proxy", [(), ("--proxy", "127.0.0.1"), ("--proxy", "127.0.0.9")])
def test_a_pin_from_far_away_does_not_count_through_any_proxy(tmp_path, proxy) -> None:
    """Whether the proxy is named, not named, or another is: and where it is not, the page says what to do."""
    port, people = free_port(), tmp_path / "people.db"
    file = People(people)
    file.add("t-04", Role.TECHNICIAN, pin="739154")
    file.close()
    command = [sys.executable, "-m", "dashboard", "--port", str(port), "--people", people, *proxy]
    with (tmp_path / "pages.log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        wait_until(lambda: _up(port), what="the server")
        headers = {"X-Forwarded-For": "11.22.33.44", "X-Forwarded-Proto": "https", "Host": "bench.example"}
        far = http.client.HTTPConnection("127.0.0.1", port, timeout=15)
        far.request("GET", "/sign-in", headers=headers)
        form = far.getresponse()
        cookie = form.headers["Set-Cookie"]
        assert ("Secure" in cookie) == bool(proxy)
        token = re.search(r'name="csrf_token" value="([^"]+)"', form.read().decode())[1]
        body = urllib.parse.urlencode({"name": "t-04", "secret": "739154", "csrf_token": token})
        kind = {"Content-Type": "application/x-www-form-urlencoded", "Cookie": cookie.partition(";")[0]}
        # Over TLS the form's own page is asked for too (Referer).
        far.request("POST", "/sign-in", body, {**headers, **kind, "Referer": "https://bench.example/sign-in"})
        answer = far.getresponse()
        assert (answer.status, "--proxy" in answer.read().decode()) == (403, proxy[1:] != ("127.0.0.1",))
        far.close()
    finally:
        server.terminate()
        server.wait(10)


def _up(port: int) -> bool:
    try:
        return called(port, "/healthz")[0] in (200, 503)
    except OSError:
        return False
