"""Decoding of the chip's word: the order of refusals, and encoding as its mirror."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.readings import PlateQuality, PlateReading
from station.measurement.frame import BUS_FAILED, chip_c, cold_junction_c, decode, encode
from station.measurement.its90 import linearised_c

RESERVED_17, FAULT_16, RESERVED_3 = 1 << 17, 1 << 16, 1 << 3
chip_steps = st.integers(-(2**13), 2**13 - 1)
cold_junction_steps = st.integers(-(2**11), 2**11 - 1)


@given(chip_steps, cold_junction_steps)
def test_fields_come_back_as_encoded(chip: int, junction: int) -> None:
    """Every temperature the two fields can hold survives encoding and decoding exactly."""
    word = encode(chip / 4, junction / 16)
    assert (chip_c(word), cold_junction_c(word)) == (chip / 4, junction / 16)


@given(st.integers(0, 1100), st.integers(-300, 1300))
def test_decode_gives_the_corrected_temperature_of_what_was_encoded(chip: int, junction: int) -> None:
    """A healthy word on a bench reads good, with the ITS-90 temperature of its pair."""
    word = encode(chip / 4, junction / 16)
    reading = decode(word)
    if chip == 0 and junction == 0:
        assert reading.quality is PlateQuality.SILENT
        return
    expected_c = linearised_c(chip / 4, junction / 16)
    if reading.quality is PlateQuality.GOOD:
        assert (reading.plate_c, reading.cold_junction_c) == (expected_c, junction / 16)
    else:
        assert reading.quality is PlateQuality.OUT_OF_RANGE
        assert not -20.0 <= expected_c <= 300.0


@settings(max_examples=500)
@given(st.integers(0, 2**32 - 1))
def test_any_word_gives_a_reading_and_only_a_good_one_a_number(word: int) -> None:
    """Whatever 32 bits arrive, there is a reading, and only a good one carries a believable number."""
    reading = decode(word)
    assert reading.word == word
    if reading.quality is PlateQuality.GOOD:
        assert reading.plate_c is not None
        assert -20.0 <= reading.plate_c <= 300.0
    else:
        assert reading.plate_c is None


@pytest.mark.parametrize("word", [0x0000_0000, 0xFFFF_FFFF])
def test_a_dead_line_is_silence(word: int) -> None:
    """All bits alike is a line nobody drives: no temperature, no cold junction, not 0 °C."""
    assert decode(word) == PlateReading(quality=PlateQuality.SILENT, word=word)


@pytest.mark.parametrize(
    "spoilt",
    [
        pytest.param(RESERVED_17, id="D17 set"),
        pytest.param(RESERVED_3, id="D3 set"),
        pytest.param(FAULT_16, id="D16 without a reason"),
        pytest.param(0b001, id="open without D16"),
        pytest.param(0b100, id="short to supply without D16"),
        pytest.param(RESERVED_17 | FAULT_16 | 0b001, id="D17 set beside a fault"),
    ],
)
def test_a_word_no_chip_sends_is_a_bad_frame(spoilt: int) -> None:
    """A reserved bit set, or the summary bit against the fault bits, spoils the whole word."""
    word = encode(100.0, 25.0) ^ spoilt
    assert decode(word) == PlateReading(quality=PlateQuality.BAD_FRAME, word=word)


@pytest.mark.parametrize(
    ("bits", "quality"),
    [
        (0b001, PlateQuality.OPEN),
        (0b010, PlateQuality.SHORT_TO_GROUND),
        (0b100, PlateQuality.SHORT_TO_SUPPLY),
        (0b011, PlateQuality.OPEN),
        (0b110, PlateQuality.SHORT_TO_GROUND),
        (0b111, PlateQuality.OPEN),
    ],
)
def test_a_wire_fault_is_told_with_the_cold_junction(bits: int, quality: PlateQuality) -> None:
    """Fault bits leave only the cold junction; of several, the first of open, ground and supply is told."""
    word = encode(100.0, 25.0) | FAULT_16 | bits
    assert decode(word) == PlateReading(quality=quality, word=word, cold_junction_c=25.0)


@pytest.mark.parametrize(
    "fault", [PlateQuality.OPEN, PlateQuality.SHORT_TO_GROUND, PlateQuality.SHORT_TO_SUPPLY]
)
def test_an_encoded_fault_is_decoded(fault: PlateQuality) -> None:
    """Each fault the chip can report survives encoding and decoding."""
    assert decode(encode(0.0, 25.0, fault)).quality is fault


@pytest.mark.parametrize(
    ("chip", "junction", "shown_c"),
    [
        pytest.param(320.0, 25.0, 25.0, id="plate above"),
        pytest.param(-30.0, 25.0, 25.0, id="plate below"),
        pytest.param(1700.0, 25.0, 25.0, id="above type K"),
        pytest.param(-1000.0, 25.0, 25.0, id="below type K"),
        pytest.param(100.0, 86.0, None, id="cold junction above"),
        pytest.param(100.0, -21.0, None, id="cold junction below"),
    ],
)
def test_what_no_bench_has_is_out_of_range(chip: float, junction: float, shown_c: float | None) -> None:
    """A plate or a cold junction beyond belief gives no number, and an absurd cold junction is not shown."""
    word = encode(chip, junction)
    assert decode(word) == PlateReading(quality=PlateQuality.OUT_OF_RANGE, word=word, cold_junction_c=shown_c)


def test_an_absurd_cold_junction_is_not_shown_beside_a_fault() -> None:
    """A wire fault keeps its name when the cold junction is absurd, but not that number."""
    reading = decode(encode(0.0, 120.0, PlateQuality.OPEN))
    assert (reading.quality, reading.cold_junction_c) == (PlateQuality.OPEN, None)


def test_ranges_are_settable() -> None:
    """What is believable is the caller's to say."""
    word = encode(320.0, 90.0)
    assert decode(word, range_c=(0.0, 400.0), cold_junction_range_c=(0.0, 100.0)).quality is PlateQuality.GOOD


def test_trim_follows_the_correction() -> None:
    """Gain and then offset act on the corrected temperature, and the range on the trimmed one."""
    word = encode(100.0, 25.0)
    plain_c = linearised_c(100.0, 25.0)
    assert decode(word, gain=1.01, offset_c=-0.5).plate_c == 1.01 * plain_c - 0.5
    assert decode(encode(296.0, 25.0), offset_c=10.0).quality is PlateQuality.OUT_OF_RANGE


@pytest.mark.parametrize("word", [-1, 1 << 32])
def test_only_32_bits_are_a_word(word: int) -> None:
    """A number that is no 32-bit word is a mistake of the program and raises."""
    with pytest.raises(ValueError, match="32 bits"):
        decode(word)


@pytest.mark.parametrize(
    ("chip", "junction"), [(2048.0, 25.0), (-2049.0, 25.0), (100.0, 128.0), (100.0, -129.0)]
)
def test_encode_refuses_what_does_not_fit(chip: float, junction: float) -> None:
    """A temperature beyond its field is refused instead of wrapping round."""
    with pytest.raises(ValueError, match="does not fit"):
        encode(chip, junction)


def test_encode_refuses_a_fault_the_chip_has_no_bit_for() -> None:
    """Only open and the two shorts can be sent."""
    with pytest.raises(ValueError, match="cannot report"):
        encode(100.0, 25.0, PlateQuality.FROZEN)


def test_a_failed_bus_has_no_word() -> None:
    """The reading of a failed bus carries nothing but its quality."""
    assert PlateReading(quality=PlateQuality.BUS_ERROR) == BUS_FAILED
