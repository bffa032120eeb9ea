"""The 32-bit word of a MAX31855: what it says, and the word that would say it.

Layout (datasheet 19-5793): D31..D18 thermocouple, signed, 0.25 °C; D17 zero; D16 any fault; D15..D4 cold
junction, signed, 0.0625 °C; D3 zero; D2 short to supply; D1 short to ground; D0 open.

An all-zero word is *not* 0 °C: it is a bus on which nobody answers. The refusals come in the order in which
they take the ground from under the next: silent, malformed, faulty wire, out of range.
"""

from shared.readings import PlateQuality, PlateReading
from station.measurement.coefficients import Letter
from station.measurement.its90 import linearised_c

SILENT_WORDS = frozenset({0x0000_0000, 0xFFFF_FFFF})
RANGE_C = (-20.0, 300.0)
COLD_JUNCTION_RANGE_C = (-20.0, 85.0)
BUS_FAILED = PlateReading(quality=PlateQuality.BUS_ERROR)
"""The reading when the bus itself failed and there is no word."""

_RESERVED = 0x0002_0008
_ANY_FAULT = 0x0001_0000
_FAULT_BITS = 0b111
# In the order in which a fault is told when several bits are set.
_FAULTS = {PlateQuality.OPEN: 0b001, PlateQuality.SHORT_TO_GROUND: 0b010, PlateQuality.SHORT_TO_SUPPLY: 0b100}
_CHIP_STEP_C, _CHIP_BITS = 0.25, 14
_COLD_JUNCTION_STEP_C, _COLD_JUNCTION_BITS = 0.0625, 12


def _signed(code: int, bits: int) -> int:
    return code - (1 << bits) if code >> (bits - 1) else code


def chip_c(word: int) -> float:
    """The thermocouple field of a word in °C, by the chip's straight line, faults not looked at."""
    return _signed(word >> 18 & 0x3FFF, _CHIP_BITS) * _CHIP_STEP_C


def cold_junction_c(word: int) -> float:
    """The cold junction field of a word in °C, faults not looked at."""
    return _signed(word >> 4 & 0xFFF, _COLD_JUNCTION_BITS) * _COLD_JUNCTION_STEP_C


def is_malformed(word: int) -> bool:
    """Whether no live chip sends this word: a reserved bit set, or the summary bit against the fault bits."""
    return bool(word & _RESERVED) or bool(word & _ANY_FAULT) != bool(word & _FAULT_BITS)


def wire_fault(word: int) -> PlateQuality | None:
    """The fault a well-formed word reports, or None; of several, the first of open, ground, supply."""
    for quality, bit in _FAULTS.items():
        if word & bit:
            return quality
    return None


def decode(
    word: int,
    *,
    gain: float = 1.0,
    offset_c: float = 0.0,
    range_c: tuple[float, float] = RANGE_C,
    cold_junction_range_c: tuple[float, float] = COLD_JUNCTION_RANGE_C,
    letter: Letter = "K",
) -> PlateReading:
    """Read one word.

    Args:
        word: the 32 bits as sent, first bit highest.
        gain: trims the ITS-90 corrected temperature, before the offset.
        offset_c: added in °C.
        range_c: lowest and highest believable plate temperature in °C, after correction and trim.
        cold_junction_range_c: lowest and highest believable cold junction in °C.
        letter: the type of the thermocouple and of its chip.

    Returns:
        A good reading with ``plate_c`` and ``cold_junction_c``, or a quality without ``plate_c``. The cold
        junction stands beside a wire fault or a plate out of range as long as it is itself believable.

    Raises:
        ValueError: ``word`` is not 32 bits.
        LookupError: there is no such type.
    """
    if not 0 <= word <= 0xFFFF_FFFF:
        raise ValueError(f"A frame has 32 bits, {word:#x} does not fit.")
    if word in SILENT_WORDS:
        return PlateReading(quality=PlateQuality.SILENT, word=word)
    if is_malformed(word):
        return PlateReading(quality=PlateQuality.BAD_FRAME, word=word)
    junction_c = cold_junction_c(word)
    believable = cold_junction_range_c[0] <= junction_c <= cold_junction_range_c[1]
    shown_c = junction_c if believable else None
    fault = wire_fault(word)
    if fault is not None:
        return PlateReading(quality=fault, word=word, cold_junction_c=shown_c)
    plate_c = _corrected_c(chip_c(word), junction_c, gain, offset_c, letter) if believable else None
    if plate_c is None or not range_c[0] <= plate_c <= range_c[1]:
        return PlateReading(quality=PlateQuality.OUT_OF_RANGE, word=word, cold_junction_c=shown_c)
    return PlateReading(quality=PlateQuality.GOOD, word=word, plate_c=plate_c, cold_junction_c=junction_c)


def _corrected_c(
    chip_reading_c: float, junction_c: float, gain: float, offset_c: float, letter: Letter
) -> float | None:
    # The trim comes after the correction: a two-point trim of the raw reading would bend it in between.
    try:
        return gain * linearised_c(chip_reading_c, junction_c, letter) + offset_c
    except ValueError:
        return None


def encode(chip_c: float, cold_junction_c: float, fault: PlateQuality | None = None) -> int:
    """The word a chip would send, rounding to its steps; for the simulation and for tests.

    Args:
        chip_c: by the chip's straight line, °C (see :func:`station.measurement.its90.chip_reading_c`).
        cold_junction_c: °C.
        fault: open, short to ground or short to supply; None for a healthy wire.

    Raises:
        ValueError: a temperature does not fit its field, or ``fault`` is none the chip can report.
    """
    word = _field(chip_c, _CHIP_STEP_C, _CHIP_BITS) << 18
    word |= _field(cold_junction_c, _COLD_JUNCTION_STEP_C, _COLD_JUNCTION_BITS) << 4
    if fault is None:
        return word
    if fault not in _FAULTS:
        raise ValueError(f"The chip cannot report {fault!r}.")
    return word | _ANY_FAULT | _FAULTS[fault]


def _field(value_c: float, step_c: float, bits: int) -> int:
    code = round(value_c / step_c)
    half = 1 << (bits - 1)
    if not -half <= code < half:
        raise ValueError(f"{value_c!r} °C does not fit {bits} bits of {step_c} °C.")
    return code & ((1 << bits) - 1)
