"""What the dashboard knows of every station now, and how readers wait for news of it.

A state counts as live only when it arrived as news: one that the broker had kept from earlier says nothing
about now. Ages are taken from this machine's monotonic clock. Readers wait at slots that hold the newest
snapshot and nothing else, so a slow reader skips what it missed and never works through a backlog.
"""

import logging
import threading
import time
from collections.abc import Callable
from enum import StrEnum

import msgspec

from shared.events import EventBody, body_from_fields
from shared.messages import ROOT, CloudEvent, StationState, Status

LOST_AFTER_S = 2.5  # with a look every quarter of a second, a page says so within 3 s
EVENTS_KEPT = 50
TRACE_EVERY_S, TRACE_KEPT = 0.9, 640
STATIONS_KEPT = 1000
PAYLOAD_LIMIT_BYTES = 256 * 1024

_log = logging.getLogger(__name__)
_state_decoder = msgspec.json.Decoder(StationState)
_status_decoder = msgspec.json.Decoder(Status)
_event_decoder = msgspec.json.Decoder(CloudEvent)


class Liveness(StrEnum):
    """Whether what is known of a station may be shown as the bench is now, and if not, why."""

    LIVE = "live"
    SILENT = "silent"
    STOPPED = "stopped"
    CUT_OFF = "cut-off"
    NEVER = "never"


class HeardEvent(msgspec.Struct, frozen=True, kw_only=True):
    """One event as a station told it, in its place in that station's journal."""

    seq: int
    boot: str
    at: str | None
    body: EventBody


class Snapshot(msgspec.Struct, frozen=True, kw_only=True):
    """Everything known of one station. ``version`` grows with every change on the board.

    ``live_s`` and ``status_s`` are the local monotonic times at which the newest live state and the newest
    status arrived; ``live_s`` is None while the only state known is one the broker had kept. ``trace``: the
    plate of about the last ten minutes (the station's monotonic s, °C or None), at most one point a second.
    """

    station: str
    version: int = 0
    state: StationState | None = None
    live_s: float | None = None
    status: Status | None = None
    status_s: float = float("-inf")
    events: tuple[HeardEvent, ...] = ()
    trace: tuple[tuple[float, float | None], ...] = ()

    def age_s(self, now_s: float) -> float | None:
        """Seconds since the newest live state arrived, or None if none ever did."""
        return None if self.live_s is None else now_s - self.live_s

    def liveness(self, now_s: float, connected: bool) -> Liveness:
        """Whether the state may be shown as what is now."""
        stopped = self.status is not None and not self.status.online
        if self.live_s is not None and now_s - self.live_s <= LOST_AFTER_S:
            return Liveness.STOPPED if stopped and self.status_s >= self.live_s else Liveness.LIVE
        if not connected:
            return Liveness.CUT_OFF
        if stopped:
            return Liveness.STOPPED
        return Liveness.NEVER if self.state is None else Liveness.SILENT


class Slot:
    """Where one reader waits for the newest snapshot of one station."""

    def __init__(self, station: str) -> None:
        self.station = station
        self._newest: Snapshot | None = None
        self._news = threading.Condition()

    def put(self, snapshot: Snapshot) -> None:
        """Leave a snapshot; one that was not fetched yet is replaced."""
        with self._news:
            self._newest = snapshot
            self._news.notify()

    def get(self, timeout_s: float) -> Snapshot | None:
        """The newest snapshot not fetched yet, waiting up to ``timeout_s`` for one; else None."""
        with self._news:
            if self._newest is None:
                self._news.wait(timeout_s)
            newest, self._newest = self._newest, None
            return newest


