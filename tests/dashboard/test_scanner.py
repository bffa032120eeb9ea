"""Scans, typing, keys and taps told apart in a real Chromium, by the scripts of the bench's page alone."""

from pathlib import Path

import pytest

from shared.requests import VERBS

pytestmark = pytest.mark.system

SCRIPTS = Path(__file__).parents[2] / "dashboard" / "static"
PAGE = f"""<!doctype html><main id="bench" data-verbs="{" ".join(VERBS)}">
<button id="fail" data-ask="finish step=solder result=fail">Finish: fail</button>
<button id="dose" data-ask="dispense ml=5">I took 5 mL solvent</button>
<a id="away" href="/elsewhere">Units</a></main><div id="said"></div>
<form id="ask" class="ask" action="/ask">
<input type="hidden" name="csrf_token" value="t"><input id="whole" name="request"><button>Ask</button></form>
<form class="ask"><input type="hidden" name="verb" value="take"><input id="unit" name="unit"></form>
<form class="ask"><input type="hidden" name="verb" value="abandon"><input id="why" name="reason"></form>"""


@pytest.fixture
def page(browser):
    """The page; ``asked`` holds what was sent, and answers wait in ``held`` where that is a list."""
    page = browser.new_page()
    page.asked = []
    page.held = None

    def answer(route):
        if route.request.method != "POST":
            route.fulfill(body=PAGE, content_type="text/html")
            return
        page.asked.append(route.request.post_data_json or {})
        if page.held is None:
            let_go(route)
        else:
            page.held.append(route)

    page.route("**/*", answer)
    page.goto("http://bench.invalid/")
    for name in ("scan.js", "ask.js"):
        page.add_script_tag(path=SCRIPTS / name)
    yield page
    page.close()


def let_go(route):
    """The station's answer."""
    route.fulfill(json={"accepted": True, "text": "Noted."})


def scan(page, text, pace_ms=5, hiccup_ms=0, end="Enter"):
    """Types as a scanner does, once with a key that comes late, and ends with Enter or Tab."""
    page.keyboard.type(text[:4], delay=pace_ms)
    if hiccup_ms:
        page.wait_for_timeout(hiccup_ms)
    page.keyboard.type(text[4:], delay=pace_ms)
    page.keyboard.press(end)
    page.wait_for_timeout(150)


def requests_of(page):
    """What was asked."""
    return [asked.get("request") for asked in page.asked]


@pytest.mark.parametrize("end", ["Enter", "Tab"])
@pytest.mark.parametrize(
    ("pace_ms", "hiccup_ms"), [(1, 0), (30, 0), (60, 0), (130, 0), (250, 0), (5, 400), (40, 500), (5, 2000)]
)
def test_a_scan_is_taken_whole_at_any_scanners_pace(page, pace_ms, hiccup_ms, end):
    """Quick ones, slow ones, and wireless ones of which a key comes late; ended either way."""
    scan(page, "dispense ml=0.04", pace_ms, hiccup_ms, end)
    assert requests_of(page) == ["dispense ml=0.04"]


@pytest.mark.parametrize("end", ["Enter", "Tab"])
@pytest.mark.parametrize("pace_ms", [20, 130])
@pytest.mark.parametrize("focused", ["#fail", "#dose", "#away"])
def test_a_scan_presses_nothing_that_was_touched_last(page, focused, pace_ms, end):
    """Neither its space nor its end, nor the second end that some scanners send; the focus stays."""
    page.locator(focused).focus()
    scan(page, "start step=solder", pace_ms, end=end)
    page.keyboard.press(end)
    page.wait_for_timeout(100)
    assert requests_of(page) == ["start step=solder"]
    assert page.evaluate("document.activeElement.id") == focused[1:]
    assert page.url == "http://bench.invalid/"


