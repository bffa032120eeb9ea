"""The state kept for the next start: the same as folding everything, or not used."""

import sqlite3
from contextlib import closing
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from shared import events
from shared.history import History
from shared.problems import FailureError
from shared.sheet import default_sheet
from shared.timeline import TRACE_BOOT, Moment, is_trace, rfc3339
from station.cli import main
from station.journal import kept_state
from station.journal.audit import audit
from station.journal.kept_state import take_up
from station.journal.ledger import Ledger, Told
from station.journal.writer import Journal
from station.rules.decide import NOTHING_KNOWN
from station.rules.fold import apply, fold
from station.rules.limits import Limits
from station.rules.state import Durable
from station.rules.tick import Book
from station.standing import record_of

START_MS = 1_772_440_000_000
BOOK = Book(Limits(), default_sheet())
STARTED = events.StationStarted(station="bench-1", version="v", sheet="s", settings="as-built")


def told(boot: str, at_s: float, *bodies: events.EventBody) -> Told:
    """Events of a moment."""
    return Told(Moment(boot, round(at_s * 1000)), bodies)


def write(path: Path, *entries: Told) -> None:
    """What a run of the station leaves."""
    ledger = Ledger(path)
    ledger.write(entries)
    ledger.close()


def a_run(boot: str, *bodies: events.EventBody) -> list[Told]:
    """One boot: started, some things done a second apart, one of them the clock being set."""
    return [told(boot, at_s, body) for at_s, body in enumerate((STARTED, *bodies))]


def folded(path: Path) -> Durable:
    """The state by the slow way, from the first event on."""
    with History(path) as history:
        return fold((moment, body) for _, moment, body in history.told() if not is_trace(moment.boot))


def started_again(path: Path) -> Durable:
    """The state that a start of the station takes up; it keeps what is worth it."""
    journal = Journal(path, 1.0)
    journal.start()
    assert journal.stop()
    return journal.durable()


def kept(path: Path) -> list[tuple]:
    """What is kept: seq and state."""
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT seq, body FROM kept_state").fetchall()


def change(path: Path, statement: str, *values: object) -> None:
    """Somebody edits the file."""
    with closing(sqlite3.connect(path)) as connection, connection:
        assert connection.execute(statement, values).rowcount == 1


FIRST = [
    events.UnitBookedIn(unit="U-1", model="oled"),
    events.UnitTaken(unit="U-1"),
    events.StepStarted(unit="U-1", step="bond", attempt=1, work="bond"),
    events.AlarmRaised(alarm="link-down", priority="low"),
    events.SignedIn(technician="T-1"),
]
SECOND = [events.StepFinished(unit="U-1", step="bond", result="pass"), events.SignedOut()]


@pytest.fixture
def path(tmp_path, monkeypatch) -> Path:
    """A record of two boots; few events are worth keeping here."""
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 3)
    file = tmp_path / "bench.db"
    write(file, *a_run("boot-1", *FIRST), *a_run("boot-2", *SECOND))
    return file


def test_a_start_keeps_the_state_at_the_end_of_the_boot_before_the_last(path):
    """Six events of the first boot; the next start goes on from there and comes to the same."""
    whole = folded(path)
    assert started_again(path) == whole
    ((seq, body),) = kept(path)
    assert seq == 6
    state = msgspec.json.decode(body, type=Durable)
    assert (state.technician, state.run.step, set(state.alarms)) == ("T-1", "bond", {"link-down"})
    assert started_again(path) == whole
    assert whole.technician is None
    assert whole.units["U-1"].passed == ("bond",)
    audit(path)


def test_what_is_kept_spares_folding_what_lies_before(path, monkeypatch):
    """The three events of the second boot."""
    whole = started_again(path)
    reads = []
    monkeypatch.setattr(kept_state, "apply", lambda *told: reads.append(told) or apply(*told))
    assert take_up(path).durable == whole
    assert len(reads) == 3


def test_too_little_is_not_kept(path, monkeypatch):
    """Six events are more than three and fewer than seven; and what is kept already is not kept again."""
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 7)
    assert take_up(path).keep is None
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 6)
    assert take_up(path).keep.seq == 6
    started_again(path)
    assert take_up(path).keep is None


