"""Cradle and acknowledge button on mock pins."""

from collections.abc import Iterator
from typing import Any

import pytest

from station.drivers.inputs import DEBOUNCE_S, PENDING_EDGES, AcknowledgeButton, Cradle
from station.settings import Pins

PINS = Pins()


@pytest.fixture
def cradle(factory: Any) -> Iterator[Cradle]:
    """A cradle on a mock pin."""
    made = Cradle(PINS, factory)
    yield made
    made.close()


@pytest.fixture
def button(factory: Any, pacer: Any) -> Iterator[AcknowledgeButton]:
    """A button on a mock pin, its edges stamped by ``pacer``."""
    made = AcknowledgeButton(PINS, factory, pacer.now_s)
    yield made
    made.close()


def edge(factory: Any, pacer: Any, time_s: float, pressed: bool) -> None:
    """Close (low) or open (high) the button's contact at ``time_s``."""
    pacer.time_s = time_s
    pin = factory.pin(PINS.acknowledge)
    if pressed:
        pin.drive_low()
    else:
        pin.drive_high()


def test_a_bottle_in_its_cradle_closes_the_switch(factory: Any, cradle: Cradle) -> None:
    """Pin low is a bottle in its cradle, pin high a bottle out of it."""
    factory.pin(PINS.cradle).drive_low()
    assert cradle.solvent_out() is False
    factory.pin(PINS.cradle).drive_high()
    assert cradle.solvent_out() is True


def test_a_broken_cradle_wire_reads_as_out(factory: Any, cradle: Cradle) -> None:
    """With nothing connected the pull-up decides, and it says out, the safe side."""
    assert factory.pin(PINS.cradle).pull == "up"
    assert cradle.solvent_out() is True


def test_a_cradle_pin_that_cannot_be_read_is_unknown(cradle: Cradle) -> None:
    """A pin that is gone gives None, neither in nor out."""
    cradle.close()
    assert cradle.solvent_out() is None


def test_each_press_counts_once(factory: Any, pacer: Any, button: AcknowledgeButton) -> None:
    """Presses are counted since last asked, and asking takes them away."""
    for time_s in (1.0, 2.0):
        edge(factory, pacer, time_s, True)
        edge(factory, pacer, time_s + 0.2, False)
    assert button.presses() == 2
    assert button.presses() == 0


def test_bounce_does_not_count(factory: Any, pacer: Any, button: AcknowledgeButton) -> None:
    """A contact that bounces while closing and while opening is still one press."""
    for time_s, pressed in [
        (1.000, True), (1.002, False), (1.004, True), (1.300, False), (1.301, True), (1.303, False),
    ]:  # fmt: skip
        edge(factory, pacer, time_s, pressed)
    assert button.presses() == 1


def test_bounce_is_seen_across_two_questions(factory: Any, pacer: Any, button: AcknowledgeButton) -> None:
    """A bounce that falls into the next tick does not become a second press."""
    edge(factory, pacer, 1.0, True)
    assert button.presses() == 1
    edge(factory, pacer, 1.001, False)
    edge(factory, pacer, 1.002, True)
    assert button.presses() == 0


def test_a_press_after_the_debounce_time_counts(factory: Any, pacer: Any, button: AcknowledgeButton) -> None:
    """Just beyond the debounce time after a release, a press is a press."""
    edge(factory, pacer, 1.0, True)
    edge(factory, pacer, 1.5, False)
    edge(factory, pacer, 1.5 + DEBOUNCE_S + 0.001, True)
    assert button.presses() == 2


def test_a_full_queue_drops_instead_of_raising(factory: Any, pacer: Any, button: AcknowledgeButton) -> None:
    """More edges than are kept lose the latest presses, and nothing raises in the callback."""
    for n in range(PENDING_EDGES):
        edge(factory, pacer, 1.0 + n, True)
        edge(factory, pacer, 1.5 + n, False)
    assert button.presses() == PENDING_EDGES // 2
