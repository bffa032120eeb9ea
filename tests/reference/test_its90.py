"""Types K, J, N and T against the outside: NIST's tables, independent libraries, published worked items."""

from collections.abc import Iterator

import pytest
import thermocouple_its90
from adafruit_max31855 import MAX31855
from thermocouple_its90 import TypeK
from thermocouples import get_thermocouple

from station.measurement.coefficients import TYPES, Letter
from station.measurement.frame import encode
from station.measurement.its90 import (
    chip_mv_per_c,
    chip_reading_c,
    emf_mv,
    linearised_c,
    temperature_c,
)

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


# The same tables for the other types. Whole hundreds: a public copy of the four tables, by 200 °C.
NIST_BY_200_C: dict[Letter, dict[int, float]] = {
    "K": {
        -200: -5.891,
        0: 0.0,
        200: 8.138,
        400: 16.397,
        600: 24.905,
        800: 33.275,
        1000: 41.276,
        1200: 48.838,
    },
    "J": {
        -200: -7.890,
        0: 0.0,
        200: 10.779,
        400: 21.848,
        600: 33.102,
        800: 45.494,
        1000: 57.953,
        1200: 69.553,
    },
    "N": {
        -200: -3.990,
        0: 0.0,
        200: 5.913,
        400: 12.974,
        600: 20.613,
        800: 28.455,
        1000: 36.256,
        1200: 43.846,
    },
    "T": {-200: -5.603, 0: 0.0, 200: 9.288, 400: 20.872},
}
# NIST's own file for type T, downwards from -50 and -100 °C by whole degrees.
NIST_T_DOWN = {
    -50: (-1.819, -1.853, -1.887, -1.920, -1.954, -1.987, -2.021, -2.054, -2.087, -2.120, -2.153),
    -100: (-3.379, -3.407, -3.435, -3.463, -3.491, -3.519, -3.547, -3.574, -3.602, -3.629, -3.657),
}
OTHERS_FROM_MEMORY: dict[Letter, dict[int, float]] = {
    "J": {-50: -2.431, 25: 1.277, 100: 5.269},
    "N": {-50: -1.269, 25: 0.659, 100: 2.774},
    "T": {25: 0.992, 100: 4.279},
}

TENTHS_C = [n / 10 for n in range(-500, 4001)]
RANGES_C: dict[Letter, tuple[int, int]] = {
    "K": (-270, 1372), "J": (-210, 1200), "N": (-270, 1300), "T": (-270, 400),
}  # fmt: skip
EACH_TYPE = pytest.mark.parametrize("letter", list(RANGES_C))


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


@pytest.mark.parametrize(
    ("letter", "points"),
    [
        *(
            pytest.param(letter, points, id=f"NIST SRD 60 type {letter} by 200 °C, a public copy")
            for letter, points in NIST_BY_200_C.items()
        ),
        *(
            pytest.param(
                "T",
                {start_c - n: mv for n, mv in enumerate(row)},
                id=f"NIST SRD 60 type T from {start_c} °C down, NIST's file",
            )
            for start_c, row in NIST_T_DOWN.items()
        ),
        *(
            pytest.param(letter, points, id=f"NIST SRD 60 type {letter}, from memory")
            for letter, points in OTHERS_FROM_MEMORY.items()
        ),
    ],
)
def test_emf_of_every_type_rounds_to_its_table(letter: Letter, points: dict[int, float]) -> None:
    """Every tabulated emf of the four types is ours, within half of its last digit (0.0005 mV)."""
    assert len(points) >= 2
    off = {t_c: mv for t_c, mv in points.items() if abs(emf_mv(t_c, letter) - mv) > 0.0005 + 1e-9}
    assert off == {}


@EACH_TYPE
def test_emf_agrees_with_thermocouple_its90(letter: Letter) -> None:
    """The library thermocouple-its90 gives the same emf to 1e-12 mV, -50 to 400 °C (proves transcription)."""
    library = thermocouple_its90.get(letter)
    assert max(abs(emf_mv(t_c, letter) - library.emf(t_c)) for t_c in TENTHS_C) < 1e-12


@EACH_TYPE
def test_emf_agrees_with_thermocouples(letter: Letter) -> None:
    """The library thermocouples gives the same emf to 1e-12 mV, -50 to 400 °C (proves transcription).

    Type N only from 0 °C and to 5e-12 mV: release 2.1.2 of that library has other powers of ten of c4 to c6
    below 0 °C than NIST (at -50 °C it is 0.023 mV off the table), and another last digit of c9 above.
    """
    library = get_thermocouple(letter)
    lowest_c, within_mv = (0.0, 5e-12) if letter == "N" else (-50.0, 1e-12)
    points_c = [t_c for t_c in TENTHS_C if t_c >= lowest_c]
    assert max(abs(emf_mv(t_c, letter) - 1000 * library.temp_to_volt(t_c)) for t_c in points_c) < within_mv


def test_coefficients_of_type_n_below_zero_are_as_nist_shows_them() -> None:
    """NIST SRD 60 version 3.0, reference function coefficients as shown on its page, three digits."""
    shown = "0.00E+00 2.62E-02 1.10E-05 -9.38E-08 -4.64E-11 -2.63E-12 -2.27E-14 -7.61E-17 -9.34E-20"
    ours = [f"{coefficient:.2E}" for coefficient in reversed(TYPES["N"].lower.polynomial)]
    assert ours == shown.split()


@EACH_TYPE
def test_emf_agrees_with_thermocouple_its90_over_the_whole_range(letter: Letter) -> None:
    """The library thermocouple-its90 agrees to 2e-11 mV at every degree the type is defined for.

    At 1000 °C type J's polynomial adds terms of some 3000 mV: the last bit is 5e-13 mV.
    """
    library = thermocouple_its90.get(letter)
    lowest_c, highest_c = RANGES_C[letter]
    points_c = [float(t_c) for t_c in range(lowest_c, highest_c + 1)]
    assert max(abs(emf_mv(t_c, letter) - library.emf(t_c)) for t_c in points_c) < 2e-11


@EACH_TYPE
def test_inverse_of_every_type_agrees_with_thermocouple_its90(letter: Letter) -> None:
    """The library thermocouple-its90, whose inverse is exact too, agrees to 1e-6 °C, -50 to 400 °C."""
    library = thermocouple_its90.get(letter)
    millivolts = [emf_mv(t_c, letter) for t_c in TENTHS_C[::5]]
    assert max(abs(temperature_c(mv, letter) - library.temperature(mv)) for mv in millivolts) < 1e-6


@EACH_TYPE
def test_slope_of_the_chip_is_the_mean_slope_of_the_table(letter: Letter) -> None:
    """The slope (datasheet 19-5793; J, N, T from memory) is NIST's table over 1000 °C, type T over 400 °C."""
    end_c = 400 if letter == "T" else 1000
    assert chip_mv_per_c(letter) == pytest.approx(NIST_BY_200_C[letter][end_c] / end_c, abs=1e-9)


@EACH_TYPE
def test_correction_of_every_type_agrees_with_thermocouple_its90(letter: Letter) -> None:
    """Undoing the chip's line and inverting with thermocouple-its90 gives our correction, to 1e-6 K."""
    library = thermocouple_its90.get(letter)
    pairs = [(chip / 4, cj / 16) for chip in range(80, 1200, 7) for cj in range(240, 720, 37)]
    off = [
        abs(
            linearised_c(chip, cj, letter)
            - library.temperature(chip_mv_per_c(letter) * (chip - cj), reference=cj)
        )
        for chip, cj in pairs
    ]
    assert max(off) < 1e-6


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
