"""Requests: every verb as text and as JSON, and everything that is no request as a value.

The verbs, their keys and the identifier's form are what other programs write; no outside source.
"""

import json

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared import requests
from shared.chain import ZERO, event_hash
from shared.requests import (
    VERBS,
    AnyRequest,
    Request,
    Unreadable,
    is_identifier,
    parse_json,
    parse_text,
    print_text,
)

EXAMPLES: list[tuple[str, AnyRequest]] = [
    ("sign-in technician=T-04", requests.SignIn(technician="T-04")),
    ("sign-out", requests.SignOut()),
    ("book-in unit=DP-1 model=6.1-inch-oled", requests.BookIn(unit="DP-1", model="6.1-inch-oled")),
    ("book-in unit=DP-1 model=m job=J_7", requests.BookIn(unit="DP-1", model="m", job="J_7")),
    ("take unit=DP-1", requests.Take(unit="DP-1")),
    ("place", requests.Place()),
    ("place unit=DP-1", requests.Place(unit="DP-1")),
    ("remove", requests.Remove()),
    ("remove unit=DP-1", requests.Remove(unit="DP-1")),
    ("start step=frame-off", requests.Start(step="frame-off")),
    ("start step=frame-off unit=DP-1", requests.Start(step="frame-off", unit="DP-1")),
    ("finish step=check-1 result=fail", requests.Finish(step="check-1", result="fail")),
    (
        "finish step=check-1 result=pass grade=A 'dust=two specks'",
        requests.Finish(step="check-1", result="pass", findings={"grade": "A", "dust": "two specks"}),
    ),
    ("resume", requests.Resume()),
    ("abandon 'reason=glass broke, again'", requests.Abandon(reason="glass broke, again")),
    ("ack", requests.Ack()),
    ("ack alarm=plate-high", requests.Ack(alarm="plate-high")),
    ("silence", requests.Silence()),
    ("reset", requests.Reset()),
    ("reset alarm=plate-over-limit", requests.Reset(alarm="plate-over-limit")),
    (
        "shelve alarm=link-down minutes=7.5 reason=moving",
        requests.Shelve(alarm="link-down", minutes=7.5, reason="moving"),
    ),
    ("unshelve alarm=link-down", requests.Unshelve(alarm="link-down")),
    (
        "out-of-service alarm=link-down 'reason=new router' by=S-01",
        requests.OutOfService(alarm="link-down", by="S-01", reason="new router"),
    ),
    ("in-service alarm=link-down by=S-01", requests.InService(alarm="link-down", by="S-01")),
    ("lamp-test", requests.LampTest()),
    (
        "shift-check verdicts=lamps=passed,buzzer=failed by=T-04",
        requests.ShiftCheck(by="T-04", verdicts="lamps=passed,buzzer=failed"),
    ),
    (
        f"sign-review period=2026-03-02/2026-03-08 head={'a' * 64} by=S-01",
        requests.SignReview(period="2026-03-02/2026-03-08", head="a" * 64, by="S-01"),
    ),
    ("dispense ml=2.5", requests.Dispense(ml=2.5)),
    ("close unit=DP-1 outcome=delivered", requests.Close(unit="DP-1", outcome="delivered")),
    (
        "close unit=DP-1 outcome=scrapped 'reason=no picture'",
        requests.Close(unit="DP-1", outcome="scrapped", reason="no picture"),
    ),
]

OWN_KEYS = {"verb", "step", "result", "findings"}
identifiers = st.from_regex(r"[A-Za-z0-9_.\-]{1,40}", fullmatch=True)
texts = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=200)
eighths = st.integers(1, 8 * 480).map(lambda count: count / 8)


def optional(strategy: st.SearchStrategy[str]) -> st.SearchStrategy[str | None]:
    """The strategy, or nothing."""
    return st.none() | strategy


any_request = st.one_of(
    st.builds(requests.SignIn, technician=identifiers),
    st.builds(requests.BookIn, unit=identifiers, model=identifiers, job=optional(identifiers)),
    st.builds(requests.Start, step=identifiers, unit=optional(identifiers)),
    st.builds(
        requests.Finish,
        step=identifiers,
        result=st.sampled_from(["pass", "fail"]),
        findings=st.dictionaries(identifiers.filter(lambda key: key not in OWN_KEYS), texts, max_size=4),
    ),
    st.builds(requests.Abandon, reason=texts),
    st.builds(requests.Shelve, alarm=identifiers, minutes=eighths, reason=texts),
    st.builds(requests.Close, unit=identifiers, outcome=texts, reason=optional(texts)),
)


def test_examples_cover_every_verb_when_compared_with_the_list() -> None:
    """Each verb that the station knows stands among the examples of this file."""
    assert {msgspec.to_builtins(request)["verb"] for _, request in EXAMPLES} == set(VERBS)


def test_verbs_are_those_others_write_when_listed() -> None:
    """The verbs are the twenty-two that other programs rely on."""
    assert list(VERBS) == [
        "sign-in", "sign-out", "book-in", "take", "place", "remove", "start", "finish", "resume", "abandon",
        "ack", "silence", "reset", "shelve", "unshelve", "out-of-service", "in-service", "lamp-test",
        "shift-check", "sign-review",
        "dispense", "close",
    ]  # fmt: skip


