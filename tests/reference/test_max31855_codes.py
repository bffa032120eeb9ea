"""The chip's word against its datasheet (19-5793 tables 2 to 5) and against an independent library."""

import pytest
from adafruit_max31855 import MAX31855
from hypothesis import given, settings
from hypothesis import strategies as st

from shared.readings import PlateQuality
from station.measurement.frame import chip_c, cold_junction_c, decode, encode, wire_fault

THERMOCOUPLE_CODES = {
    1600.00: "01100100000000",
    1000.00: "00111110100000",
    100.75: "00000110010011",
    25.00: "00000001100100",
    0.0: "00000000000000",
    -0.25: "11111111111111",
    -1.00: "11111111111100",
    -250.00: "11110000011000",
}
COLD_JUNCTION_CODES = {
    127.0: "011111110000",
    100.5625: "011001001001",
    25.0: "000110010000",
    0.0: "000000000000",
    -0.0625: "111111111111",
    -1.0: "111111110000",
    -20.0: "111011000000",
    -55.0: "110010010000",
}


@pytest.mark.parametrize(
    ("celsius", "bits"), THERMOCOUPLE_CODES.items(), ids=lambda v: f"19-5793 table 4: {v}"
)
def test_thermocouple_codes(celsius: float, bits: str) -> None:
    """Each thermocouple code printed in the datasheet decodes and encodes as printed."""
    word = int(bits, 2) << 18
    assert chip_c(word) == celsius
    assert encode(celsius, 0.0) == word


@pytest.mark.parametrize(
    ("celsius", "bits"), COLD_JUNCTION_CODES.items(), ids=lambda v: f"19-5793 table 5: {v}"
)
def test_cold_junction_codes(celsius: float, bits: str) -> None:
    """Each cold junction code printed in the datasheet decodes and encodes as printed."""
    word = int(bits, 2) << 4
    assert cold_junction_c(word) == celsius
    assert encode(0.0, celsius) == word


@pytest.mark.parametrize(
    ("word", "thermocouple", "junction"),
    [
        pytest.param(0x64007F00, 1600.0, 127.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0x3E806490, 1000.0, 100.5625, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0x064C1900, 100.75, 25.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0x01901900, 25.0, 25.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0xFFFCFFF0, -0.25, -0.0625, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0xFFF0FF00, -1.0, -1.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0xF060EC00, -250.0, -20.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0xF060C900, -250.0, -55.0, id="19-5793 tables 4 and 5 combined"),
        pytest.param(0x05001B00, 80.0, 27.0, id="19-5793 table 2, composed by hand"),
        pytest.param(0x01501790, 21.0, 23.5625, id="a frame quoted in the chip maker's forum"),
    ],
)
def test_whole_words(word: int, thermocouple: float, junction: float) -> None:
    """Whole words decode to both temperatures and encode back to the same word."""
    assert (chip_c(word), cold_junction_c(word)) == (thermocouple, junction)
    assert encode(thermocouple, junction) == word


@pytest.mark.parametrize(
    ("word", "quality"),
    [
        pytest.param(0x00011901, PlateQuality.OPEN, id="19-5793 table 3: OC"),
        pytest.param(0x00011902, PlateQuality.SHORT_TO_GROUND, id="19-5793 table 3: SCG"),
        pytest.param(0x00011904, PlateQuality.SHORT_TO_SUPPLY, id="19-5793 table 3: SCV"),
    ],
)
def test_fault_words(word: int, quality: PlateQuality) -> None:
    """The datasheet's fault bits give their fault, with the cold junction of 25 °C beside it."""
    reading = decode(word)
    assert (reading.quality, reading.plate_c, reading.cold_junction_c) == (quality, None, 25.0)
    assert encode(0.0, 25.0, quality) == word


LIBRARY_FAULTS = {
    "thermocouple not connected": PlateQuality.OPEN,
    "short circuit to ground": PlateQuality.SHORT_TO_GROUND,
    "short circuit to power": PlateQuality.SHORT_TO_SUPPLY,
}


class HeldWord:
    """A bus that always answers one word."""

    def __init__(self, word: int) -> None:
        """Answer ``word``."""
        self.word = word

    def try_lock(self) -> bool:
        """Granted."""
        return True

    def unlock(self) -> None:
        """Taken back."""

    def configure(self, **settings: int) -> None:
        """Anything goes."""

    def readinto(self, buffer: bytearray) -> None:
        """The word, highest byte first."""
        buffer[:] = self.word.to_bytes(4, "big")


@settings(max_examples=500)
@given(st.integers(0, 2**32 - 1))
def test_random_words_agree_with_the_chip_library(word: int) -> None:
    """adafruit-circuitpython-max31855 reads the same fields and the same fault from any 32 bits."""
    library = MAX31855(HeldWord(word), None)
    assert library.reference_temperature == cold_junction_c(word)
    if word & 0x0001_0007:
        with pytest.raises(RuntimeError) as refused:
            _ = library.temperature
        # "faulty reading" is the summary bit alone, which no live chip sends.
        assert LIBRARY_FAULTS.get(str(refused.value)) == wire_fault(word)
        assert decode(word).plate_c is None
    else:
        assert library.temperature == chip_c(word)
        assert wire_fault(word) is None


@pytest.mark.parametrize("word", [0x0000_0000, 0xFFFF_FFFF])
def test_a_dead_line_is_silence_where_the_library_gives_a_number_or_an_open_wire(word: int) -> None:
    """All zero is 0 °C and all ones an open wire to the chip library; here both are silence.

    Source of the two patterns: reserved bits of 19-5793 table 2, and a line stuck at either level.
    """
    assert decode(word).quality is PlateQuality.SILENT
