"""Recorded wires: a CSV file, one line a tick, read and checked whole before anything is done with it.

Columns: ``t_s`` seconds since the start, never falling; ``plate_frame`` the MAX31855 word as 8 hex digits,
empty when the bus failed; ``extraction_a`` RMS amperes, empty when it could not be read; ``solvent_out`` 0 or
1, empty when unknown; ``request`` empty or a request as text.
"""

import csv
import math
import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple, NoReturn

from shared.problems import InputError
from shared.timeline import to_ms

COLUMNS = ("t_s", "plate_frame", "extraction_a", "solvent_out", "request")
LARGEST = 1e9
_WORD = re.compile(r"[0-9A-Fa-f]{8}")


class TraceTick(NamedTuple):
    """One line: milliseconds since the start, word, amperes, bottle out, request; None for what is empty."""

    mono_ms: int
    word: int | None
    extraction_a: float | None
    solvent_out: bool | None
    request: str | None


def load_trace(path: Path) -> list[TraceTick]:
    """Read a whole trace.

    Raises:
        InputError: names the file, the line, the column, the offending value and what would be right.
    """
    try:
        data = path.read_bytes()
        text = data.decode("utf-8-sig")
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}.") from error
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        what = f"byte {data[error.start]:#04x} is not UTF-8"
        raise InputError(f"{path}, line {line}: {what}; a trace is plain text in UTF-8.") from error
    return list(_ticks(text.splitlines(keepends=True), path))


def _ticks(lines: Iterable[str], path: Path) -> Iterator[TraceTick]:
    reader = csv.reader(lines, strict=True)
    try:
        header = next(reader, None)
        if header is None:
            raise InputError(f"{path}: empty; the first line must be {','.join(COLUMNS)}.")
        if tuple(header) != COLUMNS:
            raise InputError(f"{path}, line 1: header is {','.join(header)!r}, not {','.join(COLUMNS)!r}.")
        before_ms = 0
        for row in reader:
            tick = _Line(path, reader.line_num, row).tick(before_ms)
            before_ms = tick.mono_ms
            yield tick
    except csv.Error as error:
        raise InputError(f"{path}, line {reader.line_num}: not CSV: {error}.") from error


class _Line:
    """One row and its place, for messages that name both."""

    def __init__(self, path: Path, number: int, row: list[str]) -> None:
        self.where = f"{path}, line {number}"
        if len(row) != len(COLUMNS):
            raise InputError(f"{self.where}: {len(row)} columns {row!r}, not {len(COLUMNS)}.")
        self.fields = dict(zip(COLUMNS, row, strict=True))

    def tick(self, before_ms: int) -> TraceTick:
        seconds = self._number("t_s", empty=False)
        mono_ms = to_ms(seconds or 0.0)
        if mono_ms < before_ms:
            raise InputError(
                f"{self.where}, column t_s: {self.fields['t_s']!r} goes back; the line before has "
                f"{before_ms / 1000:g} s, and time never falls."
            )
        return TraceTick(mono_ms, self._word(), self._number("extraction_a"), self._flag(), self._request())

    def _refuse(self, column: str, right: str) -> NoReturn:
        raise InputError(f"{self.where}, column {column}: {self.fields[column]!r} is not {right}.")

    def _number(self, column: str, *, empty: bool = True) -> float | None:
        text = self.fields[column]
        if empty and text == "":
            return None
        try:
            value = float(text)
        except ValueError:
            self._refuse(column, "a number" + (" or empty" if empty else " of seconds"))
        if not 0 <= value < math.inf or "_" in text or not text.isascii():
            self._refuse(column, "a finite number of 0 or more")
        if value > LARGEST:
            self._refuse(column, f"at most {LARGEST:g}")
        return value

    def _word(self) -> int | None:
        text = self.fields["plate_frame"]
        if text == "":
            return None
        if not _WORD.fullmatch(text):
            self._refuse("plate_frame", "8 hex digits or empty")
        return int(text, 16)

    def _flag(self) -> bool | None:
        text = self.fields["solvent_out"]
        if text not in ("", "0", "1"):
            self._refuse("solvent_out", "0, 1 or empty")
        return None if text == "" else text == "1"

    def _request(self) -> str | None:
        return self.fields["request"].strip() or None
