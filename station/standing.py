"""What can be found out about a station from beside it: running, hanging, stopped, or cut off.

Four witnesses, none of which the station must answer to: the broker, the kernel (who holds the journal), the
station's own figures on loopback, and the record. Any of them may be missing.
"""

import os
import time
from pathlib import Path
from typing import NamedTuple
from urllib.request import urlopen

from shared.events import StationStarted, StationStopped
from shared.history import History
from shared.messages import StationState, Status
from shared.problems import BenchwardError, FailureError
from shared.stored import Filter
from shared.timeline import is_trace
from station.journal.claim import Holder, holder_of
from station.journal.kept_state import kept_in
from station.link.onlooker import Onlooker
from station.rules.fold import apply
from station.rules.state import Durable
from station.settings import Settings

# The station shows itself every second, and writes its seconds after `journal.batch_s`: some more for a busy
# card.
FRESH_S = 4.0
SPARE_S = 3.0
FIGURES_S = 3.0
LOOK_S = 0.2


class Record(NamedTuple):
    """What the journal says of the last run.

    ``at_ms``: wall time of the newest event where it is known. ``ended``: how the last run said that it ends;
    None where it said nothing, for it runs or was cut off. ``durable``: the bench as it was left.
    ``growing``: whether seconds of record came while we looked; None where that could not be told.
    """

    path: Path
    at_ms: int | None
    ended: str | None
    durable: Durable
    growing: bool | None = None


class Standing(NamedTuple):
    """All that was found out.

    ``state``: a snapshot that came while we looked, not one that the broker had kept. ``said``: the broker's
    last word on whether the station runs. ``broker_fault`` and ``record_fault``: why a witness told nothing.
    """

    station: str
    state: StationState | None
    said: Status | None
    broker_fault: str | None
    holder: Holder | None
    figures: dict[str, float] | None
    record: Record | None
    record_fault: str | None

    @property
    def runs(self) -> bool:
        """Whether it watches the bench, whoever hears of it."""
        growing = self.record is not None and self.record.growing
        return self.state is not None or self.figures is not None or bool(growing)

    @property
    def hangs(self) -> bool:
        """Whether a process has the journal and writes nothing into it."""
        idle = self.record is not None and self.record.growing is False
        return not self.runs and self.holder is not None and idle


def look(settings: Settings) -> Standing:
    """Ask every witness; takes up to about ten seconds when the station does not show itself.

    Raises:
        InputError: the settings name a password or certificate that cannot be read.
    """
    name = settings.station.id
    said, state, broker_fault = _at_broker(settings)
    path = Path(settings.journal.path)
    holder, figures = holder_of(path), figures_at(settings.station.metrics_port)
    record, record_fault = None, None
    if state is None:
        wait_s = settings.journal.batch_s + SPARE_S if holder is not None and figures is None else None
        try:
            record = record_of(path, wait_s)
        except BenchwardError as error:
            record_fault = str(error)
    return Standing(name, state, said, broker_fault, holder, figures, record, record_fault)


def _at_broker(settings: Settings) -> tuple[Status | None, StationState | None, str | None]:
    """The broker's last word, a live snapshot, and why there is none."""
    try:
        with Onlooker(settings.broker, settings.station.id) as onlooker:
            said = onlooker.status()
            if said is None or not said.online:
                return said, None, None
            return said, _live(onlooker), None
    except FailureError as error:
        return None, None, str(error)


def _live(onlooker: Onlooker) -> StationState | None:
    """A snapshot that follows another one: what the broker kept may be of a station that hangs."""
    deadline_s = time.monotonic() + FRESH_S
    first = onlooker.retained_state()
    while first is not None and (left_s := deadline_s - time.monotonic()) > 0:
        try:
            state = onlooker.state(left_s)
        except FailureError:
            return None
        if (state.boot, state.ticks) != (first.boot, first.ticks):
            return state
    return None


def figures_at(port: int) -> dict[str, float] | None:
    """The station's figures by name and labels as they stand in its text; None where none are served."""
    if port == 0:
        return None
    try:
        with urlopen(f"http://127.0.0.1:{port}/metrics", timeout=FIGURES_S) as answer:
            lines = answer.read().decode().splitlines()
    except OSError:
        return None
    samples = (line.rpartition(" ") for line in lines if not line.startswith("#"))
    return {name: float(value) for name, _, value in samples}


def record_of(path: Path, watch_s: float | None) -> Record | None:
    """What a journal says; None if it holds no run. With ``watch_s`` it is watched for so long at the most.

    Raises:
        InputError: there is no such file, or it is no database of a station.
        FailureError: it cannot be read.
    """
    kept = kept_in(path)
    with History(path) as history:
        durable, at_ms, last_turn = Durable() if kept is None else kept.durable, None, None
        for _, moment, body in history.told(after=0 if kept is None else kept.seq):
            if is_trace(moment.boot):
                continue
            durable, at_ms = apply(durable, moment, body), moment.wall_ms
            if isinstance(body, StationStarted | StationStopped):
                last_turn = body
        if last_turn is None and kept is not None:  # what began or ended last lies before what is kept
            for _, moment, body in history.told(Filter(family="station")):
                if isinstance(body, StationStarted | StationStopped) and not is_trace(moment.boot):
                    last_turn = body
        if last_turn is None:
            return None
        ended = last_turn.reason if isinstance(last_turn, StationStopped) else None
        # Whoever may not write the file reads it as it lies there, without what is being written.
        followed = watch_s is not None and os.access(path, os.W_OK) and os.access(path.parent, os.W_OK)
        growing = _grows(history, watch_s) if followed and watch_s is not None else None
    return Record(path, at_ms, ended, durable, growing)


def _grows(history: History, watch_s: float) -> bool:
    first, deadline_s = history.newest_second(), time.monotonic() + watch_s
    while time.monotonic() < deadline_s:
        if history.newest_second() != first:
            return True
        time.sleep(LOOK_S)
    return False
