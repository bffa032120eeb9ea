"""What is known of the solvents: enough to say how much vapour a millilitre makes, and what is too much.

Only three are built in; the settings may describe another, or stricter limits for one of these. Where the
published limits differ from place to place the lower of the figures below is taken; what the law of the place
says comes first.
"""

import math
from typing import Annotated, TypeAlias

import msgspec

MOLAR_VOLUME_L = 24.4654  # of an ideal gas at 25 °C and 1 atm
ATMOSPHERE_KPA = 101.325
KELVIN = 273.15
ROOM_C = 20.0

Ppm: TypeAlias = Annotated[float, msgspec.Meta(ge=1, le=100_000, description="ppm by volume")]


class Solvent(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One solvent.

    ``lel_percent``: lower explosive limit in % by volume; ``short_term_ppm`` and ``long_term_ppm``: exposure
    limits as means over 15 minutes and over 8 hours.
    """

    molar_mass_g_mol: Annotated[float, msgspec.Meta(ge=10, le=500, description="g/mol")]
    density_g_ml: Annotated[float, msgspec.Meta(ge=0.3, le=3, description="g/mL at 20 °C")]
    vapour_pressure_20c_kpa: Annotated[float, msgspec.Meta(gt=0, lt=101, description="kPa at 20 °C")]
    boiling_c: Annotated[float, msgspec.Meta(gt=25, le=250, description="°C at 1 atm")]
    lel_percent: Annotated[float, msgspec.Meta(ge=0.1, le=20, description="% by volume")]
    short_term_ppm: Ppm
    long_term_ppm: Ppm

    @property
    def vapour_l_per_ml(self) -> float:
        """Litres of vapour at 25 °C from one millilitre of liquid."""
        return self.density_g_ml / self.molar_mass_g_mol * MOLAR_VOLUME_L

    @property
    def lel_ppm(self) -> float:
        """The lower explosive limit in ppm by volume."""
        return self.lel_percent * 10_000

    def volatility(self, liquid_c: float) -> float:
        """Vapour pressure at ``liquid_c`` as a multiple of that at 20 °C; at the boiling point at most.

        Clausius-Clapeyron through the two known points (20 °C and boiling): within 7 % of the Antoine
        equations of the built-in three between 0 °C and boiling.
        """
        kelvin = min(liquid_c, self.boiling_c) + KELVIN
        room_k, boiling_k = ROOM_C + KELVIN, self.boiling_c + KELVIN
        slope = math.log(ATMOSPHERE_KPA / self.vapour_pressure_20c_kpa) / (1 / room_k - 1 / boiling_k)
        return math.exp(slope * (1 / room_k - 1 / kelvin))


# Molar masses, flammability (IEC 60079-20-1) and limits (isopropyl alcohol: NIOSH; acetone: the lowest of the
# published pairs, ACGIH 2024; ethanol: OSHA for 8 h, ACGIH for 15 min) as restated by secondary sources;
# densities from memory but for isopropyl alcohol's.
SOLVENTS: dict[str, Solvent] = {
    "isopropyl-alcohol": Solvent(
        molar_mass_g_mol=60.095,
        density_g_ml=0.785,
        vapour_pressure_20c_kpa=4.414,
        boiling_c=82.3,
        lel_percent=2.0,
        short_term_ppm=500,
        long_term_ppm=400,
    ),
    "acetone": Solvent(
        molar_mass_g_mol=58.079,
        density_g_ml=0.791,
        vapour_pressure_20c_kpa=24.7,
        boiling_c=56.1,
        lel_percent=2.5,
        short_term_ppm=500,
        long_term_ppm=250,
    ),
    "ethanol": Solvent(
        molar_mass_g_mol=46.068,
        density_g_ml=0.789,
        vapour_pressure_20c_kpa=5.85,
        boiling_c=78.4,
        lel_percent=3.1,
        short_term_ppm=1000,
        long_term_ppm=1000,
    ),
}
