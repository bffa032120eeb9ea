"""The text of a stream, with a clock and pauses of its own."""

import json

import pytest

from dashboard import stream as stream_module
from dashboard.board import Slot
from dashboard.stream import Printer, messages


class TimedSlot(Slot):
    """A slot in which waiting moves the hand clock instead of taking time."""

    clock = None

    def get(self, timeout_s):
        """What is there, else nothing after the wait."""
        newest = super().get(0)
        if newest is None:
            self.clock.now_s += timeout_s
        return newest


@pytest.fixture
def opened(app, board, clock, monkeypatch):
    """Opens a stream of ``bench-1``; gives its pieces and a switch that hangs up."""
    TimedSlot.clock = clock
    monkeypatch.setattr("dashboard.board.Slot", TimedSlot)
    gone = []
    pieces = messages(board, Printer(app.jinja_env), "bench-1", lambda: bool(gone), lambda _s: None)
    assert next(pieces).startswith("retry:")
    yield pieces, gone
    pieces.close()


def news_of(piece):
    """The data of a message."""
    return json.loads(piece.partition("data: ")[2])


def test_stream_sends_only_the_parts_that_changed(bench, opened):
    """After the first message a change of the bottle brings the bottle, and what follows from it."""
    pieces, _ = opened
    bench.say()
    next(pieces)
    bench.say(solvent_out=True)
    news = news_of(next(pieces))
    assert list(news["parts"]) == ["bottle", "iron"]
    assert "Out of its cradle" in news["parts"]["bottle"]


def test_stream_speaks_at_every_arrival_even_without_change(bench, opened):
    """An unchanged bench still tells its page that it was heard."""
    pieces, _ = opened
    bench.say()
    next(pieces)
    bench.say()
    assert news_of(next(pieces))["parts"] == {}


def test_slow_reader_gets_the_newest_and_no_backlog(bench, opened, make):
    """Whatever came while a reader was away is told by its newest state alone."""
    pieces, _ = opened
    bench.say()
    next(pieces)
    for number in range(500):
        bench.say(unit=f"U-{number}")
    assert "U-499" in news_of(next(pieces))["parts"]["hand"]
    bench.say(unit="U-last")
    assert "U-last" in news_of(next(pieces))["parts"]["hand"]


def test_stream_tells_the_loss_of_a_station_by_itself(bench, clock, opened):
    """A station that goes silent is told as lost in three seconds and a look, without any arrival."""
    pieces, _ = opened
    bench.say()
    next(pieces)
    heard_s = clock.now_s
    news = news_of(next(pieces))
    assert news["live"] is False
    assert "Lost" in news["parts"]["band"]
    assert 2.5 < clock.now_s - heard_s <= 3.5


def test_stream_sends_a_heartbeat_every_ten_seconds(bench, clock, opened):
    """A stream without news speaks at least every ten seconds, so that the line stays open."""
    pieces, _ = opened
    next(pieces)
    spoke_s = clock.now_s
    assert next(pieces) == ": still here\n\n"
    assert next(pieces) == ": still here\n\n"
    assert clock.now_s - spoke_s == pytest.approx(2 * stream_module.HEARTBEAT_S, abs=1.0)


@pytest.mark.parametrize("end", ["hung up", "server stops"])
def test_stream_ends_and_leaves_no_slot_behind(bench, board, opened, end):
    """A reader that hung up, or a server that stops, ends the stream."""
    pieces, gone = opened
    bench.say()
    next(pieces)
    if end == "hung up":
        gone.append(True)
    else:
        board.closing = True
    assert list(pieces) == []
    assert board._slots == set()