@pytest.mark.parametrize("text", ["ab", "x", "4006381333931", "https://bench.invalid/units/DP-1"])
def test_a_code_that_is_no_request_presses_nothing_and_is_told(page, text):
    """However short; nothing is asked."""
    page.locator("#dose").focus()
    scan(page, text)
    assert page.asked == []
    assert "is no request" in page.inner_text("#said")


@pytest.mark.parametrize("key", ["Enter", "Space"])
def test_a_button_is_pressed_by_key_when_nothing_was_typed(page, key):
    """At once; and again some seconds after keys that led to nothing, or a second after a scan."""
    page.locator("#dose").focus()
    page.keyboard.press(key)
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5"]
    page.keyboard.type("xy")
    page.wait_for_timeout(3200)
    page.keyboard.press(key)
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5"] * 2
    scan(page, "ack")
    page.wait_for_timeout(1100)
    page.keyboard.press(key)
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5", "dispense ml=5", "ack", "dispense ml=5"]


def test_tab_moves_on_when_nothing_was_typed(page):
    """As ever."""
    page.locator("#fail").focus()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.id") == "dose"


@pytest.mark.parametrize(
    ("pace_ms", "end"), [(5, "Enter"), (70, "Enter"), (130, "Enter"), (5, "Tab"), (70, "Tab")]
)
def test_a_card_scanned_into_a_field_is_asked_and_leaves_the_field_as_it_was(page, pace_ms, end):
    """Half a name stands there; the scan of a card is not made a part of it."""
    page.fill("#unit", "DP-")
    page.locator("#unit").focus()
    scan(page, "start step=solder", pace_ms, end=end)
    assert requests_of(page) == ["start step=solder"]
    assert page.input_value("#unit") == "DP-"
    assert page.evaluate("document.activeElement.id") == "unit"


@pytest.mark.parametrize("end", ["Enter", "Tab"])
def test_a_card_scanned_into_the_field_for_any_request_is_asked_once(page, end):
    """The form is not sent as well, nor an empty one by the second end."""
    page.locator("#whole").focus()
    scan(page, "start step=solder", end=end)
    page.keyboard.press(end)
    page.wait_for_timeout(100)
    assert requests_of(page) == ["start step=solder"]


def test_a_request_typed_by_hand_is_sent_by_enter_and_not_by_tab(page):
    """As slowly as people type."""
    page.locator("#whole").focus()
    scan(page, "ack", pace_ms=220, end="Tab")
    assert page.asked == []
    page.locator("#whole").focus()
    page.keyboard.press("Enter")
    page.wait_for_timeout(100)
    assert requests_of(page) == ["ack"]


def test_a_word_typed_into_a_field_is_what_the_field_is_filled_with(page):
    """Even where it is the name of a request."""
    page.locator("#why").focus()
    scan(page, "reset", pace_ms=150)
    assert [(asked.get("verb"), asked.get("reason")) for asked in page.asked] == [("abandon", "reset")]


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


def test_a_double_tap_is_one_request(page):
    """Also where the answer is quick, and where another button has come to the place of the first."""
    fail = page.locator("#fail").bounding_box()
    page.locator("#dose").dblclick()
    page.mouse.click(
        fail["x"] + 5, fail["y"] + 5
    )  # within half a second: no waiting for the button to be ready
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5"]
    page.wait_for_timeout(1200)
    page.locator("#dose").click()
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5"] * 2


def test_a_button_is_deaf_until_its_request_is_answered(page):
    """And is seen to be; another is not, once nobody's finger can mean the first any more."""
    page.held = []
    page.locator("#dose").click()
    page.wait_for_timeout(1500)
    page.locator("#dose").click(force=True)
    page.locator("#fail").click()
    page.wait_for_timeout(100)
    assert requests_of(page) == ["dispense ml=5", "finish step=solder result=fail"]
    assert page.get_attribute("#dose", "aria-disabled") == "true"
    for route in page.held:
        let_go(route)
    page.wait_for_timeout(1300)
    assert page.get_attribute("#dose", "aria-disabled") is None
