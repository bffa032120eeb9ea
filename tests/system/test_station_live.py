"""The whole station: a real process, a real broker, a real file, simulated wires."""

import re
import signal
import time

import pytest
from live import Listener, wait_until

from shared.history import History
from shared.messages import Answer
from station.link.asking import Asker

pytestmark = pytest.mark.system


def ask(broker, text: str) -> Answer:
    """Ask the station, as any program would."""
    with Asker("127.0.0.1", broker.port, "bench-1", "job-system") as asker:
        answer = asker.ask(text)
    assert answer is not None, f"no answer to {text!r}"
    return answer


def recorded(station):
    """Every event on disk, as printed."""
    with History(station.db) as history:
        return [dated.to_dict() for dated in history.events()]


def test_station_shows_itself_on_the_broker(broker, station, listener):
    """Status, state, readings and events as the contract names them."""
    station.start()
    wait_until(lambda: len(listener.on("readings")) >= 3, what="three readings")
    wait_until(lambda: listener.on("events"), what="an event")
    assert listener.on("status")[0] == {"online": True, "reason": "running"}
    state = listener.on("state")[-1]
    assert (state["station"], state["unit"], state["permit"]) == ("bench-1", None, False)
    assert 20 < state["plate"]["plate_c"] < 25
    reading = listener.on("readings")[0]
    assert [entry["n"] for entry in reading] == ["plate", "cold-junction", "extraction", "solvent-out"]
    assert reading[0]["boot"] == state["boot"]
    event = listener.on("events")[0]
    assert (event["type"], event["id"]) == ("benchward.station-started", f"{state['boot']}/1")


def test_request_is_answered_after_its_event_is_on_disk(broker, station, listener):
    """The answer names the event's seq, and the event stands in the file."""
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    accepted = ask(broker, "book-in unit=LK-1 model=m")
    on_disk = {event["seq"]: event for event in recorded(station)}
    assert accepted.accepted
    assert on_disk[accepted.seq]["kind"] == "unit-taken"
    refused = ask(broker, "start step=solder")
    on_disk = {event["seq"]: event for event in recorded(station)}
    assert (refused.accepted, refused.reasons) == (False, ["extraction-not-proven"])
    assert on_disk[refused.seq]["kind"] == "step-refused"
    assert ask(broker, '{"verb": "make-tea"}').reasons == ["unknown-request"]


def test_a_retained_request_is_ignored(broker, station, listener):
    """A stored request must not act on a station that comes later."""
    listener.client.publish("benchward/v1/bench-1/requests", b"sign-in technician=T-9", qos=1, retain=True)
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    ask(broker, "silence")
    assert all(event["kind"] != "signed-in" for event in recorded(station))
    listener.client.publish("benchward/v1/bench-1/requests", b"", qos=1, retain=True)


def test_a_request_published_retained_is_refused_while_the_station_listens(broker, station, listener):
    """The broker passes it on at once; it is still known as a stored one, and the refusal is recorded."""
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    listener.client.publish("benchward/v1/bench-1/requests", b"sign-in technician=T-9", qos=1, retain=True)
    listener.client.publish("benchward/v1/bench-1/requests", b"", qos=1, retain=True)
    ask(broker, "silence")
    kinds = {event["kind"] for event in recorded(station)}
    assert kinds & {"signed-in", "request-refused"} == {"request-refused"}


def test_sigterm_ends_in_order(broker, station, listener):
    """Exit code 0, the end recorded, a farewell that is not the last will."""
    station.start()
    wait_until(lambda: len(listener.on("readings")) >= 2, what="two readings")
    assert station.end(signal.SIGTERM) == 0
    wait_until(
        lambda: listener.on("status")[-1] == {"online": False, "reason": "stopped"}, what="the farewell"
    )
    events = recorded(station)
    assert events[-1]["kind"] == "station-stopped"
    assert [event["data"]["seq"] for event in listener.on("events")] == [event["seq"] for event in events]


def test_log_tells_every_event_in_a_line(broker, station, listener):
    """What is on record stands in the log too, in its order, a line each, and nothing tears a line apart."""
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    ask(broker, "book-in unit=LK-1 model=m")
    ask(broker, 'close unit=LK-1 outcome=scrap reason="two words"')
    assert station.end() == 0
    lines = station.log.read_text().splitlines()
    told = [line.split(" benchward.events: ")[1].split()[0] for line in lines if "benchward.events: " in line]
    assert told == [event["kind"] for event in recorded(station)]
    assert all(re.match(r"\d{4}-\d\d-\d\dT\S+Z [A-Z]+ benchward", line) for line in lines)
    assert any('unit-closed unit=LK-1 outcome=scrap reason="two words"' in line for line in lines)


def test_kill_leaves_a_sound_database_and_a_held_step(broker, station, listener):
    """Killed in the middle of a step: last will, whole chain, nothing answered is lost, the step is held."""
    station.start()
    wait_until(lambda: listener.on("state"), what="the state")
    answers = [ask(broker, text) for text in ("book-in unit=LK-1 model=m", "start step=intake")]
    station.end(signal.SIGKILL)
    wait_until(lambda: listener.on("status")[-1] == {"online": False, "reason": "lost"}, what="the last will")
    with History(station.db) as history:
        assert history.verify().problem is None
    assert {answer.seq for answer in answers} <= {event["seq"] for event in recorded(station)}
    states = len(listener.on("state"))
    station.start()
    wait_until(lambda: len(listener.on("state")) > states, what="the state after the restart")
    state = listener.on("state")[-1]
    assert (state["unit"], state["step"]["held_by"]) == ("LK-1", ["station-restart"])
    assert ask(broker, "resume").accepted


def test_station_runs_on_without_a_broker_and_catches_up(broker, station, tmp_path):
    """Broker gone for a while: not a tick waits, and afterwards nothing is missing and the order is kept."""
    text = station.settings.read_text()
    station.settings.write_text(text.replace(f"port = {broker.port}", f"port = {broker.door.port}"))
    broker.door.open()
    listener = Listener(broker.port)
    station.start()
    wait_until(lambda: len(listener.on("readings")) >= 2, what="two readings")
    listener.close()
    broker.end(signal.SIGKILL)
    time.sleep(2.5)
    broker.start()
    again = Listener(broker.port)
    broker.door.open()
    try:
        wait_until(lambda: len(again.on("readings")) >= 4, what="the backlog")
        state = wait_until(lambda: again.on("state"), what="the state")[-1]
        assert state["ticks_missed"] == 0
        heard = [reading[0]["seq"] for m in (listener, again) for reading in m.on("readings")]
        once = list(dict.fromkeys(heard))
        assert once == sorted(once)
        assert once == list(range(once[0], once[-1] + 1))
    finally:
        again.close()
    assert station.end() == 0


def test_broker_is_gone_for_good_and_the_station_still_ends_well(broker, station):
    """No broker at the end: exit code 0 all the same, everything on disk."""
    station.start()
    wait_until(lambda: station.db.exists() and recorded_or_none(station), what="the first events")
    broker.end(signal.SIGKILL)
    assert station.end() == 0
    assert recorded(station)[-1]["kind"] == "station-stopped"


def recorded_or_none(station):
    """Events once the file has its tables."""
    try:
        return recorded(station)
    except Exception:  # noqa: BLE001 - the file is being made
        return None
