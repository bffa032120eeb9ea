"""The ITS-90 reference functions of thermocouple types K, J, N and T, as data.

Coefficients: NIST SRD 60 (Monograph 175; IEC 60584-1 gives the same functions), all digits, reference
junction at 0 °C, emf in mV, temperature in °C. Every type has two branches; type K's upper one carries a bump
on top. The inverse polynomials of the same source serve only as a first guess: their band is up to 0.05 °C.

The slope is the one gain a chip of the MAX31855 family assumes for its type. Type K's is printed on page 8 of
datasheet 19-5793; those of J, N and T (its table of thermal characteristics) are from memory. The reference
functions bear all four out: each is the mean slope up to 1000 °C for K, J and N, up to 400 °C for T.
"""

from typing import Literal, NamedTuple, TypeAlias

Letter: TypeAlias = Literal["K", "J", "N", "T"]
Coefficients: TypeAlias = tuple[float, ...]
"""Of a polynomial, highest power first, as Horner's rule wants them."""


class Branch(NamedTuple):
    """One reference function: a polynomial, and with a bump also mV · exp(per_c2 · (t - centre_c)²)."""

    polynomial: Coefficients
    bump: tuple[float, float, float] | None = None
    """mV, per_c2, centre_c."""


class ThermocoupleType(NamedTuple):
    """A type: its two branches and where they meet, its range, the first guesses, the chip's slope.

    ``guesses``: pairs of the highest emf in mV each serves for and the inverse polynomial. ``lowest_c`` to
    ``highest_c`` is where emf is defined, ``inverse_lowest_c`` to ``highest_c`` where a temperature is found.
    """

    letter: Letter
    lower: Branch
    upper: Branch
    seam_c: float
    lowest_c: float
    highest_c: float
    inverse_lowest_c: float
    guesses: tuple[tuple[float, Coefficients], ...]
    chip_mv_per_c: float


_K_LOWER = (
    -1.6322697486e-23, -1.9889266878e-20, -1.0451609365e-17, -3.1088872894e-15, -5.7410327428e-13,
    -6.7509059173e-11, -4.9904828777e-09, -3.2858906784e-07, 2.3622373598e-05, 0.039450128025, 0.0,
)  # fmt: skip
_K_UPPER = (
    -1.2104721275e-26, 9.7151147152e-23, -3.2020720003e-19, 5.6075059059e-16, -5.6072844889e-13,
    3.1840945719e-10, -9.9457592874e-08, 1.8558770032e-05, 0.038921204975, -0.017600413686,
)  # fmt: skip
_K_GUESS_1 = (
    -0.00051920577, -0.010450598, -0.086632643, -0.37342377, -0.8977354, -1.0833638, -1.1662878, 25.173462,
    0.0,
)  # fmt: skip
_K_GUESS_2 = (
    -1.052755e-08, 1.057734e-06, -4.41303e-05, 0.0009804036, -0.01228034, 0.0831527, -0.2503131,
    0.07860106, 25.08355, 0.0,
)  # fmt: skip
_K_GUESS_3 = (
    -3.11081e-08, 8.802193e-06, -0.0009650715, 0.05464731, -1.646031, 48.30222, -131.8058,
)  # fmt: skip
_J_LOWER = (
    1.5631725697e-23, -1.2538395336e-19, 2.0948090697e-16, -1.7052958337e-13, 1.3228195295e-10,
    -8.568106572e-08, 3.047583693e-05, 0.050381187815, 0.0,
)  # fmt: skip
_J_UPPER = (
    -3.0691369056e-13, 1.5720819004e-09, -3.1847686701e-06, 0.0031787103924, -1.4976127786, 296.45625681,
)  # fmt: skip
_J_GUESS_1 = (
    -8.3823321e-05, -0.002396337, -0.028131513, -0.17256713, -0.59086933, -1.0752178, -1.2286185,
    19.528268, 0.0,
)  # fmt: skip
_J_GUESS_2 = (
    5.09989e-10, -5.344285e-08, 3.585153e-06, -0.0002549687, 0.01036969, -0.2001204, 19.78425, 0.0,
)  # fmt: skip
_J_GUESS_3 = (
    4.73886084e-06, -0.00143033468, 0.17027663, -9.9477323, 300.543684, -3113.58187,
)  # fmt: skip
_N_LOWER = (
    -9.3419667835e-20, -7.6089300791e-17, -2.2653438003e-14, -2.6303357716e-12, -4.6412039759e-11,
    -9.3841111554e-08, 1.0957484228e-05, 0.026159105962, 0.0,
)  # fmt: skip
_N_UPPER = (
    -3.0682196151e-29, 2.0849229339e-25, -6.0863245607e-22, 9.9745338992e-19, -1.0063471519e-15,
    6.4311819339e-13, -2.5261169794e-10, 4.3825627237e-08, 1.571014188e-05, 0.025929394601, 0.0,
)  # fmt: skip
_N_GUESS_1 = (
    0.0073138868, 0.11582665, 0.77075166, 2.7754916, 5.8488586, 7.2060525, 5.2229312, 1.1010485, 38.436847,
    0.0,
)  # fmt: skip
_N_GUESS_2 = (
    -7.98156e-08, 5.3928e-06, -0.000117272, -2.12169e-06, 0.0470205, -1.08267, 38.6896, 0.0,
)  # fmt: skip
_N_GUESS_3 = (
    7.767022e-07, -0.0001274371, 0.009855391, -0.3915159, 33.00943, 19.72485,
)  # fmt: skip
_T_LOWER = (
    7.9795153927e-31, 1.3945027062e-27, 1.079553927e-24, 4.8768662286e-22, 1.4251594779e-19,
    2.8213521925e-17, 3.8493939883e-15, 3.6071154205e-13, 2.2651156593e-11, 9.0138019559e-10,
    2.0032973554e-08, 1.1844323105e-07, 4.4194434347e-05, 0.038748106364, 0.0,
)  # fmt: skip
_T_UPPER = (
    -2.7512901673e-20, 4.547913529e-17, -3.0815758772e-14, 1.0996880928e-11, -2.1882256846e-09,
    2.0618243404e-07, 3.329222788e-05, 0.038748106364, 0.0,
)  # fmt: skip
_T_GUESS_1 = (
    0.0012668171, 0.020241446, 0.13304473, 0.42527777, 0.79018692, -0.21316967, 25.949192, 0.0,
)  # fmt: skip
_T_GUESS_2 = (
    -7.293422e-07, 6.048144e-05, -0.002165394, 0.04637791, -0.7602961, 25.928, 0.0,
)  # fmt: skip

