"""Each role at a real broker with TLS: what it should do gets through, and nothing else does.

Everything is seen from outside, with mosquitto's own clients. The broker accepts a denied subscription and
then delivers nothing, so that a denial is judged by what arrives, never by what was answered.
"""

import json
import os
import socket
import ssl
import stat
import subprocess
import time

import pytest
from live import Station, free_port, wait_until
from secured import MAKE, SecuredBroker

from dashboard.live import Live
from shared.broker_access import BrokerAccess
from shared.history import History
from shared.requests import parse_text
from station.link.asking import Asker
from station.link.onlooker import Onlooker
from station.settings import load_settings

pytestmark = pytest.mark.system
ROOT = "benchward/v1"
ROLES = ("bench-1", "dashboard", "job-system", "collector")
ASKED = ("requests", "requests/office")
LEAVES = ("status", "state", "head", "readings", "events", *ASKED)
OWN = {f"{ROOT}/bench-1/{leaf}" for leaf in LEAVES if leaf not in ASKED}
OWN_REQUESTS = {f"{ROOT}/bench-1/{leaf}" for leaf in ASKED}
ASK = {f"{ROOT}/bench-1/requests", f"{ROOT}/bench-2/requests"}
ASK_IN_THE_OFFICE = {f"{topic}/office" for topic in ASK}
ANSWERS = {f"{ROOT}/answers/{role}/1" for role in ROLES}
TOPICS = sorted(ANSWERS | {f"{ROOT}/bench-{n}/{leaf}" for n in (1, 2) for leaf in LEAVES})
MAY_PUBLISH = {
    "bench-1": OWN | OWN_REQUESTS | ANSWERS,
    "dashboard": ASK | ASK_IN_THE_OFFICE,
    "job-system": ASK,
    "collector": set(),
}


def seen(*leaves: str) -> set[str]:
    """These topics of both stations."""
    return {f"{ROOT}/bench-{n}/{leaf}" for n in (1, 2) for leaf in leaves}


MAY_HEAR = {
    "bench-1": {f"{ROOT}/bench-1/{leaf}" for leaf in (*ASKED, "status", "state")}
    | {f"{ROOT}/answers/bench-1/1"},
    "dashboard": seen("status", "state", "head", "readings", "events") | {f"{ROOT}/answers/dashboard/1"},
    "job-system": seen("status", "head", "events") | {f"{ROOT}/answers/job-system/1"},
    "collector": seen("status", "head", "readings", "events"),
}


def access_of(broker: SecuredBroker, role: str) -> BrokerAccess:
    """How a program gets in, in a role."""
    return BrokerAccess(role, str(broker.files / f"{role}.password"), str(broker.files / "ca.crt"))


def heard(process: subprocess.Popen, seconds: float) -> set[str]:
    """Topics of what a listener got until now and in some seconds more; ends it."""
    time.sleep(seconds)
    process.terminate()
    lines = process.communicate(timeout=10)[0].splitlines()
    assert any("SUBACK" in line for line in lines), lines
    return {line.split()[0] for line in lines if line.startswith("benchward/")}


def test_each_role_publishes_only_what_is_its_own(secured):
    """What a role publishes on every topic arrives at a witness exactly where it may."""
    for role in ROLES:
        witness = secured.hear("witness", "benchward/#")
        time.sleep(0.3)
        for topic in TOPICS:
            secured.publish(role, topic, role)
        assert (role, heard(witness, 0.3)) == (role, MAY_PUBLISH[role])


def test_each_role_hears_only_what_concerns_it(secured):
    """Of everything that is published, each role hears exactly what it may; shared subscriptions as well."""
    listeners = {role: secured.hear(role, "benchward/#", *TOPICS) for role in ROLES}
    shared = secured.hear("collector", f"$share/c/{ROOT}/+/readings", f"$share/c/{ROOT}/+/state")
    time.sleep(0.5)
    for topic in TOPICS:
        secured.publish("witness", topic, "x")
    assert {role: heard(process, 0.1) for role, process in listeners.items()} == MAY_HEAR
    assert heard(shared, 0.1) == seen("readings")


