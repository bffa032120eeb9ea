"""The station killed at random moments under load: what was answered is on disk, and the file is sound."""

import os
import random
import signal
import time

import pytest
from live import wait_until

from shared.history import History
from shared.stored import Place
from station.journal.audit import audit
from station.link.asking import Asker

pytestmark = pytest.mark.system

# The campaign: BENCHWARD_CUTS=200 python -m pytest -q -s tests/system/test_power_cut.py
ROUNDS = int(os.environ.get("BENCHWARD_CUTS", "8"))
BATCH_S = 1  # of the station under test; what may be lost is one batch


def seconds_of(history, boot):
    """The seconds on record of one boot."""
    found, place = [], Place(0, -1)
    while page := history.seconds_page(place, 1000):
        found += [dated.second.second for dated in page if dated.second.boot == boot]
        place = page[-1].place
    return found


def test_nothing_answered_is_lost_when_the_station_is_killed(broker, station, listener, capsys):
    """Requests as fast as a station takes them, then SIGKILL, at moments that are seeded."""
    moments = random.Random(20260302)
    answered: list[int] = []
    lost_s: list[int] = []
    last_second: tuple[str, int] = ("", 0)
    for number in range(ROUNDS):
        heard = len(listener.on("state"))
        station.start()
        wait_until(lambda heard=heard: len(listener.on("state")) > heard, what="the station")
        # Every fourth life is long and nobody asks: only then do readings wait for a whole batch.
        quiet = number % 4 == 3
        end_s = time.monotonic() + (moments.uniform(5, 8) if quiet else moments.uniform(0.2, 2.5))
        with Asker("127.0.0.1", broker.port, "bench-1", f"asker-{number}") as asker:
            while time.monotonic() < end_s:
                if quiet:
                    time.sleep(0.05)
                    continue
                for text in (f"sign-in technician=T-{number}", "start step=solder", "sign-out"):
                    answer = asker.ask(text, timeout_s=5)
                    assert answer is not None
                    if answer.seq is not None:
                        answered.append(answer.seq)
                    time.sleep(0.01)  # a station takes 100 a second (`station.link.pace`)
            state = listener.on("state")[-1]
            last_second = (state["boot"], int(state["mono_s"]))
            station.end(signal.SIGKILL)
        with History(station.db) as history:
            assert history.verify().problem is None
            on_disk = {dated.record.seq for dated in history.events()}
            assert set(answered) <= on_disk
            boot, second = last_second
            recorded = seconds_of(history, boot)
            lost_s.append(second - 1 - (recorded[-1] if recorded else -1))
            assert lost_s[-1] <= BATCH_S + 1
        audit(station.db)
    with capsys.disabled():
        worst = f"at most {max(lost_s)} s of readings lost"
        print(f"\n{ROUNDS} power cuts: {len(answered)} answers on disk, {worst}")
    assert len(answered) > 10 * ROUNDS
