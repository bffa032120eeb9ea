"""Every number the rules go by, with unit, range and default.

The defaults are those of the cause-and-effect table; where no standard gives a figure they are common
practice, no source.
"""

from typing import Annotated

import msgspec

from station.rules.solvents import SOLVENTS, Solvent


def _between(low: float, high: float, text: str) -> msgspec.Meta:
    return msgspec.Meta(ge=low, le=high, description=text)


class PlateLimits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Limits on the plate and its sensor."""

    over_limit_c: Annotated[float, _between(60, 180, "°C at which everything stops")] = 130.0
    over_limit_delay_s: Annotated[float, _between(0, 10, "seconds above the limit before it counts")] = 1.0
    deviation_delay_s: Annotated[float, _between(1, 300, "seconds outside the band before the alarm")] = 10.0
    return_inside_c: Annotated[float, _between(0, 5, "°C inside the band before a return counts")] = 0.5
    return_delay_s: Annotated[float, _between(0, 300, "seconds inside before the alarm returns")] = 5.0
    not_heating_rise_c: Annotated[float, _between(0.5, 20, "°C the plate must rise")] = 2.0
    not_heating_window_min: Annotated[float, _between(0.5, 30, "minutes in which it must rise")] = 3.0
    left_hot_c: Annotated[float, _between(30, 100, "°C from which an idle plate counts as hot")] = 50.0
    left_hot_min: Annotated[float, _between(1, 240, "minutes hot without a heat step")] = 20.0
    budget_c: Annotated[float, _between(40, 120, "°C from which a unit's time on the plate counts")] = 80.0
    budget_min: Annotated[float, _between(5, 600, "minutes that hot which a unit may have in all")] = 60.0
    fault_delay_s: Annotated[float, _between(0.1, 5, "seconds without a valid reading before the fault")] = (
        0.5
    )
    fault_return_s: Annotated[float, _between(0.5, 60, "seconds of valid readings before it returns")] = 0.5
    frozen_s: Annotated[float, _between(5, 3600, "seconds the same word may repeat")] = 60.0
    absurd_rate_c_per_s: Annotated[float, _between(5, 500, "°C/s between readings that no plate does")] = 50.0
    mirrored_fall_c: Annotated[
        float, _between(2, 30, "°C of fall in a heat step, below the cold junction: swapped leads")
    ] = 5.0
    panel_tau_s: Annotated[float, _between(0, 300, "seconds, time constant of a panel on the plate")] = 20.0
    range_low_c: Annotated[float, _between(-50, 10, "°C below which a reading is out of range")] = -20.0
    range_high_c: Annotated[float, _between(150, 700, "°C above which a reading is out of range")] = 300.0
    cold_junction_low_c: Annotated[float, _between(-40, 10, "°C, lowest believable cold junction")] = -20.0
    cold_junction_high_c: Annotated[float, _between(50, 125, "°C, highest believable cold junction")] = 85.0


class ExtractionLimits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When the fume extractor counts as proven."""

    proven_a: Annotated[float, _between(0.02, 50, "amperes from which the extractor counts as running")] = (
        0.25
    )
    proof_s: Annotated[float, _between(1, 60, "seconds it must run before it is proven")] = 5.0
    lost_a: Annotated[float, _between(0.01, 50, "amperes below which the proof is lost")] = 0.18
    lost_s: Annotated[float, _between(0.1, 2, "seconds below before the proof is lost")] = 0.5
    fault_delay_s: Annotated[float, _between(0.1, 5, "seconds unreadable before the fault")] = 0.5
    low_a: Annotated[float, _between(0, 50, "amperes, lower edge of the learned band; 0: not learned")] = 0.0
    high_a: Annotated[float, _between(0, 50, "amperes, upper edge of the learned band; 0: not learned")] = 0.0
    weak_s: Annotated[float, _between(1, 600, "seconds outside the learned band before it is weak")] = 30.0
    run_on_s: Annotated[float, _between(0, 1800, "seconds to run on after a solder step")] = 120.0


