"""The panel behind the plate, and how long until either is at temperature.

The panel is taken for a first-order system: it approaches the plate with one time constant, however the plate
moves. Between two readings the plate is taken to move in a straight line, for which the panel's temperature
is known exactly, so how often one asks does not change what one gets.

The plate's heat-up is taken for a first-order approach to a final value, which the thermostat cuts off at the
setpoint. Rate and curvature of the last seconds give its time constant and final value. That holds for a
plate below its setpoint that is heated and, mirrored, for one above it that cools.
"""

from collections.abc import Sequence
from math import exp, expm1, inf, log, sqrt
from statistics import median
from typing import NamedTuple

WINDOWS_S = (25.0, 15.0)
"""How far back the trend looks; the shorter when the longer holds a bend that is no first-order approach."""

LAST_WINDOW_S = 6.0
"""When neither will do, the straight line through this much."""

POOR_FIT_C = 0.2
"""Standard deviation about the curve from which a window will not do; a chip's step alone makes 0.07 °C."""

SHORTEST_S, FEWEST = 15.0, 10
"""Less time or fewer samples than these show no trend; own choices."""

NEWEST = 3
"""Samples whose median is where the plate is now, when the curve's end is off it as an outlier would be."""

LEAST_RATE_C_PER_S = 0.01
"""A plate slower than this is not on its way; it is about the rise the alarm for a cold heater waits for."""

OUTLIER_SIGMAS, LEAST_OUTLIER_C = 4.0, 0.5
"""A sample this many robust standard deviations off the fitted curve, and by so much, is left out."""

SHORTEST_TIME_CONSTANT_S = 5.0
"""No plate is quicker; a sharper bend is noise."""

LONGEST_S = 3600.0
"""A forecast beyond this is none."""

_MAD_TO_SIGMA = 1.4826  # of a normal distribution
_BISECTIONS = 30


class Panel(NamedTuple):
    """The panel as estimated, and the plate's reading it was estimated with, both °C."""

    panel_c: float
    plate_c: float


class Trend(NamedTuple):
    """Where the plate is now (°C), how fast it moves (°C/s), the time constant of its approach (s or inf)."""

    plate_c: float
    rate_c_per_s: float
    time_constant_s: float = inf

    @property
    def final_c(self) -> float:
        """Where the approach would end if nothing cut it off, °C; infinite on a straight line."""
        return self.plate_c + self.rate_c_per_s * self.time_constant_s if self.rate_c_per_s else self.plate_c


class TimeToGo(NamedTuple):
    """Seconds until plate and panel are inside the band; 0 inside, None where none can be told."""

    plate_s: float | None
    panel_s: float | None


def advance(panel: Panel, plate_c: float, passed_s: float, tau_s: float) -> Panel:
    """The panel after the plate has moved in a straight line to ``plate_c`` in ``passed_s`` seconds.

    With x = passed/tau and k = 1 - e^-x: panel + k·(plate before - panel) + (1 - k/x)·(plate's move); the
    response of a first-order system to a ramp (common textbook).

    Args:
        panel: at the reading before.
        plate_c: the plate now, °C.
        passed_s: since the reading before, s; 0 leaves the panel as it is.
        tau_s: the panel's time constant, s; 0 is a panel without lag.

    Raises:
        ValueError: a time is negative or no number.
    """
    if not (0 <= passed_s < inf and 0 <= tau_s < inf):
        raise ValueError(f"The panel cannot move on by {passed_s!r} s with a time constant of {tau_s!r} s.")
    if tau_s == 0:
        return Panel(plate_c, plate_c)
    x = passed_s / tau_s
    share = -expm1(-x)
    of_move = 1.0 - share / x if x > 0 else 0.0
    panel_c = panel.panel_c + share * (panel.plate_c - panel.panel_c) + of_move * (plate_c - panel.plate_c)
    return Panel(panel_c, plate_c)


