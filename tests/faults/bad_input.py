"""Bad input: whatever bytes come, each parser answers or refuses in words; none falls over. One command:

    python tests/faults/bad_input.py [PARSER …] [--runs 20000] [--by spoiling|hypothesis|atheris]

Each parser gets good examples, spoilt: bytes turned, cut, doubled, put together; numbers and signs that break
things put in. `spoiling` does so at random, from a seed that is told; `hypothesis` chooses what is done, tries
plain bytes too, and shrinks what it finds; `atheris` follows the paths through the code and looks for new ones
(it has wheels for x86-64 alone, and is left out elsewhere).

A judge raises what it does not expect; everything else is an answer. Result: tests/artefacts/campaigns.
"""

import argparse
import atexit
import logging
import math
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from concurrent.futures import Future
from functools import cache
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace
from typing import NamedTuple
from urllib.parse import parse_qsl

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tests" / "support"))

import msgspec
from campaign import keep, table
from flask import Flask, g
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from morning import record_morning
from paho.mqtt.client import MQTTMessage
from werkzeug.datastructures import MultiDict

from dashboard.access import Role
from dashboard.app import create_app
from dashboard.asking import _wanted
from dashboard.board import Board
from dashboard.collector.rows import Row, Told, row_of
from dashboard.live import Live
from dashboard.people import Person
from shared.indication import Indication
from shared.messages import (
    ExtractionState,
    PlateState,
    StationState,
    Status,
    encode,
    topic,
)
from shared.problems import InputError
from shared.requests import Unreadable, parse_json, parse_text, print_text
from shared.sheet import load_sheet
from station.link.link import _parsed
from station.measurement.frame import RANGE_C, decode
from station.measurement.frame import encode as frame_of
from station.settings import load_settings
from station.trace import load_trace

SEED = 20260302
STATION = "bench-1"
Judge = Callable[[bytes], str]


class Target(NamedTuple):
    """A parser: good examples, and what it makes of bytes in one word; raises what it must not."""

    examples: tuple[bytes, ...]
    judge: Judge


def _place() -> Path:
    """A folder for a while, in memory where there is such a one."""
    place = tempfile.mkdtemp(prefix="benchward-bad-", dir="/dev/shm" if os.path.isdir("/dev/shm") else None)
    atexit.register(shutil.rmtree, place, ignore_errors=True)
    return Path(place)


def _file(load: Callable[[Path], object]) -> Judge:
    path = _place() / "input"

    def judge(data: bytes) -> str:
        path.write_bytes(data)
        try:
            load(path)
        except InputError as error:
            assert str(path) in str(error), f"the message does not name the file: {error}"
            return "refused"
        return "taken"

    return judge


def _request(data: bytes) -> str:
    """A request from the broker: a value in every case, and one that prints to what it was read from."""
    request = _parsed(data)
    if isinstance(request, Unreadable):
        assert request.reason and len(request.text) <= 2000, request
        return "refused"
    assert parse_text(print_text(request)) == request, f"{request} prints as {print_text(request)!r}"
    return "taken"


def _request_json(data: bytes) -> str:
    return "refused" if isinstance(parse_json(data), Unreadable) else "taken"


def _scanned(data: bytes) -> str:
    """What a scanner types on a page: text, whatever the bytes."""
    text = data.decode("utf-8", "replace")
    request = parse_text(text)
    if isinstance(request, Unreadable):
        return "refused"
    assert parse_text(print_text(request)) == request, f"{text!r} prints as {print_text(request)!r}"
    return "taken"


def _payload(leaf: str) -> Judge:
    """A message from the broker to the board."""

    def judge(data: bytes) -> str:
        board = Board()
        board.receive(topic(STATION, leaf), data, False)
        snapshot = board.snapshot(STATION)
        if snapshot.state is not None:
            msgspec.json.encode(snapshot.state)
        return "refused" if board.bad_payloads else "taken"

    return judge


def _answer(data: bytes) -> str:
    """A message that says it is the answer somebody waits for."""
    live, waiting, message = Live("127.0.0.1", 1), Future(), MQTTMessage(topic=b"answers")
    live._waiting[b"7"] = waiting
    message.payload = data
    message.properties = SimpleNamespace(CorrelationData=b"7")
    live._take_answer(message)
    return "taken" if waiting.done() else "refused"


