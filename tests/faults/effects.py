"""Faults and their effects: whatever befalls a bench is seen, at every place where it must be. One command:

    python tests/faults/effects.py [--short] [--only NAME …] [--json FILE]

Every row of `fault_table` is brought about at a station that runs as a process, on simulated wires, with a real
broker, a real SQLite file on a real disk, and the pages' process. Then is looked for what the row says: at the
output pins (lamps, sound, permit, heartbeat), in the journal, on the broker, on the page, in the log; and at the
end whether the chain is whole, the outputs are safe, and every event on disk was heard.

Prints what was injected, seen and lost. Lost must be none, else the exit code is 1. A row that cannot be brought
about on this machine is told with the reason, and counts as neither. Rows run side by side, and a machine with
too little time for them all starves a station of its samples, which is safe and no defect: a row that lost
something is brought about once more with nothing beside it, and that counts. It is told that it was.
"""

import argparse
import shutil
import sys
import tempfile
import threading
import time
import traceback
from collections import Counter
from collections.abc import Iterable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import NamedTuple

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE.parents[1]), str(HERE.parent / "support"), str(HERE)]

from campaign import keep, table
from fault import Fault
from fault_table import FAULTS
from scene import PLACES, NotHereError, World, play

LANES = 3


class Result(NamedTuple):
    """What came of a row: by place what was not seen, figures, and why it could not be brought about."""

    row: Fault
    lost: dict[str, list[str]]
    figures: dict[str, object]
    not_here: str = ""

    @property
    def missing(self) -> list[str]:
        """All that was lost, each with its place."""
        return [f"{place}: {each}" for place, these in self.lost.items() for each in these]

    def cell(self, place: str) -> str:
        """The place in the printed table."""
        if self.not_here:
            return ""
        if self.lost.get(place):
            return "LOST"
        asked = self.figures.get("asked")
        return "seen" if not isinstance(asked, dict) or asked.get(place, 1) else "–"


class Lanes:
    """Rows side by side; each lane keeps a world for the rows that leave their broker alone."""

    def __init__(self, folder: Path) -> None:
        """``folder``: for all files."""
        self._folder, self._mine, self._all = folder, threading.local(), []

    def play(self, row: Fault, name: str = "") -> Result:
        """One row, its files under its own name or another; never raises for what is found."""
        began_s = time.monotonic()
        place = self._folder / (name or row.name)
        try:
            if row.broker:
                world = World(place / "broker", row.broker)
                try:
                    lost, figures = play(row, world, place / "station")
                finally:
                    world.close()
            else:
                lost, figures = play(row, self._shared(), place / "station")
        except NotHereError as why:
            return Result(row, {}, {}, str(why))
        except Exception as error:
            # The bench could not be brought as far as the fault, or it broke off: that is no row that was seen.
            last = traceback.extract_tb(error.__traceback__)[-1]
            lost, figures = {"ready": [f"{error!r} ({Path(last.filename).name}:{last.lineno})"]}, {}
        return Result(row, lost, figures | {"took_s": round(time.monotonic() - began_s, 1)})

    def _shared(self) -> World:
        if not hasattr(self._mine, "world"):
            self._mine.world = World(self._folder / f"lane-{threading.get_ident()}")
            self._all.append(self._mine.world)
        return self._mine.world

    def close(self) -> None:
        """End every world."""
        for world in self._all:
            world.close()


def run(
    rows: Iterable[Fault], folder: Path, lanes: int = LANES, tell=lambda _: None, *, again: bool = True
) -> list[Result]:
    """Bring every row about, some side by side; the results in their order.

    ``again``: what lost something is brought about once more, alone; ``at_first`` of its figures says what it had lost.
    """

    def one(row: Fault) -> Result:
        result = sides.play(row)
        tell(result)
        return result

    def alone(lost: Result) -> Result:
        result = sides.play(lost.row, f"{lost.row.name}-alone")
        return result._replace(figures=result.figures | {"at_first": lost.missing})

    sides = Lanes(folder)
    try:
        with ThreadPoolExecutor(lanes) as pool:
            results = list(pool.map(one, rows))
        return [alone(result) if again and result.missing else result for result in results]
    finally:
        sides.close()


def shown(results: list[Result]) -> str:
    """The matrix, and the sums."""
    rows: list[tuple[object, ...]] = [("fault", "kind", *PLACES, "end", "permit s", "seen s")]
    for result in results:
        cells = [result.cell(place) for place in (*PLACES, "end")]
        note = "not here" if result.not_here else "LOST ready" if result.lost.get("ready") else ""
        rows.append(
            (result.row.name, result.row.kind, *cells, result.figures.get("permit_s", ""), note or result.figures.get("seen_s", ""))
        )  # fmt: skip
    return table(rows)


def sums(results: list[Result]) -> dict[str, int]:
    """How many were injected, seen whole, lost in some place, and could not be brought about here."""
    counts = Counter(
        "not_here" if result.not_here else "lost" if result.missing else "seen" for result in results
    )
    return {
        "injected": counts["seen"] + counts["lost"],
        **{k: counts[k] for k in ("seen", "lost", "not_here")},
    }


def main() -> int:
    """Run the campaign and keep its result; 1 when something was lost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument(
        "--only", nargs="+", default=(), metavar="NAME", dest="names", help="rows by name or kind"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="where the figures go, too")
    parser.add_argument("--short", action="store_true", help="the rows of the short form")
    parser.add_argument("--lanes", type=int, default=LANES, help="rows side by side")
    parser.add_argument("--keep", type=Path, help="a folder for the files of every row; else they go")
    told = parser.parse_args()
    rows = [
        row
        for row in FAULTS
        if (row.short or not told.short)
        and (not told.names or row.name in told.names or row.kind in told.names)
    ]
    if not rows:
        parser.error(f"no row is called {', '.join(told.names)}")
    began_s = time.monotonic()
    with tempfile.TemporaryDirectory(prefix="benchward-effects-") as passing:
        folder = told.keep or Path(passing)
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o755)
        results = run(rows, folder, told.lanes, lambda _: print(".", end="", file=sys.stderr, flush=True))
    print(file=sys.stderr)
    print(shown(results))
    for result in results:
        for each in result.figures.get("at_first", ()):
            print(f"AT FIRST, beside others, {result.row.name}: {each}")
        for each in result.missing:
            print(f"LOST {result.row.name}: {each}")
        if result.not_here:
            print(f"NOT HERE {result.row.name}: {result.not_here}")
    counts = sums(results)
    print(", ".join(f"{value} {name.replace('_', ' ')}" for name, value in counts.items()))
    figures = {
        **counts,
        "took_s": round(time.monotonic() - began_s, 1),
        "faults": {
            r.row.name: {
                "kind": r.row.kind,
                "source": r.row.source,
                **r.figures,
                "lost": r.missing,
                "not_here": r.not_here,
            }
            for r in results
        },
    }
    print(
        kept := keep("effects-part" if told.names else "effects-short" if told.short else "effects", figures)
    )
    if told.json is not None:
        shutil.copy(kept, told.json)
    return int(bool(counts["lost"]))


if __name__ == "__main__":
    raise SystemExit(main())
