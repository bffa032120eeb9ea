"""A badge scanned where nobody is signed in, in a real Chromium at the pages themselves."""

import threading
from wsgiref.simple_server import WSGIRequestHandler, make_server

import pytest
from playwright.sync_api import expect

from dashboard.access import Role
from dashboard.app import create_app
from dashboard.people import People

pytestmark = pytest.mark.system
NAME, PIN = "t-04", "739154"


class Quiet(WSGIRequestHandler):
    """Writes no line for each request."""

    def log_message(self, format, *args):
        """Nothing."""


@pytest.fixture
def page(board, tmp_path, browser):
    """The page of a bench, nobody signed in; without its stream, which a plain server cannot serve beside."""
    people = People(tmp_path / "people.db")
    people.add(NAME, Role.TECHNICIAN, pin=PIN)
    server = make_server("127.0.0.1", 0, create_app(board, people), handler_class=Quiet)
    serving = threading.Thread(target=server.serve_forever)
    serving.start()
    page = browser.new_page()
    page.route("**/stream", lambda route: route.abort())
    page.goto(f"http://127.0.0.1:{server.server_port}/bench/bench-1")
    yield page
    page.close()
    server.shutdown()
    serving.join()
    server.server_close()
    people.close()


def scan(page, text, end="Enter"):
    """As a scanner types it."""
    page.keyboard.type(text, delay=20)
    page.keyboard.press(end)


@pytest.mark.parametrize("text", [NAME, f"sign-in technician={NAME}"])
@pytest.mark.parametrize("end", ["Enter", "Tab"])
def test_a_badge_opens_the_sign_in_with_the_cursor_in_the_pin(page, text, end):
    """The PIN is all that is left to type; then the bench's page is there again."""
    bench = page.url
    scan(page, text, end)
    expect(page.locator("#name")).to_have_value(NAME)
    expect(page.locator("#secret")).to_be_focused()
    page.keyboard.type(PIN)
    page.keyboard.press("Enter")
    expect(page.get_by_text(f"{NAME} (technician)")).to_be_visible()
    assert page.url == bench


@pytest.mark.parametrize("text", ["dispense ml=1", "ack", "4006381333931"])
def test_other_scans_say_that_nobody_is_signed_in(page, text):
    """The page that watches the bench stays."""
    bench = page.url
    scan(page, text)
    expect(page.locator("#said")).to_contain_text("Nobody is signed in")
    assert page.url == bench


def test_the_sign_in_without_a_badge_begins_at_the_name(page):
    """And a name that is no name is text, nothing else."""
    page.get_by_role("link", name="Sign in").click()
    expect(page.locator("#name")).to_be_focused()
    page.goto(page.url + '?name="><script>alert(1)</script>')
    expect(page.locator("#name")).to_have_value('"><script>alert(1)</script>')
