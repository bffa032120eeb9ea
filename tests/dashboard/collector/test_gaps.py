"""Missing events and seconds: against a plain set difference, and on a real SQLite file."""

from pathlib import Path

import pytest
from click.testing import CliRunner
from collecting import event, reading, started
from hypothesis import given
from hypothesis import strategies as st

from dashboard.collector.cli import collect
from dashboard.collector.gaps import Gap, Hole, Run, gaps_of, holes_in
from dashboard.collector.rows import row_of
from dashboard.collector.store import Store, reading_engine


@pytest.mark.parametrize(
    ("runs", "gaps"),
    [
        ([], []),
        ([(1, 5), (6, 9)], []),
        ([(3, 5)], [(1, 2, False)]),
        ([(1, 2), (5, 6), (9, 9)], [(3, 4, False), (7, 8, False)]),
        ([(1, 9), (1, 4)], [(1, 4, True)]),
    ],
)
def test_gaps_of_one_station(runs, gaps):
    """From 1 to the newest; what two boots tell is said to be told twice."""
    assert gaps_of([Run("s", *run) for run in runs]) == [Gap("s", *gap) for gap in gaps]


@given(st.sets(st.integers(1, 60)), st.sets(st.integers(1, 60)))
def test_gaps_are_what_the_set_lacks(first, second):
    """Each station for itself."""
    runs = [Run(name, seq, seq) for name, held in (("a", first), ("b", second)) for seq in held]
    found = gaps_of(runs)
    for name, held in (("a", first), ("b", second)):
        missing = {seq for gap in found if gap.station == name for seq in range(gap.first, gap.last + 1)}
        assert missing == set(range(1, max(held, default=0) + 1)) - held


# ---- seconds


@pytest.fixture
def url(tmp_path: Path) -> str:
    """A file with two stations: one without holes, one with three, the second of them a stop."""
    url = f"sqlite:///{tmp_path}/all.db"
    store = Store(url, clock=lambda: 1_772_440_000.0)
    held = [*range(5), *range(8, 10), *range(20, 22), 25]
    store.write([row_of(reading("a", second)) for second in held])
    store.write([row_of(reading("a", second, boot="c")) for second in (100, 101)])
    store.write([row_of(reading("b", second)) for second in range(30)])
    store.write(
        [row_of(started("a", 1, 100)), row_of(started("a", 2, 19_400)), row_of(event("a", 3, 24_000))]
    )
    store.close()
    return url


def test_holes_are_told_with_why(url: str) -> None:
    """Lost while the station ran, or not recorded because it did not; another boot is another count."""
    engine = reading_engine(url)
    with engine.connect() as connection:
        found = holes_in(connection)
        assert found == [
            Hole("a", "b", 5, 7, stopped=False),
            Hole("a", "b", 10, 19, stopped=True),
            Hole("a", "b", 22, 24, stopped=False),
        ]
        assert holes_in(connection, "a") == found
        assert holes_in(connection, "b") == []
    engine.dispose()


@pytest.mark.parametrize(
    ("words", "code", "lines"),
    [
        (
            ["--station", "a"],
            1,
            [
                "a: boot b, seconds 5 to 7 missing",
                "a: boot b, seconds 10 to 19 not recorded: the station did not run",
                "a: boot b, seconds 22 to 24 missing",
            ],
        ),
        (["--station", "b"], 0, ["No second is missing while a station ran."]),
        (
            ["--station", "a", "--format", "csv"],
            1,
            ["station,boot,first,last,what", "a,b,5,7,missing", "a,b,10,19,stopped", "a,b,22,24,missing"],
        ),
    ],
)
def test_holes_are_printed(url: str, words: list[str], code: int, lines: list[str]) -> None:
    """One line a hole; exit code 1 where something was lost."""
    done = CliRunner().invoke(collect, ["--to", url, "--gaps", "--seconds", *words])
    assert (done.exit_code, done.output.splitlines()) == (code, lines)


def test_holes_want_the_list_of_gaps(url: str) -> None:
    """An option that would be passed over is refused."""
    done = CliRunner().invoke(collect, ["--to", url, "--seconds"])
    assert done.exit_code == 2
    assert "goes with --gaps" in done.output
