"""Mutation: does a test fail when a rule is wrong? One command:

    python tests/faults/mutation.py [--part N] [FILE ...]

The tests are collected once and run once, noting which of them runs which line of a file. Then each mutant gets
a child process, where the changed function takes the place of the right one, and the tests that run its line
run, quickest first, until one fails: the mutant is killed. What is changed outside of functions (tables, frozen
numbers) can not be put in later: such a child collects anew with the changed module. A mutant that makes a test
run for ever is killed by time.

Result: tests/artefacts/campaigns/mutation.json with every survivor; exit 1 when fewer than 90 % of a file are killed.
"""

import argparse
import contextlib
import functools
import importlib
import importlib.abc
import importlib.util
import json
import os
import platform
import signal
import sys
import threading
import time
import types
from collections import defaultdict
from datetime import UTC, datetime
from fnmatch import fnmatch
from pathlib import Path

import hypothesis
import pytest
from _pytest.runner import runtestprotocol

sys.path.insert(0, str(Path(__file__).parent))

from mutants import Mutant, mutants

ROOT = Path(__file__).resolve().parents[2]
RESULT = ROOT / "tests" / "artefacts" / "campaigns" / "mutation.json"
AIM = 0.9
SLOWEST_TEST_S, SLOWEST_COLLECTION_S = 20, 60
# Of the tests that run a line, those named after the file, and as many others as take this long in all.
ENOUGH_S = 10.0
_SLOW = ("test_exploration", "test_warming", "test_panel_forecast", "test_decide_properties")
RULE_TESTS = tuple(
    str(path.relative_to(ROOT))
    for path in sorted((ROOT / "tests/station/rules").glob("test_*.py"))
    if path.stem not in _SLOW
)
_TABLE_TESTS = tuple(f"tests/station/rules/test_{name}.py" for name in ("causes", "requests", "indication"))
HEAT_TESTS = ("tests/shared/test_heat.py", "tests/reference/test_heat.py", "tests/shared/test_proof.py")
DEFAULT = (
    *(
        f"station/rules/{name}.py"
        for name in ("interlock", "alarms", "decide", "conditions", "extraction", "vapour")
    ),
    "shared/heat.py",
)


def tests_for(file: str) -> tuple[str, ...]:
    """The tests that speak for a file."""
    return RULE_TESTS if file.startswith("station/rules/") else HEAT_TESTS


class Campaign:
    """A pytest plugin that runs mutants of one file instead of the tests."""

    def __init__(self, file: str, part: int) -> None:
        """Mutate ``file``, every ``part``-th mutant, all when 1."""
        self.file, self.part = file, part
        self.path = str(ROOT / file)
        self.module = file.removesuffix(".py").replace("/", ".")
        self._complaints = os.dup(2)
        self.made = 0
        self.survivors: list[str] = []
        self.failed_before: list[str] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """The campaign in place of the plain run."""
        tests = self._who_runs_what(session)
        source = Path(self.path).read_text()
        # A statement over several lines is run by any of its lines; the child asks the function's first one too.
        for index, mutant in enumerate(mutants(source)):
            if index % self.part:
                continue
            self.made += 1
            items = self._items(tests, mutant)
            if not self._killed(session, mutant, items):
                self.survivors.append(str(mutant))
                print(f"  survives {self.file}:{mutant}", file=sys.stderr, flush=True)
        return True

    def _who_runs_what(self, session: pytest.Session) -> dict[int | str, list[pytest.Item]]:
        seen: dict[int | str, list[tuple[float, pytest.Item]]] = defaultdict(list)
        lines: set[int | str] = set()

        def local(frame: types.FrameType, what: str, _: object) -> object:
            lines.add(frame.f_lineno)
            return local

        def tracer(frame: types.FrameType, what: str, _: object) -> object:
            if frame.f_code.co_filename != self.path:
                return None
            lines.update((frame.f_lineno, frame.f_code.co_qualname))
            return local

        for item in session.items:
            lines.clear()
            sys.settrace(tracer)
            threading.settrace(tracer)
            began = time.perf_counter()
            try:
                reports = runtestprotocol(item, nextitem=None, log=False)
            finally:
                sys.settrace(None)
                threading.settrace(None)
            took_s = time.perf_counter() - began
            if any(report.failed for report in reports):
                self.failed_before.append(item.nodeid)
                continue
            for key in (*lines, "all"):
                seen[key].append((took_s, item))
        return {key: self._quick(found) for key, found in seen.items()}

    def _quick(self, found: list[tuple[float, pytest.Item]]) -> list[pytest.Item]:
        """The quickest tests that together take ``ENOUGH_S``, those named after the file first."""
        own = f"test_{Path(self.file).stem}"
        chosen, total_s = [], 0.0
        for took_s, item in sorted(found, key=lambda pair: pair[0]):
            if item.path.stem.startswith(own):
                chosen.append(item)
            elif total_s + took_s <= ENOUGH_S:
                total_s += took_s
                chosen.append(item)
        return chosen

    def _items(self, tests: dict[int | str, list[pytest.Item]], mutant: Mutant) -> list[pytest.Item]:
        if mutant.function is None:
            return tests["all"]
        return tests.get(mutant.line) or tests.get(mutant.function, [])

    def _killed(self, session: pytest.Session, mutant: Mutant, items: list[pytest.Item]) -> bool:
        if not items:
            return False
        child = os.fork()
        if child == 0:
            self._die_trying(session, mutant, items)
        status = os.waitpid(child, 0)[1]
        return status != 0

    def _die_trying(self, session: pytest.Session, mutant: Mutant, items: list[pytest.Item]) -> None:
        """In the child: exit 0 when every test still passes, 1 when one fails, by a signal when it takes too long."""
        code = 1
        try:
            signal.signal(signal.SIGALRM, signal.SIG_DFL)
            signal.alarm(SLOWEST_COLLECTION_S)
            nothing = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nothing, 1)
            os.dup2(nothing, 2)
            code = (
                self._anew(mutant)
                if mutant.function is None
                else self._in_place(mutant, mutant.function, items)
            )
        except BaseException as error:
            # Not a test that failed but the campaign itself: told, for such a mutant was not judged.
            os.write(self._complaints, f"not judged: {mutant}: {error!r}\n".encode())
        os._exit(code)

    def _in_place(self, mutant: Mutant, name: str, items: list[pytest.Item]) -> int:
        holder = functools.reduce(
            lambda place, part: vars(place)[part], name.split("."), importlib.import_module(self.module)
        )
        function = getattr(holder, "fget", None) or getattr(holder, "func", None) or holder
        function = getattr(function, "__func__", function)
        function = getattr(function, "__wrapped__", function)
        assert isinstance(function, types.FunctionType), name
        function.__code__ = _code_of(compile(mutant.tree, self.path, "exec"), name)
        for item in items:
            signal.alarm(SLOWEST_TEST_S)
            if any(report.failed for report in runtestprotocol(item, nextitem=None, log=False)):
                return 1
        return 0

    def _anew(self, mutant: Mutant) -> int:
        for name in [name for name in sys.modules if name.partition(".")[0] in _OURS]:
            del sys.modules[name]
        sys.meta_path.insert(0, _Changed(self.module, self.path, mutant))
        for tests in (self._own_tests(), _TABLE_TESTS if self.file.startswith("station/rules/") else ()):
            if tests and pytest.main(["-x", "-q", "-p", "no:cacheprovider", *_OPTIONS, *tests]):
                return 1
        return 0

    def _own_tests(self) -> list[str]:
        name = f"test_{Path(self.file).stem}*.py"
        return [test for test in tests_for(self.file) if fnmatch(test, f"*/{name}")] or list(
            tests_for(self.file)
        )


