"""Every message of a running station against the schemas of the contract, heard with mosquitto's client."""

import json
import shutil
import subprocess

import pytest
from jsonschema import Draft202012Validator
from live import wait_until

from shared.asyncapi import payload_schemas
from station.link.asking import Asker

pytestmark = pytest.mark.system


def test_every_message_fits_its_schema(broker, station, tmp_path):
    """Status, state, readings, events, requests and answers of a run: each kind comes, and each fits."""
    program = shutil.which("mosquitto_sub")
    assert program is not None, "mosquitto_sub is not installed: apt-get install mosquitto-clients"
    out = tmp_path / "heard.txt"
    with out.open("wb") as file:
        command = [program, "-V", "5", "-q", "1", "-p", str(broker.port), "-t", "benchward/#", "-F", "%t %p"]
        listener = subprocess.Popen(command, stdout=file)
    try:
        station.start()
        wait_until(lambda: '"online":true' in out.read_text(), what="the station")
        with Asker("127.0.0.1", broker.port, "bench-1", "asker") as asker:
            for request in ('{"verb":"sign-in","technician":"t1"}', '{"verb":"take","unit":"none"}'):
                assert asker.ask(request) is not None
        wait_until(lambda: "/readings " in out.read_text(), what="a reading")
        station.end()
        wait_until(lambda: '"stopped"' in out.read_text(), what="the farewell")
    finally:
        listener.terminate()
        listener.wait(10)
    schemas = {leaf: Draft202012Validator(schema) for leaf, schema in payload_schemas().items()}
    kinds = set()
    for line in out.read_text().splitlines():
        topic, payload = line.split(" ", 1)
        leaf = "answers" if topic.startswith("benchward/v1/answers/") else topic.rsplit("/", 1)[1]
        schemas[leaf].validate(json.loads(payload))
        kinds.add(leaf)
    assert kinds == set(schemas)