# The magnetic ordering of the positive leg: a bump centred near 127 °C, inside the plate's range.
_K_BUMP = (0.118597600000, -0.118343200000e-03, 126.9686)
_END = float("inf")

TYPES: dict[Letter, ThermocoupleType] = {
    "K": ThermocoupleType(
        letter="K",
        lower=Branch(_K_LOWER),
        upper=Branch(_K_UPPER, _K_BUMP),
        seam_c=0.0,
        lowest_c=-270.0,
        highest_c=1372.0,
        inverse_lowest_c=-200.0,
        guesses=((0.0, _K_GUESS_1), (20.644, _K_GUESS_2), (_END, _K_GUESS_3)),
        chip_mv_per_c=0.041276,
    ),
    "J": ThermocoupleType(
        letter="J",
        lower=Branch(_J_LOWER),
        upper=Branch(_J_UPPER),
        seam_c=760.0,
        lowest_c=-210.0,
        highest_c=1200.0,
        inverse_lowest_c=-210.0,
        guesses=((0.0, _J_GUESS_1), (42.919, _J_GUESS_2), (_END, _J_GUESS_3)),
        chip_mv_per_c=0.057953,
    ),
    "N": ThermocoupleType(
        letter="N",
        lower=Branch(_N_LOWER),
        upper=Branch(_N_UPPER),
        seam_c=0.0,
        lowest_c=-270.0,
        highest_c=1300.0,
        inverse_lowest_c=-200.0,
        guesses=((0.0, _N_GUESS_1), (20.613, _N_GUESS_2), (_END, _N_GUESS_3)),
        chip_mv_per_c=0.036256,
    ),
    "T": ThermocoupleType(
        letter="T",
        lower=Branch(_T_LOWER),
        upper=Branch(_T_UPPER),
        seam_c=0.0,
        lowest_c=-270.0,
        highest_c=400.0,
        inverse_lowest_c=-200.0,
        guesses=((0.0, _T_GUESS_1), (_END, _T_GUESS_2)),
        chip_mv_per_c=0.05218,
    ),
}