def _frame(data: bytes) -> str:
    """Four bytes from the chip: a believable number, or none."""
    reading = decode(int.from_bytes(data[:4].ljust(4, b"\0"), "big"))
    if reading.plate_c is None:
        return "refused"
    assert math.isfinite(reading.plate_c) and RANGE_C[0] <= reading.plate_c <= RANGE_C[1], reading
    return "taken"


def _collected(leaf: str) -> Judge:
    """A message to the collector: a row, or set aside with a reason that can be kept as text."""

    def judge(data: bytes) -> str:
        row = row_of(Told(topic(STATION, leaf), data))
        if isinstance(row, Row):
            assert row.station == STATION and row.key >= 0, row
            return "taken"
        assert row.reason.encode() and "\0" not in row.reason and row.payload == data, row
        return "refused"

    return judge


@cache
def _pages() -> Flask:
    """The pages over a short record and a bench that is heard."""
    path = _place() / "bench.db"
    record_morning(path)
    board = Board()
    board.receive(topic(STATION, "state"), encode(_state()))
    return create_app(board, None, path)


def _form(data: bytes) -> str:
    """Fields of a form on a page: no other request than the one whose verb it names."""
    fields = MultiDict(parse_qsl(data.decode("latin-1"), keep_blank_values=True))
    with _pages().test_request_context():
        g._login_user = Person("T-4", Role.TECHNICIAN, "stamp")
        request = _wanted(fields)
    if isinstance(request, Unreadable):
        return "refused"
    if "request" not in fields:
        assert type(request).__struct_config__.tag == fields["verb"], f"{fields} asks {request}"
    return "taken"


def _page(data: bytes) -> str:
    """The address of a page with its question: a page, or a refusal in words; never an error of the server."""
    address = "/" + data.decode("latin-1").lstrip("/")
    try:
        answer = _pages().test_client().get(address)
    except ValueError as error:  # the test client's own: no such address can be sent
        assert "URL" in str(error) or "netloc" in str(error) or "port" in str(error).lower(), error
        return "refused"
    answer.close()
    assert answer.status_code < 500, f"{address!r}: {answer.status_code}"
    return "taken" if answer.status_code < 400 else "refused"


def _state() -> StationState:
    return StationState(
        station=STATION, boot="b", mono_s=1.0, at=None,
        plate=PlateState(plate_c=98.4, quality="good", cold_junction_c=27.0, setpoint_c=100.0, tolerance_c=5.0, at_setpoint=True),
        extraction=ExtractionState(extraction_a=0.42, quality="good", proven=True, since_s=9.0),
        solvent_out=False, permit=True, technician="t", unit="U-1", model="m", on_plate=None, step=None,
        locked=[], alarms=[], indication=Indication(), ticks=1, ticks_missed=0,
    )  # fmt: skip


def _event() -> bytes:
    return (
        b'{"specversion":"1.0","id":"b/1","source":"benchward/v1/bench-1","type":"benchward.signed-in",'
        b'"datacontenttype":"application/json","data":{"seq":1,"boot":"b","mono_s":1.0,"at":null,'
        b'"kind":"signed-in","technician":"t-1","prev":"' + b"0" * 64 + b'","hash":"' + b"1" * 64 + b'"}}'
    )


