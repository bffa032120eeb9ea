"""The guide and its drawing: current, whole, and true to the pins of whatever settings."""

import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import msgspec
import pytest
from msgspec.structs import replace

from station.settings import ExtractionWire, Pins, PlateWire, Settings, Wires
from station.wiring.drawing import draw
from station.wiring.guide import guide
from station.wiring.header import HEADER
from station.wiring.lines import lines

DEPLOY = Path(__file__).parents[3] / "deploy"
SVG = "{http://www.w3.org/2000/svg}"


def test_kept_guide_and_drawing_are_current() -> None:
    """deploy/wiring.md and wiring.svg are what `benchward wiring` prints."""
    assert (DEPLOY / "wiring.md").read_text("utf-8") == guide(Settings())
    assert (DEPLOY / "wiring.svg").read_text("utf-8") == draw(Wires())


def wires_of(kind: str, **pins: int) -> Wires:
    """Wires with an extractor of a kind, and other pins."""
    per_ampere = 1.0 if kind == "dc-level" else 0.165
    return Wires(extraction=ExtractionWire(kind=kind, volts_per_ampere=per_ampere), pins=Pins(**pins))


@pytest.mark.parametrize("kind", ["ct-waveform", "dc-level", "contact"])
def test_every_line_stands_on_its_place_in_table_and_drawing(kind: str) -> None:
    """Each pin in use once, with its number, its place and what a cut wire comes to."""
    wires = wires_of(kind, permit=22, cradle=25)
    found = lines(wires)
    text = guide(Settings(wires=wires))
    drawn = " ".join(element.text or "" for element in ElementTree.fromstring(draw(wires)).iter(f"{SVG}text"))
    for line in found:
        assert HEADER[line.place - 1] == f"GPIO{line.bcm}"
        row = rf"^\| {line.place} \| {line.bcm} \| {line.name} \| .*{re.escape(line.broken)} \|$"
        assert len(re.findall(row, text, re.MULTILINE)) == 1, line.name
        assert f"{line.name}, GPIO{line.bcm}" in drawn
    assert len({line.bcm for line in found}) == len(found)


def test_every_pin_of_the_settings_has_a_line() -> None:
    """A pin added to the settings without a line in the guide would be wired by guess."""
    names = {line.name for line in lines(wires_of("contact"))}
    assert set(msgspec.to_builtins(Pins())) <= names
    assert "extraction_contact" not in {line.name for line in lines(wires_of("ct-waveform"))}


def test_chips_are_on_the_selects_of_the_settings() -> None:
    """Kernel chip select 0 is GPIO8, 1 is GPIO7; swapped in the settings, swapped in the guide."""
    wires = Wires(plate=PlateWire(spi_device=1), extraction=ExtractionWire(spi_device=0))
    selects = {line.bcm: line.leads_to for line in lines(wires) if line.name.startswith("spi select")}
    assert selects == {8: "select of MCP3008", 7: "select of MAX31855"}


def test_resistor_of_the_permit_holds_it_off() -> None:
    """To ground where high gives the permit, to the supply where low does."""
    (line,) = [line for line in lines(Wires()) if line.name == "permit"]
    assert line.resistor == "10 kΩ to ground"
    (line,) = [line for line in lines(Wires(permit_active_high=False)) if line.name == "permit"]
    assert line.resistor == "10 kΩ to 3.3 V"


def test_drawing_keeps_its_words_inside_its_boxes() -> None:
    """What was seen to fit a box of 400 px in 13 px letters."""
    for line in lines(wires_of("contact")):
        assert len(f"{line.name}, GPIO{line.bcm}: {line.resistor}") <= 50
        assert len(line.leads_to) <= 66, line.leads_to


def test_guide_says_what_keeps_people_safe() -> None:
    """The cautions of the trade, whatever the settings."""
    text = " ".join(guide(Settings()).split())
    for words in (
        "no certified safety device",
        "licensed electrician",
        "local code",
        "over-temperature cut-out",
        "Never leave the transformer open",
        "isolated (ungrounded) junction",
        "`kill -9`",
        "strict_gpiod",
    ):
        assert words in text, words


def test_guide_follows_the_tick_of_the_settings() -> None:
    """A slower heartbeat wants a larger resistor, and lets go later."""
    settings = Settings()
    slow = replace(settings, station=replace(settings.station, tick_s=0.5))
    assert "560 kΩ" in guide(settings)
    assert "2700 kΩ" in guide(slow)