def test_nobody_comes_in_without_password_or_encryption(secured):
    """A wrong password, none, and a connection without TLS are all refused."""
    good = secured.client("mosquitto_pub", "bench-1", "-t", f"{ROOT}/bench-1/status", "-m", "x")
    assert subprocess.run(good, capture_output=True, timeout=10).returncode == 0
    at = good.index("-P")
    for bad in (
        [*good[: at + 1], "wrong", *good[at + 2 :]],
        [*good[: good.index("-u")], *good[at + 2 :]],
        [*good[: good.index("--cafile")], *good[good.index("-u") :]],
    ):
        assert subprocess.run(bad, capture_output=True, timeout=10).returncode != 0


def test_station_publishes_over_tls_with_its_password(secured, tmp_path):
    """The station with its own user, password file and the CA is heard by the dashboard's role."""
    station = Station(tmp_path, secured.port)
    text = station.settings.read_text().replace(
        "[broker]\n",
        f'[broker]\nhost = "localhost"\nuser = "bench-1"\n'
        f'password_file = "{secured.files}/bench-1.password"\nca_file = "{secured.files}/ca.crt"\n',
    )
    station.settings.write_text(text)
    listener = secured.hear("dashboard", f"{ROOT}/bench-1/status", f"{ROOT}/bench-1/readings")
    station.start()
    try:
        wait_until(lambda: "connected to broker" in station.log.read_text(), what="the connection")
        assert heard(listener, 4) == {f"{ROOT}/bench-1/status", f"{ROOT}/bench-1/readings"}
    finally:
        station.end()


def test_programs_get_in_with_their_password_and_ca(secured, tmp_path):
    """A job system asks the station, the pages follow it and ask: each as its own user, encrypted."""
    station = Station(tmp_path, secured.port)
    files = access_of(secured, "bench-1")
    text = station.settings.read_text().replace(
        "[broker]\n",
        f'[broker]\nhost = "localhost"\nuser = "bench-1"\npassword_file = "{files.password_file}"\n'
        f'ca_file = "{files.ca_file}"\n',
    )
    station.settings.write_text(text)
    pages = Live("localhost", secured.port, access_of(secured, "dashboard"))
    pages.start()
    station.start()
    try:
        wait_until(lambda: "connected to broker" in station.log.read_text(), what="the connection")
        with Asker("localhost", secured.port, "bench-1", "clerk", access_of(secured, "job-system")) as asker:
            answer = asker.ask("book-in unit=U-1 model=m")
        assert answer is not None
        assert answer.accepted
        wait_until(lambda: pages.connected, what="the pages")
        asked = pages.ask("bench-1", "silence", 5.0)
        assert asked is not None
        assert "refused message" not in station.log.read_text()
    finally:
        pages.stop()
        station.end()


def test_files_stay_and_keys_are_closed_when_made_again(tmp_path):
    """A second run changes no byte; private keys and passwords are for their owner, at most the group."""
    folder = tmp_path / "broker"
    for _ in range(2):
        before = {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()}
        run = subprocess.run(
            [MAKE, folder], env={**os.environ, "PORT": str(free_port())}, capture_output=True, text=True
        )
        assert run.returncode == 0, run.stderr
    assert {path.name: path.read_bytes() for path in folder.glob("*") if path.is_file()} == before
    modes = {path.name: stat.S_IMODE(path.stat().st_mode) for path in folder.glob("*") if path.is_file()}
    assert {modes[name] for name in ("ca.key", *(f"{role}.password" for role in ROLES))} == {0o600}
    assert {modes[name] for name in ("broker.key", "passwords", "acl")} == {0o640}
    ssl.create_default_context(cafile=str(folder / "ca.crt"))


def certificate_of(port: int, ca_file: str) -> tuple[str, ...]:
    """The names in the certificate that a broker shows, believed by a CA."""
    context = ssl.create_default_context(cafile=ca_file)
    with (
        socket.create_connection(("127.0.0.1", port), timeout=5) as plain,
        context.wrap_socket(plain, server_hostname="localhost") as secret,
    ):
        return tuple(str(value) for _, value in secret.getpeercert()["subjectAltName"])


