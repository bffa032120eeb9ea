"""Collectors over a real Mosquitto into a real PostgreSQL or an SQLite file: nothing lost, nothing twice."""

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
import sqlalchemy as sa
from live import Broker, free_port, wait_until
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from shared.messages import Second, encode, senml, topic

pytestmark = pytest.mark.system
STATIONS, SECONDS = 200, 50


@pytest.fixture
def postgres():
    """The URL of a server of our own."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if not found or (os.getuid() == 0 and not shutil.which("runuser")):
        pytest.skip("PostgreSQL is not installed: apt-get install postgresql")
    as_user = ["runuser", "-u", "postgres", "--"] if os.getuid() == 0 else []
    folder = Path(tempfile.mkdtemp(prefix="pg"))
    folder.chmod(0o777)
    data, port = folder / "data", free_port()
    subprocess.run(
        [*as_user, found[-1], "-D", data, "-U", "bench", "-A", "trust"],
        check=True,
        capture_output=True,
        cwd="/",
    )
    control = [*as_user, found[-1].with_name("pg_ctl"), "-D", data, "-w"]
    start = ["-l", folder / "log", "-o", f"-p {port} -k {folder} -h 127.0.0.1", "start"]
    subprocess.run([*control, *start], check=True, stdout=subprocess.DEVNULL, cwd="/")
    yield f"postgresql://bench@127.0.0.1:{port}/postgres"
    subprocess.run([*control, "-m", "immediate", "stop"], check=True, stdout=subprocess.DEVNULL, cwd="/")
    shutil.rmtree(folder)


def collector(broker, to, name):
    """One collector in a process of its own."""
    words = ["collect", "--to", to, "--broker", f"127.0.0.1:{broker.port}", "--name", name]
    return subprocess.Popen([Path(sys.executable).with_name("benchward"), *words], stderr=subprocess.PIPE)


@pytest.mark.parametrize("kind", ["postgres", "sqlite"])
def test_a_killed_collector_beside_another_loses_nothing(kind, request, tmp_path):
    """A SIGKILL in the middle: each reading is there once."""
    to = request.getfixturevalue("postgres") if kind == "postgres" else f"sqlite:///{tmp_path}/all.db"
    broker = Broker(tmp_path)
    broker.start()
    running = [collector(broker, to, "one")] + ([collector(broker, to, "two")] if kind == "postgres" else [])
    publisher = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    engine = sa.create_engine(to.replace("postgresql:", "postgresql+psycopg:"))

    def count(table="readings"):
        try:
            with engine.connect() as connection:
                return connection.execute(sa.text(f"SELECT count(*) FROM {table}")).scalar_one()
        except sa.exc.DBAPIError:
            return 0

    def publish(seconds):
        for second in seconds:
            for n in range(STATIONS):
                told = Second(
                    boot="b",
                    second=second,
                    plate_mean_c=80.0,
                    plate_min_c=80.0,
                    plate_max_c=80.0,
                    cold_junction_c=25.0,
                    extraction_a=1.0,
                    solvent_out=False,
                    quality="good",
                    valid_ms=1000,
                )
                publisher.publish(topic(f"s{n}", "readings"), encode(senml(f"s{n}", told, None)), qos=1)

    try:
        publisher.connect("127.0.0.1", broker.port)
        publisher.loop_start()

        def warm():
            publisher.publish(topic("warm", "events"), b"{broken", qos=1)
            return count("set_aside")

        wait_until(warm, 10, "the first message")
        publish(range(SECONDS // 2))
        wait_until(lambda: count() > 100, 10, "the first readings")
        running[0].send_signal(signal.SIGKILL)
        running[0].communicate()
        killed_at = count()
        publish(range(SECONDS // 2, SECONDS))
        running[0] = collector(broker, to, "one")
        wait_until(lambda: count() == STATIONS * SECONDS, 20, "all readings")
        assert killed_at < STATIONS * SECONDS
        assert count("set_aside") == 1
    finally:
        publisher.loop_stop()
        for process in running:
            process.kill()
            process.communicate()
        broker.end()
        engine.dispose()
