"""A bench's state made by hand, a board that is fed by hand, and the application over it."""

import html
import re
from collections.abc import Callable, Iterator
from typing import Any

import msgspec
import pytest
from flask import Flask
from flask.testing import FlaskClient

from dashboard.app import create_app
from dashboard.board import Board
from shared.events import EventBody, EventRecord
from shared.indication import Indication, Lamp
from shared.messages import (
    AlarmState,
    ExtractionState,
    Lock,
    PlateState,
    StationState,
    Status,
    StepState,
    cloud_event,
    encode,
    topic,
)

STATION = "bench-1"
WALL_MS = 1_772_440_000_000


class HandClock:
    """A monotonic clock that stands still until it is told to go on."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        """Seconds."""
        return self.now_s


class Bench:
    """Makes the messages of one station and hands them to the board."""

    def __init__(self, board: Board, clock: HandClock, station: str = STATION) -> None:
        self.board = board
        self.clock = clock
        self.station = station
        self.mono_s = 50.0
        self.seq = 0

    def say(self, retained: bool = False, **changes: Any) -> StationState:
        """Publish the normal state with some fields changed, a second after the last one."""
        self.mono_s += 1.0
        state = normal_state(station=self.station, mono_s=self.mono_s, **changes)
        self.board.receive(topic(self.station, "state"), encode(state), retained)
        return state

    def status(self, online: bool, reason: str = "", retained: bool = False) -> None:
        """Publish the status."""
        message = encode(Status(online=online, reason=reason))
        self.board.receive(topic(self.station, "status"), message, retained)

    def tell(self, body: EventBody, wall_ms: int | None = WALL_MS) -> None:
        """Publish an event."""
        self.seq += 1
        record = EventRecord(
            seq=self.seq, boot="b1", mono_ms=self.seq * 1000, body=body, prev="0" * 64, hash="1" * 64
        )
        message = encode(cloud_event(self.station, record, wall_ms))
        self.board.receive(topic(self.station, "events"), message)

    def say_raw(self, payload: bytes, leaf: str = "state") -> None:
        """Publish whatever bytes."""
        self.board.receive(topic(self.station, leaf), payload)


def normal_state(**changes: Any) -> StationState:
    """A bench at work: plate in its band, extraction proven, a heat step running."""
    state = StationState(
        station=STATION,
        boot="b1",
        mono_s=50.0,
        at="2026-03-02T08:26:40.000Z",
        plate=PlateState(
            plate_c=98.44,
            quality="good",
            cold_junction_c=27.1,
            setpoint_c=100.0,
            tolerance_c=5.0,
            at_setpoint=True,
        ),
        extraction=ExtractionState(extraction_a=0.42, quality="good", proven=True, since_s=252.0),
        solvent_out=False,
        permit=True,
        technician="t-04",
        unit="U-1001",
        model="6.1-inch-oled",
        on_plate="U-1001",
        step=heat_step(),
        locked=[],
        alarms=[],
        indication=Indication(green=Lamp.STEADY),
        ticks=500,
        ticks_missed=0,
    )
    return msgspec.structs.replace(state, **changes)


def heat_step(**changes: Any) -> StepState:
    """The first heat step, some way into its soak."""
    step = StepState(
        key="frame-off",
        title="Warm through and lift the frame",
        kind="heat",
        held=False,
        held_by=[],
        resume_refusals=[],
        max_s=None,
        warnings=[],
        elapsed_s=400.0,
        soak_s=132.0,
        soak_due_s=300.0,
        open_s=None,
        open_due_s=None,
        cure_s=None,
        cure_due_s=None,
    )
    return msgspec.structs.replace(step, **changes)


def alarm(**changes: Any) -> AlarmState:
    """A critical alarm that nobody has acknowledged."""
    raised = AlarmState(
        alarm="extraction-lost",
        priority="critical",
        state="unacknowledged",
        title="Extraction lost during a step",
        text="Stop soldering. Switch the extractor on.",
        since_s=12.0,
    )
    return msgspec.structs.replace(raised, **changes)


def lock(what: str, title: str, *reasons: str) -> Lock:
    """Something that is locked."""
    return Lock(what=what, title=title, reasons=list(reasons))


@pytest.fixture
def make() -> Any:
    """The builders ``normal_state``, ``heat_step``, ``alarm`` and ``lock`` as attributes."""

    class Make:
        state = staticmethod(normal_state)
        step = staticmethod(heat_step)
        alarm = staticmethod(alarm)
        lock = staticmethod(lock)

    return Make


@pytest.fixture
def clock() -> HandClock:
    """The clock of the board."""
    return HandClock()


@pytest.fixture
def board(clock: HandClock) -> Board:
    """A board that believes it is connected."""
    board = Board(clock)
    board.connected = True
    return board


@pytest.fixture
def bench(board: Board, clock: HandClock) -> Bench:
    """The station ``bench-1``, silent so far."""
    return Bench(board, clock)


@pytest.fixture
def bench_named(board: Board, clock: HandClock) -> Callable[[str], Bench]:
    """Makes further stations on the same board."""
    return lambda name: Bench(board, clock, name)


@pytest.fixture
def app(board: Board) -> Flask:
    """The application over the board."""
    app = create_app(board)
    app.testing = True
    return app


@pytest.fixture
def client(app: Flask) -> Iterator[FlaskClient]:
    """A browser without scripts."""
    with app.test_client() as client:
        yield client


@pytest.fixture
def page(client: FlaskClient) -> Callable[[], dict[str, str]]:
    """Fetches the bench's page and gives the plain text of each part."""

    def fetch() -> dict[str, str]:
        response = client.get(f"/bench/{STATION}")
        assert response.status_code == 200
        found = re.findall(r'<section id="part-(\w+)"[^>]*>(.*?)</section>', response.text, re.DOTALL)
        return {
            name: " ".join(html.unescape(re.sub(r"<[^>]+>", " ", printed)).split()) for name, printed in found
        }

    return fetch
