"""The short form of the reaction: every loss is followed, and within what the rules allow at the very worst."""

import pytest
from reaction import campaign

# A window that is too old counts as no proof after 0.3 s, and no proof for 0.5 s as lost: with a tick to see each,
# this holds whatever keeps the sampling thread from its work. What the machine makes of it is not judged.
WORST_S = 0.3 + 0.1 + 0.5 + 0.1
# One of two does not wait for the sampling thread at all: off-delay, window, its cycle and a tick.
USUAL_S = 0.5 + 0.1 + 0.02 + 0.1


@pytest.mark.system
def test_every_loss_of_extraction_takes_the_irons_power_while_all_else_is_busy(tmp_path) -> None:
    """Thirty losses at random phases beside link, journal, backups and twenty pages that hear."""
    figures = campaign(tmp_path, losses=30, stations=2, days=1)
    assert (figures["losses"], figures["lost"]) == (30, 0)
    assert figures["max_s"] <= WORST_S
    assert figures["median_s"] <= USUAL_S
    assert figures["backups"] > 0
    assert figures["messages_at_the_slowest_page"] > 0
    assert (figures["pages_fetched"] > 0, figures["pages_failed"]) == (True, 0)
    assert figures["messages_heard"] > 100
