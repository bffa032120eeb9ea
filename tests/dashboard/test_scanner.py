"""Scans and typing told apart in a real Chromium, by the script of the bench's page alone."""

from pathlib import Path

import pytest
from playwright.sync_api import sync_playwright

from shared.requests import VERBS

pytestmark = pytest.mark.system

SCRIPT = Path(__file__).parents[2] / "dashboard" / "static" / "ask.js"
PAGE = f"""<!doctype html><div id="said"></div>
<form id="ask" action="/ask" data-verbs="{" ".join(VERBS)}">
<input name="csrf_token" value="t"><input name="request"></form>
<form class="ask"><input type="hidden" name="verb" value="take"><input id="unit" name="unit"></form>
<button id="fail" data-ask="finish step=solder result=fail">Finish: fail</button>"""


@pytest.fixture(scope="module")
def browser():
    """A running Chromium."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture
def page(browser):
    """The page; ``asked`` holds what was sent."""
    page = browser.new_page()
    page.asked = []

    def answer(route):
        if route.request.method == "POST":
            page.asked.append(route.request.post_data_json or {})
            route.fulfill(json={"accepted": True, "text": "Noted."})
        else:
            route.fulfill(body=PAGE, content_type="text/html")

    page.route("**/*", answer)
    page.goto("http://bench.invalid/")
    page.add_script_tag(path=SCRIPT)
    yield page
    page.close()


def scan(page, text, pace_ms=5, hiccup_ms=0):
    """Types as a scanner does, once with a key that comes late, and ends with Enter."""
    page.keyboard.type(text[:4], delay=pace_ms)
    if hiccup_ms:
        page.wait_for_timeout(hiccup_ms)
    page.keyboard.type(text[4:], delay=pace_ms)
    page.keyboard.press("Enter")
    page.wait_for_timeout(150)


def requests_of(page):
    """What was asked."""
    return [asked.get("request") for asked in page.asked]


@pytest.mark.parametrize(("pace_ms", "hiccup_ms"), [(1, 0), (30, 0), (60, 0), (5, 400), (40, 500)])
def test_a_scan_is_taken_whole_at_any_scanners_pace(page, pace_ms, hiccup_ms):
    """Quick ones, slow ones, and wireless ones of which a key comes late."""
    scan(page, "finish step=solder result=pass", pace_ms, hiccup_ms)
    assert requests_of(page) == ["finish step=solder result=pass"]


def test_typing_is_not_taken_for_a_scan(page):
    """A quick typist, one key in 0.15 s, and keys touched now and then."""
    scan(page, "ack", pace_ms=150)
    scan(page, "start step=solder", pace_ms=150)
    page.keyboard.press("Enter")
    page.wait_for_timeout(100)
    assert page.asked == []


def test_a_scan_does_not_press_the_button_that_was_touched_last(page):
    """Neither its space nor its Enter; a person's space still does."""
    page.locator("#fail").focus()
    scan(page, "start step=solder", pace_ms=20)
    assert requests_of(page) == ["start step=solder"]
    page.wait_for_timeout(800)
    page.keyboard.press("Space")
    page.wait_for_timeout(150)
    assert requests_of(page) == ["start step=solder", "finish step=solder result=fail"]


def test_a_card_scanned_into_a_field_is_asked_and_leaves_the_field_as_it_was(page):
    """Half a name stands there; the scan of a card is not made a part of it."""
    page.fill("#unit", "DP-")
    page.locator("#unit").focus()
    scan(page, "start step=solder")
    assert requests_of(page) == ["start step=solder"]
    assert page.input_value("#unit") == "DP-"


def test_a_code_scanned_into_a_field_fills_it(page):
    """A label of somebody else's, which is no request, sends the form that it was scanned into."""
    page.locator("#unit").focus()
    scan(page, "DP-1042")
    assert [(asked.get("verb"), asked.get("unit")) for asked in page.asked] == [("take", "DP-1042")]


def test_two_scans_in_a_row_are_two(page):
    """The second begins anew."""
    scan(page, "ack")
    scan(page, "take unit=DP-1")
    assert requests_of(page) == ["ack", "take unit=DP-1"]