def test_a_boot_that_goes_on_after_a_replay_is_not_over(path):
    """Its date may still come: nothing of it is kept, whatever boot of a trace lies between."""
    write(path, *a_run(f"{TRACE_BOOT}fan-dies", *FIRST), *a_run("boot-2", *SECOND))
    started_again(path)
    assert [seq for seq, _ in kept(path)] == [6]


def test_a_record_of_one_boot_keeps_nothing(tmp_path, monkeypatch):
    """It runs on."""
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 0)
    write(tmp_path / "one.db", *a_run("boot-1", *FIRST))
    assert started_again(tmp_path / "one.db") == folded(tmp_path / "one.db")
    assert kept(tmp_path / "one.db") == []


@pytest.mark.parametrize(
    ("statement", "value"),
    [
        pytest.param("UPDATE kept_state SET digest = ?", "0" * 64, id="made by other rules"),
        pytest.param("UPDATE kept_state SET hash = ?", "0" * 64, id="of another chain"),
        pytest.param("UPDATE kept_state SET body = ?", "{", id="no state"),
        pytest.param("UPDATE kept_state SET body = ?", '{"units": 5}', id="another kind of state"),
        pytest.param("UPDATE kept_state SET body = ?", b"\xff\xfe", id="bytes"),
    ],
)
def test_what_is_not_to_be_trusted_is_not_used(path, statement, value):
    """The events are folded from the first on; a start keeps a sound state in its place."""
    whole = started_again(path)
    change(path, statement, value)
    assert take_up(path) == (whole, take_up(path).keep)
    assert take_up(path).keep.seq == 6
    audit(path)
    started_again(path)
    assert [seq for seq, _ in kept(path)] == [6]
    assert msgspec.json.decode(kept(path)[0][1], type=Durable).technician == "T-1"


def test_verify_finds_a_state_that_somebody_forged(path):
    """With a digest that fits. The chain does not cover it, so its events are folded once more."""
    started_again(path)
    ((seq, body),) = kept(path)
    forged = body.replace("T-1", "T-9")
    with closing(sqlite3.connect(path)) as connection:
        (chained,) = connection.execute("SELECT hash FROM kept_state").fetchone()
    digest = kept_state._digest(kept_state.rules_digest(), seq, chained, forged)
    change(path, "UPDATE kept_state SET body = ?, digest = ?", forged, digest)
    with pytest.raises(FailureError, match=r"kept_state, at event 6: technician is not what the events make"):
        audit(path)
    refused = CliRunner().invoke(main, ["verify", "--db", str(path)])
    assert (refused.exit_code, "kept_state, at event 6" in refused.stderr) == (1, True)
    done = CliRunner().invoke(main, ["migrate", "--db", str(path), "--roll-up"])
    assert (done.exit_code, kept(path)) == (0, [])
    audit(path)


@pytest.mark.parametrize("word", ["alarms", "held_by", "in_hand", "units"])
def test_a_changed_name_in_what_is_kept_loses_no_alarm_and_no_hold(path, word):
    """What is kept has defaults for what it lacks, so a byte on the card could make a bench look empty."""
    whole = started_again(path)
    change(path, "UPDATE kept_state SET body = replace(body, ?, ?)", word, word.upper())
    assert kept_state.kept_in(path) is None
    assert started_again(path) == whole


@pytest.mark.parametrize(
    "damaged",
    [
        pytest.param(events.UnitBookedIn(unit="U-1", model="oled"), id="of the unit in hand"),
        pytest.param(events.SignedIn(technician="T-1"), id="among those a start looks back to"),
    ],
)
def test_a_damaged_event_that_a_start_reads_has_the_file_set_aside(path, damaged):
    """As where all events are folded: found at the opening, and a new record begun."""
    started_again(path)
    kind = events.kind_of(damaged)
    change(path, "UPDATE events SET body = 'damaged' WHERE kind = ?", kind)
    journal = Journal(path, 1.0)
    journal.start()
    assert journal.set_aside is not None
    assert journal.durable() == Durable()
    assert journal.remembered(BOOK, Moment("boot-3", 0)) == NOTHING_KNOWN
    assert journal.stop()


