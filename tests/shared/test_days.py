"""Days told from a few events, against all of the record."""

import tempfile
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
BODIES = st.sampled_from(
    [STARTED, events.ExtractionProven(), events.ExtractionLost(reason="low-current"), events.SignedOut()]
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
            boot, at_min = f"boot-{number}", 1
            batch = [BootClock(boot, None if hour is None else hour * HOUR_MS)]
            batch.append(Told(Moment(boot, 60_000), (STARTED,)))
            for after_min, body in story:
                at_min += after_min
                batch.append(Told(Moment(boot, at_min * 60_000), (body,)))
            ledger.write(batch)
    finally:
        ledger.close()


@settings(max_examples=60, phases=[Phase.explicit, Phase.generate])
@given(BOOTS, st.integers(-2, 70), st.integers(1, 30))
# A boot whose last event was before the days, another without a date, and nothing else.
@example([(0, [(5, events.ExtractionProven())]), (None, [(5, events.SignedOut())])], 1, 5)
def test_days_are_told_as_from_all_of_the_record(boots, from_h, hours):
    """Whatever the clocks and the order of dates: the same events within, the same proof and soldering."""
    from_ms, to_ms = from_h * HOUR_MS, (from_h + hours) * HOUR_MS
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.db"
        write(path, boots)
        with History(path) as history:
            every, told = list(history.told()), history.told_about(from_ms, to_ms)
            undated = history.undated()
    # Each boot was seen to run for two hours beyond its last event.
    ends = {moment.boot: moment.mono_ms + 2 * HOUR_MS for _, moment, _ in every}

    def within(found):
        return [one for one in found if one[1].wall_ms is not None and from_ms <= one[1].wall_ms < to_ms]

    assert within(told) == within(every)
    assert proof(told, ["solder"], from_ms, to_ms, ends) == proof(every, ["solder"], from_ms, to_ms, ends)
    assert undated == sum(moment.wall_ms is None for _, moment, _ in every)


def test_a_day_is_told_from_little_of_a_long_record(tmp_path):
    """Thirty days of ten events each: one of them is told from its own, its start's and one more."""
    write(tmp_path / "bench.db", [(24 * day, [(60, events.SignedOut())] * 9) for day in range(30)])
    with History(tmp_path / "bench.db") as history:
        told = history.told_about(20 * 24 * HOUR_MS, 21 * 24 * HOUR_MS)
    assert [seq for seq, _, _ in told] == list(range(191, 212))
