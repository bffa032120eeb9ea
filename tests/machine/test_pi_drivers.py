"""The station's own drivers on an emulated Pi, with gpiozero, lgpio, Blinka, the kernel's pins and its SPI.

Nothing but chips is missing on the board: on its SPI nobody answers, and its inputs read low. The pins are
judged by the kernel's registers, read by a program that drives none (`board/kernel_lines.py`). What is done
there and in which order stands in `board/walk.py`. Source of what must hold: the station's own rules of
safety; of how the kernel treats the pin of a killed program: its parameter `persist_gpio_outputs` (pinctrl-
bcm2835), here in both positions.
"""

import statistics
from itertools import pairwise

import emulated_pi
import pytest

pytestmark = pytest.mark.machine

OUTPUTS = ["permit", "red", "amber", "green", "blue", "buzzer", "heartbeat"]
INPUTS = ["cradle", "acknowledge"]
LOW_OUTPUT, HIGH_OUTPUT, LOW_INPUT = ["gpio_out", False], ["gpio_out", True], ["gpio_in", False]
# Two to three minutes on two quiet cores; a busy machine takes several times as long.
LIMIT_S = 1500.0


@pytest.fixture(scope="module")
def board():
    """The board's base; without it nothing here can be told."""
    try:
        return emulated_pi.base()
    except emulated_pi.UnavailableError as reason:
        pytest.skip(f"No emulated Raspberry Pi here: {reason}")


@pytest.fixture(scope="module")
def seen(board):
    """What the whole walk saw, on a kernel that leaves the outputs of a killed program as they were."""
    return emulated_pi.walk(board, "whole", keeps_outputs=True, limit_s=LIMIT_S)


@pytest.fixture(scope="module")
def seen_released(board):
    """What a killed program leaves on a kernel that takes outputs back (Raspberry Pi OS: `strict_gpiod`)."""
    return emulated_pi.walk(board, "killed", keeps_outputs=False, limit_s=LIMIT_S)


def _outputs(pins):
    return {name: pins[name] for name in OUTPUTS}


def test_it_is_a_pi_with_the_pins_and_both_chip_selects(seen):
    """The board, and the devices that the drivers open."""
    assert seen.facts["model"].startswith("Raspberry Pi 3 Model B")
    assert {"gpiochip0", "spidev0.0", "spidev0.1"} <= set(seen.facts["devices"])
    assert seen.facts["persist_gpio_outputs"] == "Y"


def test_the_outputs_begin_low_and_the_inputs_wait_for_edges(seen):
    """Untouched, every pin is an input; held by the station each output is low and each input pulled up."""
    assert _outputs(seen.facts["untouched"]) == dict.fromkeys(OUTPUTS, LOW_INPUT)
    held = seen.facts["held"]
    assert _outputs(held["pins"]) == dict.fromkeys(OUTPUTS, LOW_OUTPUT)
    assert all(held["claims"][name] == ["used", "output"] for name in OUTPUTS)
    for name in INPUTS:
        assert set(held["claims"][name]) == {"used", "input", "rising", "falling", "pull-up"}


@pytest.mark.parametrize("name", OUTPUTS)
def test_each_output_alone_is_high_on_its_own_pin(seen, name):
    """Permit, lamps, buzzer, heartbeat: told high one by one; the kernel has that pin high and no other."""
    told = seen.facts[f"only {name}"]
    assert _outputs(told["pins"]) == {**dict.fromkeys(OUTPUTS, LOW_OUTPUT), name: HIGH_OUTPUT}
    assert [other for other, high in told["told"].items() if high] == [name]


def test_a_silent_bus_is_a_fault_and_never_a_temperature(seen):
    """Four zero bytes, in the chip's own format 0 °C without a fault: told as a board that is silent."""
    plate = seen.facts["read"]["plate"]
    assert plate == {"quality": "board-silent", "word": 0, "plate_c": None, "cold_junction_c": None}
    readings = seen.facts["readings"]
    assert len(readings) >= 3
    assert all(row[:4] == [None] * 4 and row[-1] == 0 for row in readings), "The record holds a temperature."
    raised = {
        body["alarm"]: body["reason"]
        for body in seen.facts["events"]
        if body.get("reason") and "alarm" in body
    }
    assert raised["plate-sensor-fault"] == "board-silent"


def test_a_silent_converter_proves_no_extraction(seen):
    """The converter's zeros are no current of zero: they are at the end of its range."""
    assert seen.facts["read"]["extraction"] == {"quality": "clipped", "extraction_a": None, "closed": None}
    assert "permit" not in seen.facts["steady"]["high"] + seen.facts["tried"]["high"]