TEXTS = (
    b"sign-in technician=t-04",
    b'book-in unit=U-1 model=6.1-inch job="J-9"',
    b"finish step=check-1 result=pass crack=none depth_mm=0.2",
    b"shelve alarm=link-down minutes=30 by=T-1 reason='router is being moved'",
    b"dispense ml=1.5",
)
OBJECTS = (
    b'{"verb":"start","step":"solder","unit":"U-1"}',
    b'{"verb":"finish","step":"check-1","result":"pass","findings":{"crack":"none"}}',
    b'{"verb":"dispense","ml":1.5}',
)
READINGS = (
    b'[{"bn":"benchward/bench-1/","bt":1772440000.0,"boot":"b","mono_s":7,"quality":"good","n":"plate","u":"Cel",'
    b'"v":98.4},{"n":"cold-junction","u":"Cel","v":27.1},{"n":"extraction","u":"A","v":0.42},'
    b'{"n":"solvent-out","vb":false}]'
)
FORMS = (
    b"verb=abandon&reason=the+glass+broke&csrf_token=x",
    b"verb=book-in&unit=U-1&model=oled",
    b"request=dispense+ml%3D2",
)
ADDRESSES = (
    b"/units?q=U-1&model=oled&outcome=delivered",
    b"/units/U-1",
    b"/review?from=2026-03-02&to=2026-03-02",
    b"/review/alarms.csv?from=2026-03-02&to=2026-03-02",
    b"/curve.json?from=1772438400000&to=1772439000000",
    b"/bench/bench-1",
    b"/labels?units=U-1,U-2",
    b"/stations?sort=name",
    b"/static/bench.js",
)
SETTINGS = b"""[station]
id = "bench-1"
tick_s = 0.1
[wires.plate]
thermocouple = "K"
gain = 1.0
[wires.pins]
cradle = 17
[limits.extraction]
proven_a = 0.25
lost_a = 0.18
[broker]
host = "127.0.0.1"
port = 1883
[journal]
path = "bench.db"
batch_s = 5.0
"""


def targets() -> dict[str, Target]:
    """Every parser by name."""
    traces = ROOT / "tests" / "data" / "traces"
    lines = (traces / "fan-dies.csv").read_bytes().splitlines(keepends=True)
    return {
        "trace": Target((b"".join(lines[:12]), b"".join(lines[:1] + lines[-6:])), _file(load_trace)),
        "sheet": Target(((ROOT / "shared/default_sheet.toml").read_bytes(),), _file(load_sheet)),
        "settings": Target((SETTINGS,), _file(load_settings)),
        "request": Target(TEXTS + OBJECTS, _request),
        "request as JSON": Target(OBJECTS, _request_json),
        "scanned text": Target(TEXTS, _scanned),
        "state": Target((encode(_state()),), _payload("state")),
        "status": Target((encode(Status(online=True, reason="")),), _payload("status")),
        "event": Target((_event(),), _payload("events")),
        "collected event": Target((_event(),), _collected("events")),
        "collected readings": Target((READINGS,), _collected("readings")),
        "form": Target(FORMS, _form),
        "page": Target(ADDRESSES, _page),
        "answer": Target((b'{"accepted":false,"reasons":["no-unit"],"seq":7}',), _answer),
        "frame": Target(tuple(frame_of(c, 25.0).to_bytes(4, "big") for c in (20.0, 100.0, 129.75)), _frame),
    }


BREAKERS = (
    b"\0", b"\xff\xfe", b"\xed\xa0\x80", b"NaN", b"Infinity", b"-0", b"1e400", b"1e-400", b"9" * 400, b"-1",
    b'"', b"'", b"\\", b"\\u0000", b"\\ud800", b"{", b"[" * 300, b"[" * 5000, b'{"a":' * 3000, b"[[", b"]", b"}", b"=", b"= ", b",", b"\n", b"\r",
    b"\xe2\x80\xa8", b"\xc2\xa0", b"null", b"true", b"\xef\xbb\xbf", "\u0661\u0662".encode(), b"0x10", b"1_0", b"#",
    b" ", b"\t", b"verb", b"..", b"/", b"%s", b"{}", b"\x1b[2J", b"<script>",
)  # fmt: skip


def spoilt(examples: tuple[bytes, ...], chance: random.Random) -> bytes:
    """A good example with one to six things done to it."""
    data = bytearray(chance.choice(examples))
    for _ in range(chance.randint(1, 6)):
        at = chance.randint(0, len(data))
        to = min(len(data), at + chance.choice((1, 1, 2, 4, 16, 64)))
        match chance.randint(0, 6):
            case 0 if at < len(data):
                data[at] ^= 1 << chance.randint(0, 7)
            case 1:
                del data[at:to]
            case 2:
                data[at:at] = data[at:to] * chance.choice((1, 2, 20))
            case 3:
                data[at:to] = chance.choice(BREAKERS)
            case 4:
                data[at:at] = chance.choice(BREAKERS)
            case 5:
                data[at:] = chance.choice(examples)[at:]
            case _:
                data[at:to] = chance.randbytes(to - at)
    return bytes(data)


