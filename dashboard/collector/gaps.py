"""Which events of a station are missing: seq counts from 1 and never restarts, so a hole is a loss.

What a station has not sent yet cannot be seen here.
"""

from collections.abc import Iterable
from itertools import groupby
from typing import NamedTuple

import sqlalchemy as sa

from dashboard.collector.tables import boots, events


class Run(NamedTuple):
    """Events of one station and boot that follow each other, from ``first`` to ``last``."""

    station: str
    first: int
    last: int


class Gap(NamedTuple):
    """Events ``first`` to ``last`` of a station: missing, or told ``twice`` by different boots.

    Twice: the station's journal was begun anew, and nothing can be said about these.
    """

    station: str
    first: int
    last: int
    twice: bool


def gaps_of(runs: Iterable[Run]) -> list[Gap]:
    """The gaps of each station, in order."""
    found: list[Gap] = []
    for station, own in groupby(sorted(runs), key=lambda run: run.station):
        reached = 0
        for run in own:
            if run.first > reached + 1:
                found.append(Gap(station, reached + 1, run.first - 1, twice=False))
            elif run.first <= reached:
                found.append(Gap(station, run.first, min(run.last, reached), twice=True))
            reached = max(reached, run.last)
    return found


def runs_in(connection: sa.Connection, station: str | None = None) -> list[Run]:
    """The runs of events in the database; reads all events of the stations asked for."""
    island = events.c.seq - sa.func.row_number().over(partition_by=events.c.boot_id, order_by=events.c.seq)
    each = sa.select(events.c.boot_id, events.c.seq, island.label("island"))
    if station is not None:
        each = each.where(events.c.boot_id.in_(sa.select(boots.c.id).where(boots.c.station == station)))
    numbered = each.subquery()
    query = (
        sa.select(boots.c.station, sa.func.min(numbered.c.seq), sa.func.max(numbered.c.seq))
        .join(boots, boots.c.id == numbered.c.boot_id)
        .group_by(boots.c.station, numbered.c.boot_id, numbered.c.island)
    )
    return [Run(*row) for row in connection.execute(query)]