def test_renewed_certificate_is_believed_by_those_who_know_the_ca(secured):
    """A new key and certificate for another name too; the CA and every password stay."""
    ca_file = str(secured.files / "ca.crt")
    kept = ("ca.crt", "ca.key", "passwords", "bench-1.password", "acl", "mosquitto.conf")
    before = {name: (secured.files / name).read_bytes() for name in (*kept, "broker.crt", "broker.key")}
    assert "box.local" not in certificate_of(secured.port, ca_file)
    subprocess.run([MAKE, "--renew", secured.files, "box.local"], check=True, capture_output=True)
    secured.end()
    secured.start()
    assert "box.local" in certificate_of(secured.port, ca_file)
    after = {name: (secured.files / name).read_bytes() for name in before}
    assert {name for name in before if before[name] != after[name]} == {"broker.crt", "broker.key"}


def test_stations_come_later_and_each_has_its_own_branch(secured):
    """A second station is added to files in use: it writes below its own name and nobody else's."""
    subprocess.run([MAKE, secured.files, "localhost", "bench-1", "bench-2"], check=True, capture_output=True)
    secured.end()
    secured.start()
    witness = secured.hear("witness", "benchward/#")
    time.sleep(0.3)
    for topic in TOPICS:
        secured.publish("bench-2", topic, "x")
    own = {topic.replace("bench-1", "bench-2") for topic in OWN | OWN_REQUESTS}
    assert heard(witness, 0.3) == own | ANSWERS


@pytest.mark.parametrize("name", ["collector", "answers", "bench 2", "-x", "a/b", "#", "b" * 41])
def test_station_that_is_no_station_id_is_refused(tmp_path, name):
    """Before anything is made; the message names it."""
    done = subprocess.run(
        [MAKE, tmp_path / "broker", "localhost", name], capture_output=True, text=True, check=False
    )
    assert (done.returncode, f"STATION '{name}'" in done.stderr) == (2, True)
    assert not (tmp_path / "broker").exists()


def test_what_waits_for_a_lasting_session_outlives_a_restart_of_the_broker(secured):
    """A collector is away, the broker is restarted in order: what came meanwhile still waits."""
    lasting = ("-c", "-i", "lasting", "-x", "600", "-t", f"{ROOT}/bench-1/events")
    first = subprocess.run(
        secured.client("mosquitto_sub", "collector", *lasting, "-E"), capture_output=True, timeout=10
    )
    assert first.returncode == 0
    secured.publish("bench-1", f"{ROOT}/bench-1/events", "waiting")
    secured.end()
    secured.start()
    again = subprocess.run(
        secured.client("mosquitto_sub", "collector", *lasting, "-C", "1", "-W", "8"),
        capture_output=True, text=True, timeout=15,
    )  # fmt: skip
    assert again.stdout.strip() == "waiting"


REVIEW = "sign-review period=2020-03-02/2020-03-08 head={head} by=S-01"
NAMED = (
    REVIEW.format(head="0" * 64),
    "out-of-service alarm=link-down reason=x by=S-01",
    "in-service alarm=link-down by=S-01",
    "shift-check verdicts=lamps=passed by=S-01",
)


@pytest.fixture
def authorised(secured, tmp_path):
    """A running station that knows S-01 as somebody who may take alarms out of service."""
    station = Station(tmp_path, secured.port, extra='[limits.alarms]\nauthorisers = ["S-01"]\n')
    text = station.settings.read_text().replace(
        "[broker]\n",
        f'[broker]\nhost = "localhost"\nuser = "bench-1"\n'
        f'password_file = "{secured.files}/bench-1.password"\nca_file = "{secured.files}/ca.crt"\n',
    )
    station.settings.write_text(text)
    station.start()
    wait_until(lambda: "connected to broker" in station.log.read_text(), what="the connection")
    yield station
    station.end()


