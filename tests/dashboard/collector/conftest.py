"""One PostgreSQL for all tests here, a database of its own for each; a broker; collectors that end."""

import os
import signal
import uuid

import pytest
from collecting import Collected, Running
from live import Broker
from postgres import postgres_here


@pytest.fixture(scope="session")
def server():
    """A running PostgreSQL."""
    server = postgres_here()
    server.start()
    yield server
    server.remove()


@pytest.fixture
def database(server):
    """The URL of an empty database."""
    name = f"d{uuid.uuid4().hex[:12]}"
    main = Collected(server.url)
    with main._engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
    main.close()
    return server.database(name)


@pytest.fixture
def collected(database):
    """What is in it."""
    collected = Collected(database)
    yield collected
    collected.close()


@pytest.fixture
def broker(tmp_path):
    """A running Mosquitto that keeps sessions over a restart."""
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    with broker._config.open("a") as config:
        config.write(f"persistence true\npersistence_location {tmp_path}/\n")
        if os.getuid() == 0:
            config.write("user root\n")  # else it becomes a user who may not write here
    broker.start()
    yield broker
    broker.end()


@pytest.fixture
def collector(tmp_path, broker):
    """Starts a collector: into which database, under which name, with what more on its line."""
    running = []

    def start(to: str, name: str = "one", *more: str) -> Running:
        running.append(Running(tmp_path, broker.port, to, name, *more))
        return running[-1]

    yield start
    for each in running:
        if each.process.poll() is None:
            each.end(signal.SIGKILL)
