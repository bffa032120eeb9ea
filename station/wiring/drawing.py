"""The wiring as a drawing (SVG), made from the settings' pins: header, lines, and circuits."""

from collections.abc import Iterator
from html import escape

from station.settings import Wires
from station.wiring.header import HEADER
from station.wiring.lines import Line, lines
from station.wiring.sums import Pump, pump_for

WIDTH, ROW, TOP = 1180, 38, 96
PAD_ODD, PAD_EVEN = 566, 614
BOX, BOX_LEFT, BOX_RIGHT = 400, 40, 740
CIRCUITS_TOP = TOP + 20 * ROW + 40

_KEY = "Whole line: the Pi listens; broken: it drives."
_CAUTION = "Mains side: by a licensed electrician, to the local code. Not a certified safety device."
_STYLE = """\
text { font: 13px sans-serif; fill: #111; }
.head { font-size: 20px; font-weight: bold; }
.name { font-weight: bold; }
.small { font-size: 12px; fill: #333; }
.box { fill: #fff; stroke: #333; }
.in { stroke: #004a8f; stroke-width: 2.5; fill: none; }
.out { stroke: #8f2a00; stroke-width: 2.5; fill: none; stroke-dasharray: 9 3; }
.wire { stroke: #333; stroke-width: 2; fill: none; }
.pad { fill: #eee; stroke: #666; }
.used { fill: #ffe28a; stroke: #111; }
"""


def draw(wires: Wires, tick_s: float = 0.1) -> str:
    """The drawing of a station's wires, one SVG document in UTF-8.

    Inputs are drawn with whole lines, outputs with broken ones, so that no colour is needed to tell them.
    """
    found = lines(wires)
    height = CIRCUITS_TOP + 520
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" role="img">',
        "<title>Wiring of the station</title>",
        f"<style>{_STYLE}</style>",
        f'<rect width="{WIDTH}" height="{height}" fill="#fff"/>',
        _text(40, 40, "Wiring of the station", "head"),
        _text(40, 64, f"Header seen from above, place 1 at the top left. {_KEY}"),
        *_header(found),
        *_circuits(wires, pump_for(tick_s)),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _text(x: float, y: float, text: str, kind: str = "", anchor: str = "start") -> str:
    about = f' class="{kind}"' if kind else ""
    where = f' text-anchor="{anchor}"' if anchor != "start" else ""
    return f'<text x="{x}" y="{y}"{about}{where}>{escape(text)}</text>'


def _header(found: list[Line]) -> Iterator[str]:
    by_place = {line.place: line for line in found}
    yield f'<rect x="{PAD_ODD - 28}" y="{TOP - 24}" width="104" height="{20 * ROW + 10}" class="box"/>'
    for index, carries in enumerate(HEADER):
        place = index + 1
        odd = place % 2 == 1
        x, y = PAD_ODD if odd else PAD_EVEN, TOP + index // 2 * ROW
        line = by_place.get(place)
        yield f'<circle cx="{x}" cy="{y}" r="12" class="{"used" if line else "pad"}"/>'
        yield _text(x, y + 4, str(place), "small", "middle")
        if line is not None:
            yield from _line(line, x, y, odd=odd)
        elif not carries.startswith("GPIO"):
            at, anchor = (x - 34, "end") if odd else (x + 34, "start")
            yield _text(at, y + 4, {"GND": "ground", "3V3": "3.3 V", "5V": "5 V"}[carries], "small", anchor)


def _line(line: Line, x: float, y: float, *, odd: bool) -> Iterator[str]:
    left = BOX_LEFT if odd else BOX_RIGHT
    near, far = (x - 12, left + BOX) if odd else (x + 12, left)
    yield f'<path d="M{near} {y}H{far}" class="{line.way}"/>'
    yield f'<rect x="{left}" y="{y - 17}" width="{BOX}" height="34" rx="4" class="box"/>'
    held = f": {line.resistor}" if line.resistor else ""
    yield _text(left + 8, y - 3, f"{line.name}, GPIO{line.bcm}{held}", "name")
    yield _text(left + 8, y + 12, line.leads_to, "small")


