"""Serves the station's figures on loopback, in a thread of its own; no tick ever waits for who asks."""

import logging
import socketserver
import sys
import threading
from collections.abc import Callable
from http.server import BaseHTTPRequestHandler
from types import TracebackType
from typing import Any, Self

from station.metrics import CONTENT_TYPE

LOG = logging.getLogger("benchward.metrics")
HOST = "127.0.0.1"
# One is answered after the other; whoever says nothing for so long is sent away.
PATIENCE_S = 2.0


class _Answering(BaseHTTPRequestHandler):
    timeout = PATIENCE_S
    text: Callable[[], str]

    def do_GET(self) -> None:
        """The figures at ``/metrics``; nothing anywhere else."""
        if self.path.partition("?")[0] != "/metrics":
            self.send_error(404, "Only /metrics is here")
            return
        body = type(self).text().encode()
        self.send_response(200)
        self.send_header("Content-Type", CONTENT_TYPE)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Whoever asks is no fact of the bench."""


class _Listening(socketserver.TCPServer):
    allow_reuse_address = True
    request_queue_size = 8

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Whoever goes away in the middle is no fault of ours; anything else is told."""
        error = sys.exc_info()[1]
        if not isinstance(error, OSError):
            LOG.error("an answer with figures could not be given", exc_info=error)


class MetricsServer:
    """Answers ``GET /metrics`` on 127.0.0.1; use it as a context.

    A port that cannot be had is told and keeps no bench from being watched.
    """

    def __init__(self, port: int, text: Callable[[], str]) -> None:
        """Serve ``text()`` on a port; 0 takes a free one."""
        self._port, self._text = port, text
        self._server: _Listening | None = None

    @property
    def port(self) -> int | None:
        """The port it listens on; None when it could not be had."""
        return None if self._server is None else int(self._server.server_address[1])

    def __enter__(self) -> Self:
        answering = type("Answering", (_Answering,), {"text": staticmethod(self._text)})
        try:
            self._server = _Listening((HOST, self._port), answering)
        except OSError as error:
            LOG.error("no figures are served: port %d cannot be had: %s", self._port, error.strerror)
            return self
        threading.Thread(target=self._server.serve_forever, name="metrics", daemon=True).start()
        LOG.info("figures at http://%s:%d/metrics", HOST, self.port)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
