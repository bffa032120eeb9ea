"""Type K against the outside: NIST's table, independent libraries, published worked items."""

from collections.abc import Iterator

import pytest
from adafruit_max31855 import MAX31855
from thermocouple_its90 import TypeK
from thermocouples import get_thermocouple

from station.measurement.frame import encode
from station.measurement.its90 import CHIP_MV_PER_C, chip_reading_c, emf_mv, linearised_c, temperature_c

# NIST SRD 60, type K, reference junction at 0 °C, mV: ten whole degrees a row, from the one named first. Read
# from several public copies of the table, which agree with each other; NIST's own page was not seen.
NIST_ROWS = """
0 0.000 0.039 0.079 0.119 0.158 0.198 0.238 0.277 0.317 0.357
10 0.397 0.437 0.477 0.517 0.557 0.597 0.637 0.677 0.718 0.758
20 0.798 0.838 0.879 0.919 0.960 1.000 1.041 1.081 1.122 1.163
30 1.203 1.244 1.285 1.326 1.366 1.407 1.448 1.489 1.530 1.571
40 1.612 1.653 1.694 1.735 1.776 1.817 1.858 1.899 1.941 1.982
50 2.023 2.064 2.106 2.147 2.188 2.230 2.271 2.312 2.354 2.395
60 2.436 2.478 2.519 2.561 2.602 2.644 2.685 2.727 2.768 2.810
70 2.851 2.893 2.934 2.976 3.017 3.059 3.100 3.142 3.184 3.225
80 3.267 3.308 3.350 3.391 3.433 3.474 3.516 3.557 3.599 3.640
90 3.682 3.723 3.765 3.806 3.848 3.889 3.931 3.972 4.013 4.055
100 4.096 4.138 4.179 4.220 4.262 4.303 4.344 4.385 4.427 4.468
110 4.509 4.550 4.591 4.633 4.674 4.715 4.756 4.797 4.838 4.879
120 4.920 4.961 5.002 5.043 5.084 5.124 5.165 5.206 5.247 5.288
130 5.328 5.369 5.410 5.450 5.491 5.532 5.572 5.613 5.653 5.694
140 5.735 5.775 5.815 5.856 5.896 5.937 5.977 6.017 6.058 6.098
150 6.138 6.179 6.219 6.259 6.299 6.339 6.380 6.420 6.460 6.500
160 6.540 6.580 6.620 6.660 6.701 6.741 6.781 6.821 6.861 6.901
170 6.941 6.981 7.021 7.060 7.100 7.140 7.180 7.220 7.260 7.300
180 7.340 7.380 7.420 7.460 7.500 7.540 7.579 7.619 7.659 7.699
190 7.739 7.779 7.819 7.859 7.899 7.939 7.979 8.019 8.059 8.099
200 8.138 8.178 8.218 8.258 8.298 8.338 8.378 8.418 8.458 8.499
"""

# The same table, from memory: points the copies above were not read for.
NIST_FROM_MEMORY = {
    -50: -1.889, -40: -1.527, -30: -1.156, -20: -0.778, -10: -0.392, 250: 10.153, 300: 12.209, 350: 14.293,
    400: 16.397,
}  # fmt: skip


def nist_points() -> Iterator[tuple[float, float]]:
    """Every tabulated (°C, mV)."""
    for line in NIST_ROWS.split("\n"):
        start, *row = (float(part) for part in line.split() or [0.0])
        yield from ((start + n, mv) for n, mv in enumerate(row))


TENTHS_C = [n / 10 for n in range(-500, 4001)]


@pytest.mark.parametrize(
    "points",
    [
        pytest.param(list(nist_points()), id="NIST SRD 60 table 0 to 209 °C, public copies"),
        pytest.param(list(NIST_FROM_MEMORY.items()), id="NIST SRD 60 table, values from memory"),
    ],
)
def test_emf_rounds_to_the_table(points: list[tuple[float, float]]) -> None:
    """Every tabulated emf is ours, within half of its last digit (0.0005 mV)."""
    assert len(points) in (210, 9)
    off = {t_c: mv for t_c, mv in points if abs(emf_mv(t_c) - mv) > 0.0005 + 1e-9}
    assert off == {}


def test_emf_agrees_with_thermocouple_its90() -> None:
    """The library thermocouple-its90 gives the same emf to 1e-12 mV, -50 to 400 °C (proves transcription)."""
    assert max(abs(emf_mv(t_c) - TypeK.emf(t_c)) for t_c in TENTHS_C) < 1e-12


def test_emf_agrees_with_thermocouples() -> None:
    """The library thermocouples gives the same emf to 1e-12 mV, -50 to 400 °C (proves transcription)."""
    library = get_thermocouple("K")
    assert max(abs(emf_mv(t_c) - 1000 * library.temp_to_volt(t_c)) for t_c in TENTHS_C) < 1e-12


