"""Recorded wires: what a good line means, and how a bad one is refused.

The columns and their rules are what recorders of other benches write; no outside source.
"""

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared.problems import InputError
from station.trace import COLUMNS, TraceTick, load_trace

HEADER = "t_s,plate_frame,extraction_a,solvent_out,request\n"
GOOD = "0.0,01601800,0.4,0,\n"
Saved = Callable[[str | bytes], Path]


@pytest.fixture
def saved(tmp_path: Path) -> Saved:
    """Writes a trace and says where it is."""

    def save(content: str | bytes) -> Path:
        path = tmp_path / "bench.csv"
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    return save


def test_columns_are_those_others_write_when_listed() -> None:
    """The five columns and their order do not change."""
    assert ",".join(COLUMNS) + "\n" == HEADER


@pytest.mark.parametrize(
    ("line", "tick"),
    [
        ("0.0,01601800,0.4,0,", TraceTick(0, 0x01601800, 0.4, False, None)),
        ("12.3456,ffffffff,0,1,ack", TraceTick(12346, 0xFFFFFFFF, 0.0, True, "ack")),
        ("1,,,,", TraceTick(1000, None, None, None, None)),
        ("1e1,0640180A,2.5e-1,0,  resume ", TraceTick(10000, 0x0640180A, 0.25, False, "resume")),
        ('0,00000000,0.4,0,"abandon reason=""too hot, twice"""',
         TraceTick(0, 0, 0.4, False, 'abandon reason="too hot, twice"')),
        ("0,01601800,0.4,0,no such thing", TraceTick(0, 0x01601800, 0.4, False, "no such thing")),
    ],
)  # fmt: skip
def test_line_is_read_when_it_is_good(saved: Saved, line: str, tick: TraceTick) -> None:
    """Empty is unknown, never nought; a request is kept as text, whatever it says."""
    assert load_trace(saved(HEADER + line + "\n")) == [tick]


def test_trace_has_no_ticks_when_it_is_only_a_header(saved: Saved) -> None:
    """A header alone is a trace of no ticks."""
    assert load_trace(saved(HEADER)) == []


def test_trace_is_read_when_its_lines_end_as_on_other_systems(saved: Saved) -> None:
    """Carriage returns and a missing last line end change nothing."""
    text = HEADER + GOOD + "0.1,01601800,0.4,0,"
    assert load_trace(saved(text.replace("\n", "\r\n"))) == load_trace(saved(text))


def test_time_may_stand_still_when_two_lines_fall_together(saved: Saved) -> None:
    """Times never fall, but may repeat."""
    assert [tick.mono_ms for tick in load_trace(saved(HEADER + GOOD + GOOD))] == [0, 0]


WRONG_HEADERS = {
    "empty file": ("", ["empty", "t_s,plate_frame"]),
    "no header": (GOOD, ["line 1", "header is '0.0,01601800,0.4,0,'", "t_s,plate_frame"]),
    "missing column": (
        HEADER.replace(",request", ""),
        ["line 1", "header is 't_s,plate_frame,extraction_a,solvent_out'", "request"],
    ),
    "order": ("plate_frame,t_s,extraction_a,solvent_out,request\n", ["line 1", "'plate_frame,t_s", "'t_s,"]),
    "more": (HEADER.replace("\n", ",note\n"), ["line 1", "request,note'"]),
    "capitals": (HEADER.upper(), ["line 1", "'T_S,"]),
    "blank": ("\n" + HEADER, ["line 1", "''"]),
}


@pytest.mark.parametrize(("text", "parts"), WRONG_HEADERS.values(), ids=WRONG_HEADERS.keys())
def test_trace_is_refused_when_its_header_is_wrong(saved: Saved, text: str, parts: list[str]) -> None:
    """The message names the file and line, shows the header found and the right one."""
    path = saved(text)
    with pytest.raises(InputError) as refused:
        load_trace(path)
    assert [part for part in [str(path), *parts] if part not in str(refused.value)] == []


WRONG_LINES = [
    ("t_s", "soon", "a number of seconds"),
    ("t_s", "nan", "a finite number of 0 or more"),
    ("t_s", "inf", "a finite number of 0 or more"),
    ("t_s", "-1", "a finite number of 0 or more"),
    ("plate_frame", "160180", "8 hex digits or empty"),
    ("plate_frame", "0x601800", "8 hex digits or empty"),
    ("plate_frame", "0160180G", "8 hex digits or empty"),
    ("plate_frame", "001601800", "8 hex digits or empty"),
    ("plate_frame", " 1601800", "8 hex digits or empty"),
    ("plate_frame", "0160180０", "8 hex digits or empty"),
    ("extraction_a", "-0.1", "a finite number of 0 or more"),
    ("extraction_a", "nan", "a finite number of 0 or more"),
    ("extraction_a", "Infinity", "a finite number of 0 or more"),
    ("extraction_a", "1_0", "a finite number of 0 or more"),
    ("extraction_a", "0.4 A", "a number or empty"),
    ("solvent_out", "2", "0, 1 or empty"),
    ("solvent_out", "true", "0, 1 or empty"),
    ("solvent_out", " 1", "0, 1 or empty"),
]


