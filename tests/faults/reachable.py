"""The station as a program of its own, its wires within reach: `python reachable.py PINS run --simulate …`.

All is the real program but for two things. Whatever an output pin is driven to is written to the file PINS as
``name level station_s machine_s`` (seconds of the station's clock, and of the machine's monotonic one), and
whatever is said on standard input befalls the wires; the same line then stands in PINS after a ``#``, with its
times, so that the time from a fault to an output is known.
"""

import logging
import os
import runpy
import select
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "support")]

if "FAKETIME_TIMESTAMP_FILE" in os.environ:
    # Python sleeps by clock_nanosleep, to which Debian 12's libfaketime gives a time it refuses; select works.
    time.sleep = lambda seconds: select.select([], [], [], max(0.0, seconds))

from campaign import ahead_of_others

from station import bootstrap
from station.measurement.frame import encode
from station.simulation.bench import SimulatedBench
from station.simulation.wires import SimulatedPlateSpi

PINS = ("permit", "heartbeat", "red", "amber", "green", "blue", "buzzer")
RESERVED_BIT = 0x8


class Reach:
    """Hands inside the running station: what is said befalls its wires."""

    def __init__(self, plant: SimulatedBench, station: bootstrap.Station, told: Path, now_s) -> None:
        """``told``: the file that hears of every pin; ``now_s``: the station's clock."""
        self._plant, self._station, self._now_s = plant, station, now_s
        self._out = os.open(told, os.O_WRONLY | os.O_CREAT | os.O_APPEND)
        self._word: Callable[[int], int] | None = None
        self._flicker = threading.Event()
        for name in PINS:
            self._listen(name)
        self._bend_the_frame()

    def _tell(self, text: str) -> None:
        os.write(self._out, f"{text} {self._now_s():.4f} {time.monotonic():.4f}\n".encode())

    def _pin(self, name: str):
        plant = self._plant
        return plant._pins.pin(getattr(plant.wires.pins, name))

    def _listen(self, name: str) -> None:
        pin = self._pin(name)
        drive = pin._change_state

        def change(value: bool) -> bool:
            changed = bool(drive(value))
            if changed:
                self._tell(f"{name} {int(value)}")
            return changed

        pin._change_state = change

    def _bend_the_frame(self) -> None:
        right = SimulatedPlateSpi._word

        def word(spi: SimulatedPlateSpi) -> int:
            found = right(spi)
            return found if self._word is None else self._word(found)

        SimulatedPlateSpi._word = word

    def run(self) -> None:
        """Do what is said, line by line."""
        for line in sys.stdin:
            verb, *words = line.split()
            try:
                getattr(self, f"do_{verb}")(*words)
            except Exception as error:
                self._tell(f"! {line.strip()}: {error!r} ")
            self._tell(f"# {line.strip()}")

    # What can be said. Each is a wire, a thing on the bench, or a part inside the station.

    def do_fault(self, kind: str) -> None:
        """One of the simulation's own faults."""
        self._plant.fault(kind)

    def do_heal(self, *kinds: str) -> None:
        """Mend one, or all that can be mended."""
        for kind in kinds:
            self._plant.heal(kind)
        if not kinds:
            self._word = None
            self._plant.heal()

    def do_word(self, word: str) -> None:
        """The chip says this word for ever."""
        self._word = lambda _: int(word, 16)

    def do_reserved(self) -> None:
        """A bit that must be zero is one."""
        self._word = lambda word: word | RESERVED_BIT

    def do_spike(self, plate_c: str) -> None:
        """One frame alone says so; the next is right again."""

        def once(_: int) -> int:
            self._word = None
            return encode(float(plate_c), 25.0)

        self._word = once

    def do_flail(self, low_c: str, high_c: str) -> None:
        """Each frame says another temperature."""
        turns = [0]

        def flail(_: int) -> int:
            turns[0] += 1
            return encode(float(high_c if turns[0] % 2 else low_c), 25.0)

        self._word = flail

    def do_reads(self, plate_c: str, junction_c: str = "25") -> None:
        """The chip says these temperatures, whatever the plate is; the last bit still wavers."""
        turns = [0]

        def frame(_: int) -> int:
            turns[0] += 1
            return encode(float(plate_c) + 0.25 * (turns[0] % 2), float(junction_c))

        self._word = frame

    def do_heat(self, plate_c: str) -> None:
        """The plate is at a temperature and its thermostat keeps it there."""
        self._plant.plate.plate_c = self._plant.plate.setpoint_c = float(plate_c)

    def do_cold(self, plate_c: str) -> None:
        """The plate is at a temperature and its heater is dead."""
        self._plant.plate.plate_c, self._plant.plate.setpoint_c = float(plate_c), 100.0
        self._plant.plate.heater_share = 0.0

    def do_fan(self, what: str) -> None:
        """The extractor: on, off, clogged or clean."""
        fan = self._plant.fan
        if what in ("clogged", "clean"):
            fan.clogged = what == "clogged"
        else:
            (fan.start if what == "on" else fan.stop)()

    def do_flicker(self, off_s: str, on_s: str) -> None:
        """The extractor's supply comes and goes."""
        self._flicker.set()

        def flicker() -> None:
            while self._flicker.is_set():
                self._plant.fan.stop()
                time.sleep(float(off_s))
                self._plant.fan.start()
                time.sleep(float(on_s))

        threading.Thread(target=flicker, daemon=True).start()

    def do_steady(self) -> None:
        """It does so no more, and runs."""
        self._flicker.clear()

    def do_sag(self, ampere: str) -> None:
        """The extractor runs, but draws (and so moves) far less than it should."""
        right, turns = self._plant.fan.current_a, float(ampere)
        self._plant.fan.current_a = lambda time_s: turns if right(time_s) else 0.0

    def do_stuck(self) -> None:
        """The converter says the code of this moment for ever."""
        codes = self._plant._codes
        said = codes.code(self._now_s())
        codes.code = lambda _: said

    def do_clip(self) -> None:
        """The transformer's signal is far larger than the converter's range."""
        codes, right = self._plant._codes, self._plant._codes.code
        codes.code = lambda time_s: min(max(512 + 40 * (right(time_s) - 512), 0), 1023)

    def do_sampler(self, what: str) -> None:
        """The sampling thread dies of something unforeseen, or hangs."""

        def die(*_: object) -> None:
            raise MemoryError("the sampler was made to die")

        self._plant.bench._sampler._sensor._take = (
            die if what == "dies" else lambda *_: threading.Event().wait()
        )

    def do_writer(self, what: str) -> None:
        """The journal's thread dies of something unforeseen, or hangs in a write."""
        journal = self._station.journal
        if what == "dies":

            def die(*_: object) -> None:
                raise MemoryError("the writer was made to die")

            journal._collect = die
        else:
            journal._write = lambda *_: threading.Event().wait()

    def do_link(self, what: str) -> None:
        """The link's thread dies of something unforeseen, or stumbles once."""
        link, follow = self._station.link, self._station.link._turn

        def die(*_: object) -> None:
            if what == "stumbles":
                link._turn = follow
                raise MemoryError("the link was made to stumble")
            raise SystemExit("the link was made to die")

        link._turn = die

    def do_without(self, what: str, *names: str) -> None:
        """Take an effect away, as a defect would: for the proof that the campaign sees its absence.

        ``output NAME``: the pin stays as it is, though the station drives it; ``events KIND``: they are not
        recorded; ``states``: none is sent; ``log``: nothing is said.
        """
        if what == "output":
            for name in names:
                self._pin(name)._change_state = lambda _: False
        elif what == "events":
            tell = self._station.journal.tell

            def told(entry, replies=()):
                kept = tuple(body for body in entry.events if type(body).__struct_config__.tag not in names)
                tell(entry._replace(events=kept), replies)

            self._station.journal.tell = told
        elif what == "states":
            self._station.link.show = lambda _: None
        elif what == "log":
            logging.disable(logging.CRITICAL)
        else:
            raise ValueError(what)

    def do_bottle(self, what: str) -> None:
        """The solvent bottle is out, or back in its cradle."""
        self._plant.bottle_out = what == "out"

    def do_unreadable(self, name: str, what: str = "yes") -> None:
        """A pin's chip has gone: reading it fails."""
        self._pin(name).failing = what == "yes"

    def do_undriven(self, name: str) -> None:
        """An output pin cannot be driven any more."""

        def fail(_value: bool) -> bool:
            raise OSError(f"the pin of {name} was made to fail")

        self._pin(name)._change_state = fail

    def do_button(self, what: str) -> None:
        """The acknowledge button: press, hold, let go, or bounce."""
        if what == "bounce":
            for _ in range(300):
                self._plant.press_acknowledge()
        elif what == "press":
            self._plant.press_acknowledge()
        else:
            self._plant.hold_acknowledge(what == "hold")

    def do_hang(self, seconds: str) -> None:
        """A read of the plate does not come back for a while: the tick itself is late."""
        seconds_left = [float(seconds)]

        def hang(word: int) -> int:
            self._word = None
            time.sleep(seconds_left[0])
            return word

        self._word = hang


def main() -> None:
    """Run the station's own command with its wires within reach."""
    told = Path(sys.argv.pop(1))
    ahead_of_others()
    make = bootstrap.simulated_station

    def made(settings, *rest, **options):
        station, plant, clock = make(settings, *rest, **options)
        plant.wires = settings.wires
        reach = Reach(plant, station, told, clock.mono_s)
        threading.Thread(target=reach.run, name="reach", daemon=True).start()
        return station, plant, clock

    bootstrap.simulated_station = made
    runpy.run_module("station", run_name="__main__", alter_sys=True)


if __name__ == "__main__":
    main()
