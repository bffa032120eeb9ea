"""Output pins: levels, healing, polarity, and the safe end."""

from typing import Any

import msgspec
import pytest
from gpiozero import GPIOPinInUse, OutputDevice

from shared.indication import SAFE, Levels
from shared.problems import FailureError
from station.drivers.outputs import OUTPUTS, Outputs
from station.settings import Pins, Wires

WIRES, ACTIVE_LOW = Wires(), Wires(permit_active_high=False)
ALL_ON = Levels(**dict.fromkeys(OUTPUTS, True))


def states(factory: Any, wires: Wires = WIRES) -> dict[str, bool]:
    """The electrical level of every output pin."""
    return {name: bool(factory.pin(getattr(wires.pins, name)).state) for name in OUTPUTS}


def test_every_level_has_a_pin() -> None:
    """No field of the levels is forgotten, and there is no pin without one."""
    assert set(OUTPUTS) == set(Levels.__struct_fields__)
    assert set(OUTPUTS) <= set(Pins.__struct_fields__)


def test_everything_is_de_energised_from_the_start(factory: Any) -> None:
    """Claiming the pins energises nothing, not even for a moment."""
    outputs = Outputs(WIRES, factory)
    assert outputs.levels() == SAFE
    for name in OUTPUTS:
        assert not any(s.state for s in factory.pin(getattr(WIRES.pins, name)).states)
    outputs.close()


@pytest.mark.parametrize("name", OUTPUTS)
def test_each_level_drives_its_own_pin(factory: Any, name: str) -> None:
    """One level raised raises its pin and no other."""
    outputs = Outputs(WIRES, factory)
    outputs.write(Levels(**{name: True}))
    assert states(factory) == {other: other == name for other in OUTPUTS}
    assert outputs.levels() == Levels(**{name: True})
    outputs.write(SAFE)
    assert states(factory) == dict.fromkeys(OUTPUTS, False)
    outputs.close()


@pytest.mark.parametrize("name", OUTPUTS)
def test_a_disturbed_pin_is_set_right_by_the_next_tick(factory: Any, name: str) -> None:
    """Writing the same levels again puts a pin back that something else had changed."""
    outputs = Outputs(WIRES, factory)
    outputs.write(ALL_ON)
    factory.pin(getattr(WIRES.pins, name)).state = False
    assert outputs.levels() == msgspec.structs.replace(ALL_ON, **{name: False})
    outputs.write(ALL_ON)
    assert outputs.levels() == ALL_ON
    outputs.close()


def test_an_active_low_relay_board_is_driven_upside_down(factory: Any) -> None:
    """With an active-low relay, energised is low and safe is high; the lamps are as ever."""
    outputs = Outputs(ACTIVE_LOW, factory)
    assert states(factory) == dict.fromkeys(OUTPUTS, False) | {"permit": True}
    outputs.write(ALL_ON)
    assert states(factory) == dict.fromkeys(OUTPUTS, True) | {"permit": False}
    outputs.close()


@pytest.mark.parametrize("wires", [WIRES, ACTIVE_LOW], ids=["active high", "active low"])
def test_closing_leaves_everything_de_energised(factory: Any, wires: Wires) -> None:
    """The last level driven before a pin is let go is the safe one, and then it is an input."""
    outputs = Outputs(wires, factory)
    outputs.write(ALL_ON)
    pins = {name: factory.pin(getattr(wires.pins, name)) for name in OUTPUTS}
    outputs.close()
    outputs.close()
    safe = dict.fromkeys(OUTPUTS, False) | {"permit": not wires.permit_active_high}
    assert {name: pin.states[-1].state for name, pin in pins.items()} == safe
    assert {pin.function for pin in pins.values()} == {"input"}


def test_one_pin_that_fails_does_not_keep_the_others(factory: Any) -> None:
    """When the permit's pin cannot be written every other pin still is, and the failure names the pin."""
    outputs = Outputs(WIRES, factory)
    outputs._devices["permit"].close()
    with pytest.raises(FailureError, match="permit"):
        outputs.write(ALL_ON)
    assert states(factory) == dict.fromkeys(OUTPUTS, True) | {"permit": False}
    with pytest.raises(FailureError, match="permit"):
        outputs.close()
    assert states(factory) == dict.fromkeys(OUTPUTS, False)


def test_a_pin_somebody_else_holds_lets_the_others_go(factory: Any) -> None:
    """When one pin cannot be claimed, those claimed before it are free again."""
    with OutputDevice(WIRES.pins.heartbeat, pin_factory=factory):
        # The traceback is kept, so the pins are not free merely because nobody remembers them.
        with pytest.raises(GPIOPinInUse) as refused:
            Outputs(WIRES, factory)
        OutputDevice(WIRES.pins.permit, pin_factory=factory).close()
        assert refused.traceback
