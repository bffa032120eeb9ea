"""The plate's driver over a bus that answers as told."""

from typing import Any

import pytest

from shared.readings import PlateQuality, PlateReading
from station.drivers.plate import PlateSensor
from station.measurement.frame import encode
from station.measurement.its90 import linearised_c
from station.rules.limits import PlateLimits
from station.settings import PlateWire

WIRE = PlateWire()
ONE_TRANSACTION = ["lock", "configure", "read", "unlock"]


@pytest.mark.parametrize(
    ("word", "quality"),
    [
        (encode(100.0, 25.0), PlateQuality.GOOD),
        (encode(0.0, 25.0, PlateQuality.OPEN), PlateQuality.OPEN),
        (encode(0.0, 25.0, PlateQuality.SHORT_TO_GROUND), PlateQuality.SHORT_TO_GROUND),
        (encode(0.0, 25.0, PlateQuality.SHORT_TO_SUPPLY), PlateQuality.SHORT_TO_SUPPLY),
        (0x0000_0000, PlateQuality.SILENT),
        (0xFFFF_FFFF, PlateQuality.SILENT),
        (encode(100.0, 25.0) | 1 << 17, PlateQuality.BAD_FRAME),
        (encode(100.0, 25.0) | 1 << 16, PlateQuality.BAD_FRAME),
        (encode(100.0, 25.0) | 0b010, PlateQuality.BAD_FRAME),
        (encode(500.0, 25.0), PlateQuality.OUT_OF_RANGE),
        (encode(100.0, 100.0), PlateQuality.OUT_OF_RANGE),
        (None, PlateQuality.BUS_ERROR),
    ],
)
def test_every_answer_of_the_wire_is_one_transaction_and_one_quality(
    plate_wire: type[Any], word: int | None, quality: PlateQuality
) -> None:
    """Whatever the wire does, a reading costs exactly one transaction, and only a good one has a number."""
    bus = plate_wire(word)
    reading = PlateSensor(bus, WIRE).read()
    assert bus.calls == ONE_TRANSACTION
    assert (reading.quality, reading.word) == (quality, word)
    assert (reading.plate_c is None) == (quality is not PlateQuality.GOOD)


def test_a_silent_board_is_never_zero_degrees(plate_wire: type[Any]) -> None:
    """The all-zero word, which the chip library takes for 0 °C, gives no temperature of either junction."""
    reading = PlateSensor(plate_wire(0), WIRE).read()
    assert reading == PlateReading(quality=PlateQuality.SILENT, word=0)


def test_a_failed_read_does_not_repeat_the_frame_before(plate_wire: type[Any]) -> None:
    """After a good frame a failed bus gives no number, and the next good frame is read again."""
    sensor = PlateSensor(plate_wire(encode(100.0, 25.0), None, encode(90.0, 25.0)), WIRE)
    readings = [sensor.read() for _ in range(3)]
    assert [r.quality for r in readings] == [PlateQuality.GOOD, PlateQuality.BUS_ERROR, PlateQuality.GOOD]
    assert readings[2].plate_c == linearised_c(90.0, 25.0)


def test_the_pair_comes_from_one_frame(plate_wire: type[Any]) -> None:
    """Plate and cold junction belong to the same word even when the next word differs."""
    sensor = PlateSensor(plate_wire(encode(100.0, 25.0), encode(50.0, 40.0)), WIRE)
    assert sensor.read().plate_c == linearised_c(100.0, 25.0)
    assert sensor.read().plate_c == linearised_c(50.0, 40.0)


def test_trim_and_limits_are_those_of_the_settings(plate_wire: type[Any]) -> None:
    """Gain and offset of the wire trim the number, the limits say what is believable."""
    bus = plate_wire(encode(100.0, 25.0))
    trimmed = PlateSensor(bus, PlateWire(gain=1.02, offset_c=-1.5)).read()
    assert trimmed.plate_c == 1.02 * linearised_c(100.0, 25.0) - 1.5
    narrow = PlateSensor(plate_wire(encode(180.0, 25.0)), WIRE, PlateLimits(range_high_c=150.0)).read()
    assert narrow.quality is PlateQuality.OUT_OF_RANGE
    cold = PlateSensor(plate_wire(encode(100.0, 25.0)), WIRE, PlateLimits(cold_junction_low_c=5.0)).read()
    assert cold.quality is PlateQuality.GOOD
