"""Requests and messages that are wrong, at a real broker and a running station.

Correlation data and the largest packet are MQTT 5's: 3.3.2.3.6 and 3.2.2.3.6.
"""

import signal
import time

import msgspec
import pytest
from live import Broker, Listener, Station, wait_until
from paho.mqtt.client import MQTTMessage
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from shared.history import History
from shared.messages import topic

pytestmark = pytest.mark.system
REQUESTS = topic("bench-1", "requests")
ANSWERS = "benchward/v1/answers/witness"


def kinds(station) -> list[str]:
    """Of all events on disk."""
    with History(station.db) as history:
        return [dated.to_dict()["kind"] for dated in history.events()]


def ask(listener: Listener, text: str, correlation: bytes, expiry_s: int | None = None) -> None:
    """Publish a request; its answer comes to the listener."""
    properties = Properties(PacketTypes.PUBLISH)
    properties.ResponseTopic, properties.CorrelationData = ANSWERS, correlation
    if expiry_s is not None:
        properties.MessageExpiryInterval = expiry_s
    listener.client.publish(REQUESTS, text, qos=1, properties=properties).wait_for_publish(5)


def answers(listener: Listener, correlation: bytes) -> list[MQTTMessage]:
    """What came back with that correlation data."""
    return [
        message
        for message in list(listener.heard)
        if message.topic == ANSWERS and getattr(message.properties, "CorrelationData", None) == correlation
    ]


def test_request_with_a_known_id_is_answered_again_and_not_done_again(station, listener):
    """The same request and id three times: one event, three equal answers; with another id a second event."""
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    for count in (1, 2, 3):
        ask(listener, "sign-in technician=T-1", b"id-1")
        wait_until(lambda count=count: len(answers(listener, b"id-1")) == count, what="the answer")
    assert len({message.payload for message in answers(listener, b"id-1")}) == 1
    assert kinds(station).count("signed-in") == 1
    ask(listener, "sign-in technician=T-1", b"id-2")
    wait_until(lambda: answers(listener, b"id-2"), what="the answer")
    assert kinds(station).count("signed-in") == 2


def test_request_that_ran_out_while_the_station_stood_still_is_not_done(station, listener):
    """Forty requests for a second, to a station that is stopped for three: none is carried out.

    What the broker still has it lets run out (MQTT 5, 3.3.2.3.3); what it has handed over has waited in the
    station's socket, where no clock runs. One with a minute left is done.
    """
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    station.process.send_signal(signal.SIGSTOP)
    ask(listener, "sign-in technician=T-9", b"long", 60)
    for number in range(40):
        ask(listener, "sign-in technician=T-1", b"short-%d" % number, 1)
    time.sleep(3)
    station.process.send_signal(signal.SIGCONT)
    (done,) = wait_until(lambda: answers(listener, b"long"), what="the answer")
    assert msgspec.json.decode(done.payload)["accepted"] is True
    ask(listener, "silence", b"after", 60)  # what is never refused
    wait_until(lambda: answers(listener, b"after"), what="the answer after all of them")
    late = [msgspec.json.decode(m.payload) for n in range(40) for m in answers(listener, b"short-%d" % n)]
    assert all(each["reasons"] == ["malformed-request"] for each in late)
    assert kinds(station).count("signed-in") == 1
    assert kinds(station).count("request-refused") == len(late)


@pytest.mark.parametrize("limit", ["max_packet_size", "message_size_limit"])
def test_message_too_large_for_the_broker_is_set_aside_on_record(tmp_path, limit):
    """A limit that is announced, and one that is not: the others go on, and an event says what is missing.

    The state is too large as well here, and is not shown; that must not keep the record back either.
    """
    tmp_path.chmod(0o777)
    broker = Broker(tmp_path)
    with broker._config.open("a") as config:
        config.write(f"{limit} 1200\n")
    broker.start()
    station, listener = Station(tmp_path, broker.port), Listener(broker.port)
    try:
        station.start()
        wait_until(lambda: listener.on("status"), what="the station")
        wait_until(lambda: listener.on("readings"), what="a reading")
        # The station learns the limit from its state; while it does, its connection comes and goes.
        wait_until(lambda: "none is shown" in station.log.read_text(), what="the limit learned")
        ask(listener, f"shelve alarm=link-down minutes=1 by=T-1 reason={'𝄞' * 200}", b"big")
        wait_until(lambda: "alarm-shelved" in kinds(station), what="the event")
        wait_until(lambda: "message-set-aside" in kinds(station), 30, "the record of it")
        ask(listener, "silence", b"after")
        wait_until(lambda: answers(listener, b"after"), what="an answer")
        heard = wait_until(
            lambda: [e for e in listener.on("events") if e["type"] == "benchward.message-set-aside"],
            what="the record of it on the broker",
        )[0]["data"]
        with History(station.db) as history:
            seqs = {dated.to_dict()["kind"]: dated.record.seq for dated in history.events()}
        wanted = {"stream": "events", "reason": "message-too-large", "values": {"count": 1}}
        assert {key: heard[key] for key in wanted} == wanted
        assert heard["first"] == f"{heard['boot']}/{seqs['alarm-shelved']}"
        number = len(listener.on("readings"))
        wait_until(lambda: len(listener.on("readings")) > number + 1, what="more readings")
        assert station.end() == 0
        told = list(dict.fromkeys(event["data"]["seq"] for event in listener.on("events")))
        with History(station.db) as history:
            all_seqs = [dated.record.seq for dated in history.events()]
        assert told == [seq for seq in all_seqs if seq != seqs["alarm-shelved"]]
    finally:
        if station.process is not None:
            station.end(signal.SIGKILL)
        listener.close()
        broker.end()
