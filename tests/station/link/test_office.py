"""What only the office may ask: weighed by the topic it came on and by what is on record."""

from typing import get_args

import pytest
from msgspec.structs import fields

from shared.chain import ZERO
from shared.requests import OFFICE_ONLY, AnyRequest, Barred, Unreadable, parse_text
from station.link.office import weighed

HEAD, OTHER = "a" * 64, "b" * 64
REVIEW = f"sign-review period=2026-03-02/2026-03-08 head={HEAD} by=S-01"
NAMED = [
    "out-of-service alarm=link-down reason=x by=S-01",
    "in-service alarm=link-down by=S-01",
    "shift-check verdicts=lamps=passed by=S-01",
    REVIEW,
]
FREE = ["ack by=S-01", "start step=solder", "shelve alarm=plate-low minutes=5 reason=x by=S-01", "sign-out"]


def request(text: str) -> AnyRequest:
    """A request that can be read."""
    read = parse_text(text)
    assert not isinstance(read, Unreadable)
    return read


def in_chain(head: str) -> bool:
    """A record with one event, and asked for nothing else; the zeros before it are told to be there."""
    return head in (HEAD, ZERO)


@pytest.mark.parametrize("text", NAMED)
def test_who_answers_for_it_with_a_name_asks_in_the_office(text: str) -> None:
    """The four verbs are barred on the common topic, whoever is named, and pass on the office's."""
    assert weighed(request(text), office=False, in_chain=in_chain) == Barred(
        request(text), ("not-authorised",)
    )
    assert weighed(request(text), office=True, in_chain=in_chain) == request(text)


def test_the_four_are_those_that_cannot_be_asked_without_a_name() -> None:
    """All requests whose `by` must be told, and no other: whoever adds one more is told of it here."""
    by_name = {
        kind
        for kind in get_args(AnyRequest)
        if any(field.name == "by" and field.required for field in fields(kind))
    }
    assert {type(request(text)) for text in NAMED} == set(OFFICE_ONLY) == by_name


@pytest.mark.parametrize("text", FREE)
@pytest.mark.parametrize("office", [False, True])
def test_all_else_passes_on_both(text: str, office: bool) -> None:
    """The record is not even looked at."""

    def nobody_asks(_head: str) -> bool:
        raise AssertionError("the record was asked")

    assert weighed(request(text), office=office, in_chain=nobody_asks) == request(text)


@pytest.mark.parametrize("head", [OTHER, ZERO])
def test_a_review_names_a_head_that_the_chain_has(head: str) -> None:
    """A head of another chain, and the zeros before any event: nobody has seen a record that ends there."""
    text = REVIEW.replace(HEAD, head)
    barred = Barred(request(text), ("unknown-head",))
    assert weighed(request(text), office=True, in_chain=in_chain) == barred


def test_what_cannot_be_read_stays_so() -> None:
    """It is refused for what is wrong with it, on either topic."""
    for office in (False, True):
        unread = parse_text("sign-review head=x")
        assert isinstance(unread, Unreadable)
        assert weighed(unread, office=office, in_chain=in_chain) is unread
