"""The board's pins as its kernel has them: read by whoever is not the program that drives them."""

import fcntl
import re
import struct
from pathlib import Path
from typing import NamedTuple

PINCTRL = Path("/sys/kernel/debug/pinctrl")
CHIP = Path("/dev/gpiochip0")
# linux/gpio.h: struct gpio_v2_line_info and its ioctl, _IOWR(0xB4, 0x05).
LINE_INFO = struct.Struct("=32s32sIIQ160x16x")
GET_LINE_INFO = 3 << 30 | LINE_INFO.size << 16 | 0xB4 << 8 | 0x05
FLAGS = {"used": 1, "input": 1 << 2, "output": 1 << 3, "rising": 1 << 4, "falling": 1 << 5, "pull-up": 1 << 8}


class Line(NamedTuple):
    """One line. ``function``: what the pin is switched to, from its register; ``high``: its level."""

    function: str
    high: bool


def pins() -> dict[int, Line]:
    """Every pin's function and level, from the chip's registers."""
    (file,) = PINCTRL.glob("*.gpio*/pins")
    found = re.findall(r"pin (\d+) \(gpio\d+\) .*?function (\S+) in (hi|lo)", file.read_text())
    return {int(pin): Line(function, level == "hi") for pin, function, level in found}


def claim(pin: int) -> list[str]:
    """Who holds the line and how, as the kernel's character device tells anybody."""
    with CHIP.open("rb") as chip:
        answer = bytearray(LINE_INFO.pack(b"", b"", pin, 0, 0))
        fcntl.ioctl(chip, GET_LINE_INFO, answer)
    flags = LINE_INFO.unpack(answer)[-1]
    return [name for name, bit in FLAGS.items() if flags & bit]
