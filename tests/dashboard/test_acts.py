"""Buttons for what may be asked now, and the way of a request from the page to the station and back."""

import re

import pytest

from dashboard.access import Role
from dashboard.acts import alarm_act, alarm_acts, bench_acts, fields, other_acts
from dashboard.app import create_app
from dashboard.board import Board
from dashboard.people import People
from shared.messages import Answer, Choice
from shared.requests import Unreadable, parse_text

PIN = "483920"
JSON = {"Accept": "application/json"}


class AskedBoard(Board):
    """A board whose stations can be asked: keeps what was asked, answers what it is told to."""

    def __init__(self, clock):
        super().__init__(clock)
        self.connected = True
        self.asked = []
        self.answer = Answer(accepted=True, reasons=[], seq=1)

    def ask(self, station, text, timeout_s):
        """Keep it and answer."""
        self.asked.append((station, text))
        return self.answer


@pytest.fixture
def board(clock):
    """A board that can be asked."""
    return AskedBoard(clock)


@pytest.fixture
def desk(board, tmp_path):
    """Signs people in at a browser of their own."""
    people = People(tmp_path / "people.db")
    for role in Role:
        people.add(role.value, role, pin=PIN)
    app = create_app(board, people)
    app.testing = True

    def sign_in(role):
        client = app.test_client()
        token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/sign-in").text)[1]
        client.post("/sign-in", data={"name": role, "secret": PIN, "csrf_token": token})
        token = re.search(r'name="csrf_token" value="([^"]+)"', client.get("/bench/bench-1").text)[1]
        return lambda data, **more: client.post(
            "/bench/bench-1/request", data={**data, "csrf_token": token}, **more
        )

    yield sign_in
    people.close()


def labels(acts):
    """What the buttons say."""
    return [act.label for act in acts]


def test_every_button_is_a_request_that_can_be_read(make):
    """Whatever the state: no button sends what the station could not read."""
    states = [
        make.state(),
        make.state(step=None, may_start=[Choice(key="solder", title="Solder the flex")], on_plate=None),
        make.state(step=make.step(held=True, held_by=["extraction-lost"])),
        make.state(step=None, unit=None, on_plate=None),
    ]
    for state in states:
        for act in (*bench_acts(state), *other_acts(state)):
            assert not isinstance(parse_text(act.request), Unreadable), act
        for field in fields(state):
            for needed in (True, False):
                keys = [key for key in field.keys if key.required or not needed]
                told = {key.name: key.choices[0][0] if key.choices else "5" for key in keys} | dict(
                    field.fixed
                )
                filled = " ".join(f"{name}={value}" for name, value in told.items())
                assert not isinstance(parse_text(f"{field.verb} {filled}"), Unreadable), field


def test_buttons_follow_the_step(make):
    """Running: finish; held: go on; none: what may start."""
    assert labels(bench_acts(make.state()))[:2] == ["Finish: pass", "Finish: fail"]
    assert labels(bench_acts(make.state(step=make.step(held=True))))[:1] == ["Go on with the step"]
    free = make.state(step=None, may_start=[Choice(key="solder", title="Solder the flex")], on_plate=None)
    assert labels(bench_acts(free)) == ["Start: Solder the flex", "Lay it on the plate"]


@pytest.mark.parametrize(
    ("state", "label"),
    [
        ("unacknowledged", "Acknowledge: seen"),
        ("acknowledged", None),
        ("returned-unacknowledged", "Acknowledge: seen"),
        ("latched-unacknowledged", "Acknowledge: seen"),
        ("latched-acknowledged", "Reset"),
        ("shelved", "Switch this alarm on again"),
    ],
)
def test_buttons_follow_the_life_of_an_alarm(make, state, label):
    """One button at most, the one that moves it on."""
    act = alarm_act(make.alarm(state=state))
    assert (act.label if act else None) == label


def test_nothing_to_acknowledge_gives_no_buttons_for_all(make):
    """And something does."""
    assert alarm_acts([make.alarm(state="acknowledged")]) == ()
    assert labels(alarm_acts([make.alarm()])) == ["Acknowledge all: seen", "Buzzer off"]


def test_a_button_asks_by_who_is_signed_in_and_moves_nobody(board, bench, desk):
    """The lead's acknowledgement is the lead's; T-9, who works at the bench, is not signed out by it."""
    bench.say(technician="T-9")
    answer = desk("safety-lead")({"request": "ack"}, headers=JSON)
    assert (answer.status_code, answer.json["accepted"]) == (200, True)
    assert board.asked == [("bench-1", "ack by=safety-lead")]


def test_two_at_the_same_time_are_each_recorded_with_their_own(board, bench, desk):
    """One request each, whoever the other is; no sign-in stands between that another's could follow."""
    bench.say(technician="T-9")
    one, other = desk("technician"), desk("safety-lead")
    for ask in (one, other, one):
        ask({"request": "dispense ml=1"}, headers=JSON)
    assert [text for _, text in board.asked] == [
        f"dispense ml=1 by={who}" for who in ("technician", "safety-lead", "technician")
    ]


def test_working_at_the_bench_is_asked_for_by_itself(board, bench, desk):
    """The page has a button for it, in the name of who is signed in, and it asks just that."""
    bench.say(technician="T-9")
    ask = desk("technician")
    ask({"request": "sign-in technician=technician"}, headers=JSON)
    assert board.asked == [("bench-1", "sign-in technician=technician")]


