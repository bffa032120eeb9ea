"""The wiring guide as a document: the words of guide.md, with the settings' lines and sums put in."""

from collections.abc import Iterator
from importlib.resources import files

from station.settings import ExtractionWire, Settings
from station.wiring.lines import lines
from station.wiring.sums import current_sums, pump_for, release, volts_per_ampere

DRAWING = "wiring.svg"
_PARTS = {
    "ct-waveform": (
        "Current transformer with burden, MCP3008, 2 x 10 kΩ, 10 µF",
        "transformer for the insulation of the conductor it goes around; never open without its burden",
    ),
    "dc-level": (
        "Current transducer with a voltage output, MCP3008",
        "isolated; output within the reference",
    ),
    "contact": ("Current switch with an isolated contact", "its threshold between still and running"),
}


def guide(settings: Settings) -> str:
    """The whole guide for one station's settings."""
    wires, tick_s = settings.wires, settings.station.tick_s
    pump = pump_for(tick_s)
    lets_go = release(pump, tick_s)
    part, look = _PARTS[wires.extraction.kind]
    return (
        files("station.wiring")
        .joinpath("guide.md")
        .read_text("utf-8")
        .format(
            drawing=DRAWING,
            letter=wires.plate.thermocouple,
            wire_class=wires.plate.wire_class,
            extractor_parts=f"| {part} | extractor | {look} |\n",
            table="\n".join(_table(settings)),
            extractor="\n".join(_extractor(settings)),
            tick=tick_s,
            bleed=pump.bleed_ohm / 1000,
            hold=pump.hold_f * 1e6,
            couple=pump.couple_f * 1e6,
            drop=pump.drop_v,
            swing=pump.swing_v,
            on=pump.on_v,
            off=pump.off_v,
            lowest=pump.lowest_v(tick_s),
            highest=pump.highest_v(tick_s),
            soonest=lets_go.soonest_s,
            latest=lets_go.latest_s,
        )
    )


def _table(settings: Settings) -> Iterator[str]:
    yield "## Lines"
    yield ""
    yield "| header pin | GPIO | line | the Pi | leads to | resistor at its end | cut or floating |"
    yield "|---|---|---|---|---|---|---|"
    for line in sorted(lines(settings.wires), key=lambda line: line.place):
        does = "listens" if line.way == "in" else "drives"
        cells = (line.place, line.bcm, line.name, does, line.leads_to, line.resistor or "-", line.broken)
        yield f"| {' | '.join(map(str, cells))} |"


def _extractor(settings: Settings) -> Iterator[str]:
    wire = settings.wires.extraction
    yield "## Extractor"
    yield ""
    yield "Around **one** conductor of its cable: around both, the currents cancel. In an approved"
    yield "enclosure, by an electrician."
    yield ""
    if wire.kind == "contact":
        yield "Set the switch so that it closes with the fan running and its filter clogged, and opens with"
        yield "the fan off. It tells running from still and nothing else: no floor, no learned band, no hours"
        yield "under load."
        return
    if wire.kind == "ct-waveform":
        yield "**Never leave the transformer open while the conductor carries current**: its voltage rises"
        yield "until something breaks. Solder the burden to it, and fit two diodes across the burden. The"
        yield "burden's cold end goes to the bias, half the supply made by 2 x 10 kΩ and 10 µF; the other end"
        yield f"to channel {wire.channel} through 1 kΩ, with 100 nF to ground."
        yield ""
    yield from _sums(settings)
    if wire.kind == "ct-waveform":
        yield from _turns(wire)


def _sums(settings: Settings) -> Iterator[str]:
    wire, limits = settings.wires.extraction, settings.limits.extraction
    sums = current_sums(wire)
    yield f"With {wire.volts_per_ampere:g} V per ampere, a {wire.supply_v:g} V reference and 10 bits:"
    yield ""
    yield "| | amperes RMS |"
    yield "|---|---|"
    yield f"| one step of the converter | {sums.step_a:.4f} |"
    yield f"| noise of rounding to steps | {sums.rounding_a:.4f} |"
    yield f"| floor in the settings | {wire.floor_a:g} |"
    yield f"| least threshold (3 x the greater of both) | {sums.least_a:.3f} |"
    yield f"| proof is lost below | {limits.lost_a:g} |"
    yield f"| extractor counts as running from | {limits.proven_a:g} |"
    yield f"| greatest current that is read whole | {sums.clips_a:.1f} |"


def _turns(wire: ExtractionWire) -> Iterator[str]:
    yield ""
    yield "Volts per ampere = burden / turns ratio x turns of the conductor through the core:"
    yield ""
    yield "| transformer | burden | turns | V per ampere | one step, A | read whole to, A |"
    yield "|---|---|---|---|---|---|"
    for turns in (1, 5, 10):
        slope = volts_per_ampere(33, 2000, turns)
        made = current_sums(ExtractionWire(volts_per_ampere=slope, supply_v=wire.supply_v))
        yield f"| 100 A : 50 mA | 33 Ω | {turns} | {slope:g} | {made.step_a:.4f} | {made.clips_a:.1f} |"
    yield ""
    yield "A bench extractor draws a few tenths of an ampere: one turn gives it a step or two, which noise"
    yield "alone can look like. Take ten. Then measure: `benchward calibrate extraction` finds the floor and"
    yield "learns the band of the running fan."
