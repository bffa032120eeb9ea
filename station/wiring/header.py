"""The 40-pin header of a Raspberry Pi: which place of it carries which line."""

HEADER = (
    "3V3", "5V", "GPIO2", "5V", "GPIO3", "GND", "GPIO4", "GPIO14", "GND", "GPIO15",
    "GPIO17", "GPIO18", "GPIO27", "GND", "GPIO22", "GPIO23", "3V3", "GPIO24", "GPIO10", "GND",
    "GPIO9", "GPIO25", "GPIO11", "GPIO8", "GND", "GPIO7", "GPIO0", "GPIO1", "GPIO5", "GND",
    "GPIO6", "GPIO12", "GPIO13", "GND", "GPIO19", "GPIO16", "GPIO26", "GPIO20", "GND", "GPIO21",
)  # fmt: skip
"""What each place carries, place 1 first; odd places are the row nearer the board's middle."""


def place_of(bcm: int) -> int:
    """The place, 1 to 40, of a line by its BCM number.

    Raises:
        ValueError: the header does not carry this line.
    """
    if (name := f"GPIO{bcm}") not in HEADER:
        raise ValueError(f"{name} is not on the header; its lines are GPIO0 to GPIO27.")
    return HEADER.index(name) + 1
