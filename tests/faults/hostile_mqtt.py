"""A hostile client at the broker: whatever it sends, the bench works on. One command:

    python tests/faults/hostile_mqtt.py [--seconds 10] [--only NAME …] [--json FILE]

It has a name and a password of a role that may ask stations (`job-system`), and does all that the broker's roles let
it do, and tries what they do not. A broker passes on any bytes as payload, response topic within MQTT's rules, and
correlation data up to 65,535 bytes (MQTT 5, 3.3.2.3); a name of a session may be taken over by whoever else uses it
(3.1.4). Looked at: heartbeat at the pin, permit, missed ticks, record, memory, and whether the honest are answered.
"""

import sys
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "support"), str(HERE)]

from besieged import NAME, Attack, Besieged
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from shared.messages import topic

ROLE = "job-system"
REQUESTS = topic(NAME, "requests")
REFUSED = frozenset({"request-refused"})


def _properties(**values: object) -> Properties:
    found = Properties(PacketTypes.PUBLISH)
    for name, value in values.items():
        setattr(found, name, value)
    return found


def _send(bench: Besieged, seconds: float, messages) -> Counter[str]:
    """Publish these until they end or time is up; what the broker said to each."""
    counts: Counter[str] = Counter()
    client = bench.client(ROLE)
    client.on_publish = lambda _c, _d, _m, reason, _p: counts.update([f"broker: {reason}"])
    end_s = time.monotonic() + seconds
    for payload, options in messages:
        if time.monotonic() > end_s:
            break
        if not client.is_connected():
            counts["thrown out by the broker"] += 1
            client.loop_stop()
            client = bench.client(ROLE)
            client.on_publish = lambda _c, _d, _m, reason, _p: counts.update([f"broker: {reason}"])
        client.publish(**{"topic": REQUESTS, "qos": 1, **options}, payload=payload)
        counts["sent"] += 1
        while client._out_packet and len(client._out_packet) > 200 and time.monotonic() < end_s:
            time.sleep(0.01)
    time.sleep(0.5)
    client.disconnect()
    client.loop_stop()
    return counts


def huge(bench: Besieged, seconds: float) -> Counter[str]:
    """Payloads as large as the broker lets through, and larger."""
    sizes = (5_000, 100_000, 1_000_000, 2_000_000)
    return _send(bench, seconds, ((b"sign-in technician=" + b"T" * size, {}) for size in sizes * 10))


def nonsense(bench: Besieged, seconds: float) -> Counter[str]:
    """No text, broken JSON, deep JSON, control characters."""
    bad = (
        b"\xff\xfe\x00", b"\xed\xa0\x80", b"\0" * 100, b'{"verb": "sign-in", "technician": ', b"[" * 4000,
        b'{"a":' * 800, b'{"verb":"sign-in","technician":"\\ud800"}', b"sign-in technician='", b"\x1b[2J", b"",
    )  # fmt: skip
    return _send(bench, seconds, ((payload, {}) for payload in bad * 20))


def claims_text(bench: Besieged, seconds: float) -> Counter[str]:
    """Bytes that are no text, said to be text (payload format indicator 1)."""
    return _send(
        bench,
        seconds,
        ((b"\xff\xfe", {"properties": _properties(PayloadFormatIndicator=1)}) for _ in range(50)),
    )


def stored(bench: Besieged, seconds: float) -> Counter[str]:
    """Requests that the broker keeps, and gives the station again at every connection; cleared at the end."""
    counts = _send(bench, seconds, ((b"sign-in technician=EVIL", {"retain": True}) for _ in range(20)))
    return counts + _send(bench, 5, [(b"", {"retain": True})])


def flood(bench: Besieged, seconds: float) -> Counter[str]:
    """As many requests as the broker takes, each to be refused; none asks for an answer."""

    def endless():
        while True:
            yield b"reset", {}

    return _send(bench, seconds, endless())


