"""The uncertainty budget against a published example, an independent library and the tolerance tables."""

from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from uncertainties import ufloat

from station.measurement.coefficients import Letter
from station.measurement.uncertainty import Line, WireClass, combine, plate_budget, wire_tolerance_c

# EA-4/02 S5: a type N thermocouple at 1000 °C; sensitivities in °C/µV.
FURNACE_LINES = (
    Line("reference thermometer", 0.10, "normal"),
    Line("its certificate", 0.3, "certificate", k=2),
    Line("its voltmeter's certificate", 2.0, "certificate", sensitivity=0.077, k=2),
    Line("its voltmeter's resolution", 0.5, sensitivity=0.077),
    Line("parasitic voltages", 2.0, sensitivity=0.077),
    Line("ice point", 0.1, sensitivity=0.077 / 0.189),
    Line("drift", 0.3),
    Line("evenness of the furnace", 1.0),
)
EMF_LINES = (
    Line("reading", 1.6, "normal"),
    Line("voltmeter", 1.0, "normal"),
    Line("resolution", 0.5),
    Line("parasitic voltages", 2.0),
    Line("compensating leads", 5.0),
    Line("furnace", 0.640870517, "normal", sensitivity=1 / 0.026),
    Line("ice point", 0.1, sensitivity=1 / 0.039),
)


def test_published_example_furnace() -> None:
    """EA-4/02 S5: the furnace's temperature has u = 0.640870517 K, to all digits of its result file."""
    assert combine(FURNACE_LINES).combined == pytest.approx(0.640870517, abs=1e-9)


def test_published_example_emf() -> None:
    """EA-4/02 S5: the emf has u = 24.96 µV (result file 24.966, rounded sensitivities), U = 50 µV."""
    budget = combine(EMF_LINES)
    assert budget.combined == pytest.approx(24.966, abs=0.01)
    assert round(budget.expanded, -1) == 50


lines = st.lists(
    st.tuples(
        st.floats(0.01, 10),
        st.sampled_from(("rectangular", "normal", "certificate")),
        st.sampled_from((-2.5, -1.0, 0.077, 1.0, 3.0)),
    ),
    min_size=1,
    max_size=8,
)


@given(lines)
def test_budget_agrees_with_uncertainties(drawn: list[tuple[float, str, float]]) -> None:
    """The library uncertainties propagates the same inputs to the same combined uncertainty."""
    divisor = {"rectangular": sqrt(3), "normal": 1.0, "certificate": 2.0}
    budget = combine([Line(f"line {n}", a, d, s) for n, (a, d, s) in enumerate(drawn)])  # type: ignore[arg-type]
    result = sum((s * ufloat(0.0, a / divisor[d]) for a, d, s in drawn), 0.0)
    assert budget.combined == pytest.approx(result.std_dev, rel=1e-9, abs=1e-12)
    assert budget.expanded == pytest.approx(2 * result.std_dev, rel=1e-9, abs=1e-12)


def test_plate_budget_before_calibration() -> None:
    """Type K class 1 at 80 °C with ±0.2 °C of linearisation left: u_c 1.5733, U 3.15 °C (computed).

    Checked beforehand with the libraries uncertainties, GTC and metrolopy.
    """
    budget = plate_budget(linearisation_c=0.2)
    assert budget.combined == pytest.approx(1.5733, abs=0.00005)
    assert budget.expanded == pytest.approx(3.147, abs=0.0005)
    parts = [round(part.contribution, 4) for part in budget.contributions]
    assert parts == [0.8660, 1.1547, 0.0722, 0.1155, 0.5774, 0.2]


def test_plate_budget_after_calibration() -> None:
    """After ice and boiling point: u_c 0.685, U 1.37 °C (computed beforehand, the same libraries)."""
    budget = plate_budget(calibrated=True)
    assert budget.combined == pytest.approx(0.685, abs=0.0005)
    assert budget.expanded == pytest.approx(1.37, abs=0.001)


def test_exact_correction_takes_its_line_out_of_the_budget() -> None:
    """With nothing left of the straight line's error, u_c is √(1.5733² - (0.2/√3)²) (GUM 5.1.2, by hand)."""
    assert plate_budget().combined == pytest.approx(sqrt(1.5733**2 - 0.04 / 3), abs=0.0001)


@pytest.mark.parametrize(
    ("letter", "wire_class", "t_c", "tolerance_c"),
    [
        ("K", 1, -40, 1.5), ("K", 1, 80, 1.5), ("K", 1, 375, 1.5), ("K", 1, 376, 1.504), ("K", 1, 1000, 4.0),
        ("K", 2, -40, 2.5), ("K", 2, 80, 2.5), ("K", 2, 333, 2.5), ("K", 2, 375, 2.8125), ("K", 2, 1200, 9.0),
        ("K", 3, -200, 3.0), ("K", 3, -166, 2.5), ("K", 3, 40, 2.5),
        ("N", 1, 100, 1.5), ("N", 1, 1000, 4.0), ("N", 2, 1200, 9.0), ("N", 3, -200, 3.0),
        ("J", 1, 100, 1.5), ("J", 1, 750, 3.0), ("J", 2, 100, 2.5), ("J", 2, 750, 5.625),
        ("T", 1, 100, 0.5), ("T", 1, 125, 0.5), ("T", 1, 350, 1.4), ("T", 2, 100, 1.0), ("T", 2, 133, 1.0),
        ("T", 2, 350, 2.625), ("T", 3, -66, 1.0), ("T", 3, -200, 3.0),
    ],
)  # fmt: skip
def test_tolerance_of_the_wire(letter: Letter, wire_class: WireClass, t_c: float, tolerance_c: float) -> None:
    """IEC 60584-1 tolerance classes, as three public tables restate them, at turning points and ends."""
    assert wire_tolerance_c(letter, wire_class, t_c) == pytest.approx(tolerance_c, abs=1e-9)
