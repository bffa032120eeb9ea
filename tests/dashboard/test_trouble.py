"""What went wrong is told in plain words with what to do next, never as a bare code."""

import re

import pytest

from dashboard.access import Role
from dashboard.app import create_app
from dashboard.people import People
from dashboard.trouble import WORDS

PIN = "483920"


@pytest.fixture
def app(board, tmp_path):
    """The application with a technician."""
    people = People(tmp_path / "people.db")
    people.add("t-04", Role.TECHNICIAN, pin=PIN)
    app = create_app(board, people)
    yield app
    people.close()


@pytest.fixture
def technician(app):
    """Their browser, signed in."""
    client = app.test_client()
    token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
    client.post("/sign-in", data={"name": "t-04", "secret": PIN, "csrf_token": token})
    return client


@pytest.mark.parametrize(
    ("method", "path", "status", "words"),
    [
        ("GET", "/nowhere", 404, "Look for a typing mistake in the address"),
        ("GET", "/review", 403, "You are signed in as t-04 (technician). Ask the safety lead"),
        ("POST", "/cards", 405, "use the button on the page"),
        ("POST", "/sign-out", 400, "This page was open for too long"),
    ],
)
def test_a_page_says_what_to_do_next(technician, method, path, status, words):
    """In a page with a way back to the bench."""
    answer = technician.open(path, method=method)
    assert (answer.status_code, words in answer.text) == (status, True), answer.text
    assert "To the bench" in answer.text
    assert not re.search(r"Forbidden|Not Found|Bad Request|Method Not", answer.text)


def test_who_is_not_signed_in_is_told_to(app):
    """A script gets the same words as JSON."""
    app.config["WTF_CSRF_ENABLED"] = False
    answer = app.test_client().post("/bench/bench-1/request", headers={"Accept": "application/json"})
    assert answer.status_code == 401
    assert answer.json == {"accepted": False, "text": "You are not signed in. Sign in, then try again."}


def test_a_mistake_of_the_pages_sends_people_to_the_bench(app):
    """No trace of the program, and where to look."""

    def fail():
        raise RuntimeError("inside")

    app.view_functions["pages.benches"] = fail
    fail.benchward_opens_to = None
    answer = app.test_client().get("/")
    assert (answer.status_code, "go by it and its light" in answer.text) == (500, True)
    assert "inside" not in answer.text


def test_every_word_says_what_and_what_next():
    """Two sentences each."""
    assert all(title and todo.endswith(".") for title, todo in WORDS.values())
