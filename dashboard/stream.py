"""A bench's stream of news: server-sent events with the printed parts that changed.

Every arrival makes a message, even if no part changed, because the page takes the silence of a station from
the silence of its stream. A reader that is slow gets the newest parts next and none of those between.
"""

import threading
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
    "plate",
    "air",
    "bottle",
    "hand",
    "acts",
    "trace",
    "iron",
    "locks",
    "light",
    "lately",
)
STREAMS_AT_MOST = 50
HEARTBEAT_S = 10.0
LOOK_EVERY_S = 0.5
BETWEEN_MESSAGES_S = 0.2
RETRY_MS = 2000


class Gate:
    """Lets a limited number of streams in at a time, because each one holds a thread of the server."""

    def __init__(self, places: int = STREAMS_AT_MOST) -> None:
        self._places = threading.BoundedSemaphore(places)

    def enter(self) -> bool:
        """Take a place; False if there is none."""
        return self._places.acquire(blocking=False)

    def leave(self) -> None:
        """Give the place back."""
        self._places.release()


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
        yield f"retry: {RETRY_MS}\n\n"
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
        "title": printed.title,
        "parts": {name: str(text) for name, text in changed.items()},
    }
    return f"id: {snapshot.version}\ndata: {msgspec.json.encode(news).decode()}\n\n"
