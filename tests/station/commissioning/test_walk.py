"""The walk over a simulated bench: each flaw of the wiring is found by its own check, and by no other."""

import pytest

from station.commissioning.parties import Sight
from station.commissioning.walk import energised, killed, walk
from station.rules.limits import ExtractionLimits
from station.settings import ExtractionWire, Wires
from station.simulation.bench import SimulatedBench
from station.simulation.helper import FLAWS, SimulatedHelper, SimulatedRoom
from station.simulation.wires import Fault

ALL = [
    "plate-reading", "plate-polarity", "cradle", "acknowledge", "extraction-floor", "extraction-running",
    "extraction-stops", "lamp-red", "lamp-amber", "lamp-green", "lamp-blue", "buzzer", "all-dark", "permit",
    "heartbeat",
]  # fmt: skip


def walked(*flaws: str, kind: str = "ct-waveform") -> tuple[dict[str, str], SimulatedBench]:
    """The outcomes of a walk on a bench with these flaws."""
    wires = Wires(extraction=ExtractionWire(kind=kind))
    plant = SimulatedBench(wires, seed=1)
    for flaw in set(flaws) - set(FLAWS):
        plant.fault(flaw)
    room = SimulatedRoom(plant, frozenset(flaws) & set(FLAWS))
    with plant.bench:
        found = list(walk(room, SimulatedHelper(room), ExtractionLimits(), kind))
        assert plant.bench.levels().permit is False
    return {each.name: each.outcome for each in found}, plant


def test_a_sound_bench_passes_whole():
    """Every check passes, in the order in which a person goes through them."""
    outcomes, _ = walked()
    assert outcomes == dict.fromkeys(ALL, "passed")


@pytest.mark.parametrize("kind", ["dc-level", "contact"])
def test_other_extraction_wires_pass(kind):
    """A transducer goes through the same checks, a current switch through its two states."""
    outcomes, _ = walked(kind=kind)
    assert set(outcomes.values()) == {"passed"}
    assert ("extraction-contact" in outcomes) is (kind == "contact")


@pytest.mark.parametrize(
    ("flaw", "failed"),
    [
        ("plate-swapped", {"plate-polarity"}),
        ("plate-shorted", {"plate-polarity"}),
        ("plate-open", {"plate-reading"}),
        ("plate-short-to-ground", {"plate-reading"}),
        ("plate-dead", {"plate-reading"}),
        ("plate-bus", {"plate-reading"}),
        ("cradle-wire", {"cradle"}),
        ("acknowledge-wire", {"acknowledge"}),
        ("extraction-unplugged", {"extraction-running"}),
        ("extraction-bus", {"extraction-floor", "extraction-running", "extraction-stops"}),
        ("red-dead", {"lamp-red"}),
        ("amber-dead", {"lamp-amber"}),
        ("green-dead", {"lamp-green"}),
        ("blue-dead", {"lamp-blue"}),
        ("buzzer-dead", {"buzzer"}),
        ("no-monostable", {"heartbeat"}),
        ("permit-dead", {"permit"}),
        ("permit-welded", {"permit", "heartbeat"}),
    ],
)
def test_a_flaw_is_found_by_its_own_check(flaw, failed):
    """What is wrong fails, and nothing else does."""
    outcomes, _ = walked(flaw)
    assert {name for name, outcome in outcomes.items() if outcome == "failed"} == failed


def test_current_switch_that_never_closes_is_found():
    """Seen open only."""
    outcomes, _ = walked("extraction-dead", kind="contact")
    assert outcomes["extraction-contact"] == "failed"


def test_lamps_on_each_others_pins_are_found():
    """Amber lights where green was asked about: a lamp that lights is not enough."""

    class Crossed(SimulatedHelper):
        def sees(self, sight, text):
            swapped = {Sight.AMBER: Sight.GREEN, Sight.GREEN: Sight.AMBER}
            return super().sees(swapped.get(sight, sight), text)

    plant = SimulatedBench(seed=1)
    room = SimulatedRoom(plant)
    with plant.bench:
        found = list(walk(room, Crossed(room), ExtractionLimits(), "ct-waveform"))
    assert [each.name for each in found if each.outcome == "failed"] == ["lamp-amber", "lamp-green"]


def test_every_fault_of_the_wires_is_known_to_a_test():
    """A new fault must say what a walk makes of it; noise and freezing take longer than a walk looks."""
    looked_at = {
        mark.args[1][n][0]
        for mark in test_a_flaw_is_found_by_its_own_check.pytestmark
        for n in range(len(mark.args[1]))
    }
    left_out = {"plate-short-to-supply", "plate-noise", "plate-frozen", "extraction-dead"}
    assert {str(fault) for fault in Fault} | set(FLAWS) == looked_at | left_out


class Holder:
    """Stands for the killed process: the pins stay as they were."""

    def __init__(self, room: SimulatedRoom) -> None:
        self._room = room

    def killed(self, while_alive):
        """Drive, ask, stop driving with the permit left energised."""
        self._room.live_again(energised)
        answer = while_alive()
        self._room.left(energised(1), 2.0)
        return answer


@pytest.mark.parametrize(
    ("flaws", "outcome"),
    [
        ((), "passed"),
        (("no-monostable",), "failed"),
        (("permit-dead",), "failed"),
        (("permit-welded",), "failed"),
    ],
)
def test_killed_station_must_lose_the_iron(flaws, outcome):
    """The monostable drops the permit though its pin stays; a permit never seen proves nothing."""
    plant = SimulatedBench(seed=1)
    room = SimulatedRoom(plant, frozenset(flaws))
    with plant.bench:
        assert killed(Holder(room), SimulatedHelper(room)).outcome == outcome
