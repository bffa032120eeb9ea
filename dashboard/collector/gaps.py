"""Which events and which seconds of a station are missing.

Events: seq counts from 1 and never restarts, so a hole is a loss. Seconds: a boot's own count; a hole is a
loss unless the station began anew behind it, for a station that does not run records nothing. What a station
has not sent yet cannot be seen here.
"""

from collections.abc import Iterable
from itertools import groupby
from typing import NamedTuple

import sqlalchemy as sa

from dashboard.collector.tables import boots, events, readings


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


class Hole(NamedTuple):
    """Seconds ``first`` to ``last`` of a station's boot without a reading.

    ``stopped``: the station began anew within the boot right behind it, so nothing was lost.
    """

    station: str
    boot: str
    first: int
    last: int
    stopped: bool


def holes_in(connection: sa.Connection, station: str | None = None) -> list[Hole]:
    """The holes between readings, by station, boot and second; reads all their readings."""
    before = sa.func.lag(readings.c.mono_s).over(partition_by=readings.c.boot_id, order_by=readings.c.mono_s)
    each = sa.select(readings.c.boot_id, readings.c.mono_s, before.label("before"))
    if station is not None:
        each = each.where(readings.c.boot_id.in_(sa.select(boots.c.id).where(boots.c.station == station)))
    pair = each.subquery()
    begun = (
        sa.select(events.c.seq)
        .where(events.c.boot_id == pair.c.boot_id, events.c.kind == "station-started")
        .where(events.c.mono_s > pair.c.before, events.c.mono_s < pair.c.mono_s + 1)
        .exists()
    )
    query = (
        sa.select(
            boots.c.station, boots.c.boot, pair.c.before + 1, pair.c.mono_s - 1, sa.cast(begun, sa.Boolean)
        )
        .join(boots, boots.c.id == pair.c.boot_id)
        .where(pair.c.mono_s > pair.c.before + 1)
        .order_by(boots.c.station, boots.c.boot, pair.c.mono_s)
    )
    return [Hole(*row) for row in connection.execute(query)]
