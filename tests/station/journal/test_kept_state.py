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
from shared.timeline import TRACE_BOOT, Moment, is_trace, rfc3339
from station.cli import main
from station.journal import kept_state
from station.journal.audit import audit
from station.journal.kept_state import take_up
from station.journal.ledger import Ledger, Told
from station.journal.writer import Journal
from station.rules.fold import fold
from station.rules.state import Durable

START_MS = 1_772_440_000_000
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


def test_what_is_kept_spares_reading_what_lies_before(path):
    """With the first event unreadable a start that has a kept state does not notice: it begins beyond it."""
    whole = started_again(path)
    change(path, "UPDATE events SET body = 'damaged' WHERE seq = 1")
    assert take_up(path).durable == whole


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
        pytest.param("UPDATE kept_state SET rules = ?", "other", id="made by other rules"),
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


def test_verify_finds_a_state_that_somebody_edited(path):
    """The chain does not cover it, so its events are folded once more; roll-up forgets it."""
    started_again(path)
    change(path, "UPDATE kept_state SET body = replace(body, 'T-1', 'T-9')")
    with pytest.raises(FailureError, match=r"kept_state, at event 6: technician is not what the events make"):
        audit(path)
    refused = CliRunner().invoke(main, ["verify", "--db", str(path)])
    assert (refused.exit_code, "kept_state, at event 6" in refused.stderr) == (1, True)
    done = CliRunner().invoke(main, ["migrate", "--db", str(path), "--roll-up"])
    assert (done.exit_code, kept(path)) == (0, [])
    audit(path)


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
    st.sampled_from(["goes on", "new boot", "replay"]),
    st.lists(ABOUT_THE_STATION, max_size=4),
    st.integers(0, 6),
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(runs=st.lists(RUN, min_size=1, max_size=6))
def test_a_kept_state_never_makes_a_difference(tmp_path_factory, monkeypatch, runs):
    """Boots that end or go on, replays between, clocks set late: each start takes up the whole fold."""
    monkeypatch.setattr(kept_state, "WORTH_KEEPING", 1)
    path = tmp_path_factory.mktemp("kept") / "bench.db"
    number = 0
    for at, (kind, bodies, so_far) in enumerate(runs):
        number += kind == "new boot"
        boot = f"{TRACE_BOOT}{at}" if kind == "replay" else f"boot-{number}"
        done = [STARTED, *about(f"U-{at}")[:so_far], *bodies]
        write(path, *(told(boot, 100 * at + at_s, body) for at_s, body in enumerate(done)))
        assert started_again(path) == folded(path)
    check = kept_state.Check(kept_state.stored(path))
    with History(path) as history:
        for dated in history.events():
            check.hear(dated)
    assert check.contradiction() is None
