"""Mutation: does a test fail when a rule is wrong? One command:

    python tests/faults/mutation.py [NAME ...]        e.g. station.rules.interlock shared.heat

mutmut changes one thing at a time in the functions of `station/rules` and `shared/heat.py` and runs the tests
that call the changed function. What is changed, and which tests speak for it, stands in pyproject.toml under
``tool.mutmut``. It works on a copy, tests/artefacts/mutation, where ``mutmut show NAME`` shows a mutant.

Functions that are called while modules are imported cannot be judged so: a mutant is chosen after that. They
are named below, with the tests that speak for them, and counted apart.

Result: tests/artefacts/campaigns/mutation.json with every survivor; exit 1 when fewer than 90 % of the mutants
of a module are killed.
"""

import argparse
import os
import re
import shutil
import subprocess
import sys
from collections import defaultdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "support"))

from campaign import keep, table

ROOT = Path(__file__).resolve().parents[2]
AIM = 0.9
COPY = ROOT / "tests" / "artefacts" / "mutation"
COPIED = ("shared", "station", "dashboard", "deploy", "README.md", "DEVELOPERS.md")
# A mutant that makes a test run for ever, or the interpreter fall over, was noticed; one no test calls was not.
NOTICED = ("killed", "timeout", "segfault")
# It writes meaning and range beside each number: tests/station/rulebook/test_document.py asks for both.
AT_IMPORT = ("station.rules.limits.x__between",)
_LINE = re.compile(r"\s*(?P<name>\S+?)\.(?:x_|xǁ)(?P<mutant>\S+): (?P<how>[a-z ]+)")


def results(printed: str) -> dict[str, dict[str, list[str]]]:
    """Mutants by module and by what became of them, from what ``mutmut results --all true`` prints."""
    found: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
    for line in printed.splitlines():
        if (told := _LINE.fullmatch(line)) and told["how"] != "not checked":
            found[told["name"]][told["how"]].append(line.split(":")[0].strip())
    return found


def copy(to: Path = COPY) -> Path:
    """A fresh copy of what is changed and of its tests; where."""
    shutil.rmtree(to, ignore_errors=True)
    to.mkdir(parents=True)
    skip = shutil.ignore_patterns("artefacts", "__pycache__", "node_modules", "vendor")
    for name in (*COPIED, "tests", "pyproject.toml"):
        here = ROOT / name
        if here.is_dir():
            shutil.copytree(here, to / name, ignore=skip)
        else:
            shutil.copy2(here, to / name)
    return to


def mutmut(at: Path, *told: str, quiet: bool = False) -> str:
    """Run mutmut in a folder; what it printed.

    Raises:
        SystemExit: it failed, as it does when the tests fail before anything is changed.
    """
    command = [str(Path(sys.executable).parent / "mutmut"), *told]
    done = subprocess.run(command, cwd=at, text=True, capture_output=True, check=False)
    if done.returncode:
        raise SystemExit(f"{' '.join(command)} in {at} ended with {done.returncode}:\n{done.stdout[-4000:]}")
    return done.stdout


def run(names: list[str], at: Path, children: int) -> dict[str, dict[str, object]]:
    """The figures of each module."""
    mutmut(at, "run", "--max-children", str(children), *(f"{name}.x*" for name in names))
    figures: dict[str, dict[str, object]] = {}
    for name, ends in sorted(results(mutmut(at, "results", "--all", "true")).items()):
        unjudged = sum(mutant.startswith(AT_IMPORT) for mutants in ends.values() for mutant in mutants)
        ends = {how: [m for m in mutants if not m.startswith(AT_IMPORT)] for how, mutants in ends.items()}
        made = sum(map(len, ends.values()))
        if not made:
            continue
        killed = sum(len(ends.get(how, ())) for how in NOTICED)
        alive = [mutant for how, mutants in ends.items() if how not in NOTICED for mutant in mutants]
        figures[name] = {
            "mutants": made,
            "killed": killed,
            "share": killed / made,
            "at_import": unjudged,
            "survivors": alive,
        }
    return figures


def main() -> int:
    """Run the campaign, print it and keep its result."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("names", nargs="*", help="modules, such as station.rules.interlock; all without any")
    parser.add_argument("--children", type=int, default=os.cpu_count() or 1, help="mutants at a time")
    told = parser.parse_args()
    figures = run(told.names, copy(), told.children)
    print(
        table(
            [
                ("module", "mutants", "killed", "share"),
                *(
                    (name, file["mutants"], file["killed"], f"{file['share']:.1%}")
                    for name, file in figures.items()
                ),
            ]
        )
    )
    print(f"Survivors: {keep('mutation', {'modules': figures})}; `mutmut show NAME` in {COPY} shows one.")
    return int(not figures or any(file["share"] < AIM for file in figures.values()))


if __name__ == "__main__":
    raise SystemExit(main())
