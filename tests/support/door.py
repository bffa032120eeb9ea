"""A port that leads on to a broker while it is open; while it is closed, nobody listens there."""

import socket
from contextlib import suppress
from threading import Event, Thread


class Door:
    """Lets a station in when a test says so, so that a witness is always there before it."""

    def __init__(self, port: int, leads_to: int) -> None:
        self.port, self._leads_to = port, leads_to
        self._listening: socket.socket | None = None
        self._ways: list[Thread] = []
        self._ends: list[socket.socket] = []
        self.lossy = Event()
        """While it is set, whatever is sent through, either way, is lost."""

    def open(self) -> None:
        """Take connections from now on; harmless when it is open."""
        if self._listening is None:
            self._listening = socket.create_server(("127.0.0.1", self.port))
            self._ways.append(Thread(target=self._let_in, args=(self._listening,), daemon=True))
            self._ways[-1].start()

    def close(self) -> None:
        """Take no more connections, and wait for the end of those whose broker has gone."""
        if self._listening is not None:
            with suppress(OSError):
                self._listening.shutdown(socket.SHUT_RDWR)  # a thread may be waiting in accept()
            self._listening.close()
            self._listening = None
        for way in self._ways:
            way.join(5)
        self._ways.clear()

    def cut(self) -> None:
        """Hang up on everybody who is in; whoever comes then is let in."""
        ends, self._ends = self._ends, []
        for end in ends:
            with suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def close_to_all(self) -> None:
        """Hang up on everybody and take no more connections."""
        if self._listening is not None:
            self._listening.shutdown(socket.SHUT_RDWR)
        self.cut()
        self.close()

    def _let_in(self, listening: socket.socket) -> None:
        with suppress(OSError):
            while True:
                outer, _ = listening.accept()
                try:
                    inner = socket.create_connection(("127.0.0.1", self._leads_to))
                except OSError:
                    outer.close()
                    continue
                for end in (outer, inner):
                    end.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
                self._ends += [outer, inner]
                self._ways.append(Thread(target=self._join, args=(outer, inner), daemon=True))
                self._ways[-1].start()

    def _join(self, outer: socket.socket, inner: socket.socket) -> None:
        with outer, inner:
            back = Thread(target=self._carry, args=(inner, outer), daemon=True)
            back.start()
            self._carry(outer, inner)
            back.join()

    def _carry(self, source: socket.socket, target: socket.socket) -> None:
        with suppress(OSError):
            while data := source.recv(65536):
                if not self.lossy.is_set():
                    target.sendall(data)
        _hang_up(source, target)


def _hang_up(source: socket.socket, target: socket.socket) -> None:
    for end in (source, target):
        with suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
