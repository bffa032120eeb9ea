"""The hot plate as a plant: heater, thermostat, losses, a panel laid on it, and the chip's cold junction.

Two bodies exchange heat: the plate, which loses to the room and is heated, and the panel on it. The numbers
are those of no particular plate; they make it behave as a bench plate does (common practice, no source).
Time comes in through :meth:`Plate.advance_to` and is cut into fixed steps, so how often one asks does not
change what one sees.
"""

from math import floor

AMBIENT_C = 22.0
COOLING_S = 170.0
"""Time constant of the bare plate's loss to the room, seconds."""

HEATING_C_PER_S = 1.3
"""What the full heater does to the bare plate, before losses."""

PANEL_SHARE = 0.45
"""Heat capacity of a panel over that of the plate."""

PANEL_S = 20.0
"""Time constant of a panel taking the plate's temperature, seconds."""

THERMOSTAT_BAND_C = 0.2
"""The thermostat switches this far below and above its setpoint; the heater's steps add about 0.1 °C."""

COLD_JUNCTION_START_C, COLD_JUNCTION_RISE_C, COLD_JUNCTION_S = 24.0, 5.0, 600.0
STEP_S = 0.1


class Plate:
    """The plate's state. The technician's acts and the mishaps are methods and plain attributes.

    Attributes:
        plate_c: temperature of the plate, °C.
        cold_junction_c: temperature of the thermocouple chip, °C.
        setpoint_c: what the thermostat is set to, None when switched off.
        heater_share: 1.0 a sound heater, 0.0 a dead one.
        stuck_on: the thermostat's contact has welded: the heater never switches off.
        drift_c_per_min: how fast the thermostat loses its setpoint, °C per minute.
    """

    def __init__(self, start_s: float = 0.0) -> None:
        """A cold plate, switched off, at ``start_s`` seconds."""
        self.plate_c = AMBIENT_C
        self.cold_junction_c = COLD_JUNCTION_START_C
        self.setpoint_c: float | None = None
        self.heater_share = 1.0
        self.stuck_on = False
        self.drift_c_per_min = 0.0
        self._panel_c: float | None = None
        self._drifted_c = 0.0
        self._heating = False
        self._start_s = start_s
        self._steps = 0

    @property
    def heating(self) -> bool:
        """Whether the heater is switched on right now."""
        return self._heating

    def lay_panel(self, panel_c: float = AMBIENT_C) -> None:
        """Lay a panel of ``panel_c`` °C on the plate, in place of any that lies there."""
        self._panel_c = panel_c

    def lift_panel(self) -> None:
        """Take the panel off."""
        self._panel_c = None

    def advance_to(self, time_s: float) -> None:
        """Live on until ``time_s`` seconds (whole steps of :data:`STEP_S`); earlier times change nothing."""
        # The small share keeps a time that is a whole number of steps from falling just short of it.
        due = floor((time_s - self._start_s) / STEP_S + 1e-6)
        while self._steps < due:
            self._steps += 1
            self._step()

    def _step(self) -> None:
        self._drifted_c += self.drift_c_per_min * STEP_S / 60.0
        self._heating = self._contact()
        rate_c_per_s = (AMBIENT_C - self.plate_c) / COOLING_S
        if self._heating:
            rate_c_per_s += HEATING_C_PER_S * self.heater_share
        if self._panel_c is not None:
            flow_c_per_s = (self.plate_c - self._panel_c) / PANEL_S
            self._panel_c += flow_c_per_s * STEP_S
            rate_c_per_s -= PANEL_SHARE * flow_c_per_s
        self.plate_c += rate_c_per_s * STEP_S
        warm = (self.plate_c - AMBIENT_C) / 78.0
        towards_c = COLD_JUNCTION_START_C + COLD_JUNCTION_RISE_C * warm
        self.cold_junction_c += (towards_c - self.cold_junction_c) * STEP_S / COLD_JUNCTION_S

    def _contact(self) -> bool:
        if self.stuck_on:
            return True
        if self.setpoint_c is None:
            return False
        off_by_c = self.plate_c - self.setpoint_c - self._drifted_c
        if abs(off_by_c) < THERMOSTAT_BAND_C:
            return self._heating
        return off_by_c < 0