def test_the_daemon_beats_sounds_and_shows_a_fault(seen):
    """`benchward run` as its service starts it: tells the service manager, the fault is seen and heard."""
    said, _ = seen.facts["notified"]
    assert "READY=1" in said.splitlines()
    steady = seen.facts["steady"]
    assert steady["no-output"] == [], "A pin was no output while the station ran."
    assert steady["changes"]["heartbeat"] >= 4
    assert {"amber", "buzzer"} <= set(steady["high"])
    assert "green" not in steady["high"]


def test_asked_over_a_broker_it_shows_every_lamp(seen):
    """The lamp test over MQTT: refused while an alarm is not acknowledged, then every lamp and the sound."""
    assert seen.facts["lamp-test refused"]["reasons"] == ["alarm-unacknowledged"]
    assert seen.facts["acknowledged"]["accepted"] is True
    assert seen.facts["lamp-test"]["accepted"] is True
    assert {"red", "amber", "green", "blue", "buzzer"} <= set(seen.facts["tried"]["high"])


@pytest.mark.parametrize(
    ("code", "after"), [("SIGTERM code", "after SIGTERM"), ("station SIGTERM code", "station after SIGTERM")]
)
def test_sigterm_leaves_every_line_safe(seen, code, after):
    """Told to stop with everything on: ends well, no pin is high, and none is held."""
    assert _outputs(seen.facts["before SIGTERM"]) == dict.fromkeys(OUTPUTS, HIGH_OUTPUT)
    said = [line for line in seen.console.splitlines() if "benchward" in line or "Error" in line]
    assert seen.facts[code] == 0, "\n".join(said[-60:])
    assert _outputs(seen.facts[after]["pins"]) == dict.fromkeys(OUTPUTS, LOW_INPUT)
    assert all("used" not in claim for claim in seen.facts[after]["claims"].values())


def test_nobody_takes_the_pins_of_a_running_station(seen):
    """`outputs-safe` beside a station fails and says why; the pins stay as the station had them."""
    code, said, _ = seen.facts["second owner"]
    assert code == 1
    assert "GPIO busy" in said


def test_a_killed_program_leaves_its_outputs_on_and_outputs_safe_ends_it(seen):
    """As it is: after SIGKILL every pin stays driven high until somebody else drives it low."""
    facts = seen.facts
    assert _outputs(facts["before kill"]) == dict.fromkeys(OUTPUTS, HIGH_OUTPUT)
    assert _outputs(facts["a second after kill"]["pins"]) == dict.fromkeys(OUTPUTS, HIGH_OUTPUT)
    assert facts["outputs-safe"][0] == 0, facts["outputs-safe"][1]
    assert _outputs(facts["after outputs-safe"]) == dict.fromkeys(OUTPUTS, LOW_INPUT)


def test_a_strict_kernel_takes_a_killed_programs_outputs_back(seen_released):
    """As it is: with the kernel's parameter off, the pins of a killed program are inputs at once.

    The level that such a pin then has is the resistor's matter; on the emulated board it keeps the last one.
    """
    facts = seen_released.facts
    assert facts["persist_gpio_outputs"] == "N"
    assert _outputs(facts["before kill"]) == dict.fromkeys(OUTPUTS, HIGH_OUTPUT)
    for moment in (facts["after kill"], facts["a second after kill"]["pins"]):
        assert [pin[0] for pin in _outputs(moment).values()] == ["gpio_in"] * len(OUTPUTS)
    assert not any("used" in claim for claim in facts["a second after kill"]["claims"].values())
    assert facts["outputs-safe"][0] == 0, facts["outputs-safe"][1]


def test_what_it_takes_is_told(board, seen, seen_released, capsys):
    """Not judged: a board in software is slower than any Pi. A tick is due every 100 ms."""
    ticks_ms = seen.facts["ticks_ms"]
    assert len(ticks_ms) == 100
    beats_s = seen.facts["steady"]["beats_s"]
    between_ms = [(later - sooner) * 1000 for sooner, later in pairwise(beats_s)]
    made = f"made in {board.made_s:.0f} s" if board.made_s else "from the cache"
    safe_s, steady_s = seen.facts["outputs-safe"][2], seen.facts["steady"]["seconds"]
    lines = [
        f"base {made}; whole walk {seen.took_s:.0f} s, second board {seen_released.took_s:.0f} s",
        f"a tick: median {statistics.median(ticks_ms):.1f} ms, nine of ten below "
        f"{statistics.quantiles(ticks_ms, n=10)[-1]:.1f} ms, longest {max(ticks_ms):.0f} ms",
        f"the heartbeat's changes: median {statistics.median(between_ms):.0f} ms apart",
        f"from start to READY {seen.facts['notified'][1]:.1f} s; outputs-safe {safe_s:.1f} s",
        f"processor time of the station, start and {steady_s:.0f} s: {seen.facts['cpu_s']:.1f} s",
    ]
    with capsys.disabled():
        print("\nemulated Pi 3B: " + "\n  ".join(lines))
