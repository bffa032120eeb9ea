"""The tick of the daemon: outputs before journal before network, whatever they do."""

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.events import StepFinished
from shared.history import History
from shared.indication import SAFE, Levels
from shared.messages import Answer, StationState
from shared.problems import FailureError
from shared.readings import ExtractionQuality, ExtractionReading, PlateQuality, PlateReading
from shared.requests import parse_text
from shared.sheet import default_sheet
from station.daemon import Asking, Daemon, Inbox
from station.journal.writer import Journal
from station.rules.limits import Limits, PlateLimits
from station.rules.tick import Book


class HandClock:
    """A clock that moves when somebody sleeps on it, and as much more as a slow tick takes."""

    boot = "boot-1"

    def __init__(self) -> None:
        self.now_ms = 0
        self.wall_offset_ms: int | None = 1_772_440_000_000

    def mono_s(self) -> float:
        """Seconds."""
        return self.now_ms / 1000

    def mono_ms(self) -> int:
        """Milliseconds."""
        return self.now_ms

    def wall_ms(self) -> int | None:
        """Unix milliseconds, while the clock is trusted."""
        return None if self.wall_offset_ms is None else self.now_ms + self.wall_offset_ms

    def wait_until_ms(self, mono_ms: int, wake: threading.Event) -> bool:
        """Sleep until then, or be woken half way."""
        if wake.is_set() and mono_ms - self.now_ms > 1:
            self.now_ms += (mono_ms - self.now_ms) // 2
            return True
        self.sleep_until_ms(mono_ms)
        return False

    def sleep_until_ms(self, mono_ms: int) -> None:
        """Be there."""
        self.now_ms = max(self.now_ms, mono_ms)


class HandWires:
    """Wires of plain values that keep what was driven, and may refuse or be slow."""

    def __init__(self, clock: HandClock) -> None:
        self.clock = clock
        self.driven: list[Levels] = []
        self.broken = False
        self.slow_ms = 0
        self.pressed = 0
        self.word = 0

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """A cold plate and a running fan."""
        self.word += 1
        self.clock.now_ms += self.slow_ms
        plate = PlateReading(quality=PlateQuality.GOOD, word=self.word, plate_c=25.0, cold_junction_c=24.0)
        return plate, ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=0.42), False

    def presses(self) -> int:
        """Presses of the button."""
        pressed, self.pressed = self.pressed, 0
        return pressed

    def write(self, levels: Levels) -> None:
        """Keep them, or refuse."""
        if self.broken:
            raise FailureError("a pin is gone")
        self.driven.append(levels)


class HandLink:
    """Keeps the snapshots."""

    up: bool | None = True
    fault: str | None = None
    backlog: tuple[int, int] | None = None

    def __init__(self) -> None:
        self.shown: list[StationState] = []

    def show(self, state: StationState) -> None:
        """Keep it."""
        self.shown.append(state)


class Station:
    """A daemon on hand-made parts."""

    def __init__(
        self,
        path: Path,
        due: tuple[str, ...] = (),
        clock: HandClock | None = None,
        wires: type[HandWires] = HandWires,
        limits: Limits | None = None,
    ) -> None:
        self.clock, self.inbox, self.link = clock or HandClock(), Inbox(), HandLink()
        self.wires = wires(self.clock)
        self.journal = Journal(path, 1.0)
        self.daemon = Daemon(
            station="bench-1", book=Book(limits or Limits(), default_sheet()), tick_ms=100,
            settings_digest="x", trim={"gain": 1.0, "offset_c": 0.0}, calibrations_due=due,
            clock=self.clock, wiring=self.wires, journal=self.journal, inbox=self.inbox, link=self.link,
        )  # fmt: skip
        self.journal.start()

    def ticks(self, count: int) -> None:
        """Some ticks, 0.1 s apart."""
        for _ in range(count):
            self.clock.now_ms += 100
            self.daemon.tick()

    def kinds(self) -> list[str]:
        """What is on disk."""
        assert self.journal.flush(10)
        with History(self.journal.path) as history:
            return [dated.to_dict()["kind"] for dated in history.events()]


@pytest.fixture
def station(tmp_path: Path) -> Iterator[Station]:
    """A station that has ticked never."""
    made = Station(tmp_path / "bench.db")
    yield made
    made.journal.stop()


