"""What the board takes in, and what it drops."""

import threading

import pytest

from dashboard.board import EVENTS_KEPT, PAYLOAD_LIMIT_BYTES, STATIONS_KEPT, Board, Liveness
from shared.events import SolventLifted, UnitTaken
from shared.messages import encode


@pytest.mark.parametrize(
    ("leaf", "payload"),
    [
        ("state", b"not json"),
        ("state", b"{}"),
        ("state", b"\xff\xfe"),
        ("state", b"[" * 100_000),
        ("state", b" " * (PAYLOAD_LIMIT_BYTES + 1)),
        ("status", b'{"online": "yes", "reason": ""}'),
        ("events", b'{"specversion": "0.3", "id": "1", "source": "s", "type": "t", "data": {}}'),
        ("events", b'{"specversion": "1.0", "id": "1", "source": "s", "type": "t", "data": {"seq": 1}}'),
        (
            "events",
            b'{"specversion":"1.0","id":"1","source":"s","type":"t","data":{"seq":1,"boot":"b","kind":"x"}}',
        ),
        ("readings", b"[]"),
    ],
)
def test_bad_payload_is_counted_and_dropped(bench, board, leaf, payload):
    """A message that cannot be used changes nothing but the count."""
    bench.say()
    before = board.snapshot("bench-1")
    bench.say_raw(payload, leaf)
    assert board.bad_payloads == 1
    assert board.snapshot("bench-1") == before


def test_state_of_another_station_is_dropped(bench, board, make):
    """A state on the wrong topic is not shown under that name."""
    bench.say_raw(encode(make.state(station="bench-9")))
    assert board.bad_payloads == 1
    assert board.stations() == ()


def test_repeated_state_does_not_keep_a_station_alive(bench, board, clock, make):
    """A station that publishes the same moment for ever stands still and is lost."""
    bench.say()
    for _ in range(5):
        clock.now_s += 1.0
        bench.mono_s -= 1.0
        bench.say()
    assert board.snapshot("bench-1").liveness(clock.now_s, True) is Liveness.SILENT


def test_older_state_does_not_replace_a_newer_one(bench, board):
    """Order turned around on the way is put right."""
    bench.say(unit="newer")
    bench.mono_s -= 10.0
    bench.say(unit="older")
    assert board.snapshot("bench-1").state.unit == "newer"


def test_restarted_clock_is_accepted_after_silence(bench, board, clock):
    """A station whose clock began anew under the same boot is heard again once it was lost."""
    bench.say(unit="before")
    clock.now_s += 4.0
    bench.mono_s = 1.0
    bench.say(unit="after")
    snapshot = board.snapshot("bench-1")
    assert snapshot.state.unit == "after"
    assert snapshot.liveness(clock.now_s, True) is Liveness.LIVE


def test_retained_state_after_a_reconnect_does_not_undo_a_fresh_one(bench, board, clock):
    """What the broker kept never makes a station that is heard now look lost."""
    bench.say(unit="fresh")
    bench.say(unit="kept", retained=True)
    snapshot = board.snapshot("bench-1")
    assert snapshot.state.unit == "fresh"
    assert snapshot.liveness(clock.now_s, True) is Liveness.LIVE


def test_events_are_kept_in_order_once_and_only_the_newest(bench, board):
    """Repeats are dropped and the list stays bounded."""
    for number in range(EVENTS_KEPT + 10):
        bench.tell(UnitTaken(unit=f"U-{number}"))
    bench.seq -= 1
    bench.tell(SolventLifted())
    events = board.snapshot("bench-1").events
    assert [event.seq for event in events] == list(range(11, EVENTS_KEPT + 11))
    assert events[-1].body == UnitTaken(unit=f"U-{EVENTS_KEPT + 9}")


def test_number_of_stations_is_bounded(board, bench_named):
    """A broker full of names cannot fill the memory."""
    for number in range(STATIONS_KEPT + 5):
        bench_named(f"s-{number}").say()
    assert len(board.stations()) == STATIONS_KEPT
    assert board.bad_payloads == 5


def test_slot_gives_only_the_newest(bench, board):
    """A slot holds one snapshot, the last."""
    slot = board.subscribe("bench-1")
    for number in range(100):
        bench.say(unit=f"U-{number}")
    assert slot.get(0).state.unit == "U-99"
    assert slot.get(0) is None


def test_slot_wakes_a_waiting_reader(bench, board):
    """A reader that waits gets the news without waiting its time out."""
    slot = board.subscribe("bench-1")
    got = []
    reader = threading.Thread(target=lambda: got.append(slot.get(20.0)))
    reader.start()
    bench.say(unit="U-7")
    reader.join(10.0)
    assert [snapshot.state.unit for snapshot in got] == ["U-7"]


def test_slot_of_another_station_stays_empty(board, bench):
    """News of one station wakes no reader of another."""
    slot = board.subscribe("bench-2")
    bench.say()
    assert slot.get(0) is None


def test_new_board_knows_nothing():
    """Before any message every station is unheard."""
    board = Board()
    assert board.stations() == ()
    assert board.snapshot("any").liveness(board.clock(), True) is Liveness.NEVER
