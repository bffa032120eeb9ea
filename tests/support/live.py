"""Real programs for system tests: a broker, a station in a process of its own, and a listener."""

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from contextlib import closing, suppress
from pathlib import Path

import msgspec
from door import Door
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

READY_S = 15.0


def free_port() -> int:
    """A port on loopback that nobody listens on."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_until(true, timeout_s: float = READY_S, what: str = "what was waited for"):
    """Look again and again until something is true; its value."""
    end_s = time.monotonic() + timeout_s
    while time.monotonic() < end_s:
        value = true()
        if value:
            return value
        time.sleep(0.02)
    raise AssertionError(f"{what} did not come within {timeout_s:g} s")


class Broker:
    """A real Mosquitto on a port of its own; may be killed and started again.

    A station that must not be back at it before a witness is goes in by the door.
    """

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self.door = Door(free_port(), self.port)
        self._config = folder / "broker.conf"
        self._log = folder / "broker.log"
        self._config.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nset_tcp_nodelay true\n"
            "max_queued_messages 100000\nmax_inflight_messages 1000\n"
        )
        self._process: subprocess.Popen | None = None

    def start(self) -> None:
        """Start and wait until it answers."""
        program = shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin")
        assert program is not None, "mosquitto is not installed: apt-get install mosquitto"
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(self._config)], stdout=log, stderr=log)
        wait_until(self.answers, what="the broker")

    @property
    def pid(self) -> int:
        """Of its process, while it runs."""
        assert self._process is not None
        return self._process.pid

    def answers(self) -> bool:
        """Whether it takes connections."""
        with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), timeout=0.5):
            return True
        return False

    def end(self, number: int = signal.SIGTERM) -> None:
        """End it by a signal; harmless when it has ended."""
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(10)
            self._process = None
        self.door.close()


class Station:
    """`benchward run --simulate` in a process of its own."""

    def __init__(self, folder: Path, port: int, station: str = "bench-1", extra: str = "") -> None:
        self.program = ["-m", "station"]
        self.db = folder / "station.db"
        self.log = folder / "station.log"
        self.settings = folder / "settings.toml"
        self.settings.write_text(
            f'[station]\nid = "{station}"\n{extra}[broker]\nport = {port}\n'
            f'[journal]\npath = "{self.db}"\nbatch_s = 1.0\n'
        )
        self.process: subprocess.Popen | None = None

    def start(self, *options: str, env: dict[str, str] | None = None) -> None:
        """Start it, with variables of the environment added."""
        command = [sys.executable, *self.program, "--settings", str(self.settings), "run", "--simulate"]
        with self.log.open("ab") as log:
            whole = {**os.environ, **(env or {})}
            self.process = subprocess.Popen([*command, *options], stdout=log, stderr=log, env=whole)

    def end(self, number: int = signal.SIGTERM) -> int:
        """End it by a signal; its exit code."""
        assert self.process is not None
        self.process.send_signal(number)
        code = self.process.wait(30)
        self.process = None
        return code


class Listener:
    """Hears everything below a topic, and asks."""

    def __init__(self, port: int, topics: str = "benchward/#", session_s: int = 0) -> None:
        self.heard: list[mqtt.MQTTMessage] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="listener", protocol=mqtt.MQTTv5)
        ready: list[bool] = []
        self.client.on_connect = lambda client, *_: client.subscribe(topics, qos=1)
        self.client.on_subscribe = lambda *_: ready.append(True)
        self.client.on_message = lambda _client, _data, message: self.heard.append(message)
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        wait_until(lambda: ready, what="the listener's subscription")

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()

    def on(self, leaf: str) -> list:
        """Decoded payloads heard on a leaf topic, in order."""
        return [msgspec.json.decode(m.payload) for m in list(self.heard) if m.topic.endswith(f"/{leaf}")]
