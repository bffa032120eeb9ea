"""The forms of the bench's page follow the bench, and keep what somebody writes; in a real Chromium."""

import json
from pathlib import Path
from urllib.parse import parse_qs

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.system

STATIC = Path(__file__).parents[2] / "dashboard" / "static"


def form(verb, keys):
    """A form as the page prints it."""
    fields = "".join(f'<input name="{key}" id="{verb}-{key}">' for key in keys)
    hidden = f'<input type="hidden" name="verb" value="{verb}">'
    return f'<form class="ask worded">{hidden}{fields}<button id="send-{verb}">{verb}</button></form>'


def document(mark):
    """The page as the server prints it now."""
    forms = form("take", ["unit"]) + (form("abandon", ["reason"]) if mark == "running" else "")
    return f"""<!doctype html><title>t</title>
<main id="bench" data-stream="/stream" data-live="yes" data-age-ms="0" data-lost-after-ms="60000"
data-verbs="take abandon ack"><section id="part-acts" data-part="acts"><p data-fields="{mark}">{mark}</p>
</section><template id="lost-acts">Lost</template></main><div id="said"></div>
<form id="ask" class="ask" action="/request"><input type="hidden" name="csrf_token" value="x">
<input name="request"></form><div id="forms" data-fields="{mark}">{forms}</div>"""


@pytest.fixture
def page(browser):
    """The page; ``page.mark`` is how the bench is, ``page.accepts`` what it says to what is ``asked``."""
    page = browser.new_page()
    page.mark, page.accepts, page.asked = "idle", True, []

    def answer(route):
        if route.request.url.endswith("/stream"):
            parts = {"acts": f'<p data-fields="{page.mark}">{page.mark}</p>'}
            news = {"live": True, "age_ms": 0, "clock_ms": 1, "title": "t", "parts": parts}
            body = f"retry: 50\n\ndata: {json.dumps(news)}\n\n"
            route.fulfill(body=body, content_type="text/event-stream")
        elif route.request.method == "POST":
            page.asked.append({key: one[0] for key, one in parse_qs(route.request.post_data).items()})
            route.fulfill(json={"accepted": page.accepts, "text": "Said."})
        else:
            route.fulfill(body=document(page.mark), content_type="text/html")

    page.route("**/*", answer)
    page.goto("http://bench.invalid/")
    page.add_script_tag(path=STATIC / "bench.js")
    page.add_script_tag(path=STATIC / "ask.js")
    yield page
    page.close()


def test_a_form_comes_with_the_step_and_goes_with_it(page):
    """Started after the page was opened: the form to give the step up is there, and works."""
    expect(page.locator("#abandon-reason")).to_have_count(0)
    page.mark = "running"
    page.locator("#abandon-reason").fill("wrong flex")
    page.locator("#send-abandon").click()
    expect(page.locator("#said")).to_have_text("Said.")
    assert [(asked["verb"], asked["reason"]) for asked in page.asked] == [("abandon", "wrong flex")]
    page.locator("body").click()
    page.evaluate("document.activeElement.blur()")
    page.mark = "idle"
    expect(page.locator("#abandon-reason")).to_have_count(0)


def test_what_somebody_writes_is_not_taken_from_under_their_hands(page):
    """The bench changes meanwhile: the forms wait until the field is empty and left."""
    page.locator("#take-unit").fill("U-7")
    page.evaluate("document.activeElement.blur()")
    page.mark = "running"
    expect(page.locator("#part-acts")).to_have_text("running")
    page.wait_for_timeout(400)  # several messages of the stream
    assert page.locator("#take-unit").input_value() == "U-7"
    expect(page.locator("#abandon-reason")).to_have_count(0)
    page.locator("#take-unit").fill("")
    page.evaluate("document.activeElement.blur()")
    expect(page.locator("#abandon-reason")).to_have_count(1)


def test_what_was_refused_stays_written(page):
    """It may only want mending; what was done is cleared."""
    page.accepts = False
    page.locator("#take-unit").fill("U 7")
    page.locator("#send-take").click()
    expect(page.locator("#said")).to_have_text("Said.")
    assert page.locator("#take-unit").input_value() == "U 7"
    page.accepts = True
    page.locator("#send-take").click()
    expect(page.locator("#take-unit")).to_have_value("")
