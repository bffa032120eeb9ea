"""Signing a review: who, what they looked at, and on which chain."""

import re
import shutil
import sqlite3

import pytest
from asked import AskedBoard
from morning import record_morning

from dashboard.access import Role
from dashboard.app import create_app
from dashboard.people import People
from shared.history import History
from shared.messages import Answer

PIN = "483920"
RANGE = "from=2026-03-02&to=2026-03-02"
JSON = {"Accept": "application/json"}


@pytest.fixture(scope="module")
def morning(tmp_path_factory):
    """A recorded morning, made once."""
    path = tmp_path_factory.mktemp("signing") / "bench.db"
    record_morning(path)
    return path


@pytest.fixture
def journal(morning, tmp_path):
    """A copy to spoil."""
    return shutil.copy(morning, tmp_path / "bench.db")


@pytest.fixture
def board(clock):
    """A board whose station signs."""
    return AskedBoard(clock)


@pytest.fixture
def desk(board, journal, tmp_path):
    """Signs people in; gives what opens pages and what sends forms."""
    people = People(tmp_path / "people.db")
    for name, role in (("lead", Role.SAFETY_LEAD), ("lead-2", Role.SAFETY_LEAD), ("tech", Role.TECHNICIAN)):
        people.add(name, role, pin=PIN)
    app = create_app(board, people, journal)
    app.testing = True

    def sign_in(name):
        client = app.test_client()
        token = hidden(client.get("/sign-in").text, "csrf_token")
        client.post("/sign-in", data={"name": name, "secret": PIN, "csrf_token": token})
        token = hidden(client.get("/cards").text, "csrf_token")

        def sign(ticket):
            return client.post("/review/sign", data={"ticket": ticket, "csrf_token": token}, headers=JSON)

        return client, sign

    yield sign_in
    people.close()


def hidden(page, name):
    """The value of a form's hidden field; None where the page has none."""
    found = re.search(f'name="{name}" value="([^"]+)"', page)
    return found and found[1]


def test_what_was_looked_at_is_signed_at_the_head_that_was_shown(desk, board, journal):
    """The station is asked by name, for the days and the head on the page, in the lead's name."""
    client, sign = desk("lead")
    page = client.get(f"/review?{RANGE}").text
    with History(journal) as history:
        head = history.verify().head
    assert head in page
    answer = sign(hidden(page, "ticket"))
    assert (answer.status_code, answer.json) == (200, {"accepted": True, "text": "The review is signed."})
    text = f"sign-review period=2026-03-02/2026-03-02 head={head} by=lead"
    assert board.asked == [("bench-1", text)]


def test_days_that_were_not_looked_at_are_not_signed(desk, board):
    """No ticket, one made up, or one with its days exchanged."""
    client, sign = desk("lead")
    ticket = hidden(client.get(f"/review?{RANGE}").text, "ticket")
    for made_up in ("", "x", ticket[:-1], ticket.replace(ticket[5], "A" if ticket[5] != "A" else "B", 1)):
        answer = sign(made_up)
        assert (answer.status_code, "not looked at" in answer.json["text"]) == (409, True)
    assert board.asked == []


def test_what_another_looked_at_is_not_signed(desk, board):
    """Nor what the same lead looked at before signing in anew."""
    ticket = hidden(desk("lead")[0].get(f"/review?{RANGE}").text, "ticket")
    for name in ("lead-2", "lead"):
        answer = desk(name)[1](ticket)
        assert (answer.status_code, "yourself" in answer.json["text"]) == (409, True)
    assert board.asked == []


def test_a_technician_neither_reads_nor_signs_it(desk, board):
    """Forbidden, with a ticket too."""
    ticket = hidden(desk("lead")[0].get(f"/review?{RANGE}").text, "ticket")
    client, sign = desk("tech")
    assert client.get(f"/review?{RANGE}").status_code == 403
    assert sign(ticket).status_code == 403
    assert board.asked == []


def spoil(path, sql):
    """Write to the record behind the station's back."""
    with sqlite3.connect(path) as connection:
        connection.execute(sql)
    connection.close()


def test_a_broken_chain_is_not_signed(desk, board, journal):
    """Changed after it was looked at: the chain is walked anew. Then the page has nothing to sign with."""
    client, sign = desk("lead")
    ticket = hidden(client.get(f"/review?{RANGE}").text, "ticket")
    spoil(journal, "update events set body = replace(body, 'T-4', 'T-5') where kind = 'step-finished'")
    answer = sign(ticket)
    assert (answer.status_code, "chain of events breaks" in answer.json["text"]) == (409, True)
    page = client.get(f"/review?{RANGE}").text
    assert "The chain of events breaks" in page
    assert hidden(page, "ticket") is None
    assert board.asked == []


def test_a_head_that_is_not_of_the_chain_is_not_signed(desk, board, journal):
    """The tail was cut off after the review was looked at: what is left is whole, but not what was seen."""
    client, sign = desk("lead")
    ticket = hidden(client.get(f"/review?{RANGE}").text, "ticket")
    spoil(journal, "delete from events where seq = (select max(seq) from events)")
    answer = sign(ticket)
    assert (answer.status_code, "not the one" in answer.json["text"]) == (409, True)
    assert board.asked == []


@pytest.mark.parametrize(
    ("answer", "status", "words"),
    [
        (None, 504, "did not answer"),
        (Answer(accepted=False, reasons=["no-such-period"], seq=3), 200, "Those days do not exist"),
    ],
)
def test_what_the_station_says_is_told(desk, board, answer, status, words):
    """Silence and a refusal, in words."""
    client, sign = desk("lead")
    board.answer = answer
    told = sign(hidden(client.get(f"/review?{RANGE}").text, "ticket"))
    assert (told.status_code, told.json["accepted"], words in told.json["text"]) == (status, False, True)
