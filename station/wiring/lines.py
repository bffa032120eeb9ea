"""The lines of a station: what each pin is for, what stands at its end, and what a broken wire means."""

from typing import NamedTuple

from station.settings import Wires
from station.wiring.header import place_of


class Line(NamedTuple):
    """One signal line.

    ``name``: its key under ``wires.pins``, or its name on the bus; ``bcm`` and ``place``: its number and its
    place on the header; ``way``: ``in`` or ``out`` as the Pi sees it; ``leads_to``: what stands at its end;
    ``resistor``: what holds it when nobody drives it (empty: nothing need); ``broken``: what a cut wire or a
    floating pin comes to.
    """

    name: str
    bcm: int
    way: str
    leads_to: str
    resistor: str
    broken: str

    @property
    def place(self) -> int:
        """Its place on the header."""
        return place_of(self.bcm)


DOWN = "10 kΩ to ground"
LAMP = "gate of a logic-level MOSFET, lamp on its own supply"
UP = "10 kΩ to 3.3 V"


def lines(wires: Wires) -> list[Line]:
    """Every line of a station, inputs first; those its settings do not use are left out."""
    pins = wires.pins
    found = [
        Line("cradle", pins.cradle, "in", "switch under the bottle, closed by its weight, to ground", UP,
             "bottle counts as out: alarms near heat, no green lamp"),
        Line("acknowledge", pins.acknowledge, "in", "push button, to ground", UP,
             "button does nothing: acknowledge at the page"),
    ]  # fmt: skip
    if wires.extraction.kind == "contact":
        found.append(
            Line("extraction_contact", pins.extraction_contact, "in",
                 "current switch at the extractor, closed while it runs, to ground", UP,
                 "extractor counts as still: no proof, no iron")
        )  # fmt: skip
    held = DOWN if wires.permit_active_high else "10 kΩ to 3.3 V"
    found += [
        Line("permit", pins.permit, "out", "driver of the iron's relay, in series with the pump's", held,
             "relay falls off: no power at the iron"),
        Line("heartbeat", pins.heartbeat, "out", "charge pump: a line that stands still holds nothing", DOWN,
             "relay falls off: no power at the iron"),
        Line("red", pins.red, "out", LAMP, DOWN, "lamp dark: the lamp test shows it"),
        Line("amber", pins.amber, "out", LAMP, DOWN, "lamp dark: the lamp test shows it"),
        Line("green", pins.green, "out", LAMP, DOWN, "lamp dark: the lamp test shows it"),
        Line("blue", pins.blue, "out", LAMP, DOWN, "lamp dark: the lamp test shows it"),
        Line("buzzer", pins.buzzer, "out", "gate of a logic-level MOSFET, active buzzer", DOWN,
             "no sound: the lamp test shows it"),
    ]  # fmt: skip
    return found + bus_lines(wires)


def bus_lines(wires: Wires) -> list[Line]:
    """The bus: shared clock and data, and a select line for each chip that hangs on it."""
    plate = "no answer: plate sensor fault, never a temperature"
    current = "no answer: extraction unreadable, proof lost"
    both = "no answer from any chip: plate sensor fault, proof lost"
    converter = wires.extraction.kind != "contact"
    selects = {wires.plate.spi_device: ("MAX31855", plate)}
    if converter:
        selects[wires.extraction.spi_device] = ("MCP3008", current)
    ends = " and ".join(chip for chip, _ in selects.values())
    found = [Line("spi clock", 11, "out", f"clock of {ends}", "", both)]
    found.append(Line("spi data in", 9, "in", f"data out of {ends}", "10 kΩ to ground", both))
    if converter:
        found.append(Line("spi data out", 10, "out", "data in of MCP3008", "", current))
    for device, (chip, cut) in sorted(selects.items()):
        found.append(
            Line(f"spi select {device}", 8 - device, "out", f"select of {chip}", "10 kΩ to 3.3 V", cut)
        )
    return found
