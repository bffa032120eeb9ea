"""The watchdog of the service manager, over a real socket. Source of the messages: sd_notify(3)."""

import socket
import threading

import pytest

from station.watchdog import ServiceManager, Watchdog, Worker


class Manager:
    """The service manager's end of the socket."""

    def __init__(self, name: str) -> None:
        """Listen on a path, or on a name in the abstract namespace."""
        self.name = name
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.setblocking(False)
        self._socket.bind("\0" + name[1:] if name.startswith("@") else name)

    def heard(self) -> list[list[str]]:
        """The lines of every datagram since last asked."""
        found = []
        while True:
            try:
                found.append(self._socket.recv(4096).decode().split("\n"))
            except BlockingIOError:
                return found

    def close(self) -> None:
        """Listen no more."""
        self._socket.close()


@pytest.fixture
def manager(tmp_path):
    """A service manager that listens on a path."""
    manager = Manager(str(tmp_path / "notify"))
    yield manager
    manager.close()


class Hand:
    """A clock and a worker's beat, both moved by hand."""

    def __init__(self) -> None:
        self.now_s = 100.0
        self.beat_s: float | None = 100.0


def _watchdog(manager, hand, limit_s=10.0):
    workers = {"journal": Worker(lambda: hand.beat_s, limit_s)}
    return Watchdog(ServiceManager({"NOTIFY_SOCKET": manager.name}), workers, lambda: hand.now_s)


def test_the_first_tick_says_ready_and_later_ones_live(manager):
    """READY=1 comes with the first tick, and once; WATCHDOG=1 about once a second, not with every tick."""
    hand = Hand()
    watchdog = _watchdog(manager, hand)
    for tick in range(25):
        hand.now_s = hand.beat_s = 100.0 + tick / 10
        watchdog.tick()
    assert manager.heard() == [["READY=1", "WATCHDOG=1"], ["WATCHDOG=1"], ["WATCHDOG=1"]]


def test_a_worker_that_stands_still_withholds_the_food(manager, caplog):
    """Beyond its limit the log names it, and nothing is said until it moves again."""
    hand = Hand()
    watchdog = _watchdog(manager, hand)
    watchdog.tick()
    hand.now_s = 109.9
    watchdog.tick()
    assert len(manager.heard()) == 2
    for hand.now_s in (111.0, 112.0, 113.0):
        watchdog.tick()
    assert manager.heard() == []
    assert caplog.text.count("not fed: journal") == 1
    hand.beat_s = 113.5
    hand.now_s = 114.0
    watchdog.tick()
    assert manager.heard() == [["WATCHDOG=1"]]


def test_a_worker_that_is_not_in_this_run_is_not_missed(manager):
    """A station without a broker has no link; a current switch has no sampling thread."""
    hand = Hand()
    hand.beat_s = None
    watchdog = _watchdog(manager, hand)
    hand.now_s = 1000.0
    watchdog.tick()
    assert manager.heard() == [["READY=1", "WATCHDOG=1"]]


def test_stopping_is_told(manager):
    """STOPPING=1, so that the end is not taken for a death."""
    _watchdog(manager, Hand()).stopping()
    assert manager.heard() == [["STOPPING=1"]]


def test_a_name_in_the_abstract_namespace(tmp_path):
    """A name that begins with @ stands for a null byte (sd_notify(3))."""
    manager = Manager(f"@benchward-test-{tmp_path.name}-{threading.get_ident()}")
    try:
        assert ServiceManager({"NOTIFY_SOCKET": manager.name}).tell("WATCHDOG=1")
        assert manager.heard() == [["WATCHDOG=1"]]
    finally:
        manager.close()


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "/nowhere/notify"}])
def test_nobody_who_listens_is_no_trouble(environ):
    """Started by hand, or with a socket that has gone: told is False, and nothing is raised."""
    assert not ServiceManager(environ).tell("READY=1")