def test_ticks_are_counted_and_missed_ones_too(station: Station) -> None:
    """Of the 18 ticks due in five times 0.35 s, five are taken, one is due next, and the rest are missed."""
    stop = threading.Event()
    station.wires.slow_ms = 350
    station.clock.sleep_until_ms(0)
    original = station.wires.read

    def read() -> tuple[PlateReading, ExtractionReading, bool | None]:
        if station.daemon.ticks == 4:
            stop.set()
        return original()

    station.wires.read = read  # type: ignore[method-assign]  # a hand-made part, not the code under test
    station.daemon.run(stop)
    assert (station.daemon.ticks, station.daemon.missed) == (5, 12)


def test_a_tick_over_a_quarter_late_is_counted(station: Station) -> None:
    """Of five ticks due every 0.1 s, one comes 25 ms late, which is nearly in time, and one 26 ms."""
    for due_ms, late_ms in ((100, 0), (200, 25), (300, 26), (400, 0), (500, 1)):
        station.clock.now_ms = due_ms + late_ms
        station.daemon.tick(due_ms)
    assert (station.daemon.ticks, station.daemon.late) == (5, 1)


def test_outputs_are_safe_when_the_run_ends_however_it_ends(station: Station) -> None:
    """Even when a tick raises."""
    station.ticks(60)
    assert station.wires.driven[-1].permit

    def read() -> tuple[PlateReading, ExtractionReading, bool | None]:
        raise RuntimeError("unforeseen")

    station.wires.read = read  # type: ignore[method-assign]
    with pytest.raises(RuntimeError, match="unforeseen"):
        station.daemon.run(threading.Event())
    assert station.wires.driven[-1] == SAFE


def test_an_output_that_cannot_be_driven_does_not_stop_the_tick(station: Station) -> None:
    """The journal and the link still learn what happened."""
    station.wires.broken = True
    station.ticks(60)
    assert "permit-granted" in station.kinds()
    assert station.link.shown[-1].permit


def test_outputs_are_driven_before_anything_is_recorded(station: Station) -> None:
    """At the moment the levels are written, the journal has not been told of this tick yet."""
    told_before: list[int] = []
    tell, write = station.journal.tell, station.wires.write
    told = 0

    def telling(*args: object, **kwargs: object) -> None:
        nonlocal told
        told += 1
        tell(*args, **kwargs)  # type: ignore[arg-type]

    def writing(levels: Levels) -> None:
        told_before.append(told)
        write(levels)

    station.journal.tell = telling  # type: ignore[method-assign]
    station.wires.write = writing  # type: ignore[method-assign]
    station.inbox.put(Asking(parse_text("sign-in technician=T-1")))
    station.ticks(1)
    assert (told_before, told) == ([0], 1)


def test_requests_are_answered_in_order_with_the_seq_of_their_event(station: Station) -> None:
    """Clock events of the same tick come first and do not shift the numbers."""
    answers: list[Answer] = []
    for text in ("book-in unit=U-1 model=m", "start step=solder", "silence"):
        station.inbox.put(Asking(parse_text(text), answers.append))
    station.ticks(1)
    kinds = station.kinds()
    assert [answer.accepted for answer in answers] == [True, False, True]
    assert [kinds[answer.seq - 1] for answer in answers if answer.seq] == ["unit-taken", "step-refused"]
    assert answers[2].seq is None


def test_the_button_acknowledges(station: Station) -> None:
    """A press is a request like any other."""
    station.wires.pressed = 1
    station.ticks(1)
    assert "request-refused" in station.kinds()


def test_clock_is_told_when_it_is_known_and_when_it_steps(station: Station) -> None:
    """Records before are dated afterwards; a step of three hours is told, a drift of half a second is not."""
    station.clock.wall_offset_ms = None
    station.ticks(3)
    station.clock.wall_offset_ms = 1_772_440_000_000
    station.ticks(3)
    station.clock.wall_offset_ms += 500
    station.ticks(3)
    station.clock.wall_offset_ms += 3 * 3_600_000
    station.ticks(3)
    assert station.kinds().count("clock-set") == 2
    with History(station.journal.path) as history:
        assert all(dated.wall_ms is not None for dated in history.events())


def test_snapshot_comes_at_once_when_something_happens_and_else_once_a_second(station: Station) -> None:
    """Ten quiet ticks show one snapshot; a request shows its own."""
    station.ticks(10)
    quiet = len(station.link.shown)
    station.ticks(10)
    assert len(station.link.shown) == quiet + 1
    station.inbox.put(Asking(parse_text("sign-in technician=T-1")))
    station.ticks(1)
    assert station.link.shown[-1].technician == "T-1"