@pytest.mark.parametrize(("text", "request_"), EXAMPLES)
def test_request_is_read_when_written_as_text(text: str, request_: AnyRequest) -> None:
    """Text becomes the struct of its verb."""
    assert parse_text(text) == request_


@pytest.mark.parametrize(
    "text",
    [
        "abandon reason='glass broke'",
        'abandon reason="glass broke"',
        r"abandon reason=glass\ broke",
        "  abandon   'reason=glass broke'  ",
    ],
)
def test_request_is_read_when_quoted_in_any_way_of_a_shell(text: str) -> None:
    """Single quotes, double quotes and a backslash all keep a space in its value."""
    assert parse_text(text) == requests.Abandon(reason="glass broke")


@pytest.mark.parametrize(("text", "request_"), EXAMPLES)
def test_request_is_printed_as_its_text_when_asked_for(text: str, request_: AnyRequest) -> None:
    """The printed form is the same text again."""
    assert print_text(request_) == text


@pytest.mark.parametrize(("text", "request_"), EXAMPLES)
def test_request_is_read_when_written_as_json(text: str, request_: AnyRequest) -> None:
    """The same keys as a JSON object, as bytes or as text, become the same struct."""
    data = msgspec.json.encode(request_)
    assert [parse_json(data), parse_json(data.decode())] == [request_, request_]


@given(any_request)
def test_request_survives_text_and_json_whatever_it_holds(request_: AnyRequest) -> None:
    """Quotes, spaces, line ends and every script come through both forms unchanged."""
    assert parse_text(print_text(request_)) == request_
    assert parse_json(msgspec.json.encode(request_)) == request_


@pytest.mark.parametrize(
    "request_",
    [
        requests.Dispense(ml=0.1234567),
        requests.Dispense(ml=999.9999),
        requests.Shelve(alarm="link-down", minutes=100 / 3, reason="x"),
    ],
)
def test_request_keeps_its_number_when_it_has_many_digits(request_: AnyRequest) -> None:
    """A number is printed with as many digits as it takes to read the same number back."""
    assert parse_text(print_text(request_)) == request_


@pytest.mark.parametrize("key", ["step", "result", "verb"])
def test_finding_never_replaces_a_key_of_the_request_when_printed(key: str) -> None:
    """A finding nested in JSON under a name of the request's own is refused, or printed without harm."""
    found = parse_json(json.dumps({"verb": "finish", "step": "a", "result": "pass", "findings": {key: "b"}}))
    assert isinstance(found, Unreadable) or parse_text(print_text(found)) == found


def test_findings_are_the_same_when_nested_or_flat_in_json() -> None:
    """JSON may give findings beside the other keys or in an object of their own."""
    flat = parse_json('{"verb": "finish", "step": "a", "result": "pass", "grade": "B"}')
    nested = parse_json('{"verb": "finish", "step": "a", "result": "pass", "findings": {"grade": "B"}}')
    assert flat == nested == requests.Finish(step="a", result="pass", findings={"grade": "B"})


MALFORMED_TEXT = [
    ("", "empty"),
    ("   ", "empty"),
    ("abandon reason='never ends", "close the quotes"),
    ('abandon reason="never ends', "close the quotes"),
    ("take DP-1", "'DP-1' is not key=value"),
    ("take =DP-1", "'=DP-1' is not key=value"),
    ("take unit=a unit=b", "'unit=b' stands twice"),
    ("take verb=sign-out unit=a", "'verb=sign-out' is not key=value"),
    ("take", "'unit' is missing"),
    ("take unit=", "unit is "),
    ("take unit='a b'", "unit is "),
    ("take unit=ä", "unit is "),
    ("take unit=" + 41 * "x", "unit is "),
    ("take unit=a colour=red", "'colour' is not known"),
    ("finish step=a result=perhaps", "perhaps"),
    ("finish step=a result=pass grade=", "at least 1 long"),
    ("abandon reason=" + 201 * "x", "of 1 to 200 characters"),
    ("dispense ml=0", "above 0"),
    ("dispense ml=-1", "above 0"),
    ("dispense ml=nan", "ml is "),
    ("dispense ml=inf", "at most 1000"),
    ("dispense ml=1e400", "ml is "),
    ("dispense ml=much", "ml is "),
    ("shelve alarm=a minutes=481 by=T-1 reason=x", "at most 480"),
]


@pytest.mark.parametrize(("text", "detail"), MALFORMED_TEXT)
def test_text_is_malformed_and_says_why_when_it_breaks_a_rule(text: str, detail: str) -> None:
    """What breaks a rule is a value with the text and the reason, never an exception."""
    found = parse_text(text)
    assert isinstance(found, Unreadable)
    assert (found.text, found.reason) == (text[:200], "malformed-request")
    assert detail in found.detail