def test_emf_agrees_with_thermocouple_its90_over_the_whole_range() -> None:
    """The library thermocouple-its90 agrees to 1e-12 mV at every degree from -270 to 1372 °C as well."""
    assert max(abs(emf_mv(t_c) - TypeK.emf(float(t_c))) for t_c in range(-270, 1373)) < 1e-12


def test_inverse_agrees_with_thermocouple_its90() -> None:
    """The library thermocouple-its90, whose inverse is exact too, agrees to 1e-6 °C, -50 to 400 °C."""
    millivolts = [emf_mv(t_c) for t_c in TENTHS_C[::5]]
    assert max(abs(temperature_c(mv) - TypeK.temperature(mv)) for mv in millivolts) < 1e-6


def test_inverse_agrees_with_thermocouples_within_its_band() -> None:
    """The library thermocouples inverts by NIST's polynomial, whose published error is within 0.05 °C."""
    library = get_thermocouple("K")
    points_c = TENTHS_C[::10]
    assert (
        max(abs(temperature_c(emf_mv(t_c)) - library.volt_to_temp(emf_mv(t_c) / 1000)) for t_c in points_c)
        < 0.05
    )


@pytest.mark.parametrize(
    ("computed", "published", "tolerance"),
    [
        pytest.param(emf_mv(42.0), 1.693847705, 1e-8, id="42 °C, thermocouples-reference's documentation"),
        pytest.param(emf_mv(112.0), 4.5912, 3e-4, id="112 °C, a worked answer interpolated in the table"),
        pytest.param(
            temperature_c(4.096 + emf_mv(25.0)),
            124.310,
            5e-4,
            id="4.096 mV at 25 °C, thermocouple-its90's README",
        ),
        pytest.param(
            temperature_c(1.1 + emf_mv(23.0)),
            49.907928,
            1e-5,
            id="1.1 mV at 23 °C, thermocouples-reference's docs",
        ),
    ],
)
def test_published_worked_items(computed: float, published: float, tolerance: float) -> None:
    """Worked items published elsewhere come out as published."""
    assert computed == pytest.approx(published, abs=tolerance)


def test_correction_agrees_with_thermocouple_its90() -> None:
    """Undoing the chip's line and inverting with thermocouple-its90 gives our correction, to 1e-6 K."""
    pairs = [(chip / 4, cj / 16) for chip in range(80, 1200, 7) for cj in range(240, 720, 37)]
    off = [
        abs(linearised_c(chip, cj) - TypeK.temperature(CHIP_MV_PER_C * (chip - cj), reference=cj))
        for chip, cj in pairs
    ]
    assert max(off) < 1e-6


class HeldFrame:
    """A bus that always answers the same word."""

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


@pytest.mark.parametrize("cold_junction_c", [15.0, 25.0, 40.0])
def test_correction_agrees_with_the_chip_library(cold_junction_c: float) -> None:
    """``temperature_NIST`` of adafruit-circuitpython-max31855 agrees within its polynomial's band, 0.06 K."""
    bus = HeldFrame(0)
    library = MAX31855(bus, None)
    for chip_c in range(20, 301):
        bus.word = encode(chip_c, cold_junction_c)
        assert linearised_c(chip_c, cold_junction_c) == pytest.approx(library.temperature_NIST, abs=0.06)


@pytest.mark.parametrize(
    ("true_c", "cold_junction_c", "error_k"),
    [
        (60, 15, -0.4342), (80, 15, -0.3215), (100, 15, -0.2229), (140, 15, -0.5321), (60, 25, -0.2043),
        (80, 25, -0.0916), (100, 25, 0.0070), (140, 25, -0.3022), (60, 40, -0.0204), (80, 40, 0.0923),
        (100, 40, 0.1909), (120, 40, 0.1456), (100, 45, 0.2161), (140, 45, -0.0930), (0, 15, 0.5371),
        (0, 20, 0.6638), (0, 30, 0.8481),
    ],
)  # fmt: skip
def test_error_of_the_straight_line(true_c: float, cold_junction_c: float, error_k: float) -> None:
    """The chip's error is as computed beforehand with thermocouple-its90 from datasheet 19-5793's model."""
    assert chip_reading_c(true_c, cold_junction_c) - true_c == pytest.approx(error_k, abs=0.0001)
    emf = TypeK.emf(float(true_c)) - TypeK.emf(float(cold_junction_c))
    assert chip_reading_c(true_c, cold_junction_c) == pytest.approx(
        cold_junction_c + emf / 0.041276, abs=1e-9
    )
