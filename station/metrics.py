"""The station's figures as OpenMetrics text (version 1.0), for whoever watches many machines.

A figure that is not known is left out; it is never sent as zero.
"""

from collections.abc import Iterable, Mapping
from itertools import accumulate
from pathlib import Path
from typing import NamedTuple

from shared import VERSION
from shared.messages import StationState
from station.tally import BOUNDS_S, Tally

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"
PRIORITIES = ("low", "medium", "high", "critical")
# The kernel's thermal zone of the board, in thousandths of a degree.
BOARD = Path("/sys/class/thermal/thermal_zone0/temp")
_ESCAPES = str.maketrans({"\\": r"\\", '"': r"\"", "\n": r"\n"})


class Sample(NamedTuple):
    """One number: what is added to the family's name, the labels, the value."""

    suffix: str
    labels: Mapping[str, str]
    value: float


class Family(NamedTuple):
    """Samples of one meaning. ``unit``: the end of the name if it has one."""

    name: str
    kind: str
    text: str
    samples: list[Sample]
    unit: str = ""


class Seen(NamedTuple):
    """What the figures are made of.

    ``state``: the newest snapshot, None before the first. ``lost``: entries of the journal that never came to
    disk. ``board_c``: the machine's own temperature in °C. None: not known, or not part of this run.
    """

    tally: Tally
    ticks: int
    missed: int
    state: StationState | None
    lost: int
    link_up: bool | None
    board_c: float | None


def board_c(path: Path = BOARD) -> float | None:
    """The board's temperature in °C, or None where the kernel tells none."""
    try:
        return int(path.read_text("ascii")) / 1000
    except (OSError, ValueError):
        return None


def exposition(seen: Seen) -> str:
    """All families as OpenMetrics text."""
    lines: list[str] = []
    for family in [*_of_ticks(seen), *_of_bench(seen), *_of_record(seen)]:
        if not family.samples:
            continue
        lines.append(f"# TYPE {family.name} {family.kind}")
        if family.unit:
            lines.append(f"# UNIT {family.name} {family.unit}")
        lines.append(f"# HELP {family.name} {family.text.translate(_ESCAPES)}")
        lines += [_line(family.name, sample) for sample in family.samples]
    return "\n".join([*lines, "# EOF", ""])


def _line(name: str, sample: Sample) -> str:
    labels = ",".join(f'{key}="{value.translate(_ESCAPES)}"' for key, value in sample.labels.items())
    shown = "{" + labels + "}" if labels else ""
    return f"{name}{sample.suffix}{shown} {_number(sample.value)}"


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() else repr(float(value))


def _one(suffix: str, value: float | None) -> list[Sample]:
    return [] if value is None else [Sample(suffix, {}, value)]


def _counter(name: str, text: str, value: float) -> Family:
    return Family(name, "counter", text, _one("_total", value))


def _gauge(name: str, text: str, value: float | None, unit: str = "") -> Family:
    return Family(name, "gauge", text, _one("", value), unit)


def _of_ticks(seen: Seen) -> Iterable[Family]:
    tally = seen.tally
    name = "" if seen.state is None else seen.state.station
    told = {"version": VERSION, "station": name}
    yield Family("benchward_build", "info", "What runs here.", [Sample("_info", told, 1)])
    yield _counter("benchward_ticks", "Ticks since the start.", seen.ticks)
    yield _counter("benchward_ticks_late", "Ticks that began noticeably late.", tally.late)
    yield _counter("benchward_ticks_missed", "Ticks that were left out to catch up.", seen.missed)
    counts = list(accumulate(tally.buckets))
    bounds = [*(repr(bound) for bound in BOUNDS_S), "+Inf"]
    buckets = [Sample("_bucket", {"le": le}, count) for le, count in zip(bounds, counts, strict=True)]
    rest = [Sample("_count", {}, counts[-1]), Sample("_sum", {}, tally.took_s)]
    yield Family(
        "benchward_tick_duration_seconds", "histogram", "How long a tick took.", buckets + rest, "seconds"
    )
    yield _gauge("benchward_tick_longest_seconds", "The longest tick so far.", tally.longest_s, "seconds")
    faults = [
        Sample("_total", {"wire": wire, "kind": kind}, count)
        for (wire, kind), count in sorted(dict(tally.faults).items())
    ]
    yield Family("benchward_read_faults", "counter", "Ticks without a usable reading, by kind.", faults)
    yield _gauge("benchward_board_celsius", "Temperature of the computer.", seen.board_c, "celsius")


def _of_bench(seen: Seen) -> Iterable[Family]:
    state = seen.state
    if state is None:
        return
    yield _gauge("benchward_permit", "Whether the iron may have power.", state.permit)
    yield _gauge("benchward_extraction_proven", "Whether extraction is proven.", state.extraction.proven)
    yield _gauge(
        "benchward_extraction_amperes", "Current of the extractor.", state.extraction.extraction_a, "amperes"
    )
    yield _gauge("benchward_plate_celsius", "The plate, if believed.", state.plate.plate_c, "celsius")
    yield _gauge(
        "benchward_cold_junction_celsius",
        "The thermocouple's chip on its own board.",
        state.plate.cold_junction_c,
        "celsius",
    )
    found = [alarm.priority for alarm in state.alarms]
    yield Family(
        "benchward_alarms",
        "gauge",
        "Alarms that are not normal, those put aside too.",
        [Sample("", {"priority": priority}, found.count(priority)) for priority in PRIORITIES],
    )


def _of_record(seen: Seen) -> Iterable[Family]:
    yield _counter("benchward_journal_lost", "Entries of the journal that never came to disk.", seen.lost)
    keeping = None if seen.state is None else seen.state.keeping
    if keeping is not None:
        yield _gauge(
            "benchward_journal_lag_seconds",
            "Age of the oldest entry that is not on disk.",
            keeping.journal_lag_s,
            "seconds",
        )
        failing = keeping.journal_fault is not None
        yield _gauge("benchward_journal_failing", "Whether the journal is not written in time.", failing)
        yield _gauge(
            "benchward_link_backlog_events", "Events the broker has not taken yet.", keeping.events_waiting
        )
        yield _gauge(
            "benchward_link_backlog_readings",
            "Seconds of record the broker has not taken yet, counted up to a limit.",
            keeping.readings_waiting,
        )
    yield _gauge("benchward_link_up", "Whether the broker takes what it is given.", seen.link_up)
