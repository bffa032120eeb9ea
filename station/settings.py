"""The settings of one station, read from TOML; every number with its unit, range and default.

Sections: ``station``, ``wires``, ``limits`` (the rules' numbers), ``broker``, ``journal``. A settings file
that is wrong is refused whole: file, key, offending value, what would be right.
"""

import hashlib
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec

from shared.problems import InputError, convert_checked, unreadable
from shared.requests import Identifier
from station.rules.limits import Limits
from station.rules.solvents import SOLVENTS


def _means(text: str, *, ge: float | None = None, le: float | None = None) -> msgspec.Meta:
    """What a setting means, for the reference made from these structs, and its range."""
    if ge is None or le is None:
        return msgspec.Meta(description=text)
    return msgspec.Meta(description=text, ge=ge, le=le)


def _pin(text: str) -> msgspec.Meta:
    return _means(f"BCM number of the pin: {text}", ge=2, le=27)


# The SPI bus owns these: MISO, MOSI, SCLK and the two kernel chip selects.
SPI_PINS = frozenset({7, 8, 9, 10, 11})


class StationSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who the station is and which work it does.

    ``sheet``: the process sheet's file; the default sheet without it. ``clock``: whether wall time counts
    only once the machine has been synchronised, or always (its clock is kept right by other means).
    ``sync_file``: the file whose being there says that it has been; systemd-timesyncd's without it.
    """

    id: Annotated[Identifier, _means("name of the station, in topics and records")] = "bench-1"
    sheet: Annotated[str | None, _means("file of the process sheet; the default sheet without it")] = None
    tick_s: Annotated[float, _means("from one tick to the next", ge=0.02, le=0.2)] = 0.1
    clock: Annotated[
        Literal["synchronised", "trusted"],
        _means("wall time counts once the machine has been synchronised, or always"),
    ] = "synchronised"
    sync_file: Annotated[
        str | None, _means("file that is there once the clock has been set; systemd-timesyncd's without it")
    ] = None
    metrics_port: Annotated[
        int, _means("port on 127.0.0.1 for `/metrics`, such as 9478; 0: none", ge=0, le=65535)
    ] = 0


class PlateWire(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The thermocouple and its chip, on the kernel's chip select.

    ``thermocouple``: the letter of the chip and the wire, which must be the same; ``wire_class``: IEC 60584-1
    tolerance class of the wire; gain and offset trim the corrected temperature until a calibration does.
    """

    spi_device: Annotated[int, _means("kernel chip select of the thermocouple's chip", ge=0, le=1)] = 0
    baud: Annotated[int, _means("bits a second on the chip's bus", ge=10_000, le=5_000_000)] = 500_000
    thermocouple: Annotated[Literal["K", "J", "N", "T"], _means("letter of the chip and of the wire")] = "K"
    wire_class: Annotated[Literal[1, 2], _means("tolerance class of the wire, IEC 60584-1")] = 1
    gain: Annotated[float, _means("trim of the reading until a calibration is made", ge=0.9, le=1.1)] = 1.0
    offset_c: Annotated[float, _means("added to the reading until a calibration is made", ge=-10, le=10)] = (
        0.0
    )