def test_what_is_kept_of_a_boot_that_comes_back_is_forgotten_when_that_is_dated(path):
    """A database put back into the boot it came from: the date that its boot has now makes other moments."""
    started_again(path)
    write(path, told("boot-1", 500, STARTED), told("boot-1", 501, events.ClockSet(wall=rfc3339(START_MS))))
    assert kept(path) == []
    assert take_up(path).durable == folded(path)
    audit(path)


def test_rules_that_cannot_be_read_keep_nothing_and_use_nothing(path, monkeypatch):
    """Their text may be gone where Python has them compiled; no start fails by it."""
    whole = started_again(path)
    monkeypatch.setattr(kept_state.fold, "__file__", str(path.parent / "nowhere.py"))
    kept_state.rules_digest.cache_clear()
    try:
        assert kept_state.kept_in(path) is None
        assert started_again(path) == whole
    finally:
        monkeypatch.undo()
        kept_state.rules_digest.cache_clear()


def test_status_knows_how_the_last_run_ended_though_that_lies_before_what_is_kept(path):
    """Ended in order; then another boot in which no station ran writes a calibration."""
    write(path, told("boot-2", 60, events.StationStopped(reason="stopped")))
    calibrated = events.Calibrated(channel="extraction")
    write(path, told("boot-3", 5, calibrated))
    started_again(path)
    assert record_of(path, None).ended == "stopped"


def test_a_state_that_cannot_be_kept_keeps_no_station_from_starting(path):
    """Nothing waits for it; the state is folded."""
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "CREATE TRIGGER full BEFORE INSERT ON kept_state BEGIN SELECT RAISE(ABORT, 'full'); END"
        )
    assert started_again(path) == folded(path)
    assert kept(path) == []


ABOUT_THE_STATION = st.sampled_from(
    [
        events.SignedIn(technician="T-2"),
        events.SignedOut(),
        events.AlarmRaised(alarm="link-down", priority="low"),
        events.AlarmAcknowledged(alarm="link-down"),
        events.AlarmClosed(alarm="link-down"),
        events.Commissioned(station="bench-1", by="S-1", passed=True, verdicts={}, wires="w"),
        events.ClockSet(wall=rfc3339(START_MS)),
        events.ClockSet(wall=rfc3339(START_MS + 3_600_000)),
    ]
)


def about(unit: str) -> list[events.EventBody]:
    """What happens to a unit, in the order in which it can."""
    step = {"unit": unit, "step": "cure", "attempt": 1}
    return [
        events.UnitBookedIn(unit=unit, model="oled"),
        events.UnitTaken(unit=unit),
        events.StepStarted(**step),
        events.StepHeld(unit=unit, step="cure", alarm="plate-low"),
        events.StepFinished(unit=unit, step="cure", result="pass"),
        events.UnitClosed(unit=unit, outcome="delivered"),
    ]


RUN = st.tuples(
    st.sampled_from(["goes on", "new boot", "replay", "comes back"]),
    st.lists(ABOUT_THE_STATION, max_size=4),
    st.integers(0, 6),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=st.lists(RUN, min_size=1, max_size=6))
def test_a_kept_state_never_makes_a_difference(tmp_path_factory, monkeypatch, runs):
    """Boots that end, go on or come back, replays between, clocks set late: it is always the whole fold."""
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 1)
    path = tmp_path_factory.mktemp("kept") / "bench.db"
    number = 0
    for at, (kind, bodies, so_far) in enumerate(runs):
        number += kind == "new boot"
        boot = {"replay": f"{TRACE_BOOT}{at}", "comes back": "boot-0"}.get(kind, f"boot-{number}")
        done = [STARTED, *about(f"U-{at}")[:so_far], *bodies]
        write(path, *(told(boot, 100 * at + at_s, body) for at_s, body in enumerate(done)))
        assert started_again(path) == folded(path)
    check = kept_state.Check(kept_state.kept_in(path))
    with History(path) as history:
        for dated in history.events():
            check.hear(dated)
    assert check.contradiction() is None
