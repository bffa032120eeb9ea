"""A long outage at a real broker: live readings do not wait behind the backlog, and nothing is left out.

The broker lets few messages be under way at once (MQTT 5, 3.2.2.3.3), as a slow line would, so that the
backlog takes long enough for others to watch it.
"""

import signal
from itertools import pairwise
from pathlib import Path
from typing import NamedTuple

import msgspec
import pytest
from live import Broker, Listener, Station, wait_until

from shared.history import History
from shared.messages import Second
from station.journal.ledger import BootClock, Ledger
from station.link.link import LONG

pytestmark = pytest.mark.system
SPEED = 100
LONG_ENOUGH = 2 * LONG


class Heard(NamedTuple):
    """A reading as the witness heard it."""

    boot: str
    second: int


class SlowBroker(Broker):
    """Takes four messages at once, and no more before they are acknowledged."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        text = self._config.read_text()
        self._config.write_text(text.replace("max_inflight_messages 1000", "max_inflight_messages 4"))


class Witness(Listener):
    """Hears readings, thousands of them: each is decoded once, however often one asks."""

    def __init__(self, port: int) -> None:
        self._decoded: list[Heard] = []
        super().__init__(port, "benchward/v1/+/readings")

    def readings(self) -> list[Heard]:
        """Every reading, in the order in which it came, repeats and all."""
        for message in self.heard[len(self._decoded) :]:
            first = msgspec.json.decode(message.payload)[0]
            self._decoded.append(Heard(first["boot"], first["seq"]))
        return self._decoded


def recorded(path: Path) -> list[Heard]:
    """Every second on disk, in order."""
    with History(path) as history:
        boots = dict.fromkeys(dated.record.boot for dated in history.events())
        found = [second for boot in boots for second in history.seconds_of(boot)]
    return [Heard(second.boot, second.second) for second in found]


def count_recorded(path: Path) -> int:
    """How many seconds are on disk."""
    with History(path) as history:
        return history.counts()["readings"]


@pytest.fixture
def slow(tmp_path):
    """A broker that is slow, and a station that will look for it."""
    tmp_path.chmod(0o777)
    broker = SlowBroker(tmp_path)
    station = Station(tmp_path, broker.door.port)
    yield broker, station
    if station.process is not None:
        station.end(signal.SIGKILL)
    broker.end(signal.SIGKILL)


def test_live_readings_overtake_the_backlog_of_an_outage(slow):
    """The broker is killed while the station works on; afterwards what is new comes before all of the old."""
    broker, station = slow
    broker.start()
    witness = Witness(broker.port)
    broker.door.open()
    station.start("--speed", str(SPEED))
    wait_until(lambda: len(witness.readings()) > 5, what="the first readings")
    broker.end(signal.SIGKILL)
    witness.close()
    away = count_recorded(station.db)
    wait_until(lambda: count_recorded(station.db) > away + LONG_ENOUGH, 60, "a long backlog")
    broker.start()
    witness = Witness(broker.port)
    broker.door.open()
    try:
        wait_until(lambda: "goes out beside it" in station.log.read_text(), 60, "the two lanes")
        wait_until(lambda: "backlog of readings is with" in station.log.read_text(), 60, "the backlog's end")
        wait_until(lambda: len(set(witness.readings())) > LONG_ENOUGH, what="the backlog")
        assert station.end() == 0
        on_disk = recorded(station.db)
        # Those on disk before may have reached a broker that was killed before it passed them on.
        wait_until(lambda: set(on_disk[away:]) <= set(witness.readings()), what="every second on record")
        seconds = [found.second for found in dict.fromkeys(witness.readings())]
    finally:
        witness.close()
    # The first one that leaves others out is live, be it the first of all; all below it are the backlog's.
    known = [min(seconds) - 1, *seconds]
    live_from = next(later for earlier, later in pairwise(known) if later > earlier + 1)
    backlog = [second for second in seconds if second < live_from]
    live = [second for second in seconds if second >= live_from]
    assert backlog == sorted(backlog)
    assert live == sorted(live)
    left = len(backlog) - seconds.index(live_from)
    ahead = [second for second in seconds[: seconds.index(backlog[-1])] if second >= live_from]
    assert left > LONG, f"only {left} of the backlog came after the first live reading"
    assert len(ahead) > 1, "one live reading alone may be chance"
    assert len(on_disk) == len(set(on_disk))


def test_station_killed_in_the_middle_of_two_lanes_leaves_nothing_out(slow):
    """Only the backlog's cursor is kept: live readings that were sent come again, none is passed over."""
    broker, station = slow
    stored = 60 * LONG
    ledger = Ledger(station.db)
    ledger.write([BootClock("before", 1_790_000_000_000)])
    ledger.write([
        Second(
            boot="before", second=at, plate_mean_c=25.0, plate_min_c=24.9, plate_max_c=25.1,
            cold_junction_c=26.0, extraction_a=0.0, solvent_out=False, quality="good", valid_ms=1000,
        )
        for at in range(stored)
    ])  # fmt: skip
    ledger.close()
    broker.start()
    witness = Witness(broker.port)
    broker.door.open()
    try:
        station.start("--speed", "10")
        wait_until(
            lambda: (
                len([one for one in witness.readings() if one.boot != "before"]) > 2
                and len(witness.readings()) > LONG
            ),
            60,
            "live readings beside the backlog",
        )
        station.end(signal.SIGKILL)
        cut = witness.readings()
        assert {one.boot for one in cut} > {"before"}
        assert len([one for one in cut if one.boot == "before"]) < stored, "the backlog had ended by then"
        station.start("--speed", "10")
        wait_until(
            lambda: len({one for one in witness.readings() if one.boot == "before"}) == stored,
            60,
            "the backlog",
        )
        wait_until(
            lambda: len({one.boot for one in witness.readings()}) == 3, what="readings of the second run"
        )
        assert station.end() == 0
        on_disk = recorded(station.db)
        on_disk += [Heard("before", at) for at in range(stored)]
        wait_until(lambda: set(on_disk) <= set(witness.readings()), what="every second on record")
    finally:
        witness.close()
