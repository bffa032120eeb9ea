"""Messages of invented stations, and collectors in processes of their own."""

import re
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

import sqlalchemy as sa
from live import wait_until
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from dashboard.collector.rows import Told
from dashboard.collector.store import dialect_of
from shared.events import ClockSet, EventRecord, SignedOut, StationStarted
from shared.messages import Second, cloud_event, encode, senml, topic
from shared.timeline import rfc3339


def reading(station: str, second: int, wall_ms: int | None = None, boot: str = "b") -> Told:
    """A second of readings; the plate's temperature follows from the second."""
    told = Second(
        boot=boot,
        second=second,
        plate_mean_c=20.0 + second / 100,
        plate_min_c=20.0,
        plate_max_c=90.0,
        cold_junction_c=25.06,
        extraction_a=1.017,
        solvent_out=False,
        quality="good",
        valid_ms=1000,
    )
    return Told(topic(station, "readings"), encode(senml(station, told, wall_ms)))


def event(station: str, seq: int, mono_ms: int, wall_ms: int | None = None, boot: str = "b") -> Told:
    """An event that says little."""
    return _told(station, seq, mono_ms, wall_ms, boot, SignedOut())


def started(station: str, seq: int, mono_ms: int, boot: str = "b") -> Told:
    """The event that tells that the station began."""
    body = StationStarted(station=station, version="test", sheet="test")
    return _told(station, seq, mono_ms, None, boot, body)


def clock_set(station: str, seq: int, mono_ms: int, wall_ms: int, boot: str = "b") -> Told:
    """The event that tells the boot's offset."""
    wall = rfc3339(wall_ms)
    assert wall is not None
    return _told(station, seq, mono_ms, wall_ms, boot, ClockSet(wall=wall))


def _told(station, seq, mono_ms, wall_ms, boot, body) -> Told:
    record = EventRecord(seq=seq, boot=boot, mono_ms=mono_ms, body=body, prev="0" * 64, hash="1" * 64)
    return Told(topic(station, "events"), encode(cloud_event(station, record, wall_ms)))


class Running:
    """`benchward collect` in a process of its own."""

    def __init__(
        self, folder: Path, port: int, to: str, name: str, *more: object, until: str = "Collecting from"
    ) -> None:
        self._log = folder / f"{name}.log"
        before = self.log().count(until)
        words = ["collect", "--to", to, "--broker", f"127.0.0.1:{port}", "--name", name, *map(str, more)]
        program = Path(sys.executable).with_name("benchward")
        with self._log.open("ab") as log:
            self.process = subprocess.Popen([program, *words], stdout=log, stderr=log)
        try:
            wait_until(lambda: self.log().count(until) > before, 30, f"{until!r} from the collector")
        except AssertionError:
            self.end(signal.SIGKILL)
            raise

    def log(self) -> str:
        """All that collectors of this name have said."""
        return self._log.read_text() if self._log.exists() else ""

    def collected(self) -> int:
        """How many messages it says that it wrote; of the last one of its name that ended in order."""
        return int(re.findall(r"Stopped after (\d+) messages", self.log())[-1])

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal, if it still runs; its exit code."""
        self.process.send_signal(number)
        return self.process.wait(30)


class Publisher:
    """A client that publishes, and knows when the broker has everything."""

    def __init__(self, port: int, name: str = "") -> None:
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5)
        self.client.max_inflight_messages_set(200)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        self._sent = 0
        self._landed = 0
        self.reasons: Counter[str] = Counter()
        self.client.on_publish = self._on_publish

    def _on_publish(self, _client, _data, _mid, reason, _properties) -> None:
        self._landed += 1
        self.reasons[str(reason)] += 1

    def publish(self, messages: list[Told]) -> None:
        """Publish, without waiting."""
        for message in messages:
            self._sent += 1
            self.client.publish(message.topic, message.payload, qos=1)

    def landed(self) -> bool:
        """Whether the broker has acknowledged everything."""
        return self._landed >= self._sent

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


class Collected:
    """What a collected database holds."""

    def __init__(self, url: str) -> None:
        self._engine = sa.create_engine(dialect_of(url)[1])

    def ask(self, query: str) -> list[tuple]:
        """Rows of a query; none while the database is away or empty."""
        try:
            with self._engine.connect() as connection:
                return [tuple(row) for row in connection.execute(sa.text(query))]
        except sa.exc.DBAPIError:
            return []

    def count(self, table: str) -> int:
        """How many rows a table holds."""
        rows = self.ask(f"SELECT count(*) FROM {table}")
        return rows[0][0] if rows else 0

    def close(self) -> None:
        """Give the connections back."""
        self._engine.dispose()