class ExtractionWire(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """What speaks for the extractor.

    ``kind``: ``ct-waveform``, a current transformer biased at half the supply on one channel of the MCP3008;
    ``dc-level``, a transducer whose direct voltage follows the RMS current; ``contact``, a current switch on
    the pin ``extraction_contact``, closed while the motor runs.

    ``volts_per_ampere``: of a transformer, burden resistance over turns ratio, times the turns the conductor
    makes (the default: 100 A : 50 mA, 33 Ω, ten turns); of a transducer, its slope. ``zero_v``: what a
    transducer gives with the motor off.
    """

    kind: Annotated[
        Literal["ct-waveform", "dc-level", "contact"],
        _means("transformer on its bias, rectifying transducer, or current switch"),
    ] = "ct-waveform"

    spi_device: Annotated[int, _means("kernel chip select of the converter", ge=0, le=1)] = 1
    channel: Annotated[int, _means("channel of the converter", ge=0, le=7)] = 0
    supply_v: Annotated[float, _means("reference voltage of the converter", ge=2.7, le=5.5)] = 3.3
    volts_per_ampere: Annotated[
        float,
        _means("burden over turns ratio, times the conductor's turns; a transducer's slope", ge=0.001, le=10),
    ] = 0.165
    mains_hz: Annotated[Literal[50, 60], _means("frequency of the mains")] = 50
    cycles: Annotated[int, _means("mains cycles in one window", ge=1, le=10)] = 5
    samples_per_cycle: Annotated[int, _means("samples in one cycle", ge=20, le=400)] = 25
    floor_a: Annotated[float, _means("noise with the fan off, taken off in quadrature", ge=0, le=5)] = 0.01
    zero_v: Annotated[float, _means("what a transducer gives with the motor off", ge=0, le=5)] = 0.0


class Pins(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """BCM numbers of the pins, none of them on the SPI bus."""

    cradle: Annotated[int, _pin("cradle switch, closed by the bottle")] = 17
    acknowledge: Annotated[int, _pin("acknowledge button")] = 27
    red: Annotated[int, _pin("red lamp, top")] = 5
    amber: Annotated[int, _pin("amber lamp")] = 6
    green: Annotated[int, _pin("green lamp")] = 13
    blue: Annotated[int, _pin("blue lamp, bottom")] = 19
    buzzer: Annotated[int, _pin("buzzer")] = 26
    permit: Annotated[int, _pin("relay of the iron")] = 21
    heartbeat: Annotated[int, _pin("turned over at every tick, for the monostable")] = 20
    extraction_contact: Annotated[int, _pin('current switch, with `kind = "contact"` only')] = 16


class Wires(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Everything about the hardware."""

    plate: PlateWire = PlateWire()
    extraction: ExtractionWire = ExtractionWire()
    pins: Pins = Pins()
    permit_active_high: Annotated[bool, _means("whether a high pin gives the permit")] = True

    def digest(self, *, simulated: bool = False) -> str:
        """A short fingerprint of the wiring, for which a walk through it holds.

        What a calibration finds is no wiring: gain, offset and floor are left out. Simulated wires never have
        the fingerprint of real ones.
        """
        replace = msgspec.structs.replace
        plate = replace(self.plate, gain=1.0, offset_c=0.0)
        bare = replace(self, plate=plate, extraction=replace(self.extraction, floor_a=0.0))
        found = hashlib.sha256(msgspec.json.encode(bare)).hexdigest()[:16]
        return f"simulated-{found}" if simulated else found


class BrokerSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The MQTT broker."""

    host: Annotated[str, msgspec.Meta(min_length=1, description="where the broker is")] = "127.0.0.1"
    port: Annotated[int, _means("its port; 8883 with TLS", ge=1, le=65535)] = 1883
    user: Annotated[str | None, _means("name of the station's role at the broker")] = None
    password_file: Annotated[str | None, _means("file that holds nothing but its password")] = None
    ca_file: Annotated[
        str | None,
        _means("certificate of the private CA that signed the broker's; with it the link is encrypted"),
    ] = None
    window: Annotated[int, _means("messages on their way at once", ge=1, le=2000)] = 200


class JournalSettings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Where the journal's database is, and how long readings may wait in memory."""

    path: Annotated[str, _means("file of the database")] = "benchward.db"
    batch_s: Annotated[float, _means("longest that readings wait in memory", ge=0.5, le=5)] = 5.0


class Settings(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """All settings of one station."""

    station: StationSettings = StationSettings()
    wires: Wires = Wires()
    limits: Limits = Limits()
    broker: BrokerSettings = BrokerSettings()
    journal: JournalSettings = JournalSettings()

    def digest(self) -> str:
        """A short fingerprint, recorded when the station runs with other settings than before."""
        return hashlib.sha256(msgspec.json.encode(self)).hexdigest()[:16]


def load_settings(path: Path | None) -> Settings:
    """Read settings from a TOML file; without one, the defaults (they suit the simulated bench).

    Raises:
        InputError: names file, line or key, the offending value and what would be right.
    """
    if path is None:
        return Settings()
    try:
        data: dict[str, Any] = tomllib.loads(path.read_text("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise unreadable(path, error) from error
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise InputError(f"{path}: not valid TOML: {error}.") from error
    settings = convert_checked(data, Settings, path)
    check_settings(settings, path)
    return settings


def check_settings(settings: Settings, file: Path | str) -> None:
    """Refuse combinations that no single range can catch.

    Raises:
        InputError: two settings contradict each other, or a pin is taken twice.
    """
    extraction = settings.limits.extraction
    if extraction.lost_a >= extraction.proven_a:
        raise InputError(
            f"{file}: limits.extraction.lost_a is {extraction.lost_a!r}, not below proven_a "
            f"{extraction.proven_a!r}; a proof needs a deadband."
        )
    plate = settings.limits.plate
    if plate.over_limit_c >= plate.range_high_c:
        raise InputError(
            f"{file}: limits.plate.over_limit_c is {plate.over_limit_c!r}, not below range_high_c "
            f"{plate.range_high_c!r}; a plate over its limit would only look like a broken sensor."
        )
    _check_proof_is_real(settings, file)
    _check_solvent(settings, file)
    pins = msgspec.to_builtins(settings.wires.pins)
    owner: dict[int, str] = {}
    for name, pin in pins.items():
        if pin in SPI_PINS:
            raise InputError(f"{file}: wires.pins.{name} is {pin!r}, which the SPI bus owns (7 to 11).")
        if pin in owner:
            raise InputError(f"{file}: wires.pins.{name} is {pin!r}, already the pin of {owner[pin]}.")
        owner[pin] = name
    if settings.wires.plate.spi_device == settings.wires.extraction.spi_device:
        raise InputError(
            f"{file}: wires.extraction.spi_device is {settings.wires.extraction.spi_device!r}, the same as "
            "the plate's; each chip needs its own chip select."
        )


# The steps of the MCP3008, and the standard deviation of rounding to them as a share of one.
_CODES, _ROUNDING = 1024, 12**-0.5


def _check_proof_is_real(settings: Settings, file: Path | str) -> None:
    """Refuse thresholds that noise alone would pass: they would switch off the proof that soldering needs."""
    wire, extraction = settings.wires.extraction, settings.limits.extraction
    if wire.kind == "contact":
        return
    rounding_a = wire.supply_v / _CODES * _ROUNDING / wire.volts_per_ampere
    noise_a = max(wire.floor_a, rounding_a)
    if extraction.lost_a < 3 * noise_a:
        raise InputError(
            f"{file}: limits.extraction.lost_a is {extraction.lost_a!r}, below three times the noise of its "
            f"wires ({noise_a:.3g} A); a fan that stands still would count as running, and a solder step "
            f"always needs proven extraction: {3 * noise_a:.3g} A or more, more turns, or a smaller "
            "transformer."
        )


def _check_solvent(settings: Settings, file: Path | str) -> None:
    solvent = settings.limits.solvent
    if solvent.properties is None and solvent.name not in SOLVENTS:
        raise InputError(
            f"{file}: limits.solvent.name is {solvent.name!r}; choose from {', '.join(map(repr, SOLVENTS))}, "
            "or describe it in [limits.solvent.properties]."
        )
    if solvent.vapour_critical_lel <= solvent.vapour_high_lel:
        raise InputError(
            f"{file}: limits.solvent.vapour_critical_lel is {solvent.vapour_critical_lel!r}, not above "
            f"vapour_high_lel {solvent.vapour_high_lel!r}; the warning comes before the danger."
        )
    if solvent.vapour_deadband_lel >= solvent.vapour_high_lel:
        raise InputError(
            f"{file}: limits.solvent.vapour_deadband_lel is {solvent.vapour_deadband_lel!r}, not below "
            f"vapour_high_lel {solvent.vapour_high_lel!r}; the alarm could never return."
        )
