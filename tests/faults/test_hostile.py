"""The short form of the hostile clients at broker and pages, and the proof that harm done is seen."""

import signal
import time
from collections import Counter

import hostile_http
import hostile_mqtt
import pytest
from besieged import NAME, Attack, Besieged, besiege
from siege import shown

from station.link.asking import Asker

pytestmark = pytest.mark.system


@pytest.mark.parametrize("attacks", [hostile_mqtt.ATTACKS, hostile_http.ATTACKS], ids=["broker", "pages"])
def test_the_bench_does_not_mind_a_hostile_client(open_folder, attacks):
    """Every attack for a second or so: no beat left out, no tick missed, nothing recorded that nobody may ask."""
    outcomes = besiege(attacks, open_folder, 1.0)
    assert len(outcomes) == len(attacks) + 1
    assert [wrong for one in outcomes for wrong in one.wrong] == [], shown(outcomes)
    assert all(one.counts for one in outcomes[:-1])


def test_harm_that_is_done_is_seen(open_folder):
    """A station that stands still for a while, one that records what nobody may ask, one that loses its extractor."""

    def stands_still(bench: Besieged, _: float) -> Counter[str]:
        bench.station.send_signal(signal.SIGSTOP)
        time.sleep(0.7)
        bench.station.send_signal(signal.SIGCONT)
        return Counter(stopped=1)

    def signs_in(bench: Besieged, _: float) -> Counter[str]:
        with Asker("localhost", bench.broker.port, NAME, "other", bench.access("job-system")) as asker:
            return Counter({str(asker.ask("sign-in technician=EVIL").accepted): 1})

    def unplugs(bench: Besieged, _: float) -> Counter[str]:
        bench.station.stdin.write(b"fan off\n")
        bench.station.stdin.flush()
        time.sleep(1.5)
        return Counter(unplugged=1)

    attacks = (Attack("stands still", stands_still), Attack("signs in", signs_in), Attack("unplugs", unplugs))
    still, signed, unplugged, end = besiege(attacks, open_folder, 1.0)
    assert any("no heartbeat for" in wrong for wrong in still.wrong), still
    assert "recorded: 1 signed-in" in signed.wrong
    assert "the permit went" in unplugged.wrong
    assert any("ticks missed" in wrong for wrong in end.wrong)