def plate_trend(samples: Sequence[tuple[float, float]]) -> Trend | None:
    """Rate and time constant of the plate now, from its last seconds; None while there are too few samples.

    A parabola is fitted by least squares, samples far off it are left out and it is fitted again. Its
    curvature over its rate is the rate at which the approach dies away. A curve that bends away from a final
    value is taken as a straight line, and so is the plate when no curve fits (the heater has just switched).

    Args:
        samples: (time in s, plate in °C), rising in time, the newest last; two a second are plenty.
    """
    if not samples or samples[-1][0] - samples[0][0] < SHORTEST_S:
        return None
    now_s = samples[-1][0]
    recent = [(time_s - now_s, c) for time_s, c in samples if now_s - time_s <= WINDOWS_S[0]]
    if len(recent) < FEWEST or -recent[0][0] < SHORTEST_S:
        return None
    for window_s in WINDOWS_S:
        fit = _robust([sample for sample in recent if -sample[0] <= window_s])
        if fit.sd_c <= POOR_FIT_C:
            dying_per_s = -2.0 * fit.bend / fit.rate if fit.rate else 0.0
            if dying_per_s <= 1.0 / LONGEST_S:
                return Trend(fit.now_c, fit.rate)
            return Trend(fit.now_c, fit.rate, max(1.0 / dying_per_s, SHORTEST_TIME_CONSTANT_S))
    fit = _robust([sample for sample in recent if -sample[0] <= LAST_WINDOW_S], straight=True)
    return Trend(fit.now_c, fit.rate)


class _Fit(NamedTuple):
    """now + rate·u + bend·u², and the standard deviation of the kept samples about it."""

    now_c: float
    rate: float
    bend: float
    sd_c: float


def _robust(samples: Sequence[tuple[float, float]], straight: bool = False) -> _Fit:
    fit = _parabola(samples, straight)
    off_c = [abs(c - _value(fit, u)) for u, c in samples]
    limit_c = max(LEAST_OUTLIER_C, OUTLIER_SIGMAS * _MAD_TO_SIGMA * median(off_c))
    kept = [sample for sample, away_c in zip(samples, off_c, strict=True) if away_c <= limit_c]
    fit = _parabola(kept, straight)
    level_c = median(c - _value(fit, u) for u, c in samples[-NEWEST:])
    if abs(level_c) < LEAST_OUTLIER_C:
        level_c = 0.0
    return _Fit(
        fit[0] + level_c, fit[1], fit[2], sqrt(sum((c - _value(fit, u)) ** 2 for u, c in kept) / len(kept))
    )


def _value(fit: tuple[float, float, float], u: float) -> float:
    return fit[0] + u * (fit[1] + u * fit[2])


def _parabola(samples: Sequence[tuple[float, float]], straight: bool) -> tuple[float, float, float]:
    """Least-squares a + b·u + q·u², by polynomials orthogonal on the samples (no cancelling sums)."""
    count = len(samples)
    mean_u = sum(u for u, _ in samples) / count
    mean_c = sum(c for _, c in samples) / count
    centred = [(u - mean_u, c - mean_c) for u, c in samples]
    squares = sum(v * v for v, _ in centred)
    if squares == 0:
        return mean_c, 0.0, 0.0
    slope = sum(v * c for v, c in centred) / squares
    skew, level = sum(v**3 for v, _ in centred) / squares, squares / count
    second = [v * v - skew * v - level for v, _ in centred]
    norm = sum(p * p for p in second)
    flat = straight or norm == 0
    bend = 0.0 if flat else sum(p * c for p, (_, c) in zip(second, centred, strict=True)) / norm
    # From v = u - mean back to u.
    slope -= bend * skew
    return mean_c - bend * level - slope * mean_u + bend * mean_u**2, slope - 2 * bend * mean_u, bend