def asked(broker: SecuredBroker, role: str, leaf: str, text: str, wait_s: int = 5) -> dict | None:
    """The answer to a request on a topic, with mosquitto's own client; None where none came."""
    done = subprocess.run(
        broker.client(
            "mosquitto_rr", role, "-t", f"{ROOT}/bench-1/{leaf}", "-e", f"{ROOT}/answers/{role}/x",
            "-W", str(wait_s), "-m", text,
        ),
        capture_output=True, text=True, check=False, timeout=30,
    )  # fmt: skip
    return json.loads(done.stdout) if done.stdout.strip() else None


def recorded(station: Station, kind: str) -> list[dict]:
    """The events of a kind that are on record."""
    with History(station.db) as history:
        return [event.to_dict() for event in history.events() if event.to_dict()["kind"] == kind]


def test_a_job_system_signs_nothing_in_somebodys_name(secured, authorised):
    """Refused on the common topic, each on record with its text; on the office's it is not heard at all."""
    for text in NAMED:
        answer = asked(secured, "job-system", "requests", text)
        assert answer is not None
        assert (answer["accepted"], answer["reasons"]) == (False, ["not-authorised"]), text
        refused = recorded(authorised, "request-refused")[-1]
        assert (refused["seq"], refused["reasons"]) == (answer["seq"], ["not-authorised"])
        assert parse_text(refused["request"]) == parse_text(text)
    for text in NAMED:
        assert asked(secured, "job-system", "requests/office", text, wait_s=1) is None
    silenced = asked(secured, "job-system", "requests", "silence")
    assert silenced == {"accepted": True, "reasons": [], "seq": None}
    assert len(recorded(authorised, "request-refused")) == len(NAMED)
    for kind in ("review-signed", "alarm-out-of-service", "shift-checked"):
        assert recorded(authorised, kind) == []


def test_the_pages_and_the_station_itself_ask_in_the_office(secured, authorised, tmp_path):
    """A review is signed at a head that the chain has, at no other; alarms and a shift's check as before."""
    pages = Live("localhost", secured.port, access_of(secured, "dashboard"))
    pages.start()
    try:
        wait_until(lambda: pages.connected, what="the pages")
        for head in ("0" * 64, "f" * 64):
            refused = pages.ask("bench-1", REVIEW.format(head=head), 5.0)
            assert refused is not None
            assert (refused.accepted, refused.reasons) == (False, ["unknown-head"])
        head = recorded_head(authorised)
        for text in (REVIEW.format(head=head), *NAMED[1:3], "silence by=S-01"):
            answer = pages.ask("bench-1", text, 5.0)
            assert answer is not None
            assert (answer.accepted, answer.reasons) == (True, []), text
    finally:
        pages.stop()
    with Onlooker(load_settings(authorised.settings).broker, "bench-1") as onlooker:
        assert onlooker.ask(NAMED[3]).accepted
    (signed,) = recorded(authorised, "review-signed")
    assert (signed["head"], signed["technician"]) == (head, "S-01")
    assert [event["by"] for event in recorded(authorised, "shift-checked")] == ["S-01"]


def recorded_head(station: Station) -> str:
    """The head of the chain on disk."""
    with History(station.db) as history:
        return [event.record.hash for event in history.events()][-1]


def test_rights_of_files_from_before_are_brought_up_to_date_once(tmp_path):
    """An acl without the office's topic: pages and stations get it; what somebody took away stays away."""
    folder = tmp_path / "broker"
    subprocess.run([MAKE, folder, "localhost", "bench-1", "bench-2"], check=True, capture_output=True)
    acl = folder / "acl"
    new = acl.read_text()
    acl.write_text("".join(line for line in new.splitlines(keepends=True) if "/office" not in line))
    subprocess.run([MAKE, folder], check=True, capture_output=True)
    assert acl.read_text() == new
    readers = "".join(line for line in new.splitlines(keepends=True) if "write benchward/v1/+" not in line)
    acl.write_text(readers)
    subprocess.run([MAKE, folder], check=True, capture_output=True)
    assert acl.read_text() == readers
