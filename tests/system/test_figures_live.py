"""The figures of a real station, served over HTTP and read by an independent parser of OpenMetrics.

The parser is that of the package prometheus-client, which the station does not use. The text format is
OpenMetrics 1.0; the type of content is the one it registers.
"""

import signal
from pathlib import Path
from urllib.request import urlopen

import pytest
from live import Station, free_port, wait_until
from prometheus_client.openmetrics.parser import text_string_to_metric_families

pytestmark = pytest.mark.system


@pytest.fixture
def served(tmp_path, broker):
    """A station that serves its figures, and the port they are at."""
    port = free_port()
    station = Station(tmp_path, broker.port, extra=f"metrics_port = {port}\n")
    yield station, port
    if station.process is not None:
        station.end(signal.SIGKILL)


def figures(port: int) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """All samples now; empty while nobody listens."""
    try:
        with urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
            assert answer.headers["Content-Type"].startswith("application/openmetrics-text; version=1.0.0")
            text = answer.read().decode()
    except OSError:
        return {}
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def plain(port: int, name: str) -> float | None:
    """A figure without labels, None while it is not there."""
    return figures(port).get((name, ()))


def test_running_station_serves_figures_that_move(served, listener):
    """Ticks count up, the broker takes everything, the plate is as warm as the state says."""
    station, port = served
    station.start()
    wait_until(lambda: plain(port, "benchward_link_backlog_readings") is not None, what="the backlog")
    first = figures(port)
    wait_until(
        lambda: (plain(port, "benchward_ticks_total") or 0) > first["benchward_ticks_total", ()] + 5,
        what="more ticks",
    )
    found = figures(port)
    assert found["benchward_link_up", ()] == 1
    assert found["benchward_journal_failing", ()] == 0
    assert 0 <= found["benchward_journal_lag_seconds", ()] < 5
    assert found["benchward_tick_duration_seconds_count", ()] >= found["benchward_ticks_total", ()] - 1
    assert 0 < found["benchward_tick_longest_seconds", ()] < 5
    assert 15 < found["benchward_plate_celsius", ()] < 30
    assert abs(listener.on("state")[-1]["plate"]["plate_c"] - found["benchward_plate_celsius", ()]) < 2
    assert found["benchward_read_faults_total", (("kind", "open-circuit"), ("wire", "plate"))] == 0
    info = next(labels for name, labels in found if name == "benchward_build_info")
    assert dict(info)["station"] == "bench-1"
    assert station.end() == 0
    assert figures(port) == {}


def test_figures_stay_on_this_machine(served):
    """Nothing listens at any other address of the machine than 127.0.0.1."""
    station, port = served
    station.start()
    wait_until(lambda: figures(port), what="the figures")
    tables = [table for table in (Path("/proc/net/tcp"), Path("/proc/net/tcp6")) if table.exists()]
    rows = [row.split() for table in tables for row in table.read_text().splitlines()[1:]]
    listening = {row[1] for row in rows if row[3] == "0A" and row[1].endswith(f":{port:04X}")}
    assert listening == {f"0100007F:{port:04X}"}  # 127.0.0.1 as proc_net_tcp writes it


def test_figures_tell_that_the_broker_is_gone(served, broker):
    """The link goes down, and what waits grows."""
    station, port = served
    station.start()
    wait_until(lambda: plain(port, "benchward_link_up") == 1, what="the link")
    broker.end(signal.SIGKILL)
    wait_until(lambda: plain(port, "benchward_link_up") == 0, what="the link to be down")
    wait_until(
        lambda: (plain(port, "benchward_link_backlog_readings") or 0) >= 3, timeout_s=20, what="a backlog"
    )
