"""A station and a listener for system tests; nothing is left running."""

import signal

import pytest
from live import Listener, Station


@pytest.fixture
def station(tmp_path, broker):
    """A station that knows the broker; start it yourself."""
    station = Station(tmp_path, broker.port)
    yield station
    if station.process is not None:
        station.end(signal.SIGKILL)


@pytest.fixture
def listener(broker):
    """Somebody who hears everything."""
    listener = Listener(broker.port)
    yield listener
    listener.close()