@pytest.mark.parametrize(("column", "value", "right"), WRONG_LINES)
def test_line_is_refused_naming_line_column_and_value_when_one_value_is_wrong(
    saved: Saved, column: str, value: str, right: str
) -> None:
    """The message names file, line and column, shows the value and says what would be right."""
    fields = {
        "t_s": "0.6",
        "plate_frame": "01601800",
        "extraction_a": "0.4",
        "solvent_out": "0",
        "request": "",
    }
    line = ",".join({**fields, column: value}.values())
    path = saved(HEADER + GOOD + "0.5,01601800,0.4,0,\n" + line + "\n" + "9.9,,,,\n")
    with pytest.raises(InputError) as refused:
        load_trace(path)
    assert str(refused.value) == f"{path}, line 4, column {column}: {value!r} is not {right}."


def test_line_is_refused_when_its_time_is_missing(saved: Saved) -> None:
    """Of all columns only the time may not be empty."""
    with pytest.raises(InputError, match=r"line 2, column t_s: '' is not a number of seconds"):
        load_trace(saved(HEADER + ",01601800,0.4,0,\n"))


@pytest.mark.parametrize(
    ("line", "found"),
    [("0.1,01601800,0.4,0", "4 columns"), ("0.1,01601800,0.4,0,ack,now", "6 columns"), ("", "0 columns")],
)
def test_line_is_refused_when_it_has_other_columns(saved: Saved, line: str, found: str) -> None:
    """Too few and too many columns are named with their line and their number."""
    with pytest.raises(InputError, match=rf"bench\.csv, line 3: {found} .*not 5"):
        load_trace(saved(HEADER + GOOD + line + "\n" + GOOD))


def test_line_is_refused_when_its_quotes_never_close(saved: Saved) -> None:
    """What is not CSV is named with its line."""
    with pytest.raises(InputError, match=r"bench\.csv, line 3: not CSV"):
        load_trace(saved(HEADER + GOOD + '0.1,01601800,0.4,0,"ack\n'))


def test_line_is_named_by_its_place_in_the_file_when_a_request_spans_lines(saved: Saved) -> None:
    """After a request over two lines the count goes on as an editor counts."""
    text = HEADER + '0.0,01601800,0.4,0,"ack\n"\n' + "0.1,01601800,x,0,\n"
    with pytest.raises(InputError, match="line 4, column extraction_a"):
        load_trace(saved(text))


@pytest.mark.parametrize("before", [0, 5000])
def test_trace_is_refused_naming_the_line_when_it_is_not_utf8(saved: Saved, before: int) -> None:
    """A byte that is no UTF-8 is named with its line, near the beginning and far from it."""
    content = (HEADER + GOOD * before).encode() + b"9.9,01601800,0.4,0,caf\xe9\n"
    with pytest.raises(InputError, match=rf"line {before + 2}\b.*UTF-8|UTF-8.*line {before + 2}\b"):
        load_trace(saved(content))


def test_trace_is_refused_naming_the_file_when_it_cannot_be_read(tmp_path: Path) -> None:
    """A missing file and a folder are named."""
    for path in (tmp_path / "none.csv", tmp_path):
        with pytest.raises(InputError, match=re.escape(f"{path}: cannot be read")):
            load_trace(path)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200) | st.text('0129.,-ae"\n x', max_size=200).map(str.encode))
def test_trace_is_read_or_refused_whatever_its_bytes(saved: Saved, tail: bytes) -> None:
    """Any bytes after a good header give ticks in order of time, or wrong input, and nothing else."""
    path = saved(HEADER.encode() + tail)
    try:
        ticks = load_trace(path)
    except InputError as error:
        assert str(path) in str(error)  # noqa: PT017
    else:
        assert [tick.mono_ms for tick in ticks] == sorted(tick.mono_ms for tick in ticks)


def test_trace_is_refused_when_time_falls(tmp_path: Path) -> None:
    """Both times stand in the message."""
    path = tmp_path / "bench.csv"
    path.write_text("t_s,plate_frame,extraction_a,solvent_out,request\n0.5,,,,\n0.4,,,,\n")
    with pytest.raises(InputError, match=r"line 3, column t_s: '0\.4' goes back; the line before has 0\.5 s"):
        load_trace(path)
