"""A bench's stream of news: server-sent events with the printed parts that changed.

Every arrival makes a message, even if no part changed, because the page takes the silence of a station from
the silence of its stream. A reader that is slow gets the newest parts next and none of those between. What is
under way to it already (on a poor link) comes late; so each message tells the server's clock, told once in a
short message before all others, and the page reckons by it how late a message is.
"""

import threading
from collections import Counter
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
from jinja2 import Environment

from dashboard.board import Board, Liveness, Snapshot
from dashboard.parts import BenchView
from dashboard.view import bench_view

PARTS = (
    "band",
    "alarms",
    "acts",
    "hand",
    "plate",
    "air",
    "bottle",
    "trace",
    "iron",
    "locks",
    "light",
    "lately",
)
STREAMS_AT_MOST = 50
STREAMS_OF_ONE_ADDRESS = 16
HEARTBEAT_S = 10.0
LOOK_EVERY_S = 0.5
BETWEEN_MESSAGES_S = 0.2
RETRY_MS = 2000


class Gate:
    """Lets a limited number of streams in at a time, because each one holds a thread of the server.

    No address holds more than its share, so that one that opens stream after stream leaves places to others.
    """

    def __init__(self, places: int = STREAMS_AT_MOST, for_one: int = STREAMS_OF_ONE_ADDRESS) -> None:
        self._places, self._for_one = places, for_one
        self._taken: Counter[str] = Counter()
        self._lock = threading.Lock()

    def enter(self, address: str) -> bool:
        """Take a place; False if there is none, or this address has its share."""
        with self._lock:
            if self._taken.total() >= self._places or self._taken[address] >= self._for_one:
                return False
            self._taken[address] += 1
            return True

    def leave(self, address: str) -> None:
        """Give the place back."""
        with self._lock:
            self._taken[address] -= 1
            if not self._taken[address]:
                del self._taken[address]


class Printed(msgspec.Struct, frozen=True):
    """A bench's page as HTML, part by part."""

    view: BenchView
    title: str
    parts: dict[str, str]


class Printer:
    """Prints the parts of a bench's page, each snapshot once for all its readers."""

    def __init__(self, environment: Environment) -> None:
        self._template = environment.get_template("parts.html")
        self._newest: dict[str, tuple[tuple[int, Liveness], Printed]] = {}

    def printed(self, snapshot: Snapshot, liveness: Liveness) -> Printed:
        """The parts for this snapshot."""
        key = (snapshot.version, liveness)
        kept = self._newest.get(snapshot.station)
        if kept is not None and kept[0] == key:
            return kept[1]
        view = bench_view(snapshot, liveness)
        macros: Any = self._template.module
        parts = {name: getattr(macros, name)(view) for name in PARTS}
        printed = Printed(view, f"{view.band.word} · {view.station}", parts)
        if snapshot.version > 0:
            self._newest[snapshot.station] = (key, printed)
        return printed


def messages(
    board: Board, printer: Printer, station: str, gone: Callable[[], bool], pause: Callable[[float], None]
) -> Iterator[str]:
    """The stream's text, piece by piece, until the reader is gone or the server stops.

    Args:
        board: where the news come from.
        printer: prints the parts.
        station: whose news.
        gone: whether the reader has hung up.
        pause: waits so many seconds between two messages.
    """
    slot = board.subscribe(station)
    try:
        yield f"retry: {RETRY_MS}\nevent: clock\ndata: {clock_ms(board)}\n\n"
        sent: dict[str, str] = {}
        snapshot: Snapshot = board.snapshot(station)
        news, told, spoke_s = True, None, board.clock()
        while not (board.closing or gone()):
            liveness = snapshot.liveness(board.clock(), board.connected)
            if news or liveness is not told:
                yield _message(board, printer.printed(snapshot, liveness), snapshot, sent)
                told, spoke_s = liveness, board.clock()
                pause(BETWEEN_MESSAGES_S)
            elif board.clock() - spoke_s >= HEARTBEAT_S:
                yield ": still here\n\n"
                spoke_s = board.clock()
            newest = slot.get(LOOK_EVERY_S)
            news = newest is not None and newest.version > snapshot.version
            snapshot = newest if news and newest is not None else snapshot
    finally:
        board.unsubscribe(slot)


def clock_ms(board: Board) -> int:
    """The server's clock, which only tells how far apart two messages were sent."""
    return round(1000 * board.clock())


def age_ms(board: Board, snapshot: Snapshot) -> int:
    """How old the newest live state is; 0 if there never was one."""
    return round(1000 * (snapshot.age_s(board.clock()) or 0.0))


def _message(board: Board, printed: Printed, snapshot: Snapshot, sent: dict[str, str]) -> str:
    """One message with the parts that differ from what was ``sent``, which is brought up to date."""
    changed = {name: text for name, text in printed.parts.items() if sent.get(name) != text}
    sent.update(changed)
    news = {
        "live": printed.view.live,
        "age_ms": age_ms(board, snapshot),
        "clock_ms": clock_ms(board),
        "title": printed.title,
        "parts": {name: str(text) for name, text in changed.items()},
    }
    return f"id: {snapshot.version}\ndata: {msgspec.json.encode(news).decode()}\n\n"
