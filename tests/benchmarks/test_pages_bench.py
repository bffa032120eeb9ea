"""What fifty open pages cost the server: its processor time and memory while a station speaks at 10 Hz."""

import os
import resource
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import msgspec
import pytest
from live import Broker, Listener, Station, free_port, wait_until

from shared.messages import StationState, encode

pytestmark = pytest.mark.benchmark

PAGES = 50
WATCHED_S = 20.0
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def cpu_s(pid: int) -> float:
    """Processor time a process has used, in user and system mode."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * TICK_S


def memory_mb(pid: int) -> float:
    """Resident memory of a process."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * resource.getpagesize() / 1e6


def speak(port: int, station: Station, end: threading.Event) -> None:
    """Take a real station's state, end the station, and go on in its name: a new plate ten times a second."""
    listener = Listener(port, "benchward/v1/bench-1/state")
    wait_until(lambda: listener.heard, 30, "a state")
    state = msgspec.json.decode(listener.heard[-1].payload, type=StationState)
    station.end()
    begun_s, number = time.monotonic(), 0
    while not end.wait(max(0.0, begun_s + number / 10 - time.monotonic())):
        number += 1
        plate = msgspec.structs.replace(state.plate, plate_c=99 + number % 20 / 10, quality="good")
        said = msgspec.structs.replace(state, plate=plate, mono_s=state.mono_s + 60 + number / 10)
        listener.client.publish("benchward/v1/bench-1/state", encode(said), qos=1)
    listener.close()


class Reader(threading.Thread):
    """One page's stream, read as fast as it comes."""

    def __init__(self, port: int, source: str) -> None:
        super().__init__(daemon=True)
        self.messages = 0
        self.status = b""
        self._socket = socket.create_connection(("127.0.0.1", port), 10, (source, 0))
        self._socket.sendall(b"GET /bench/bench-1/stream HTTP/1.1\r\nHost: localhost\r\n\r\n")

    def run(self) -> None:
        """Read until the socket is closed."""
        self._socket.settimeout(None)
        while data := self._socket.recv(65536):
            self.status = self.status or data[:12]
            self.messages += data.count(b"\ndata: ")

    def close(self) -> None:
        """Hang up."""
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()


def test_fifty_pages(tmp_path: Path, capsys) -> None:
    """All fifty get news some times a second; what that costs is printed beside the server without a page."""
    broker, port = Broker(tmp_path), free_port()
    broker.start()
    station = Station(tmp_path, broker.port)
    station.start()
    busy = threading.Event()
    speaker = threading.Thread(target=speak, args=(broker.port, station, busy), daemon=True)
    speaker.start()
    command = [sys.executable, "-m", "dashboard", "--port", str(port), "--broker", f"127.0.0.1:{broker.port}"]
    with (tmp_path / "pages.log").open("wb") as log:
        server = subprocess.Popen(command, stdout=log, stderr=log)
    try:
        wait_until(lambda: _listens(port), what="the server")
        time.sleep(3)
        alone_s, begun_s = cpu_s(server.pid), time.monotonic()
        time.sleep(WATCHED_S / 2)
        alone = (cpu_s(server.pid) - alone_s) / (time.monotonic() - begun_s)
        readers = [Reader(port, f"127.0.0.{2 + number // 10}") for number in range(PAGES)]
        for reader in readers:
            reader.start()
        wait_until(lambda: all(reader.messages for reader in readers), what="news on every page")
        before, used_s, begun_s = [r.messages for r in readers], cpu_s(server.pid), time.monotonic()
        time.sleep(WATCHED_S)
        span_s = time.monotonic() - begun_s
        share = (cpu_s(server.pid) - used_s) / span_s
        rates = sorted((r.messages - n) / span_s for r, n in zip(readers, before, strict=True))
        asked_s = time.monotonic()
        assert _status(port, "/healthz") == b"HTTP/1.1 200"
        asked_s = time.monotonic() - asked_s
        assert _status(port, "/bench/bench-1/stream") == b"HTTP/1.1 503"
        for reader in readers:
            reader.close()
        wait_until(lambda: _status(port, "/bench/bench-1/stream") == b"HTTP/1.1 200", 10, "a freed place")
        with capsys.disabled():
            print(
                f"\n{PAGES} pages: {share:.1%} of a core (no page: {alone:.1%}), "
                f"{memory_mb(server.pid):.0f} MB, {rates[0]:.1f} to {rates[-1]:.1f} messages a second each, "
                f"/healthz in {asked_s * 1000:.0f} ms"
            )
        assert all(reader.status == b"HTTP/1.1 200" for reader in readers)
        assert rates[0] > 3
    finally:
        server.terminate()
        server.wait(10)
        busy.set()
        speaker.join(5)
        broker.end()


def _listens(port: int) -> bool:
    try:
        return _status(port, "/healthz") == b"HTTP/1.1 200"
    except OSError:
        return False


def _status(port: int, path: str) -> bytes:
    with socket.create_connection(("127.0.0.1", port), 5) as asked:
        asked.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        return asked.recv(12)