def time_to_reach_s(
    trend: Trend, panel_c: float | None, *, setpoint_c: float, tolerance_c: float, tau_s: float
) -> TimeToGo:
    """How long until the plate, and the panel behind it, are inside setpoint ± tolerance.

    The plate follows its trend up to the setpoint and stays there. A plate that moves away from the setpoint
    is taken to stay where it is.

    Args:
        trend: the plate's, of :func:`plate_trend`.
        panel_c: the panel as estimated, °C; None without a panel.
        setpoint_c: °C.
        tolerance_c: °C, 0 or more.
        tau_s: the panel's time constant, s.

    Returns:
        ``panel_s`` is None too for a panel beyond the band's far edge, as one from a hotter plate.
    """
    # Everything as distance short of the setpoint, so that heating and cooling are one case.
    above_c = trend.plate_c - setpoint_c
    if abs(above_c) <= tolerance_c and panel_c is not None:
        above_c = panel_c - setpoint_c
    sign = -1.0 if above_c > 0 else 1.0
    rate = sign * trend.rate_c_per_s
    course = _Course(
        sign * (setpoint_c - trend.plate_c),
        rate if rate >= LEAST_RATE_C_PER_S else 0.0,
        trend.time_constant_s,
    )
    plate_s = course.time_to_s(tolerance_c)
    if panel_c is None:
        return TimeToGo(plate_s, None)
    return TimeToGo(plate_s, _panel_s(course, sign * (setpoint_c - panel_c), tolerance_c, tau_s))


class _Course(NamedTuple):
    """The plate's way: ``short_c`` before the setpoint, nearing by ``rate``, fading; there it is held."""

    short_c: float
    rate: float
    fade_s: float

    def time_to_s(self, short_c: float) -> float | None:
        """Seconds until no more than ``short_c`` is missing."""
        way_c = self.short_c - short_c
        if way_c <= 0:
            return 0.0
        if self.rate == 0:
            return None
        straight_s = way_c / self.rate
        part = straight_s / self.fade_s
        if part >= 1.0:
            return None
        time_s = -self.fade_s * log(1.0 - part) if part > 0 else straight_s
        return time_s if time_s <= LONGEST_S else None

    def at(self, time_s: float) -> float:
        """What is missing after ``time_s`` seconds if nothing held the plate."""
        if self.fade_s == inf:
            return self.short_c - self.rate * time_s
        return self.short_c + self.rate * self.fade_s * expm1(-time_s / self.fade_s)


def _panel_s(course: _Course, panel_short_c: float, tolerance_c: float, tau_s: float) -> float | None:
    if panel_short_c < -tolerance_c:
        return None
    if panel_short_c <= tolerance_c:
        return 0.0
    held_s = course.time_to_s(0.0)
    low_s, high_s = 0.0, LONGEST_S
    if _panel_short_c(course, panel_short_c, tau_s, held_s, high_s) > tolerance_c:
        return None
    for _ in range(_BISECTIONS):
        middle_s = 0.5 * (low_s + high_s)
        if _panel_short_c(course, panel_short_c, tau_s, held_s, middle_s) > tolerance_c:
            low_s = middle_s
        else:
            high_s = middle_s
    return high_s


def _panel_short_c(
    course: _Course, start_c: float, tau_s: float, held_s: float | None, time_s: float
) -> float:
    """What the panel misses after ``time_s``: behind the moving plate, then behind the plate held."""
    moving_s = time_s if held_s is None else min(time_s, held_s)
    short_c = _behind(course, start_c, tau_s, moving_s)
    if tau_s == 0 or time_s == moving_s:
        return short_c
    return short_c * exp(-(time_s - moving_s) / tau_s)


def _behind(course: _Course, start_c: float, tau_s: float, time_s: float) -> float:
    if tau_s == 0:
        return course.at(time_s)
    gone = exp(-time_s / tau_s)
    if course.fade_s == inf:
        # Steady state of a ramp: behind it by rate·tau.
        return (
            course.at(time_s) + course.rate * tau_s + (start_c - course.short_c - course.rate * tau_s) * gone
        )
    # A fade as long as the panel's own would divide by nothing; a hair beside it makes no difference.
    fade_s = course.fade_s if abs(course.fade_s - tau_s) > 1e-6 * tau_s else course.fade_s * (1 + 1e-5)
    swing_c = course.rate * course.fade_s
    end_c = course.short_c - swing_c
    lagging_c = swing_c * fade_s / (fade_s - tau_s)
    return end_c + lagging_c * exp(-time_s / fade_s) + (start_c - end_c - lagging_c) * gone
