"""Requests over a line that fails, at a real broker: what was given up is never done later.

The line is a port between the pages and the broker on which bytes get lost, as on a wireless network.
"""

import time

import pytest
from door import Door
from live import Listener, free_port, wait_until

from dashboard.live import KEEPALIVE_S, Live
from shared.broker_access import BrokerAccess
from shared.messages import topic

pytestmark = pytest.mark.system
GIVEN_UP_S = 1.0


@pytest.fixture
def line(broker):
    """What lies between the pages and the broker."""
    door = Door(free_port(), broker.port)
    door.open()
    yield door
    door.lossy.clear()
    door.cut()
    door.close()


@pytest.fixture
def pages(line):
    """The pages' side, connected by the line."""
    live = Live("127.0.0.1", line.port)
    live.start()
    wait_until(lambda: live.connected, what="the pages' connection")
    yield live
    live.stop()


@pytest.fixture
def bench(broker):
    """Somebody who hears all that the bench is asked."""
    listener = Listener(broker.port, topic("bench-1", "requests"))
    yield listener
    listener.close()


def asked(bench):
    """The requests that came, in order."""
    return [message.payload.decode() for message in list(bench.heard)]


def test_a_request_that_was_given_up_is_not_sent_when_the_line_is_back(line, pages, bench):
    """Lost on the way, given up; the next one after it, over a new connection, is the only one that comes."""
    line.lossy.set()
    assert pages.ask("bench-1", "dispense ml=0.7", GIVEN_UP_S) is None
    line.cut()
    wait_until(lambda: not pages.connected, what="the loss of the line")
    line.lossy.clear()
    wait_until(lambda: pages.connected, what="the line's return")
    assert pages.ask("bench-1", "lamp-test", GIVEN_UP_S) is None  # nobody answers, but it comes
    wait_until(lambda: asked(bench), what="the second request")
    assert asked(bench) == ["lamp-test"]


def test_a_line_that_takes_no_request_is_hung_up_on_at_once(line, pages):
    """What waits in it would be delivered when it wakes: it ends long before the client would notice."""
    line.lossy.set()
    begun_s = time.monotonic()
    assert pages.ask("bench-1", "dispense ml=0.7", GIVEN_UP_S) is None
    wait_until(lambda: not pages.connected, KEEPALIVE_S, "the end of the line")
    assert time.monotonic() - begun_s < KEEPALIVE_S / 2


def test_a_bench_that_does_not_answer_does_not_cost_the_connection(pages, bench):
    """The broker has taken the request: the line is good, only the bench is silent."""
    assert pages.ask("bench-1", "lamp-test", GIVEN_UP_S) is None
    assert asked(bench) == ["lamp-test"]
    assert pages.ask("bench-1", "ack", GIVEN_UP_S) is None
    assert pages.connected
    assert asked(bench) == ["lamp-test", "ack"]


def test_nothing_is_asked_while_there_is_no_line(line, pages, bench):
    """Refused at once, and not kept for later."""
    line.close_to_all()
    wait_until(lambda: not pages.connected, what="the loss of the line")
    begun_s = time.monotonic()
    assert pages.ask("bench-1", "dispense ml=0.7", 60.0) is None
    assert time.monotonic() - begun_s < 5
    line.open()
    wait_until(lambda: pages.connected, 40, "the line's return")
    assert pages.ask("bench-1", "lamp-test", GIVEN_UP_S) is None
    assert asked(bench) == ["lamp-test"]


def test_a_line_with_tls_is_hung_up_on_too(secured):
    """Its last records included; and it comes back by itself."""
    door = Door(free_port(), secured.port)
    door.open()
    files = secured.files
    access = BrokerAccess("dashboard", str(files / "dashboard.password"), str(files / "ca.crt"))
    pages = Live("localhost", door.port, access)
    pages.start()
    try:
        wait_until(lambda: pages.connected, what="the pages' connection")
        door.lossy.set()
        begun_s = time.monotonic()
        assert pages.ask("bench-1", "dispense ml=0.7", GIVEN_UP_S) is None
        wait_until(lambda: not pages.connected, KEEPALIVE_S, "the end of the line")
        assert time.monotonic() - begun_s < KEEPALIVE_S / 2
        door.cut()
        door.lossy.clear()
        wait_until(lambda: pages.connected, 40, "the line's return")
    finally:
        pages.stop()
        door.lossy.clear()
        door.close_to_all()
