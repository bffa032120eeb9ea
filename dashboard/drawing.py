"""Curves as SVG, drawn on the server: they print, and work without scripts.

A drawing is made of rulers, bands (steps), lines (one a stretch without a gap) and marks (alarms), already in
the drawing's own units; the template only prints them.
"""

from collections.abc import Iterable, Sequence
from math import ceil, floor

import msgspec

WIDTH, HEIGHT = 960.0, 320.0
LEFT, RIGHT, TOP, BOTTOM = 46.0, 8.0, 30.0, 26.0


class Tick(msgspec.Struct, frozen=True):
    """A ruler line and what stands at it."""

    at: float
    text: str


class Band(msgspec.Struct, frozen=True):
    """A stretch of time, as one step took."""

    x: float
    width: float
    text: str
    even: bool


class Mark(msgspec.Struct, frozen=True):
    """A moment, as an alarm was raised."""

    x: float
    text: str
    urgent: bool


class Drawing(msgspec.Struct, frozen=True, kw_only=True):
    """A whole chart. ``areas``: paths of the span between lowest and highest, where those are known."""

    title: str
    lines: tuple[str, ...] = ()
    areas: tuple[str, ...] = ()
    bands: tuple[Band, ...] = ()
    marks: tuple[Mark, ...] = ()
    rows: tuple[Tick, ...] = ()
    columns: tuple[Tick, ...] = ()
    width: float = WIDTH
    height: float = HEIGHT
    left: float = LEFT
    right: float = WIDTH - RIGHT
    top: float = TOP
    bottom: float = HEIGHT - BOTTOM


class Frame:
    """From time and temperature to the drawing's own units."""

    def __init__(self, from_s: float, to_s: float, low_c: float, high_c: float) -> None:
        self.from_s, self.to_s = from_s, max(to_s, from_s + 1)
        self.low_c = floor(low_c / 20) * 20.0
        self.high_c = max(ceil(high_c / 20) * 20.0, self.low_c + 20)

    def x(self, at_s: float) -> float:
        """Where a time stands, never outside."""
        share = (at_s - self.from_s) / (self.to_s - self.from_s)
        return round(LEFT + min(1.0, max(0.0, share)) * (WIDTH - LEFT - RIGHT), 1)

    def y(self, celsius: float) -> float:
        """Where a temperature stands, never outside."""
        share = (celsius - self.low_c) / (self.high_c - self.low_c)
        return round(HEIGHT - BOTTOM - min(1.0, max(0.0, share)) * (HEIGHT - TOP - BOTTOM), 1)

    def rows(self) -> tuple[Tick, ...]:
        """A ruler line each twenty degrees."""
        count = round((self.high_c - self.low_c) / 20)
        return tuple(
            Tick(self.y(self.low_c + 20 * index), f"{self.low_c + 20 * index:g}")
            for index in range(count + 1)
        )


# Steps of a time ruler in seconds: each at most so many in a drawing.
_STEPS = (10, 30, 60, 120, 300, 600, 1800, 3600, 7200, 21_600, 43_200, 86_400, 7 * 86_400, 30 * 86_400)
_MOST_COLUMNS = 10


def time_step_s(span_s: float) -> int:
    """The step of a ruler over so many seconds."""
    return next((step for step in _STEPS if span_s / step <= _MOST_COLUMNS), _STEPS[-1])


def line(frame: Frame, points: Iterable[tuple[float, float]]) -> str:
    """A path through (s, °C)."""
    return "M" + "L".join(f"{frame.x(at_s)} {frame.y(plate_c)}" for at_s, plate_c in points)


def area(frame: Frame, points: Sequence[tuple[float, float, float]]) -> str:
    """A closed path around (s, lowest, highest)."""
    there = [f"{frame.x(at_s)} {frame.y(high_c)}" for at_s, _, high_c in points]
    back = [f"{frame.x(at_s)} {frame.y(low_c)}" for at_s, low_c, _ in reversed(points)]
    return "M" + "L".join([*there, *back]) + "z"


def thinned(points: Sequence[tuple[float, float]], most: int = 1200) -> Sequence[tuple[float, float]]:
    """At most about so many points: of each bunch the lowest and the highest stay, in their order."""
    if len(points) <= most:
        return points
    bunch = ceil(len(points) / (most / 2))
    kept: list[tuple[float, float]] = []
    for start in range(0, len(points), bunch):
        part = points[start : start + bunch]
        ends = {min(part, key=lambda point: point[1]), max(part, key=lambda point: point[1])}
        kept += sorted(ends)
    return [points[0], *kept, points[-1]]
