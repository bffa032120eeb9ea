"""From a word of the plate's chip to a reading, by one station's settings: the same live and in a replay."""

from collections.abc import Callable
from functools import partial

from shared.readings import PlateReading
from station.measurement.frame import decode
from station.rules.limits import PlateLimits
from station.settings import PlateWire


def plate_decoder(wire: PlateWire, limits: PlateLimits) -> Callable[[int], PlateReading]:
    """What turns a 32-bit word into a reading.

    Args:
        wire: the thermocouple's letter, and the trim of the corrected temperature.
        limits: what is believable of plate and cold junction, °C.
    """
    return partial(
        decode,
        letter=wire.thermocouple,
        gain=wire.gain,
        offset_c=wire.offset_c,
        range_c=(limits.range_low_c, limits.range_high_c),
        cold_junction_range_c=(limits.cold_junction_low_c, limits.cold_junction_high_c),
    )