def test_inbox_refuses_when_it_is_full() -> None:
    """Bounded: whoever asks too fast is told so."""
    inbox = Inbox()
    accepted = [inbox.put(Asking(parse_text("ack"))) for _ in range(300)]
    assert (accepted.count(True), accepted[-1]) == (256, False)
    assert len(inbox.take()) == 16


def test_an_overdue_calibration_is_a_low_alarm(tmp_path: Path) -> None:
    """Due a second ago by a clock that is trusted; nothing stops."""
    station = Station(tmp_path / "due.db", ("2026-03-02T08:26:40.500Z",))
    station.ticks(60)
    kinds = station.kinds()
    assert kinds.count("alarm-raised") == 1
    with History(station.journal.path) as history:
        raised = next(dated.record.body for dated in history.events() if "alarm" in dated.to_dict())
    assert (raised.alarm, raised.priority) == ("calibration-due", "low")
    assert station.wires.driven[-1].permit
    station.journal.stop()


def test_a_request_between_two_ticks_is_answered_at_once_by_the_last_wires(station: Station) -> None:
    """Half a tick after it was read the plate is not read again, and the grid of the ticks stands."""
    answered: list[Answer] = []
    station.ticks(1)
    words, ticks = station.wires.word, station.daemon.ticks
    station.clock.now_ms += 50
    station.inbox.put(Asking(parse_text("sign-in technician=T-1"), answered.append))
    station.daemon.answer()
    assert station.journal.flush(10)
    assert [answer.accepted for answer in answered] == [True]
    assert (station.wires.word, station.daemon.ticks) == (words, ticks)
    with History(station.journal.path) as history:
        signed = [record.mono_ms for record, _ in history.events() if record.body.technician == "T-1"]
    assert signed == [150]


def test_before_the_first_tick_nothing_is_judged(station: Station) -> None:
    """Without a reading a request waits."""
    station.inbox.put(Asking(parse_text("sign-out")))
    station.daemon.answer()
    assert station.kinds() == ["station-started"]


class SpillingWires(HandWires):
    """A bottle that lies out of its cradle, and no fan."""

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """A cold plate, a still fan, the bottle out."""
        plate, _, _ = super().read()
        return plate, ExtractionReading(quality=ExtractionQuality.GOOD, extraction_a=0.0), True


def test_a_restart_remembers_the_solvent_from_its_journal(tmp_path: Path) -> None:
    """30 mL drawn, killed, started again in another boot at an unknown time: the vapour is still reckoned."""
    first = Station(tmp_path / "bench.db", wires=SpillingWires)
    first.ticks(2)
    first.inbox.put(Asking(parse_text("dispense ml=30")))
    first.ticks(300)
    assert first.journal.stop()
    clock = HandClock()
    clock.boot, clock.wall_offset_ms = "boot-2", None
    second = Station(tmp_path / "bench.db", clock=clock)
    second.daemon.tick()
    assert second.link.shown[-1].vapour.lel_share > 0.25
    assert "vapour-critical" in [alarm.alarm for alarm in second.link.shown[-1].alarms]
    assert second.journal.stop()


class HotWires(HandWires):
    """A plate at 100 °C."""

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """Each word differs, as a live chip's do."""
        _, extraction, out = super().read()
        plate = PlateReading(quality=PlateQuality.GOOD, word=self.word, plate_c=100.0, cold_junction_c=24.0)
        return plate, extraction, out


def do(station: Station, *texts: str) -> None:
    """Requests, one a tick; each is carried out."""
    for text in texts:
        answered: list[Answer] = []
        station.inbox.put(Asking(parse_text(text), answered.append))
        station.ticks(1)
        assert station.journal.flush(10)
        assert answered[0].accepted, text


@pytest.mark.parametrize("closed", [False, True])
def test_a_units_heat_budget_goes_on_over_restarts_and_stays(tmp_path: Path, closed: bool) -> None:
    """200 s hot, then a restart, then 101 s more: over five minutes, booked in again or open."""
    limits = Limits(plate=PlateLimits(budget_min=5))
    first = Station(tmp_path / "bench.db", wires=HotWires, limits=limits)
    do(first, "book-in unit=U-1 model=m", "place")
    first.ticks(2000)
    do(first, "remove")
    if closed:
        do(first, "close unit=U-1 outcome=done")
    first.daemon.finish("stopped")
    assert first.journal.stop()
    clock = HandClock()
    clock.boot = "boot-2"
    second = Station(tmp_path / "bench.db", clock=clock, wires=HotWires, limits=limits)
    second.ticks(3)
    do(second, *(["book-in unit=U-1 model=m"] if closed else []), "place")
    second.ticks(900)
    assert "heat-budget-spent" not in [alarm.alarm for alarm in second.link.shown[-1].alarms]
    second.ticks(130)
    assert "heat-budget-spent" in [alarm.alarm for alarm in second.link.shown[-1].alarms]
    assert second.journal.stop()


