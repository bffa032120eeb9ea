"""An estimate of the solvent vapour at the bench, from what was drawn and whether the extractor runs.

One box: the space of the hood. What is drawn from the bottle lies there as liquid, evaporates with a time
constant that follows the solvent's vapour pressure at the plate's temperature, and is carried off by the air
that the extractor, or without it a draught, moves through the box. Both are linear, so that the balance is
solved exactly between two ticks, whatever lies between them:

    dl/dt = -a l            l liquid, as ppm of the box once it has evaporated
    dx/dt =  a l - b x      x vapour in ppm of the box,  b = flow / (mixing factor x volume)

Never a measurement: nothing here smells the air. It takes all that was drawn to become airborne inside the
box, the plate's temperature for the liquid's, and the exposure of somebody who breathes in the box.
"""

import math

import msgspec
from msgspec.structs import replace

from station.rules.limits import SolventLimits

MINUTE_MS = 60_000
SHORT_TERM_MIN = 15
# Eight hours in quarters: means over them move slowly enough.
QUARTER_MIN = 15
LONG_TERM_QUARTERS = 32
# Below this much of a part per million there is nothing to reckon.
NOTHING_PPM = 1e-3


class Air(msgspec.Struct, frozen=True):
    """What is in the box, in ppm of its volume: liquid still to evaporate, and vapour."""

    liquid_ppm: float = 0.0
    vapour_ppm: float = 0.0

    @property
    def clean(self) -> bool:
        """Whether there is nothing to reckon."""
        return self.liquid_ppm < NOTHING_PPM and self.vapour_ppm < NOTHING_PPM


class Breathed(msgspec.Struct, frozen=True):
    """Exposure so far in ppm·s, binned: each of the last minutes and quarters, the newest last."""

    minutes: tuple[float, ...] = (0.0,)
    quarters: tuple[float, ...] = (0.0,)
    minute_ms: int = 0
    quarter_ms: int = 0

    @property
    def short_term_ppm(self) -> float:
        """Mean over the last 15 minutes; up to one minute more is counted in, never less."""
        return sum(self.minutes) / (SHORT_TERM_MIN * 60)

    @property
    def long_term_ppm(self) -> float:
        """Mean over the last 8 hours; up to a quarter more is counted in, never less."""
        return sum(self.quarters) / (LONG_TERM_QUARTERS * QUARTER_MIN * 60)


class VapourWatch(msgspec.Struct, frozen=True):
    """The estimate: air, exposure, and since when it has been reckoned.

    ``credit_ml``: what the last lift has counted as and nobody has told yet.
    """

    air: Air = Air()
    breathed: Breathed = Breathed()
    since_ms: int | None = None
    last_ms: int = 0
    credit_ml: float = 0.0


def exchange(air: Air, a_per_s: float, b_per_s: float, passed_s: float) -> tuple[Air, float]:
    """The balance ``passed_s`` later, exactly, and the exposure in between (ppm·s).

    Args:
        air: at the start.
        a_per_s: rate of evaporation.
        b_per_s: rate at which air is exchanged, above 0.
        passed_s: seconds.
    """
    liquid, vapour = air.liquid_ppm, air.vapour_ppm
    kept, swept = math.exp(-a_per_s * passed_s), math.exp(-b_per_s * passed_s)
    difference = b_per_s - a_per_s
    if abs(difference) * passed_s < 1e-6:  # the limit of the expression below
        grown = liquid * a_per_s * passed_s * swept
    else:
        grown = liquid * a_per_s / difference * (kept - swept)
    after = Air(liquid * kept, vapour * swept + grown)
    # What has gone from the box has left with the air: integral of b x dt.
    left = liquid + vapour - after.liquid_ppm - after.vapour_ppm
    return after, max(0.0, left) / b_per_s


def evaporation_per_s(liquid_c: float | None, limits: SolventLimits) -> float:
    """Rate at which liquid evaporates; an unknown temperature counts as boiling."""
    solvent = limits.in_use
    hot_c = solvent.boiling_c if liquid_c is None else liquid_c
    constant_s = limits.evaporation_20c_s / solvent.volatility(hot_c)
    return 1 / max(constant_s, limits.evaporation_least_s)


def air_change_per_s(limits: SolventLimits, *, proven: bool) -> float:
    """Rate at which the box's air is exchanged."""
    flow_m3_h = limits.flow_extracted_m3_h if proven else limits.flow_still_m3_h
    return flow_m3_h / (limits.mixing_factor * limits.hood_m3 * 3600)