def flood_answered(bench: Besieged, seconds: float) -> Counter[str]:
    """As many requests as the broker takes, each of which wants an answer, half of them said twice."""

    def endless():
        for number in range(10**9):
            properties = _properties(
                ResponseTopic="benchward/v1/answers/job-system/x", CorrelationData=b"%d" % (number // 2)
            )
            yield b"resume", {"properties": properties}

    return _send(bench, seconds, endless())


def answers_elsewhere(bench: Besieged, seconds: float) -> Counter[str]:
    """Answers wanted where stations speak, where others listen, and where no topic is; nobody may hear one."""
    elsewhere = [topic(NAME, leaf) for leaf in ("events", "state", "status", "head", "readings", "requests")]
    elsewhere += [
        topic(NAME, "requests/office"),
        "benchward/v1/bench-2/requests",
        "benchward/v1",
        "$SYS/broker/uptime",
        "x" * 60_000,
        "/" * 2000,
    ]
    heard: list[str] = []
    witness = bench.client("witness")
    witness.on_message = lambda _c, _d, m: heard.append(m.topic) if b'"accepted"' in m.payload else None
    witness.subscribe([("benchward/v1/+/+", 1), (topic("+", "requests/office"), 1), ("benchward/v1", 1)])
    messages = [
        (b"resume", {"properties": _properties(ResponseTopic=each, CorrelationData=b"1")})
        for each in elsewhere
    ]
    counts = _send(bench, seconds, messages * 3)
    witness.disconnect()
    witness.loop_stop()
    assert not heard, f"the station was made to speak on {sorted(set(heard))}"
    return counts


def patterns_as_topics(bench: Besieged, seconds: float) -> Counter[str]:
    """A response topic with a pattern in it: forbidden (MQTT 5, 3.3.2.3.5), if the broker looks."""
    wild = [_raw_response_topic(each) for each in ("a/#", "+/b", "#", "benchward/v1/answers/+")]
    return _send(bench, seconds, ((b"resume", {"properties": each}) for each in wild * 3))


def _raw_response_topic(text: str) -> Properties:
    """The client library refuses such a topic; its check is passed by."""
    found = Properties(PacketTypes.PUBLISH)
    object.__setattr__(found, "ResponseTopic", text)
    return found


def long_returns(bench: Besieged, seconds: float) -> Counter[str]:
    """Correlation data of 65,535 bytes, different each time; user properties by the dozen."""

    def messages():
        for number in range(300):
            properties = _properties(
                ResponseTopic="benchward/v1/answers/job-system/x",
                CorrelationData=b"%8d" % number + b"c" * 65_527,
            )
            properties.UserProperty = [("k" * 100, "v" * 100)] * 20
            yield b"resume", {"properties": properties}

    return _send(bench, seconds, messages())


def forged(bench: Besieged, seconds: float) -> Counter[str]:
    """What only the station may say; its role's topics are closed to this one, and nobody hears it."""
    heard: list[bytes] = []
    witness = bench.client("witness")
    witness.on_message = lambda _c, _d, m: heard.append(m.payload) if b"forged" in m.payload else None
    witness.subscribe("benchward/#", qos=1)
    leaves = ("events", "state", "status", "head", "readings")
    messages = [(b'{"forged": true}', {"topic": topic(NAME, leaf), "retain": True}) for leaf in leaves]
    counts = _send(bench, seconds, messages * 3)
    witness.disconnect()
    witness.loop_stop()
    assert not heard, f"a forged message was passed on: {heard[0][:300]!r}"
    return counts


def taken_over(bench: Besieged, seconds: float) -> Counter[str]:
    """The station's own name of a session, used by another role: the broker throws the station out each time."""
    counts: Counter[str] = Counter()
    end_s = time.monotonic() + seconds
    while time.monotonic() < end_s:
        thief = bench.client(ROLE, f"benchward-{NAME}", clean_start=False)
        thief.subscribe(REQUESTS, qos=1)
        counts["taken over"] += 1
        wait_s = time.monotonic() + 2
        while thief.is_connected() and time.monotonic() < wait_s:
            time.sleep(0.05)
        counts["taken back by the station"] += not thief.is_connected()
        thief.disconnect()
        thief.loop_stop()
    time.sleep(3)
    return counts


def half_open(bench: Besieged, seconds: float) -> Counter[str]:
    """Connections on which nothing is said, and such on which no MQTT is spoken."""
    counts: Counter[str] = Counter()
    quiet = []
    for number in range(60):
        try:
            link = bench.plain_socket()
        except OSError:
            counts["refused"] += 1
            continue
        quiet.append(link)
        counts["opened"] += 1
        if number % 2:
            link.sendall(bytes([number * 4 % 256]) * 500)
    time.sleep(min(seconds, 5))
    for link in quiet:
        link.close()
    return counts


ATTACKS = (
    Attack("huge payloads", huge, REFUSED),
    Attack("nonsense", nonsense, REFUSED),
    Attack("bytes said to be text", claims_text, REFUSED),
    Attack("stored requests", stored, REFUSED),
    Attack("flood", flood, REFUSED),
    Attack("flood that wants answers", flood_answered, REFUSED),
    Attack("answers wanted elsewhere", answers_elsewhere, REFUSED),
    Attack("patterns as response topics", patterns_as_topics, REFUSED),
    Attack("long correlation data", long_returns, REFUSED),
    Attack("forged messages", forged),
    Attack("sessions taken over", taken_over, frozenset({"alarm-raised", "alarm-returned", "alarm-closed"})),
    Attack("half-open connections", half_open),
)

if __name__ == "__main__":
    from siege import main

    raise SystemExit(main(__doc__, "hostile-mqtt", ATTACKS))
