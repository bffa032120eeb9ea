"""The command line that both hostile clients have in common."""

import argparse
import shutil
import sys
import tempfile
from pathlib import Path

from besieged import Attack, Outcome, besiege
from campaign import keep, table


def shown(outcomes: list[Outcome]) -> str:
    """The table: each attack, what was done, the longest time between two heartbeats, and what was wrong."""
    rows: list[tuple[object, ...]] = [
        ("attack", "done", "longest beat s", "recorded", "station +MB", "pages +MB", "wrong")
    ]
    for one in outcomes:
        done = ", ".join(f"{count} {what}" for what, count in one.counts.items())
        figures = one.figures
        rows.append(
            (
                one.name, done or ", ".join(f"{v} {k.replace('_', ' ')}" for k, v in figures.items()),
                *(figures.get(key, "") for key in ("longest_beat_s", "recorded", "station_grew_mb", "pages_grew_mb")),
                len(one.wrong) or "–",
            )
        )  # fmt: skip
    return table(rows)


def main(about: str, name: str, attacks: tuple[Attack, ...]) -> int:
    """Run the attacks and keep the figures; 1 where something was wrong."""
    parser = argparse.ArgumentParser(description=about.splitlines()[0])
    parser.add_argument("--seconds", type=float, default=10.0, help="how long each attack lasts at most")
    parser.add_argument("--only", nargs="+", metavar="NAME", help="attacks by name")
    parser.add_argument("--json", type=Path, metavar="FILE", help="where the figures go, too")
    told = parser.parse_args()
    wanted = tuple(each for each in attacks if told.only is None or each.name in told.only)
    if not wanted:
        parser.error(f"the attacks are: {', '.join(each.name for each in attacks)}")
    with tempfile.TemporaryDirectory(prefix="benchward-siege-") as folder:
        outcomes = besiege(
            wanted, Path(folder), told.seconds, lambda _: print(".", end="", file=sys.stderr, flush=True)
        )
    print(file=sys.stderr)
    print(shown(outcomes))
    for one in outcomes:
        for wrong in one.wrong:
            print(f"WRONG {one.name}: {wrong}")
    kept = keep(
        name, {one.name: {"counts": one.counts, **one.figures, "wrong": one.wrong} for one in outcomes}
    )
    print(kept)
    if told.json is not None:
        shutil.copy(kept, told.json)
    return int(any(one.wrong for one in outcomes))
