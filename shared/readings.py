"""What the wires said in one tick.

A reading is either a number with the quality ``good`` or no number at all: a fault is a quality, never a
value that could be believed. The constructors hold that law.
"""

from enum import StrEnum

import msgspec


class PlateQuality(StrEnum):
    """Why the plate's number may be believed, or why there is none."""

    GOOD = "good"
    OPEN = "open-circuit"
    SHORT_TO_GROUND = "short-to-ground"
    SHORT_TO_SUPPLY = "short-to-supply"
    SILENT = "board-silent"
    BAD_FRAME = "bad-frame"
    BUS_ERROR = "bus-error"
    OUT_OF_RANGE = "out-of-range"
    FROZEN = "frozen"
    ABSURD_RATE = "absurd-rate"
    UNKNOWN = "unknown"
    MIRRORED = "mirrored-leads"


class ExtractionQuality(StrEnum):
    """Why the extraction current may be believed, or why there is none."""

    GOOD = "good"
    UNREADABLE = "unreadable"
    CLIPPED = "clipped"
    TOO_FEW_SAMPLES = "too-few-samples"
    STALE = "stale"
    CONTACT = "contact"


class PlateReading(msgspec.Struct, frozen=True, kw_only=True):
    """One MAX31855 frame: the word as read, and what it means.

    ``plate_c`` (°C, ITS-90 corrected and calibrated) is present exactly when ``quality`` is good.
    ``word`` is None when the bus itself failed. ``cold_junction_c`` may be present beside a fault.
    """

    quality: PlateQuality
    word: int | None = None
    plate_c: float | None = None
    cold_junction_c: float | None = None

    def __post_init__(self) -> None:
        if (self.plate_c is None) == (self.quality is PlateQuality.GOOD):
            raise ValueError(f"A {self.quality} plate reading cannot carry plate_c={self.plate_c!r}.")


class ExtractionReading(msgspec.Struct, frozen=True, kw_only=True):
    """What speaks for the extractor: the current of its motor, or the contact of a current switch.

    ``extraction_a`` (A, RMS over whole mains cycles) is present exactly when ``quality`` is good; ``closed``
    exactly when it is contact: a switch knows no amperes, and none are made up for it.
    """

    quality: ExtractionQuality
    extraction_a: float | None = None
    closed: bool | None = None

    @property
    def readable(self) -> bool:
        """Whether it says anything at all about the extractor."""
        return self.extraction_a is not None or self.closed is not None

    def __post_init__(self) -> None:
        if (self.closed is None) == (self.quality is ExtractionQuality.CONTACT):
            raise ValueError(f"A {self.quality} extraction reading cannot carry closed={self.closed!r}.")
        if (self.extraction_a is None) == (self.quality is ExtractionQuality.GOOD):
            raise ValueError(
                f"A {self.quality} extraction reading cannot carry extraction_a={self.extraction_a!r}."
            )


class Health(msgspec.Struct, frozen=True, kw_only=True):
    """How the station's own helpers fare. None: not part of this run (a replay has no broker).

    ``journal_fault``: why the journal is not written, as a code.
    """

    journal_ok: bool | None = None
    journal_fault: str | None = None
    link_ok: bool | None = None
    clock_ok: bool | None = None
    calibration_ok: bool | None = None


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """Everything one tick learns from outside, buttons and requests apart.

    ``solvent_out`` is True with the bottle out of its cradle, None when the cradle cannot be read.
    """

    plate: PlateReading
    extraction: ExtractionReading
    solvent_out: bool | None
    health: Health = Health()
