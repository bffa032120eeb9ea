"""Where the focus goes when parts of the bench's page are replaced, in a real Chromium by its script."""

import json
from pathlib import Path

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.system

SCRIPT = Path(__file__).parents[2] / "dashboard" / "static" / "bench.js"
START, FINISH = "start step=strip", "finish step=strip result=pass"


def button(request):
    """A button as the page prints it."""
    return f'<button data-ask="{request}">{request}</button>'


PAGE = f"""<!doctype html><title>t</title>
<main id="bench" data-stream="/stream" data-live="yes" data-age-ms="0" data-lost-after-ms="4000">
<section id="part-band" data-part="band">At rest</section><template id="lost-band">Lost</template>
<section id="part-acts" data-part="acts">{button(START)}{button("ack")}</section>
<template id="lost-acts">The station is not heard.</template></main><input id="field">"""


@pytest.fixture
def page(browser):
    """The page; what is put into ``news`` comes with the stream, which ends and is asked for again."""
    page = browser.new_page()
    page.news = []

    def answer(route):
        if not route.request.url.endswith("/stream"):
            route.fulfill(body=PAGE, content_type="text/html")
            return
        told, page.news = page.news, []
        body = "retry: 50\n\n" + "".join(f"data: {json.dumps(each)}\n\n" for each in told)
        route.fulfill(body=body, content_type="text/event-stream")

    page.route("**/*", answer)
    page.goto("http://bench.invalid/")
    page.add_script_tag(path=SCRIPT)
    yield page
    page.close()


def tell(page, acts, band="At work"):
    """The bench's page has this to show now."""
    page.news = [
        {"live": True, "age_ms": 0, "clock_ms": 1, "title": "t", "parts": {"band": band, "acts": acts}}
    ]
    expect(page.locator("#part-band")).to_have_text(band)


def held(page):
    """What has the focus: a request, else an id, else the element's name."""
    return page.evaluate(
        "(e => e.dataset.ask ?? (e.id || e.tagName))(document.activeElement)",
    )


def test_the_focus_stays_on_the_button_of_the_same_request(page):
    """Wherever it stands among the new ones."""
    page.locator(f'[data-ask="{START}"]').focus()
    tell(page, button("ack") + button(START))
    assert held(page) == START


def test_the_focus_stays_in_the_part_when_its_button_is_gone(page):
    """On no other button, which the next key would press; and is back when its button is."""
    page.locator(f'[data-ask="{START}"]').focus()
    tell(page, button(FINISH) + button("ack"))
    assert held(page) == "part-acts"
    page.keyboard.press("Tab")
    assert held(page) == FINISH
    tell(page, button(START), "Ready")
    assert held(page) == "part-acts"
    tell(page, button(FINISH) + button("ack"), "Again")
    assert held(page) == FINISH


def test_the_focus_comes_back_after_the_station_was_lost(page):
    """The prepared part has no buttons."""
    page.locator('[data-ask="ack"]').focus()
    expect(page.locator("#part-band")).to_have_text("Lost", timeout=8000)
    assert held(page) == "part-acts"
    tell(page, button(START) + button("ack"), "Back")
    assert held(page) == "ack"


def test_the_focus_is_left_alone_elsewhere(page):
    """In a field somebody writes; and with nothing chosen, nothing is."""
    tell(page, button("ack"))
    assert held(page) == "BODY"
    page.locator("#field").focus()
    tell(page, button(START), "Other")
    assert held(page) == "field"
