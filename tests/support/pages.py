"""The pages served by a process of their own, and browsers' part of it: streams read, pages fetched."""

import signal
import socket
import subprocess
import sys
import threading
from contextlib import suppress
from itertools import cycle
from pathlib import Path

from live import free_port, wait_until


class Pages:
    """`benchward dashboard` in a process of its own."""

    def __init__(self, folder: Path, broker_port: int, *options: str) -> None:
        self.port = free_port()
        self.log = folder / "pages.log"
        command = [sys.executable, "-m", "dashboard", "--port", str(self.port)]
        command += ["--broker", f"127.0.0.1:{broker_port}", *options]
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(command, stdout=log, stderr=log)
        try:
            wait_until(self._serves, 30, "the pages")
        except BaseException:
            self.end()
            raise

    def _serves(self) -> bool:
        with suppress(OSError):
            return status(self.port, "/healthz") == 200
        return False

    def end(self) -> None:
        """End them."""
        self.process.send_signal(signal.SIGTERM)
        self.process.wait(15)


def status(port: int, path: str) -> int:
    """The status of a page fetched whole, unless it is a stream.

    Raises:
        OSError: nobody answers.
    """
    with socket.create_connection(("127.0.0.1", port), 30) as asked:
        asked.sendall(f"GET {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n".encode())
        head = asked.recv(65536)
        while b"text/event-stream" not in head and asked.recv(65536):
            pass
    return int(head.split(b" ", 2)[1])


_ADDRESSES = cycle(range(1, 255))


class Page(threading.Thread):
    """A bench page that listens: its stream, read as fast as it comes."""

    def __init__(self, port: int, station: str = "bench-1") -> None:
        super().__init__(daemon=True)
        self.messages = 0
        self.status = b""
        # From an address of its own, as each screen has one: streams are counted by address.
        self._socket = socket.create_connection(("127.0.0.1", port), 10, (f"127.0.1.{next(_ADDRESSES)}", 0))
        self._socket.sendall(f"GET /bench/{station}/stream HTTP/1.1\r\nHost: localhost\r\n\r\n".encode())

    def run(self) -> None:
        """Read until the socket is closed."""
        self._socket.settimeout(None)
        with suppress(OSError):
            while data := self._socket.recv(65536):
                self.status = self.status or data[:12]
                self.messages += data.count(b"\ndata: ")

    def close(self) -> None:
        """Hang up."""
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
