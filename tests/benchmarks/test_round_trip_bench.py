"""How long a request takes over a real broker to a real station and back, its event on disk in between."""

import statistics
import time

import pytest
from live import Broker, Listener, Station, wait_until

from station.link.asking import Asker

pytestmark = pytest.mark.benchmark
TIMES = 100


def test_round_trip_of_a_request(tmp_path, capsys):
    """Requests at moments of their own, one at a time; printed, not judged."""
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    broker.start()
    station = Station(tmp_path, broker.port)
    listener = Listener(broker.port)
    try:
        station.start()
        wait_until(lambda: listener.on("state"), what="the station")
        took_ms = []
        with Asker("127.0.0.1", broker.port, "bench-1", "asker") as asker:
            for number in range(TIMES):
                begun = time.perf_counter()
                answer = asker.ask(f"sign-in technician=T-{number}", timeout_s=5)
                took_ms.append((time.perf_counter() - begun) * 1000)
                assert answer is not None
                assert answer.seq is not None
                time.sleep(0.013)  # off the grid of the ticks
    finally:
        if station.process is not None:
            station.end()
        listener.close()
        broker.end()
    took_ms.sort()
    with capsys.disabled():
        print(
            f"\nrequest to answer over the broker, on disk: {statistics.median(took_ms):.1f} ms median, "
            f"{took_ms[TIMES * 9 // 10]:.1f} p90, {took_ms[-1]:.1f} most"
        )
