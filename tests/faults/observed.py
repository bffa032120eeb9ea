"""What is seen of a station from outside: lamps, sound and permit at the pins, journal, broker, page, log.

Patterns are judged by their edges in the station's own time. The times are those that are promised to people
(DEVELOPERS, README "What the light says"): slow 0.6 Hz, fast 2 Hz; a critical alarm sounds in quick pulses, a
high one in pairs, a medium one now and then, a low one seldom, a refusal in three short pips.
"""

import html
import itertools
import re
import urllib.error
import urllib.request
from pathlib import Path
from typing import NamedTuple

LAMPS = ("red", "amber", "green", "blue")
STILL_S = 1.3  # longer than half a period of the slow flash


class Edge(NamedTuple):
    """A pin was driven to a level: seconds of the station's clock, and of the machine's."""

    level: bool
    station_s: float
    machine_s: float


class Pins:
    """Follows the file that a reachable station tells of its pins; `look` reads on."""

    def __init__(self, path: Path) -> None:
        """Nothing is there yet."""
        self._path, self._read = path, 0
        self.begin_anew()

    def begin_anew(self) -> None:
        """The station starts: all its pins are low until they are driven."""
        self.edges: dict[str, list[Edge]] = {}
        self.done: list[tuple[str, float, float]] = []
        self.failed: list[str] = []
        self.now_s = 0.0

    def look(self) -> "Pins":
        """Take in what was told since."""
        if not self._path.exists():
            return self
        with self._path.open("rb") as told:
            told.seek(self._read)
            data = told.read()
        whole = data.rfind(b"\n") + 1
        self._read += whole
        for line in data[:whole].decode().splitlines():
            words, station_s, machine_s = line.rsplit(" ", 2)
            self.now_s = max(self.now_s, float(station_s))
            if words.startswith("! "):
                self.failed.append(words)
            elif words.startswith("# "):
                self.done.append((words[2:], float(station_s), float(machine_s)))
            else:
                name, level = words.split()
                edge = Edge(level == "1", float(station_s), float(machine_s))
                self.edges.setdefault(name, []).append(edge)
        return self

    def level(self, name: str) -> bool:
        """Where the pin was last driven."""
        edges = self.edges.get(name)
        return bool(edges) and edges[-1].level

    def lamp(self, name: str) -> str:
        """How the lamp is lit: off, steady, slow or fast; between two of them an empty word."""
        edges = self.edges.get(name, [])
        if not edges or self.now_s - edges[-1].station_s > STILL_S:
            return "steady" if self.level(name) else "off"
        if len(edges) < 3:
            return ""
        first, second = (
            later.station_s - sooner.station_s for sooner, later in zip(edges[-3:], edges[-2:], strict=False)
        )
        if max(first, second) < 0.42:
            return "fast"
        return "slow" if 0.6 < min(first, second) and max(first, second) < 1.1 else ""

    def light(self) -> str:
        """All lamps that are not off, as `red fast, blue slow`; `dark` when none is, `?` while one is between."""
        modes = {name: self.lamp(name) for name in LAMPS}
        if "" in modes.values():
            return "?"
        return ", ".join(f"{name} {mode}" for name, mode in modes.items() if mode != "off") or "dark"

    def sound(self, since_s: float) -> set[str]:
        """Every sound heard since a time of the station's clock."""
        pulses = self._pulses(since_s)
        heard = set()
        for number, (begin_s, long_s) in enumerate(pulses):
            before = begin_s - pulses[number - 1][0] if number else 9.0
            after = pulses[number + 1][0] - begin_s if number + 1 < len(pulses) else self.now_s - begin_s
            closed = number + 1 < len(pulses) or after > 1.6
            if _near(long_s, 0.1) and (_near(before, 0.2) or _near(after, 0.2)):
                heard.add("refused")
            elif _near(long_s, 0.3):
                heard.add("medium")
            elif not _near(long_s, 0.2):
                continue
            elif _near(before, 0.4) and _near(after, 0.4) and number + 1 < len(pulses):
                heard.add("critical")
            elif _near(before, 0.4) and _near(after, 1.1) and number + 1 < len(pulses):
                heard.add("high")
            elif closed and before > 1.6 and after > 1.6:
                heard.add("low")
        return heard

    def _pulses(self, since_s: float) -> list[tuple[float, float]]:
        """Begin and length of each whole pulse of the buzzer."""
        edges = [edge for edge in self.edges.get("buzzer", []) if edge.station_s >= since_s]
        return [
            (on.station_s, off.station_s - on.station_s)
            for on, off in itertools.pairwise(edges)
            if on.level and not off.level
        ]

    def beats(self, since_machine_s: float) -> int:
        """How often the heartbeat turned since."""
        return sum(edge.machine_s >= since_machine_s for edge in self.edges.get("heartbeat", []))

    def fell_after(self, name: str, machine_s: float) -> float | None:
        """Seconds from then to the pin's next fall; None where it has not fallen."""
        for edge in self.edges.get(name, []):
            if edge.machine_s >= machine_s and not edge.level:
                return edge.machine_s - machine_s
        return None


def _near(value_s: float, wanted_s: float) -> bool:
    return abs(value_s - wanted_s) < 0.07


def matches(pattern: str, event: dict) -> bool:
    """Whether a printed event is what a pattern says: `kind key=value key=value …`."""
    kind, *pairs = pattern.split()
    return event.get("kind") == kind and all(_has(event, *pair.split("=", 1)) for pair in pairs)


def _has(holder: dict, key: str, wanted: str) -> bool:
    found: object = holder
    for part in key.split("."):
        if not isinstance(found, dict) or part not in found:
            return wanted == "none" and isinstance(found, dict)
        found = found[part]
    if isinstance(found, list):
        return bool({str(each) for each in found} & set(wanted.split("|")))
    if found is None:
        return wanted == "none"
    if isinstance(found, bool):
        return wanted == str(found).lower()
    return any(str(found) == each for each in wanted.split("|"))


def count_of(pattern: str, found: list[dict]) -> bool:
    """Whether some event matches; with a number first (`2 signed-in`), exactly so many."""
    number, _, rest = pattern.partition(" ")
    if number.isdigit():
        return sum(matches(rest, event) for event in found) == int(number)
    return any(matches(pattern, event) for event in found)


def in_state(pattern: str, state: dict) -> bool:
    """Whether a state says `path=value`, or `alarm NAME [LIFE]`: that alarm is listed."""
    verb, *words = pattern.split()
    if verb == "alarm":
        return any(
            each["alarm"] == words[0] and (len(words) < 2 or each["state"] == words[1])
            for each in state.get("alarms", [])
        )
    path, _, wanted = pattern.partition("=")
    return _has(state, path, wanted)


def page_text(url: str) -> str:
    """The words of a page as somebody without scripts sees them; empty where there is no page."""
    try:
        with urllib.request.urlopen(url, timeout=10) as answer:
            whole = answer.read().decode()
    except (OSError, urllib.error.URLError):
        return ""
    shown = re.sub(r"<(template|script|style|head)\b.*?</\1>", " ", whole, flags=re.DOTALL)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", shown)).split())