def run(name: str, runs: int, seed: int = SEED) -> Counter[str]:
    """Spoilt input to one target; how often it was taken and refused.

    Raises:
        AssertionError: with the bytes at which the target fell over.
    """
    target, chance = targets()[name], random.Random(f"{name}/{seed}")
    counts: Counter[str] = Counter()
    for example in target.examples:
        assert target.judge(example) == "taken", f"{name}: a good example is refused: {example!r}"
    for _ in range(runs):
        data = spoilt(target.examples, chance)
        try:
            counts[target.judge(data)] += 1
        except Exception as error:
            raise AssertionError(f"{name}: {error!r}: {data[:500]!r}, {len(data)} bytes") from error
    return counts


def by_hypothesis(name: str, runs: int) -> Counter[str]:
    """As `run`, with Hypothesis to choose what is spoilt, and plain bytes now and then; what it finds is shrunk.

    Raises:
        AssertionError: with the smallest bytes found at which the target fell over.
    """
    target = targets()[name]
    counts: Counter[str] = Counter()
    bad = st.randoms(use_true_random=False).map(lambda chance: spoilt(target.examples, chance))

    @settings(
        max_examples=runs,
        deadline=None,
        database=None,
        derandomize=True,
        suppress_health_check=list(HealthCheck),
    )
    @given(bad | bad | bad | st.binary(max_size=300))
    def look(data: bytes) -> None:
        try:
            counts[target.judge(data)] += 1
        except Exception as error:
            raise AssertionError(f"{name}: {error!r}: {data[:500]!r}, {len(data)} bytes") from error

    look()
    return counts


def by_atheris(name: str, runs: int) -> dict[str, int]:
    """Atheris in a process of its own; how many inputs it tried, and edges of the code it found.

    Raises:
        AssertionError: with what it said when the target fell over.
    """
    command = [sys.executable, str(Path(__file__).with_name("new_paths.py")), name, str(runs)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert not done.returncode, f"{name}: {done.stdout[-2000:]}{done.stderr[-3000:]}"
    tried = re.findall(r"^#(\d+)\s.*?cov: (\d+)", done.stderr, re.MULTILINE)
    assert tried, f"{name}: atheris said nothing: {done.stderr[-2000:]}"
    return {"runs": max(int(number) for number, _ in tried), "paths": int(tried[-1][1])}


def main() -> int:
    """Run every target and keep the counts; 1 when one fell over."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("targets", nargs="*")
    parser.add_argument("--runs", type=int, default=20_000, help="of each target")
    parser.add_argument("--by", choices=("spoiling", "hypothesis", "atheris"), default="spoiling")
    told = parser.parse_args()
    logging.disable(logging.CRITICAL)
    names = told.targets or list(targets())
    if told.by == "atheris" and find_spec("atheris") is None:
        parser.error("atheris is not installed here; it has wheels for x86-64 alone: pip install atheris")
    found, figures = [], {}
    drive = {"spoiling": run, "hypothesis": by_hypothesis, "atheris": by_atheris}[told.by]
    for name in names:
        began = time.perf_counter()
        try:
            counts = dict(drive(name, told.runs))
        except AssertionError as error:
            found.append(str(error))
            counts = {}
        figures[name] = {**counts, "took_s": round(time.perf_counter() - began, 1)}
    heads = ("runs", "paths") if told.by == "atheris" else ("taken", "refused")
    print(
        table(
            [
                ("parser", *heads, "s"),
                *((n, *(f.get(h, 0) for h in heads), f["took_s"]) for n, f in figures.items()),
            ]
        )
    )
    for one in found:
        print(f"FELL OVER {one}", file=sys.stderr)
    inputs = sum(f.get(head, 0) for f in figures.values() for head in ("runs", "taken", "refused"))
    kept = keep(f"bad-input-{told.by}", {"seed": SEED, "inputs": inputs, "parsers": figures, "found": found})
    print(f"{inputs} inputs, {len(found)} fell over; {kept}")
    return int(bool(found))


if __name__ == "__main__":
    raise SystemExit(main())
