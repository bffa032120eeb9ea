"""How plate and panel come up to temperature: the panel's lag, and how long it still takes.

The panel is an estimate, never a measurement: it is taken to come at the temperature of the station's own
cold junction (the room, a little warmer), and to follow the plate with one time constant.
"""

from typing import NamedTuple

import msgspec

from shared.sheet import Step
from station.rules.panel import Panel, TimeToGo, advance, plate_trend, time_to_reach_s

SAMPLE_MS = 500
KEPT_MS = 26_000


class Warming(msgspec.Struct, frozen=True):
    """The panel on the plate (None: none), when it was last moved on, and the plate's last half minute."""

    panel: Panel | None = None
    panel_ms: int = 0
    samples: tuple[tuple[float, float], ...] = ()


def watch_warming(
    watch: Warming, plate_c: float | None, room_c: float | None, on_plate: bool, now_ms: int, tau_s: float
) -> Warming:
    """The panel and the samples after one more tick.

    Args:
        watch: as it was.
        plate_c: the plate, None with no valid reading: nothing moves.
        room_c: the cold junction, at which a new panel is taken to come.
        on_plate: whether a unit lies on the plate.
        now_ms: this tick.
        tau_s: the panel's time constant.
    """
    if plate_c is None:
        return watch if on_plate or watch.panel is None else Warming(None, now_ms, watch.samples)
    panel = None
    if on_plate and watch.panel is None:
        panel = Panel(plate_c if room_c is None else min(room_c, plate_c), plate_c)
    elif on_plate and watch.panel is not None:
        panel = advance(watch.panel, plate_c, (now_ms - watch.panel_ms) / 1000, tau_s)
    return Warming(panel, now_ms, _sampled(watch.samples, plate_c, now_ms))


def _sampled(
    samples: tuple[tuple[float, float], ...], plate_c: float, now_ms: int
) -> tuple[tuple[float, float], ...]:
    now_s = now_ms / 1000
    if samples and (now_s - samples[-1][0]) * 1000 < SAMPLE_MS:
        return samples
    oldest_s = now_s - KEPT_MS / 1000
    return (*(sample for sample in samples if sample[0] >= oldest_s), (now_s, plate_c))


class Forecast(NamedTuple):
    """Whether the panel is inside the step's band (None: no panel), and the time both still need."""

    panel_at_setpoint: bool | None
    to_go: TimeToGo


NOTHING_TO_TELL = Forecast(None, TimeToGo(None, None))


def forecast(watch: Warming, step: Step | None, tau_s: float) -> Forecast:
    """How long plate and panel still need for a heat step; nothing to tell for any other."""
    if step is None or step.setpoint_c is None or step.tolerance_c is None:
        return NOTHING_TO_TELL
    panel_c = watch.panel.panel_c if watch.panel is not None else None
    inside = None if panel_c is None else abs(panel_c - step.setpoint_c) <= step.tolerance_c
    trend = plate_trend(watch.samples)
    if trend is None:
        return Forecast(inside, TimeToGo(None, None))
    to_go = time_to_reach_s(
        trend, panel_c, setpoint_c=step.setpoint_c, tolerance_c=step.tolerance_c, tau_s=tau_s
    )
    return Forecast(inside, to_go)
