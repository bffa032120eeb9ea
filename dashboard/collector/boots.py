"""Each boot of each station: its number, the month its rows belong to, and its offset to wall time.

A row's month must be the same whenever the row is sent again, or the key would not bar the repeat; and it
should be about the month in which the row was measured, or old partitions could not be dropped by age. So
each boot's zero is reckoned once, when its first message comes, kept in the table and never changed; the
month follows from it and the row's own monotonic second. The offset for dating is another thing: it may come
later, and may be corrected.
"""

from collections.abc import Iterable
from datetime import UTC, datetime
from functools import lru_cache
from typing import Any, NamedTuple

import sqlalchemy as sa

from dashboard.collector.rows import LONGEST_BOOT_S, Offset, Row
from dashboard.collector.tables import boots

DAY_S = 86_400
AT_ONCE = 500
UNKNOWN_RANK = -1


class Boot(NamedTuple):
    """What is known of one boot; ``rank`` is that of its offset."""

    id: int
    zero_s: int
    rank: int


def zero_of(row: Row, now_s: float) -> int:
    """The boot's zero in Unix seconds: as told, if that lies in the last ten years; else as if sent now."""
    if row.offset is not None:
        told_s = row.offset.wall_ms // 1000
        if now_s - LONGEST_BOOT_S <= told_s <= now_s:
            return told_s
    return int(now_s - row.mono_s)


def month_of(unix_s: float) -> str:
    """The first day of the UTC month, as ISO 8601."""
    return month_of_day(int(unix_s // DAY_S))


def month_after(month: str) -> str:
    """The first day of the next month."""
    return month_of(datetime.fromisoformat(f"{month}T00:00:00+00:00").timestamp() + 31 * DAY_S)


@lru_cache(8192)
def month_of_day(day: int) -> str:
    """The first day of the month of a day that is counted from 1970."""
    return datetime.fromtimestamp(day * DAY_S, UTC).strftime("%Y-%m-01")


class Boots:
    """The boots known so far; those not known yet are looked up, or entered.

    Attributes:
        known: by names of station and boot.
    """

    def __init__(self) -> None:
        self.known: dict[tuple[str, str], Boot] = {}

    def forget(self) -> None:
        """Look everything up again: the database may be another one now."""
        self.known.clear()

    def strangers(self, rows: Iterable[Row]) -> dict[tuple[str, str], Row]:
        """The first row of each boot that is not known."""
        found: dict[tuple[str, str], Row] = {}
        for row in rows:
            name = (row.station, row.boot)
            if name not in self.known:
                found.setdefault(name, row)
        return found

    def learn(
        self, connection: sa.Connection, insert: Any, strangers: dict[tuple[str, str], Row], now_s: float
    ) -> None:
        """Enter the boots that the database does not hold, in the order of their names, and look all up."""
        names = sorted(strangers)
        self._look_up(connection, names)
        new = [name for name in names if name not in self.known]
        if new:
            entries = [
                {"station": name[0], "boot": name[1], "zero_s": zero_of(strangers[name], now_s)}
                for name in new
            ]
            connection.execute(insert(boots).on_conflict_do_nothing(), entries)
            self._look_up(connection, new)

    def _look_up(self, connection: sa.Connection, names: list[tuple[str, str]]) -> None:
        for start in range(0, len(names), AT_ONCE):
            wanted = sa.tuple_(boots.c.station, boots.c.boot).in_(names[start : start + AT_ONCE])
            for row in connection.execute(sa.select(boots).where(wanted)):
                self.known[row.station, row.boot] = Boot(row.id, row.zero_s, row.offset_rank)

    def news(self, rows: Iterable[Row]) -> dict[tuple[str, str], Offset]:
        """Offsets that outrank what is known, the highest rank for each boot."""
        found: dict[tuple[str, str], Offset] = {}
        for row in rows:
            offset, name = row.offset, (row.station, row.boot)
            if offset is not None and offset.rank > self.known[name].rank:
                if name not in found or offset.rank > found[name].rank:
                    found[name] = offset
        return found

    def date(self, connection: sa.Connection, news: dict[tuple[str, str], Offset]) -> None:
        """Write the offsets, in the order of the boots' numbers so that writers cannot deadlock."""
        change = (
            sa.update(boots)
            .where(boots.c.id == sa.bindparam("which"), boots.c.offset_rank < sa.bindparam("rank"))
            .values(offset_ms=sa.bindparam("wall_ms"), offset_rank=sa.bindparam("rank"))
        )
        changes = [
            {"which": self.known[name].id, "rank": offset.rank, "wall_ms": offset.wall_ms}
            for name, offset in news.items()
        ]
        if changes:
            connection.execute(change, sorted(changes, key=lambda each: each["which"]))

    def dated(self, news: dict[tuple[str, str], Offset]) -> None:
        """Take note that the offsets are committed."""
        for name, offset in news.items():
            self.known[name] = self.known[name]._replace(rank=offset.rank)
