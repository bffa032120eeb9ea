"""A lane of messages to one topic: order, refusals, and what never can be sent."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from shared.events import MessageSetAside
from station.link.aside import SetAside
from station.link.lane import AFTER_REFUSAL_S, PAGE, Lane, Prepared

TOPIC = "benchward/v1/b/events"


class HandCarrier:
    """Takes messages up to a size, and keeps them."""

    def __init__(self, largest: int = 100) -> None:
        self.sent: list[tuple[int, bytes]] = []
        self.largest = largest

    def fits(self, topic: str, payload: bytes) -> bool:
        """Whether it is small enough."""
        return len(payload) <= self.largest

    def publish(self, topic: str, payload: bytes) -> int:
        """Keep it."""
        self.sent.append((len(self.sent) + 1, payload))
        return len(self.sent)

    @property
    def numbers(self) -> list[int]:
        """What was sent, in order."""
        return [int(payload) for _, payload in self.sent]


class HandLane:
    """A lane over the numbers 1 to ``count``; some of them damaged, some too long."""

    def __init__(self, count: int, *, damaged: tuple[int, ...] = (), until: int | None = None) -> None:
        self.count, self.now_s = count, 0.0
        self.aside: list[tuple[str, str]] = []
        self.carrier = HandCarrier()

        def read(after: int, limit: int) -> list[Prepared[int]]:
            numbers = range(after + 1, min(after + limit, self.count) + 1)
            return [
                Prepared(n, f"b/{n}", b"" if n in damaged else str(n).encode())._replace(
                    trouble="message-damaged" if n in damaged else None
                )
                for n in numbers
            ]

        self.lane = Lane(
            TOPIC, 0, read, lambda _topic, name, why: self.aside.append((name, why)),
            until=until, clock=lambda: self.now_s,
        )  # fmt: skip

    def fill(self, window: int = 10) -> list[int]:
        """Fill, and say what was newly sent."""
        before = len(self.carrier.sent)
        self.lane.fill(self.carrier, window)
        return self.carrier.numbers[before:]


def test_sends_in_order_within_its_window() -> None:
    """As many as there is room for; more only when a quarter of the window is free."""
    hand = HandLane(100)
    assert hand.fill(8) == [1, 2, 3, 4, 5, 6, 7, 8]
    assert hand.lane.landed(1)
    assert hand.fill(8) == []
    assert hand.lane.landed(2)
    assert hand.fill(8) == [9, 10]
    assert hand.lane.stream.cursor == 2


def test_damaged_and_oversize_messages_hold_up_nobody() -> None:
    """They are told once, the cursor passes them, and those behind go on."""
    hand = HandLane(12, damaged=(2,))
    hand.carrier.largest = 1
    assert hand.fill(20) == [1, 3, 4, 5, 6, 7, 8, 9]
    wanted = [("b/2", "message-damaged"), *((f"b/{n}", "message-too-large") for n in (10, 11, 12))]
    assert hand.aside == wanted
    for mid, _ in hand.carrier.sent:
        hand.lane.landed(mid)
    assert (hand.lane.stream.cursor, hand.lane.stream.acknowledged) == (12, 8)


def test_message_that_may_be_taken_later_is_sent_again_alone_first() -> None:
    """After a pause one is tried; when it lands, the others follow in their order; nothing is set aside."""
    hand = HandLane(5)
    assert hand.fill() == [1, 2, 3, 4, 5]
    hand.lane.landed(1)
    assert hand.lane.later(2, "publishing-denied")
    assert hand.lane.refused_with == "publishing-denied"
    assert hand.fill() == []
    hand.now_s = AFTER_REFUSAL_S
    assert hand.fill() == [2]
    assert hand.fill() == []
    assert hand.lane.landed(6)
    assert (hand.lane.refused_with, hand.fill(), hand.aside) == (None, [3, 4, 5], [])


def test_message_that_will_never_be_taken_is_passed_over() -> None:
    """By the broker's word on that message alone; the cursor goes on."""
    hand = HandLane(3)
    hand.fill()
    for mid in (1, 3):
        hand.lane.landed(mid)
    assert hand.lane.never(2, "message-malformed")
    assert (hand.aside, hand.lane.stream.cursor) == ([("b/2", "message-malformed")], 3)


def test_ids_of_others_are_not_taken_for_its_own() -> None:
    """A state or an answer lands on the same connection."""
    hand = HandLane(1)
    hand.fill()
    assert not hand.lane.landed(99)
    assert not hand.lane.never(99, "x")
    assert not hand.lane.later(99, "x")


def test_backlog_ends_at_its_end() -> None:
    """What lies beyond belongs to the lane beside it."""
    hand = HandLane(PAGE + 50, until=PAGE + 20)
    sent = hand.fill(2 * PAGE)
    assert sent == list(range(1, PAGE + 21))
    assert not hand.lane.finished
    for mid, _ in hand.carrier.sent:
        hand.lane.landed(mid)
    hand.lane.look_again()
    assert hand.lane.finished
    assert hand.fill(2 * PAGE) == []


@pytest.mark.parametrize("until", [None, 40])
@given(st.lists(st.sampled_from(["fill", "land", "last", "later", "lost"]), max_size=40))
def test_nothing_is_left_out_whatever_happens(until: int | None, happenings: list[str]) -> None:
    """Each number is sent, first times in order; the cursor never passes one that has not landed."""
    hand, landed = HandLane(40, until=until), set()
    flying: dict[int, int] = {}
    for happening in [*happenings, *["fill", "land"] * 100]:
        hand.now_s += 1
        if happening == "fill":
            before = len(hand.carrier.sent)
            hand.lane.fill(hand.carrier, 10)
            flying |= {mid: int(payload) for mid, payload in hand.carrier.sent[before:]}
        elif happening == "lost":
            hand.lane.rewind()
            flying.clear()
        elif flying:
            mid = max(flying) if happening == "last" else min(flying)
            number = flying.pop(mid)
            if happening == "later":
                hand.lane.later(mid, "publishing-denied")
                flying.clear()
            elif hand.lane.landed(mid):
                landed.add(number)
        assert set(range(1, hand.lane.stream.cursor + 1)) <= landed
    assert list(dict.fromkeys(hand.carrier.numbers)) == list(range(1, 41))
    assert hand.lane.stream.cursor == 40


def test_what_is_set_aside_is_told_at_once_and_then_together() -> None:
    """The first of a kind at once, more of it once a minute with their number, first and last."""
    told: list[MessageSetAside] = []
    now_s = [0.0]
    aside = SetAside(told.append, lambda: now_s[0])
    aside.add(TOPIC, "b/1", "message-too-large")
    aside.add(TOPIC, "b/2", "message-too-large")
    aside.add(TOPIC, "b/5", "message-too-large")
    assert ([body.first for body in told], aside.settled) == (["b/1"], False)
    now_s[0] = 60.0
    aside.settle()
    assert aside.settled
    assert told[1:] == [
        MessageSetAside(
            stream="events", reason="message-too-large", first="b/2", last="b/5", values={"count": 2}
        )
    ]
