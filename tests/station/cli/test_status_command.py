"""`benchward status`: what each standing is called, and what it asks for."""

from pathlib import Path

import pytest
from hand_bench import RUNNING_A, HandBench
from msgspec.structs import replace

from shared.events import AlarmRaised, UnitBookedIn
from shared.messages import AlarmState, CommissioningState, KeepingState, StationState, Status
from shared.problems import FailureError, InputError
from shared.timeline import Moment
from station.cli.status import LIVES, headline, screen, to_see_to, what_is_wrong, what_to_do
from station.journal.claim import Claim, Holder, holder_of
from station.rules.describe import describe
from station.rules.fold import fold
from station.rules.state import Life
from station.standing import Record, Standing, record_of

NOTHING = Standing("bench-1", None, None, None, None, None, None, None)
HELD = Holder(77, "benchward run")
NOW = Moment("b", 5000, 1_772_440_200_000)
LEFT = fold(
    [(NOW, UnitBookedIn(unit="U-1", model="m")), (NOW, AlarmRaised(alarm="plate-high", priority="medium"))]
)
CUT_OFF = Record(Path("x.db"), NOW.wall_ms, None, LEFT, None)
STOPPED = CUT_OFF._replace(ended="stopped")


def live(**changed) -> StationState:
    """A bench whose fan runs, as it tells itself."""
    bench = HandBench()
    bench.run(8, amps=RUNNING_A)
    made = describe(
        bench.book, bench.state, bench.reading(), Moment(bench.boot, bench.now_ms), bench.decision.indication,
        station="bench-1", ticks=700, ticks_missed=0,
    )  # fmt: skip
    return replace(made, **{"keeping": KeepingState(journal_lag_s=0.4, events_waiting=0), **changed})


def alarm(priority: str, state: Life = Life.UNACKNOWLEDGED) -> AlarmState:
    """An alarm that is not normal."""
    return AlarmState(alarm="x", priority=priority, state=str(state), title="T", text="Do it.", since_s=1.0)


@pytest.mark.parametrize(
    ("found", "says", "runs"),
    [
        (
            NOTHING._replace(state=live()),
            "bench-1 runs; its clock says nothing, for it has not been set.",
            True,
        ),
        (NOTHING._replace(figures={}), "bench-1 runs, but nothing of it is heard at the broker.", True),
        (
            NOTHING._replace(holder=HELD, record=CUT_OFF._replace(growing=True)),
            "bench-1 runs, but nothing of it is heard at the broker.",
            True,
        ),
        (
            NOTHING._replace(holder=HELD, record=CUT_OFF._replace(growing=False)),
            "bench-1 HANGS: process 77 (benchward run) has the journal and writes nothing.",
            False,
        ),
        (
            NOTHING._replace(holder=HELD, record=CUT_OFF),
            "bench-1: process 77 (benchward run) has the journal; whether it works cannot be told.",
            False,
        ),
        (
            NOTHING._replace(said=Status(online=True, reason="running")),
            "bench-1 IS SILENT: the broker believes that it runs, but nothing comes from it.",
            False,
        ),
        (NOTHING._replace(record=STOPPED), "bench-1 DOES NOT RUN: nothing watches the bench.", False),
        (
            NOTHING._replace(said=Status(online=False, reason="lost")),
            "bench-1 DOES NOT RUN: nothing watches the bench.",
            False,
        ),
        (
            NOTHING,
            "bench-1 DOES NOT RUN: nothing was ever heard of it at this broker or found on this machine.",
            False,
        ),
    ],
)
def test_each_standing_has_its_sentence(found: Standing, says: str, runs: bool) -> None:
    """Alive or not is the first line, and the exit code follows from it."""
    assert (headline(found), found.runs) == (says, runs)
    assert bool(list(what_to_do(found))) is not runs


def test_alarms_are_wrong_and_low_ones_can_wait() -> None:
    """Medium and above must be acted on, each with what it asks for; a low one is told beside."""
    found = NOTHING._replace(state=live(alarms=[alarm("critical"), alarm("low", Life.ACKNOWLEDGED)]))
    assert list(what_is_wrong(found)) == ["critical alarm, not acknowledged: T. Do it."]
    assert "T (acknowledged). Do it." in list(to_see_to(found))
    assert "  Nothing is wrong." not in screen(found, list(what_is_wrong(found)), [])


def test_an_alarm_put_aside_without_a_cause_is_not_wrong() -> None:
    """Shelved for the time of a repair: no reason to act; one that stands is wrong."""
    rests, stands = (replace(alarm("medium", Life.SHELVED), standing=each) for each in (False, True))
    assert list(what_is_wrong(NOTHING._replace(state=live(alarms=[rests])))) == []
    told = list(to_see_to(NOTHING._replace(state=live(alarms=[rests]))))
    assert "T: put aside for a while; its cause does not stand now." in told
    assert len(list(what_is_wrong(NOTHING._replace(state=live(alarms=[stands]))))) == 1