def test_nobody_is_signed_out_by_another(board, bench, desk):
    """Only who works at the bench stops working there."""
    bench.say(technician="T-9")
    answer = desk("technician")({"request": "sign-out"}, headers=JSON)
    assert (answer.status_code, "T-9" in answer.json["text"], board.asked) == (403, True, [])
    bench.say(technician="technician")
    desk("technician")({"request": "sign-out"}, headers=JSON)
    assert board.asked == [("bench-1", "sign-out by=technician")]


def test_a_form_with_fields_becomes_one_request(board, bench, desk):
    """Words with spaces stay whole."""
    bench.say(technician="technician")
    desk("technician")({"verb": "abandon", "reason": "wrong flex"}, headers=JSON)
    assert board.asked == [("bench-1", "abandon 'reason=wrong flex' by=technician")]


@pytest.mark.parametrize(
    ("form", "says"),
    [
        (
            {"verb": "book-in", "unit": "phone 12", "model": "oled"},
            "unit is 'phone 12', not 1 to 40 of letters",
        ),
        (
            {"verb": "shelve", "alarm": "plate-low", "minutes": "9999", "reason": "x"},
            "minutes is '9999', not a number above 0 and at most 480.",
        ),
        (
            {"verb": "shelve", "alarm": "plate-low", "minutes": "ten", "reason": "x"},
            "minutes is 'ten', not a number",
        ),
        (
            {"verb": "finish", "step": "solder", "result": "maybe"},
            "result is 'maybe', not one of 'fail', 'pass'.",
        ),
    ],
)
def test_a_form_filled_in_wrongly_is_told_where(board, bench, desk, form, says):
    """The key and what would be right, and none of the machine's own notation."""
    bench.say(technician="technician")
    answer = desk("technician")(form, headers=JSON)
    assert (answer.status_code, says in answer.json["text"], "{" in answer.json["text"]) == (400, True, False)
    assert board.asked == []


def test_a_step_is_finished_with_what_was_found(board, bench, desk):
    """What stays empty is not told."""
    bench.say(technician="technician")
    form = {"verb": "finish", "step": "intake", "result": "pass", "grade": "B", "note": ""}
    desk("technician")(form, headers=JSON)
    assert board.asked == [("bench-1", "finish step=intake result=pass grade=B by=technician")]


def test_a_refusal_is_told_in_words(board, bench, desk):
    """All reasons, as sentences."""
    bench.say(technician="technician")
    board.answer = Answer(accepted=False, reasons=["no-unit", "extraction-not-proven"], seq=2)
    answer = desk("technician")({"request": "start step=solder"}, headers=JSON)
    assert (answer.status_code, answer.json["accepted"]) == (200, False)
    assert answer.json["text"].startswith("No unit is in hand. Book one in or take one. Extraction is not")


def test_silence_of_the_station_is_not_taken_for_a_no(board, bench, desk):
    """It may have been done all the same."""
    board.answer = None
    answer = desk("technician")({"request": "ack"}, headers=JSON)
    assert (answer.status_code, "may have been done" in answer.json["text"]) == (504, True)


def test_without_scripts_the_answer_stands_on_the_page(board, bench, desk):
    """A redirect back to the bench."""
    bench.say(technician="technician")
    answer = desk("technician")({"request": "ack"})
    assert (answer.status_code, answer.location) == (302, "/bench/bench-1")


@pytest.mark.parametrize(
    ("text", "status"),
    [
        ("make-tea", 400),
        ("start", 400),
        ("sign-in technician=somebody-else", 403),
        ("out-of-service alarm=link-down by=technician reason=x", 403),
        ("ack by=safety-lead", 403),
        ("shift-check by=safety-lead verdicts=lamps=passed", 403),
        (f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by=technician", 403),
    ],
)
def test_what_a_technician_may_not_ask_never_reaches_the_station(board, desk, text, status):
    """Nonsense, somebody else's name, and what the safety lead alone may."""
    assert desk("technician")({"request": text}, headers=JSON).status_code == status
    assert board.asked == []


@pytest.mark.parametrize("role", ["technician", "safety-lead"])
def test_a_review_is_not_signed_by_a_bare_request(board, desk, role):
    """Signing wants the review to have been looked at; a request says nothing of that."""
    text = f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by={role}"
    answer = desk(role)({"request": text}, headers=JSON)
    assert (answer.status_code, "Open Review" in answer.json["text"], board.asked) == (403, True, [])


def test_a_request_without_the_pages_token_is_refused(board, bench, desk, tmp_path):
    """A form on another site cannot ask in somebody's name."""
    ask = desk("technician")
    assert ask({"request": "ack"}).status_code == 302
    asked = len(board.asked)
    people = People(tmp_path / "other.db")
    people.add("t", Role.TECHNICIAN, pin=PIN)
    client = create_app(board, people).test_client()
    assert client.post("/bench/bench-1/request", data={"request": "ack"}).status_code in (400, 401)
    people.close()
    assert len(board.asked) == asked


def test_cards_and_labels_hold_what_they_say(board):
    """Every card's text is a request; bad names are said, not printed."""
    app = create_app(board)
    client = app.test_client()
    page = client.get("/cards").text
    texts = re.findall(r"<figcaption><b>[^<]+</b><span>([^<]+)</span>", page)
    assert "start step=solder" in texts
    assert len(texts) > 40
    assert not [text for text in texts if isinstance(parse_text(text), Unreadable)]
    assert page.count('class="code"') == len(texts)
    labels_page = client.get("/labels?units=DP-1,DP-2,%3Cb%3E").text
    assert re.findall(r"<span>(take unit=[^<]+)</span>", labels_page) == ["take unit=DP-1", "take unit=DP-2"]
    assert "&lt;b&gt;: a name has" in labels_page
