"""The log on stderr: one line a fact, with the priority in front where the service manager reads it.

Under systemd a line that begins with ``<4>`` is kept with that priority (sd-daemon(3); the numbers are those
of syslog, RFC 5424 table 2). systemd says by JOURNAL_STREAM, as device and inode, which file it reads
(systemd.exec(5)); only if stderr is that file do the numbers stand there. Elsewhere the time does.

Whoever logs never waits for whoever reads: lines go through memory to a thread that writes them.
"""

import json
import logging
import os
import queue
import re
import sys
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from logging.handlers import QueueHandler, QueueListener
from typing import IO, Any

import msgspec

from shared.events import AlarmRaised, EventBody

# RFC 5424, table 2: 2 critical, 3 error, 4 warning, 6 informational, 7 debug.
PRIORITIES = ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6))
DEBUG_PRIORITY = 7
LINES_WAITING = 2000
END_S = 2.0
_ALARM_LEVELS = {"critical": logging.CRITICAL, "high": logging.ERROR, "medium": logging.WARNING}
_PLAIN = re.compile(r"[^\s\"=\\]+")


class OneLine(logging.Formatter):
    """A record as one line, its traceback (of a fault of the program's own) folded into it."""

    converter = time.gmtime  # type: ignore[assignment]  # the stub leaves the default away
    default_time_format = "%Y-%m-%dT%H:%M:%S"
    default_msec_format = "%s.%03dZ"

    def __init__(self, *, journald: bool) -> None:
        """With ``journald`` the service manager reads it: the priority stands in front, else the time."""
        super().__init__(
            "%(name)s: %(message)s" if journald else "%(asctime)s %(levelname)s %(name)s: %(message)s"
        )
        self._journald = journald

    def format(self, record: logging.LogRecord) -> str:
        """The line, without its end."""
        line = " | ".join(part.strip() for part in super().format(record).splitlines() if part.strip())
        return f"<{priority(record.levelno)}>{line}" if self._journald else line


class _Unhurried(QueueHandler):
    """Hands lines to the thread that writes them; one too many is left out and counted, never waited for."""

    def __init__(self, waiting: "queue.Queue[Any]") -> None:
        super().__init__(waiting)
        self.left_out = 0

    def prepare(self, record: logging.LogRecord) -> logging.LogRecord:
        """Put the values into the text now: they may change before the line is written."""
        record.msg, record.args = record.getMessage(), None
        return record

    def enqueue(self, record: logging.LogRecord) -> None:
        """Hand a record on."""
        try:
            self.queue.put_nowait(record)
        except queue.Full:
            self.left_out += 1


class _Writing(QueueListener):
    """The thread that writes; at the end it gets a moment, and is left alone where nobody reads stderr."""

    _sentinel = None

    def __init__(self, waiting: "queue.Queue[Any]", writing: logging.Handler) -> None:
        super().__init__(waiting, writing)
        self._waiting = waiting

    def stop(self) -> None:
        """Write what waits, as far as it is taken."""
        thread = self._thread
        self._thread = None
        with suppress(queue.Full):
            self._waiting.put(self._sentinel, timeout=END_S)
        if thread is not None:
            thread.join(END_S)


def priority(level: int) -> int:
    """The syslog priority of a level of `logging`."""
    return next((number for least, number in PRIORITIES if level >= least), DEBUG_PRIORITY)


def read_by_journald(stream: IO[str], environ: Mapping[str, str] = os.environ) -> bool:
    """Whether the service manager's journal reads this stream."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environ.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


@contextmanager
def logging_to_stderr(level: int = logging.INFO) -> Iterator[None]:
    """Within, everything that is logged goes to stderr, a line each; at the end what waits is written."""
    waiting: queue.Queue[Any] = queue.Queue(LINES_WAITING)
    writing = logging.StreamHandler(sys.stderr)
    writing.setFormatter(OneLine(journald=read_by_journald(sys.stderr)))
    handing = _Unhurried(waiting)
    listener = _Writing(waiting, writing)
    root = logging.getLogger()
    before = root.level
    root.addHandler(handing)
    root.setLevel(level)
    listener.start()
    try:
        yield
    finally:
        root.removeHandler(handing)
        root.setLevel(before)
        listener.stop()
        if handing.left_out:
            lost = logging.LogRecord("benchward", logging.WARNING, "", 0, "%d lines of log were left out",
                                     (handing.left_out,), None)  # fmt: skip
            writing.emit(lost)


def event_level(body: EventBody) -> int:
    """How urgent an event's line is: alarms by their priority, all else as information."""
    return _ALARM_LEVELS.get(body.priority, logging.INFO) if isinstance(body, AlarmRaised) else logging.INFO


def event_line(body: EventBody) -> str:
    """An event as words: its kind, then ``key=value``; a value with blanks in it is quoted as JSON does."""
    fields: dict[str, Any] = msgspec.to_builtins(body)
    kind, values = fields.pop("kind"), fields.pop("values", {})
    return " ".join([kind, *(f"{key}={_word(value)}" for key, value in {**fields, **values}.items())])


def _word(value: Any) -> str:
    if isinstance(value, list):
        value = ",".join(_word(each) for each in value)
    elif isinstance(value, dict):
        value = json.dumps(value, ensure_ascii=False, separators=(",", ":"))
    elif not isinstance(value, str):
        return f"{value:g}" if isinstance(value, float) else json.dumps(value)
    return value if _PLAIN.fullmatch(value) else json.dumps(value, ensure_ascii=False)