def lift(watch: VapourWatch, limits: SolventLimits) -> VapourWatch:
    """The bottle leaves its cradle: one dose, until somebody says more."""
    return replace(watch, air=_drawn(watch.air, limits.dose_ml, limits), credit_ml=limits.dose_ml)


def dispense(watch: VapourWatch, ml: float, limits: SolventLimits) -> VapourWatch:
    """Somebody says that so much was drawn: what the lift has not counted yet comes into the box.

    Said twice, it was drawn twice: of two ways to misunderstand each other this is the safe one.
    """
    counted_ml = min(ml, watch.credit_ml)
    return replace(draw(watch, ml - counted_ml, limits), credit_ml=watch.credit_ml - counted_ml)


def draw(watch: VapourWatch, ml: float, limits: SolventLimits) -> VapourWatch:
    """So much solvent comes into the box."""
    return replace(watch, air=_drawn(watch.air, ml, limits))


def _drawn(air: Air, ml: float, limits: SolventLimits) -> Air:
    ppm = ml * limits.in_use.vapour_l_per_ml / limits.hood_m3 * 1000
    return Air(air.liquid_ppm + ppm, air.vapour_ppm)


def lel_share(watch: VapourWatch, limits: SolventLimits) -> float:
    """The vapour as a share of the solvent's lower explosive limit."""
    vapour_ppm = watch.air.vapour_ppm
    return vapour_ppm / limits.in_use.lel_ppm if vapour_ppm > NOTHING_PPM else 0.0


def assumption(limits: SolventLimits, *, proven: bool) -> str:
    """What the estimate rests on just now, in a sentence for people."""
    if limits.hood_m3 < 1:
        space = f"{limits.hood_m3 * 1000:g} L"
    else:
        space = f"{limits.hood_m3:g} m³"
    flow_m3_h = limits.flow_extracted_m3_h if proven else limits.flow_still_m3_h
    moved = "the extractor moves" if proven else "without extraction a draught moves"
    return (
        f"all that is drawn ({limits.dose_ml:g} mL a lift, or what is told) goes into the air of {space}, "
        f"through which {moved} {flow_m3_h:g} m³/h (mixing factor {limits.mixing_factor:g})"
    )


def watch_vapour(
    watch: VapourWatch, now_ms: int, plate_c: float | None, limits: SolventLimits, *, proven: bool
) -> VapourWatch:
    """The estimate at ``now_ms``. ``proven``: whether the extractor was proven since the last tick."""
    if watch.since_ms is None:
        started = Breathed(minute_ms=now_ms, quarter_ms=now_ms)
        return VapourWatch(watch.air, started, now_ms, now_ms, watch.credit_ml)
    air, exposed = watch.air, 0.0
    if not air.clean:
        passed_s = (now_ms - watch.last_ms) / 1000
        evaporation = evaporation_per_s(plate_c, limits)
        air, exposed = exchange(air, evaporation, air_change_per_s(limits, proven=proven), passed_s)
    breathed = watch.breathed
    if exposed or now_ms - breathed.minute_ms >= MINUTE_MS:
        breathed = _breathe(breathed, exposed, now_ms)
    return VapourWatch(air, breathed, watch.since_ms, now_ms, watch.credit_ml)


def _breathe(breathed: Breathed, exposed: float, now_ms: int) -> Breathed:
    minutes, minute_ms = _binned(
        breathed.minutes, breathed.minute_ms, MINUTE_MS, SHORT_TERM_MIN, exposed, now_ms
    )
    quarters, quarter_ms = _binned(
        breathed.quarters, breathed.quarter_ms, QUARTER_MIN * MINUTE_MS, LONG_TERM_QUARTERS, exposed, now_ms
    )
    return Breathed(minutes, quarters, minute_ms, quarter_ms)


def _binned(
    bins: tuple[float, ...], from_ms: int, width_ms: int, keep: int, exposed: float, now_ms: int
) -> tuple[tuple[float, ...], int]:
    """The bins with the exposure in the newest one; ``keep`` full ones are kept beside it."""
    on = (now_ms - from_ms) // width_ms
    if on:
        bins = (*bins, *(0.0,) * min(on, keep + 1))[-(keep + 1) :]
        from_ms += on * width_ms
    return (*bins[:-1], bins[-1] + exposed), from_ms