MALFORMED_JSON = [
    b"",
    b"\xff\xfe\xfd",
    b"{",
    b"[]",
    b"null",
    b"3",
    b'"ack"',
    b"{}",
    b'{"verb": 3}',
    b'{"verb": null}',
    b'{"verb": "take"}',
    b'{"verb": "take", "unit": 7}',
    b'{"verb": "take", "unit": ["a"]}',
    b'{"verb": "dispense", "ml": NaN}',
    b'{"verb": "dispense", "ml": Infinity}',
    b'{"verb": "dispense", "ml": true}',
    b'{"verb": "finish", "step": "a", "result": "pass", "grade": {"deep": "er"}}',
    b"1" * 5000,
    b"[" * 100_000,
    b'{"verb": "ack", "alarm": ' + b"[" * 900 + b"]" * 900 + b"}",
    b'{"a":' * 100_000,
]


@pytest.mark.parametrize("data", MALFORMED_JSON, ids=lambda data: data[:24].decode("latin-1"))
def test_json_is_malformed_when_it_is_no_object_of_a_request(data: bytes) -> None:
    """Broken, deep, huge or foreign JSON is a value with at most 200 characters of it."""
    found = parse_json(data)
    assert isinstance(found, Unreadable)
    assert (found.reason, len(found.text) <= 200) == ("malformed-request", True)


@pytest.mark.parametrize("verb", ["open", "ACK", "acknowledge", "\x00", "ack\n", "verb", "x" * 1000])
def test_verb_is_unknown_when_it_is_not_in_the_list(verb: str) -> None:
    """An unknown verb has a reason of its own, in both forms, and the detail names what would be right."""
    both = [parse_text(f"'{verb}'"), parse_json(json.dumps({"verb": verb}))]
    assert [found.reason for found in both if isinstance(found, Unreadable)] == 2 * ["unknown-request"]
    assert all("sign-in" in found.detail for found in both if isinstance(found, Unreadable))


shellish = st.text("abk=x '\"\\\n\t;#$é-\x00", max_size=60)
json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
JSON_KEYS = ("unit", "step", "result", "technician", "reason", "minutes", "alarm", "findings", "ml")
request_objects = st.fixed_dictionaries(
    {"verb": st.sampled_from(VERBS)}, optional=dict.fromkeys(JSON_KEYS, json_values)
)


@given(st.text() | shellish | shellish.map(lambda text: f"finish step=a result=pass {text}"))
def test_parse_text_gives_a_value_whatever_the_text(text: str) -> None:
    """No text makes the reader raise, and what cannot be read is kept, cut to 200 characters."""
    found = parse_text(text)
    assert isinstance(found, Request) or found.text == text[:200]


@given(st.binary() | st.text() | json_values.map(json.dumps) | request_objects.map(json.dumps))
def test_parse_json_gives_a_value_whatever_the_bytes(data: bytes | str) -> None:
    """No bytes make the reader raise, and what cannot be read is kept short."""
    found = parse_json(data)
    assert isinstance(found, Request) or len(found.text) <= 200


@pytest.mark.parametrize("size", [201, 10_000, 200_000])
def test_unreadable_text_is_cut_when_it_is_oversize(size: int) -> None:
    """Of an oversize request only the first 200 characters are kept."""
    text = "x" * size
    found = parse_text(text)
    assert isinstance(found, Unreadable)
    assert print_text(found) == text[:200]


@pytest.mark.parametrize("text", ["a\n", "\na", "a\nb", "a "])
def test_identifier_is_refused_when_it_holds_a_line_end_or_a_space(text: str) -> None:
    """An identifier is one word on one line, in both forms, as `is_identifier` says."""
    assert not is_identifier(text)
    assert isinstance(parse_text(f"take 'unit={text}'"), Unreadable)
    assert isinstance(parse_json(json.dumps({"verb": "take", "unit": text})), Unreadable)


@pytest.mark.parametrize(
    ("text", "right"),
    [("a", True), ("A-1_b.c", True), ("x" * 40, True), ("", False), ("x" * 41, False), ("a/b", False),
     ("a+b", False), ("#", False), ("é", False)],
)  # fmt: skip
def test_identifier_is_told_when_asked(text: str, right: bool) -> None:
    """An identifier is 1 to 40 of letters, digits, dash, underscore and point."""
    assert is_identifier(text) is right
    assert isinstance(parse_text(f"take 'unit={text}'"), requests.Take) is right


@pytest.mark.parametrize(
    "data",
    [
        r'{"verb": "abandon", "reason": "\ud800"}',
        r'{"verb": "close", "unit": "a", "outcome": "\udfff"}',
        r'{"verb": "finish", "step": "a", "result": "pass", "grade": "\ud800"}',
    ],
)
def test_request_can_be_recorded_when_json_escapes_half_a_character(data: str) -> None:
    """Half of a surrogate pair is no character: refused, or else fit for the chain (RFC 8785, 3.2.2.2)."""
    found = parse_json(data)
    fields = {"text": found.text} if isinstance(found, Unreadable) else msgspec.to_builtins(found)
    assert len(event_hash(ZERO, fields)) == 64