class Board:
    """The newest of every station, filled by `receive` and read by any number of threads.

    Attributes:
        connected: whether messages can arrive at all.
        closing: set once when the server stops, so that streams end; a plain flag, because a signal
            handler sets it.
        bad_payloads: how many messages could not be used.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self.connected = False
        self.closing = False
        self.bad_payloads = 0
        self._version = 0
        self._snapshots: dict[str, Snapshot] = {}
        self._slots: set[Slot] = set()
        self._lock = threading.Lock()

    def stations(self) -> tuple[str, ...]:
        """The names of all stations heard of, sorted."""
        with self._lock:
            return tuple(sorted(self._snapshots))

    def snapshot(self, station: str) -> Snapshot:
        """What is known of the station; an empty snapshot for one never heard of."""
        with self._lock:
            return self._snapshots.get(station) or Snapshot(station=station)

    def subscribe(self, station: str) -> Slot:
        """A slot that gets every new snapshot of the station until `unsubscribe`."""
        slot = Slot(station)
        with self._lock:
            self._slots.add(slot)
        return slot

    def unsubscribe(self, slot: Slot) -> None:
        """Leave nothing in this slot any more."""
        with self._lock:
            self._slots.discard(slot)

    def receive(self, topic: str, payload: bytes, retained: bool = False) -> None:
        """Take in one message; one that cannot be used is counted and dropped.

        Args:
            topic: where it was published.
            payload: its bytes.
            retained: the broker had kept it, so its age is unknown.
        """
        try:
            self._take(topic, payload, retained)
        except (ValueError, TypeError, RecursionError, msgspec.MsgspecError) as error:
            self.bad_payloads += 1
            _log.warning("Dropped a message on %s: %s", topic, error)

    def _take(self, topic: str, payload: bytes, retained: bool) -> None:
        if len(payload) > PAYLOAD_LIMIT_BYTES:
            raise ValueError(f"{len(payload)} bytes are more than {PAYLOAD_LIMIT_BYTES}.")
        station, _, leaf = topic.removeprefix(f"{ROOT}/").partition("/")
        with self._lock:
            known = self._snapshots.get(station) or Snapshot(station=station)
            if known.version == 0 and len(self._snapshots) >= STATIONS_KEPT:
                raise ValueError(f"More than {STATIONS_KEPT} stations.")
            changed = self._changed(known, leaf, payload, retained)
            if changed is None:
                return
            self._version += 1
            changed = msgspec.structs.replace(changed, version=self._version)
            self._snapshots[station] = changed
            slots = [slot for slot in self._slots if slot.station == station]
        for slot in slots:
            slot.put(changed)

    def _changed(self, known: Snapshot, leaf: str, payload: bytes, retained: bool) -> Snapshot | None:
        """The snapshot with the message taken in, or None if the message is old news."""
        now_s = self.clock()
        if leaf == "state":
            return _with_state(known, _state_decoder.decode(payload), now_s, retained)
        if leaf == "status":
            status = _status_decoder.decode(payload)
            return msgspec.structs.replace(known, status=status, status_s=now_s)
        if leaf == "events":
            return _with_event(known, _event_decoder.decode(payload))
        raise ValueError(f"Nothing is expected on {leaf!r}.")


def _with_state(known: Snapshot, state: StationState, now_s: float, retained: bool) -> Snapshot | None:
    """A state no newer than the one at hand (a repeat, or a station that stands still) is old news."""
    if state.station != known.station:
        raise ValueError(f"The state is of {state.station!r}.")
    held = known.state
    age_s = known.age_s(now_s)
    fresh = age_s is not None and age_s <= LOST_AFTER_S
    if held is not None and state.boot == held.boot:
        if state.mono_s == held.mono_s or (fresh and state.mono_s < held.mono_s):
            return None
    if retained:
        return None if fresh else msgspec.structs.replace(known, state=state, live_s=None)
    return msgspec.structs.replace(known, state=state, live_s=now_s, trace=_traced(known, state))


def _traced(known: Snapshot, state: StationState) -> tuple[tuple[float, float | None], ...]:
    """The plate's last minutes with this state's; another boot begins anew."""
    same = known.state is not None and known.state.boot == state.boot
    kept = known.trace if same else ()
    if kept and 0 <= state.mono_s - kept[-1][0] < TRACE_EVERY_S:
        return kept
    plate_c = state.plate.plate_c if state.plate.quality == "good" else None
    return (*kept[-TRACE_KEPT:], (state.mono_s, plate_c))


def _with_event(known: Snapshot, message: CloudEvent) -> Snapshot | None:
    data = message.data
    event = msgspec.convert(data, _EventPlace)
    if any((held.boot, held.seq) == (event.boot, event.seq) for held in known.events):
        return None
    heard = HeardEvent(seq=event.seq, boot=event.boot, at=event.at, body=body_from_fields(data))
    kept = sorted((*known.events, heard), key=lambda each: each.seq)[-EVENTS_KEPT:]
    return msgspec.structs.replace(known, events=tuple(kept))


class _EventPlace(msgspec.Struct, frozen=True):
    """The part of a printed event that says where it stands."""

    seq: int
    boot: str
    at: str | None = None
