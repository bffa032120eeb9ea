"""The figures: read by an independent parser of OpenMetrics, and served without delaying anybody.

The parser is that of the package prometheus-client, which we do not use to write them.
"""

import logging
import socket
import time
from pathlib import Path
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest
from hand_bench import RUNNING_A, HandBench
from msgspec.structs import replace
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from shared.messages import AlarmState, KeepingState, StationState
from shared.readings import (
    ExtractionQuality,
    ExtractionReading,
    PlateQuality,
    PlateReading,
    Reading,
)
from shared.timeline import Moment
from station.metrics import CONTENT_TYPE, Seen, board_c, exposition
from station.metrics_server import MetricsServer
from station.rules.describe import describe
from station.tally import Tally

GOOD = Reading(
    plate=PlateReading(quality=PlateQuality.GOOD, plate_c=80.0),
    extraction=ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=0.4),
    solvent_out=False,
)
BAD = Reading(
    plate=PlateReading(quality=PlateQuality.OPEN),
    extraction=ExtractionReading(quality=ExtractionQuality.STALE),
    solvent_out=None,
)


def state(**changed) -> StationState:
    """A bench whose fan runs, as it tells itself."""
    bench = HandBench()
    bench.run(8, amps=RUNNING_A)
    made = describe(
        bench.book, bench.state, bench.reading(), Moment(bench.boot, bench.now_ms), bench.decision.indication,
        station="bench-1", ticks=7, ticks_missed=1,
    )  # fmt: skip
    keeping = KeepingState(journal_lag_s=1.5, events_waiting=3, readings_waiting=7)
    return replace(made, keeping=keeping, **changed)


def seen(tally: Tally, **changed) -> Seen:
    """What there is after some ticks."""
    return Seen(tally, 7, 1, state(), 0, True, 48.3)._replace(**changed)


def parsed(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """The samples as the independent parser finds them; it refuses what is no OpenMetrics."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_independent_parser_reads_every_figure():
    """Counters, a histogram, gauges with and without units, labels and an info are all well formed."""
    tally = Tally()
    for took_s in (0.0004, 0.0005, 0.003, 0.7):
        tally.tick(took_s, GOOD, PlateQuality.GOOD, late=took_s > 0.5)
    tally.tick(0.001, BAD, PlateQuality.OPEN, late=False)
    tally.tick(0.001, GOOD, PlateQuality.FROZEN, late=False)
    found = parsed(exposition(seen(tally)))
    assert found["benchward_ticks_total", ()] == 7
    assert found["benchward_ticks_missed_total", ()] == 1
    assert found["benchward_ticks_late_total", ()] == 1
    assert found["benchward_tick_duration_seconds_bucket", (("le", "0.0005"),)] == 2  # a bound belongs to it
    assert found["benchward_tick_duration_seconds_bucket", (("le", "0.5"),)] == 5
    assert found["benchward_tick_duration_seconds_bucket", (("le", "+Inf"),)] == 6
    assert found["benchward_tick_duration_seconds_count", ()] == 6
    assert found["benchward_tick_duration_seconds_sum", ()] == pytest.approx(0.7059)
    assert found["benchward_tick_longest_seconds", ()] == 0.7
    assert found["benchward_read_faults_total", (("kind", "open-circuit"), ("wire", "plate"))] == 1
    assert found["benchward_read_faults_total", (("kind", "frozen"), ("wire", "plate"))] == 1
    assert found["benchward_read_faults_total", (("kind", "bus-error"), ("wire", "plate"))] == 0
    assert found["benchward_read_faults_total", (("kind", "stale"), ("wire", "extraction"))] == 1
    assert found["benchward_read_faults_total", (("kind", "unreadable"), ("wire", "cradle"))] == 1
    assert found["benchward_journal_lag_seconds", ()] == 1.5
    assert found["benchward_link_backlog_events", ()] == 3
    assert found["benchward_link_backlog_readings", ()] == 7
    assert found["benchward_link_up", ()] == 1
    assert found["benchward_board_celsius", ()] == 48.3
    assert found["benchward_permit", ()] == 1
    assert found["benchward_alarms", (("priority", "critical"),)] == 0


def test_units_end_the_names_they_belong_to():
    """OpenMetrics 1.0, section on units: the name of a family with a unit ends with it."""
    families = list(text_string_to_metric_families(exposition(seen(Tally()))))
    assert {family.unit for family in families if family.unit} == {"seconds", "celsius", "amperes"}
    assert all(family.name.endswith(f"_{family.unit}") for family in families if family.unit)


def test_what_is_not_known_is_left_out():
    """No snapshot yet, no broker, no thermal zone: no figure is made up."""
    found = {name for name, _ in parsed(exposition(Seen(Tally(), 0, 0, None, 0, None, None)))}
    assert "benchward_ticks_total" in found
    left_out = {"permit", "link_up", "board_celsius", "plate_celsius", "journal_lag_seconds"}
    assert not found & {f"benchward_{name}" for name in left_out}


def test_alarms_are_counted_by_priority():
    """One of each: what does not stand is 0 and not absent."""
    alarm = AlarmState(alarm="x", priority="high", state="unacknowledged", title="X", text="", since_s=1.0)
    found = parsed(exposition(seen(Tally(), state=state(alarms=[alarm, alarm]))))
    counts = {labels[0][1]: value for (name, labels), value in found.items() if name == "benchward_alarms"}
    assert counts == {"low": 0, "medium": 0, "high": 2, "critical": 0}


def test_odd_names_cannot_break_the_text():
    """Backslash, quote and line end are escaped, as the parser undoes it."""
    odd = state(station='a"b\\c\nd')
    found = parsed(exposition(seen(Tally(), state=odd)))
    assert any(("station", 'a"b\\c\nd') in labels for name, labels in found if name == "benchward_build_info")


def test_board_tells_its_temperature_in_degrees(tmp_path: Path):
    """The kernel's file holds thousandths (Documentation/ABI/testing/sysfs-class-thermal)."""
    zone = tmp_path / "temp"
    zone.write_text("48312\n")
    assert board_c(zone) == 48.312
    assert board_c(tmp_path / "none") is None


def test_figures_are_served_at_one_path_of_loopback_alone():
    """The right type of content; everything else is not there."""
    with MetricsServer(0, lambda: exposition(seen(Tally()))) as server:
        with urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=5) as answer:
            assert answer.headers["Content-Type"] == CONTENT_TYPE
            assert parsed(answer.read().decode())["benchward_ticks_total", ()] == 7
        with pytest.raises(HTTPError, match="404"):
            urlopen(f"http://127.0.0.1:{server.port}/", timeout=5)
    with pytest.raises(OSError, match="refused"):
        socket.create_connection(("127.0.0.1", server.port or 1), timeout=1)


def test_somebody_who_says_nothing_is_sent_away():
    """A connection without a request keeps the others waiting for two seconds and no longer."""
    with MetricsServer(0, lambda: "# EOF\n") as server:
        address = ("127.0.0.1", server.port)
        with socket.create_connection(address):
            began_s = time.monotonic()
            with urlopen(f"http://127.0.0.1:{server.port}/metrics", timeout=10) as answer:
                assert answer.read() == b"# EOF\n"
            assert time.monotonic() - began_s < 6


def test_port_that_is_taken_is_told_and_no_more(caplog):
    """The bench is watched with or without figures."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with caplog.at_level(logging.ERROR), MetricsServer(port, lambda: "") as server:
            assert server.port is None
    assert f"port {port} cannot be had" in caplog.text