class _Changed(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Finds the changed module in place of the right one."""

    def __init__(self, module: str, path: str, mutant: Mutant) -> None:
        self._module, self._path, self._mutant = module, path, mutant

    def find_spec(self, name: str, path: object, target: object = None):
        if name != self._module:
            return None
        return importlib.util.spec_from_loader(name, self, origin=self._path)

    def exec_module(self, module: types.ModuleType) -> None:
        exec(compile(self._mutant.tree, self._path, "exec"), module.__dict__)


def _code_of(code: types.CodeType, name: str) -> types.CodeType:
    for constant in code.co_consts:
        if isinstance(constant, types.CodeType):
            if constant.co_qualname == name:
                return constant
            if name.startswith(f"{constant.co_qualname}."):
                return _code_of(constant, name)
    raise LookupError(f"The changed module has no function {name!r}.")


_OURS = ("station", "shared", "tests", "hand_bench")
_OPTIONS = (
    *("-m", "not system and not benchmark", "-o", "addopts=--import-mode=importlib"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),
)


def run(files: list[str], part: int) -> dict[str, dict[str, object]]:
    """The figures of each file; every ``part``-th mutant."""
    os.chdir(ROOT)
    hypothesis.settings.register_profile(
        "mutation",
        derandomize=True,
        database=None,
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
        deadline=None,
        suppress_health_check=list(hypothesis.HealthCheck),
    )
    hypothesis.settings.load_profile("mutation")
    figures: dict[str, dict[str, object]] = {}
    for file in files:
        campaign = Campaign(file, part)
        began = time.perf_counter()
        with open(os.devnull, "w") as nothing, contextlib.redirect_stdout(nothing):
            pytest.main(["-q", "-p", "no:cacheprovider", *_OPTIONS, *tests_for(file)], plugins=[campaign])
        if campaign.failed_before or not campaign.made:
            raise SystemExit(f"{file}: tests fail before anything is changed: {campaign.failed_before}")
        killed = campaign.made - len(campaign.survivors)
        figures[file] = {
            "mutants": campaign.made,
            "killed": killed,
            "share": round(killed / campaign.made, 4),
            "took_s": round(time.perf_counter() - began, 1),
            "survivors": campaign.survivors,
        }
        print(f"{file}: {killed} of {campaign.made} killed, {killed / campaign.made:.1%}", flush=True)
    return figures


def main() -> int:
    """Run the campaign and keep its result."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("files", nargs="*", default=list(DEFAULT))
    parser.add_argument("--part", type=int, default=1, help="only every N-th mutant")
    parser.add_argument("--result", type=Path, default=RESULT)
    told = parser.parse_args()
    figures = run(told.files, told.part)
    told.result.parent.mkdir(parents=True, exist_ok=True)
    told.result.write_text(
        json.dumps(
            {
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
                "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}",
                "part": told.part,
                "files": figures,
            },
            indent=1,
            ensure_ascii=False,
        )
        + "\n"
    )
    return int(any(file["share"] < AIM for file in figures.values()))


if __name__ == "__main__":
    raise SystemExit(main())