def test_a_cure_that_the_clock_was_set_back_in_is_as_young_as_it_may_be(tmp_path: Path) -> None:
    """The clock goes back three hours while the unit cures; 24 h from the earlier date are not enough."""
    clock = HandClock()
    assert clock.wall_offset_ms is not None
    first = Station(tmp_path / "bench.db", clock=clock)
    do(
        first,
        "book-in unit=U-1 model=m",
        "start step=bond",
        "finish step=bond result=pass",
        "start step=cure",
    )
    began_ms = clock.now_ms + clock.wall_offset_ms
    clock.wall_offset_ms -= 3 * 3_600_000
    first.ticks(20)
    assert first.journal.stop()
    for hours, accepted in ((21.1, False), (24.1, True)):
        later = HandClock()
        later.boot, later.wall_offset_ms = f"boot-{hours}", began_ms + round(hours * 3_600_000)
        again = Station(tmp_path / "bench.db", clock=later)
        again.ticks(1)
        answered: list[Answer] = []
        again.inbox.put(Asking(parse_text("finish step=cure result=pass"), answered.append))
        again.ticks(1)
        assert again.journal.flush(10)
        assert (answered[0].accepted, "cure-unfinished" in answered[0].reasons) == (accepted, not accepted)
        assert again.journal.stop()


class JumpingWires(HandWires):
    """A plate at 100 °C with one frame of 170 °C."""

    def read(self) -> tuple[PlateReading, ExtractionReading, bool | None]:
        """The twentieth is absurd."""
        _, extraction, out = super().read()
        plate_c = 170.0 if self.word == 20 else 100.0
        plate = PlateReading(quality=PlateQuality.GOOD, word=self.word, plate_c=plate_c, cold_junction_c=24.0)
        return plate, extraction, out


def test_requests_between_ticks_do_not_judge_a_reading_again(tmp_path: Path) -> None:
    """Two requests come while an absurd frame is the last one: the record's hottest reading stays 100 °C."""
    station = Station(tmp_path / "bench.db", wires=JumpingWires)
    station.ticks(20)
    for _ in range(2):
        station.clock.now_ms += 20
        station.inbox.put(Asking(parse_text("ack")))
        station.daemon.answer()
    station.clock.now_ms -= 40
    station.ticks(30)
    station.daemon.finish("stopped")
    assert station.journal.stop()
    with History(station.journal.path) as history:
        assert {second.plate_max_c for second in history.seconds_of("boot-1")} == {100.0}


def test_a_soak_goes_on_after_a_restart_where_the_record_has_it(tmp_path: Path) -> None:
    """200 s of a soak of 300, a restart, resumed: 101 s more are enough, and the step tells the whole of it.

    All of it once more would be heat that the panel has had already.
    """
    first = Station(tmp_path / "bench.db", wires=HotWires)
    do(first, "book-in unit=U-1 model=m", "start step=frame-off")
    first.ticks(2000)
    first.daemon.finish("stopped")
    assert first.journal.stop()
    clock = HandClock()
    clock.boot = "boot-2"
    second = Station(tmp_path / "bench.db", clock=clock, wires=HotWires)
    second.ticks(3)
    do(second, "resume")
    second.ticks(900)
    answered: list[Answer] = []
    for ticks in (0, 130):
        second.ticks(ticks)
        second.inbox.put(Asking(parse_text("finish step=frame-off result=pass"), answered.append))
        second.ticks(1)
        assert second.journal.flush(10)
    assert [(answer.accepted, list(answer.reasons)) for answer in answered] == [
        (False, ["soak-unfinished"]),
        (True, []),
    ]
    with History(second.journal.path) as history:
        told = [each.record.body for each in history.events()]
    (finished,) = [body for body in told if isinstance(body, StepFinished)]
    assert finished.values["soak_s"] == pytest.approx(303, abs=2)
    assert second.journal.stop()