class SolventLimits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """When an open solvent bottle matters."""

    hot_plate_c: Annotated[float, _between(20, 80, "°C from which the plate is hot to solvent")] = 40.0
    hot_deadband_c: Annotated[float, _between(0, 10, "°C below that at which a solvent alarm returns")] = 2.0
    delay_s: Annotated[float, _between(0.1, 30, "seconds before a solvent alarm")] = 1.0
    left_out_min: Annotated[float, _between(1, 240, "minutes out of the cradle")] = 10.0
    name: Annotated[str, msgspec.Meta(min_length=1, max_length=40, description="which solvent")] = (
        "isopropyl-alcohol"
    )
    properties: Solvent | None = None
    dose_ml: Annotated[float, _between(0.01, 100, "mL that one lift of the bottle counts as")] = 0.5
    hood_m3: Annotated[float, _between(0.005, 50, "m³ of the space the vapour fills first")] = 0.05
    flow_extracted_m3_h: Annotated[float, _between(5, 5000, "m³/h through it, extraction proven")] = 100.0
    flow_still_m3_h: Annotated[float, _between(0.1, 500, "m³/h through it without extraction")] = 10.0
    mixing_factor: Annotated[float, _between(1, 10, "K; 1: perfect mixing, larger: worse")] = 3.0
    evaporation_20c_s: Annotated[float, _between(1, 3600, "seconds, time constant of drying at 20 °C")] = 60.0
    evaporation_least_s: Annotated[float, _between(0.5, 60, "seconds, the fastest it dries")] = 3.0
    vapour_high_lel: Annotated[float, _between(0.01, 0.10, "share of the explosive limit, high")] = 0.10
    vapour_critical_lel: Annotated[float, _between(0.02, 0.25, "share of the explosive limit, critical")] = (
        0.25
    )
    vapour_deadband_lel: Annotated[float, _between(0, 0.05, "share below which an alarm returns")] = 0.01
    short_term_ppm: Annotated[float, _between(0, 5000, "ppm, 15-min mean; 0: the solvent's own")] = 0.0
    long_term_ppm: Annotated[float, _between(0, 5000, "ppm, 8-h mean; 0: the solvent's own")] = 0.0

    @property
    def in_use(self) -> Solvent:
        """What is known of the solvent in use; its limits replaced by those of the settings."""
        known = self.properties or SOLVENTS[self.name]
        return msgspec.structs.replace(
            known,
            short_term_ppm=self.short_term_ppm or known.short_term_ppm,
            long_term_ppm=self.long_term_ppm or known.long_term_ppm,
        )


class AlarmLimits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Times of the alarms about the station itself, and of shelving."""

    journal_delay_s: Annotated[float, _between(0, 600, "seconds without writing before the alarm")] = 5.0
    link_delay_s: Annotated[float, _between(0, 600, "seconds without a broker before the alarm")] = 60.0
    open_time_warning: Annotated[float, _between(0.1, 1, "share of the open time at which to warn")] = 0.8
    shelve_max_min: Annotated[float, _between(1, 480, "minutes an alarm may be shelved at most")] = 240.0
    realarm_urgent_min: Annotated[
        float, _between(0, 240, "minutes acknowledged until high and critical ones sound again; 0: never")
    ] = 15.0
    realarm_other_min: Annotated[
        float, _between(0, 240, "minutes acknowledged until low and medium ones sound again; 0: never")
    ] = 0.0
    authorisers: Annotated[
        tuple[str, ...], msgspec.Meta(description="who may take an alarm out of service; empty: nobody")
    ] = ()


class Limits(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All numbers the rules go by."""

    plate: PlateLimits = PlateLimits()
    extraction: ExtractionLimits = ExtractionLimits()
    solvent: SolventLimits = SolventLimits()
    alarms: AlarmLimits = AlarmLimits()
    gap_s: Annotated[float, _between(0.2, 10, "a longer time between ticks is a gap")] = 1.0
    median_of: Annotated[int, _between(1, 9, "valid readings the plate's median is taken of")] = 3
