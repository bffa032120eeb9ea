"""The boiling point of water against IAPWS-IF97's own values, two libraries, tables made beforehand."""

import iapws
import pytest
from CoolProp.CoolProp import PropsSI

from station.measurement.saturation import boiling_point_c, saturation_k, station_pressure_hpa


@pytest.mark.parametrize(("mpa", "kelvin"), [(0.1, 372.755919), (1.0, 453.035632), (10.0, 584.149488)])
def test_saturation_gives_the_verification_values(mpa: float, kelvin: float) -> None:
    """IAPWS-IF97 table 36 (values from memory; the library iapws gives them too) to its last digit."""
    assert saturation_k(mpa) == pytest.approx(kelvin, abs=0.5e-6)


def test_saturation_agrees_with_iapws() -> None:
    """The library iapws gives the same temperature to 1e-9 K from 0.001 to 22 MPa (proves transcription)."""
    pressures_mpa = [0.001 * 1.05**n for n in range(205)]
    assert 17 < pressures_mpa[-1] < 22
    off = [abs(saturation_k(mpa) - iapws.iapws97._TSat_P(mpa)) for mpa in pressures_mpa]
    assert max(off) < 1e-9


def test_boiling_point_agrees_with_coolprop() -> None:
    """The library CoolProp (another formulation, IAPWS-95) agrees within 0.005 °C, 500 to 1100 hPa."""
    off = [
        abs(boiling_point_c(hpa) + 273.15 - PropsSI("T", "P", hpa * 100.0, "Q", 0, "Water"))
        for hpa in range(500, 1101, 5)
    ]
    assert max(off) < 0.005


@pytest.mark.parametrize(
    ("hpa", "celsius"),
    [(1040, 100.706), (1020, 100.160), (1000, 99.606), (980, 99.042), (950, 98.178), (900, 96.687)],
)
def test_boiling_point_by_pressure(hpa: float, celsius: float) -> None:
    """IAPWS-IF97 worked out beforehand with the libraries iapws and CoolProp, to its last digit."""
    assert boiling_point_c(hpa) == pytest.approx(celsius, abs=0.0006)


@pytest.mark.parametrize(
    ("altitude_m", "hpa", "celsius"),
    [
        (0, 1013.25, 99.974), (500, 954.61, 98.312), (1000, 898.75, 96.649), (1500, 845.56, 94.983),
        (2000, 794.95, 93.315), (3000, 701.09, 89.972),
    ],
)  # fmt: skip
def test_boiling_point_by_altitude(altitude_m: float, hpa: float, celsius: float) -> None:
    """Standard atmosphere, worked out beforehand with the libraries fluids (ATMOSPHERE_1976) and iapws."""
    assert station_pressure_hpa(altitude_m) == pytest.approx(hpa, abs=0.03)
    assert boiling_point_c(station_pressure_hpa(altitude_m)) == pytest.approx(celsius, abs=0.002)


def test_slope_near_the_standard_pressure() -> None:
    """About 0.02765 °C per hPa at 1013.25 hPa: the half-width 0.055 °C of the budget is ±2 hPa (computed)."""
    slope = (boiling_point_c(1014.25) - boiling_point_c(1012.25)) / 2
    assert slope == pytest.approx(0.02765, abs=0.00002)
    assert 2 * slope == pytest.approx(0.055, abs=0.001)