def _circuits(wires: Wires, pump: Pump) -> Iterator[str]:
    top = CIRCUITS_TOP
    yield _text(40, top, "What stands behind the lines", "head")
    yield from _chain(
        top + 30,
        "Iron: two drivers in series; either one lets go",
        [
            ("supply of the coil", "extra-low voltage, not from the Pi"),
            ("relay coil", "diode across it; energised to run"),
            ("driver of the permit", f"GPIO{wires.pins.permit}, gate held by its resistor"),
            ("driver of the pump", f"GPIO{wires.pins.heartbeat}, {pump.bleed_ohm / 1000:g} kΩ"),
            ("ground", "of the coil's supply and the Pi"),
        ],
    )
    yield from _chain(
        top + 140,
        "Pump: passes change only, so that a stuck pin, high or low, holds nothing",
        [
            (f"GPIO{wires.pins.heartbeat}", "turned over at every tick"),
            ("MOSFET, 1 kΩ to 5 V", "makes the swing 5 V"),
            (f"{pump.couple_f * 1e6:g} µF", "in series, ceramic or film"),
            ("2 Schottky diodes", "ground to node, node to gate"),
            ("gate", f"{pump.hold_f * 1e6:g} µF and {pump.bleed_ohm / 1000:g} kΩ to ground"),
        ],
    )
    yield from _chain(
        top + 250,
        "Plate: nothing of the thermocouple may touch ground",
        [
            ("isolated junction", "in or on the plate"),
            (f"type {wires.plate.thermocouple} wire", "the same letter all the way"),
            ("T+ and T-", "10 nF ceramic across them"),
            ("MAX31855", f"type {wires.plate.thermocouple}, 3.3 V, away from heat"),
            (f"select {wires.plate.spi_device}", f"GPIO{8 - wires.plate.spi_device}"),
        ],
    )
    yield from _chain(top + 360, *_extractor(wires))
    yield _text(40, top + 480, _CAUTION)


def _extractor(wires: Wires) -> tuple[str, list[tuple[str, str]]]:
    wire = wires.extraction
    if wire.kind == "contact":
        return "Extractor: a switch that closes on current", [
            ("one conductor", "of the extractor's cable"),
            ("current switch", "set between still and running"),
            ("isolated contact", "closed while it runs"),
            (f"GPIO{wires.pins.extraction_contact}", "to ground"),
        ]
    select = (f"MCP3008 channel {wire.channel}", f"{wire.supply_v:g} V; select {wire.spi_device}")
    if wire.kind == "dc-level":
        return "Extractor: a transducer whose voltage follows the current", [
            ("one conductor", "of the extractor's cable"),
            ("current transducer", f"{wire.volts_per_ampere:g} V per ampere"),
            ("1 kΩ, 100 nF", "to the channel"),
            select,
        ]
    return "Extractor: a transformer, its burden always in place", [
        ("one conductor", "several turns through the core"),
        ("transformer", "isolates from the mains"),
        ("burden", f"{wire.volts_per_ampere:g} V per ampere in all"),
        ("bias", "2 x 10 kΩ and 10 µF: half the supply"),
        select,
    ]


def _chain(top: float, title: str, links: list[tuple[str, str]]) -> Iterator[str]:
    """Boxes in a row, joined by a wire."""
    yield _text(40, top, title, "name")
    step = (WIDTH - 80 + 16) / 5
    for index, (name, about) in enumerate(links):
        x = 40 + index * step
        if index:
            yield f'<path d="M{x - 16:g} {top + 38}h16" class="wire"/>'
        yield f'<rect x="{x:g}" y="{top + 14}" width="{step - 16:g}" height="48" rx="4" class="box"/>'
        yield _text(round(x + 8, 1), top + 33, name, "name")
        yield _text(round(x + 8, 1), top + 51, about, "small")