def test_shift_check_that_failed_is_wrong_until_another_one() -> None:
    """The bench was found unfit; it says so until somebody has tried again."""
    walked = CommissioningState(commissioned=True, by="S-01", shift_passed=False, shift_by="T-04")
    wrong = list(what_is_wrong(NOTHING._replace(state=live(commissioning=walked))))
    assert len(wrong) == 1
    assert wrong[0].startswith("The last shift check failed (T-04")


def test_every_life_of_an_alarm_has_words() -> None:
    """A state without words would break the screen when it is needed most; normal ones are not shown."""
    assert set(LIVES) == set(Life) - {Life.NORMAL}


def test_unheard_station_tells_its_alarms_from_the_record() -> None:
    """Where the broker is away, what stands is what the journal says."""
    found = NOTHING._replace(record=CUT_OFF._replace(growing=True), holder=HELD, broker_fault="Broker gone.")
    wrong = list(what_is_wrong(found))
    assert wrong[0] == "Broker gone."
    assert wrong[1].startswith("medium alarm, not acknowledged: Plate above its band.")
    assert len(wrong) == 2


def test_run_that_was_cut_off_warns_of_the_iron() -> None:
    """After a kill the outputs stay as they were; after an orderly end they are safe."""
    assert any("cut off" in each for each in what_is_wrong(NOTHING._replace(record=CUT_OFF)))
    assert "Unplug the iron until the station runs." in what_to_do(NOTHING._replace(record=CUT_OFF))
    assert not list(what_is_wrong(NOTHING._replace(record=STOPPED)))
    assert "Unplug the iron until the station runs." not in what_to_do(NOTHING._replace(record=STOPPED))


@pytest.mark.parametrize(
    ("changed", "line"),
    [
        ({"ticks_missed": 7}, "The machine is too slow: 7 ticks were left out, 0.99% of all."),
        (
            {"commissioning": CommissioningState(commissioned=False, reason="wires-changed")},
            "Not commissioned: the wires' settings have changed since the last walk.",
        ),
    ],
)
def test_what_can_wait_is_told(changed, line) -> None:
    """None of it makes the exit code 1."""
    found = NOTHING._replace(state=live(**changed))
    assert line in list(to_see_to(found))
    assert not list(what_is_wrong(found))


def test_screen_of_a_running_bench_reads_aloud() -> None:
    """The whole of it, with the figures of loopback."""
    walked = CommissioningState(
        commissioned=True, by="S-01", at="2026-03-02T08:30:00.000Z", shift_passed=False, shift_by="T-04"
    )
    state = live(commissioning=walked, technician="T-04", at="2026-03-02T09:00:00.000Z")
    found = NOTHING._replace(state=state, figures={"benchward_board_celsius": 48.3})
    assert screen(found, [], []) == [
        "bench-1 runs; its clock says 2026-03-02T09:00:00.000Z.",
        "  Nothing is wrong.",
        "",
        "  plate       25.0 °C",
        "  extraction  proven for 2.9 s, 0.42 A",
        "  solvent     in its cradle",
        "  iron        may be used",
        "  in hand     no unit; T-04",
        "  wiring      commissioned by S-01, 2026-03-02T08:30:00.000Z; last shift check FAILED, T-04, "
        "date not known",
        "  record      written in time; the oldest that waits is 0.4 s old",
        "  broker      has everything",
        "  computer    48 °C",
    ]


def test_holder_is_found_without_touching_the_claim(tmp_path: Path) -> None:
    """The kernel's list of locks names this very process; a station could still start after a release."""
    database = tmp_path / "s.db"
    assert holder_of(database) is None
    claim = Claim(database)
    found = holder_of(database)
    claim.release()
    assert found is not None
    assert "pytest" in found.command
    assert holder_of(database) is None
    Claim(database).release()


def test_locks_of_other_files_and_kinds_do_not_count(tmp_path: Path) -> None:
    """Lines as in proc_locks(5): only an exclusive flock of this inode is the claim."""
    database = tmp_path / "s.db"
    Claim(database).release()
    inode = Claim.path_for(database).stat().st_ino
    locks = tmp_path / "locks"
    lock = "ADVISORY  WRITE"
    other = f"1: POSIX  {lock} 5 08:01:{inode} 0 EOF\n2: FLOCK  {lock} 6 08:01:{inode + 1} 0 EOF\n"
    locks.write_text(f"{other}2: -> FLOCK  ADVISORY  WRITE 8 08:01:{inode} 0 EOF\n")
    assert holder_of(database, tmp_path) is None
    locks.write_text(f"{other}3: FLOCK  ADVISORY  WRITE 7 08:01:{inode} 0 EOF\n")
    assert holder_of(database, tmp_path) == Holder(7, "")


def test_record_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    """A missing file is one thing, a file of something else another."""
    with pytest.raises(InputError, match="no such file"):
        record_of(tmp_path / "none.db", None)
    (tmp_path / "odd.db").write_text("not a database")
    with pytest.raises((InputError, FailureError), match=r"odd\.db"):
        record_of(tmp_path / "odd.db", None)
