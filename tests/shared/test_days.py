"""Days told from a few events, against all of the record."""

import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from hypothesis import Phase, example, given, settings
from hypothesis import strategies as st

from shared import events
from shared.history import History
from shared.proof import proof
from shared.timeline import Moment
from station.journal.ledger import BootClock, Ledger, Told

HOUR_MS = 3_600_000
STARTED = events.StationStarted(station="s", version="v", sheet="s")
PROVEN, OUT = events.ExtractionProven(), events.SignedOut()
START = events.StepStarted(unit="U-1", step="solder", attempt=1)
OTHER = events.StepStarted(unit="U-2", step="solder", attempt=1)
HELD = events.StepHeld(unit="U-1", step="solder", alarm="station-restart")
RESUMED = events.StepResumed(unit="U-1", step="solder")
END = events.StepFinished(unit="U-1", step="solder", result="pass")
BODIES = st.sampled_from(
    [STARTED, PROVEN, events.ExtractionLost(reason="low-current"), OUT]
    + [
        make(unit=unit, step=step, **more)
        for unit in ("U-1", "U-2")
        for step in ("solder", "bond")
        for make, more in (
            (events.StepStarted, {"attempt": 1}),
            (events.StepHeld, {"alarm": "extraction-lost"}),
            (events.StepResumed, {}),
            (events.StepFinished, {"result": "pass"}),
            (events.StepAbandoned, {"reason": "dropped"}),
        )
    ]
)
# Each boot: the hour in which it began (none: its clock was never set), and its events, minutes apart.
BOOTS = st.lists(
    st.tuples(
        st.one_of(st.none(), st.integers(0, 60)),
        st.lists(st.tuples(st.integers(0, 300), BODIES), max_size=12),
    ),
    max_size=5,
)


def write(path, boots):
    """The record of these boots, each begun with the station's start."""
    ledger = Ledger(path)
    try:
        for number, (hour, story) in enumerate(boots):
            boot, at_min = f"boot-{number}", 0
            batch = [BootClock(boot, None if hour is None else hour * HOUR_MS)]
            batch.append(Told(Moment(boot, 0), (STARTED,)))
            for after_min, body in story:
                at_min += after_min
                batch.append(Told(Moment(boot, at_min * 60_000), (body,)))
            ledger.write(batch)
    finally:
        ledger.close()
    # Each boot was seen to run for two hours beyond its last event.
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(
            "INSERT INTO readings (boot_id, second, quality, valid_ms) "
            "SELECT boot_id, max(mono_ms) / 1000 + 7199, 1, 0 FROM events GROUP BY boot_id"
        )


@settings(max_examples=60, phases=[Phase.explicit, Phase.generate])
@given(BOOTS, st.integers(-2, 70), st.integers(1, 30))
# The last event was before the days, what it began reached into them; then come boots without a date, or
# none, or one that began with the first day, or only beyond them.
@example([(0, [(5, PROVEN)]), (None, [(5, OUT)])], 1, 5)
@example([(0, [(5, PROVEN)]), (None, [(5, OUT)]), (50, [])], 1, 5)
@example([(0, [(5, PROVEN)]), (1, [(5, OUT)])], 1, 5)
@example([(0, [(5, PROVEN)])], 1, 5)
# Soldering that was begun in one boot, or two boots before, and went on in the days.
@example([(0, [(5, START)]), (1, [(5, PROVEN), (120, END)])], 2, 5)
@example([(0, [(5, START)]), (1, [(5, HELD)]), (2, [(5, RESUMED), (30, PROVEN), (120, OUT)])], 3, 5)
# A clock was set back: the boot before reaches into the days as well.
@example([(0, [(5, PROVEN), (1, START)]), (0, [(5, OUT)])], 1, 5)
@example([(0, [(5, PROVEN), (1, START)]), (0, [(5, HELD)]), (50, [])], 1, 5)
@example([(0, [(5, START)]), (1, [(5, OTHER)]), (2, [(5, PROVEN), (120, END)])], 3, 5)
def test_days_are_told_as_from_all_of_the_record(boots, from_h, hours):
    """Whatever the clocks and the order of dates: the same events within, the same proof and soldering."""
    from_ms, to_ms = from_h * HOUR_MS, (from_h + hours) * HOUR_MS
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        write(path, boots)
        with History(path) as history:
            every, told = list(history.told()), history.told_about(from_ms, to_ms)
            undated, ends = history.undated(), {span.boot: span.to_ms for span in history.spans()}

    def proven(found):
        whole = proof(found, ["solder"], from_ms, to_ms, ends)
        return whole._replace(soldering=tuple(sorted(whole.soldering, key=repr)))

    def within(found):
        return [one for one in found if one[1].wall_ms is not None and from_ms <= one[1].wall_ms < to_ms]

    assert within(told) == within(every)
    assert proven(told) == proven(every)
    assert undated == sum(moment.wall_ms is None for _, moment, _ in every)


def test_a_day_is_told_from_little_of_a_long_record(tmp_path):
    """Thirty days of ten events each: one of them is told from its own and one more."""
    write(tmp_path / "bench.db", [(24 * day, [(60, OUT)] * 9) for day in range(30)])
    with History(tmp_path / "bench.db") as history:
        told = history.told_about(20 * 24 * HOUR_MS, 21 * 24 * HOUR_MS)
    assert [seq for seq, _, _ in told] == list(range(201, 212))
