"""A broker and a station for system tests; nothing is left running."""

import signal

import pytest
from live import Broker, Listener, Station


@pytest.fixture
def broker(tmp_path):
    """A running Mosquitto."""
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    broker.start()
    yield broker
    broker.end()


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
