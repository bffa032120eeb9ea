"""SQLite, for a small shop: one file, one table each, no partitions."""

import sqlite3
from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from dashboard.collector import tables

AT = "strftime('%Y-%m-%dT%H:%M:%fZ', boots.offset_ms / 1000.0 + {table}.mono_s, 'unixepoch')"
BUSY_S = 10


class Sqlite:
    """How the store speaks to SQLite."""

    errors: tuple[type[Exception], ...] = (sqlite3.Error,)

    def insert(self, table: sa.Table) -> sqlite.Insert:
        """An INSERT that can pass over what is there."""
        return sqlite.insert(table)

    def engine(self, url: sa.URL) -> sa.Engine:
        """An engine whose readers do not hold up the writer."""
        engine = sa.create_engine(url, connect_args={"timeout": BUSY_S})
        sa.event.listen(engine, "connect", _write_ahead)
        return engine

    def lay_out(self, connection: sa.Connection) -> None:
        """Make what is missing."""
        tables.meta.create_all(connection)
        for name, view in (("readings", tables.READINGS_VIEW), ("events", tables.EVENTS_VIEW)):
            chosen = view.format(at=AT.format(table=name))
            connection.execute(sa.text(f"CREATE VIEW IF NOT EXISTS dated_{name} AS SELECT {chosen}"))

    def make_months(self, connection: sa.Connection, months: Iterable[str]) -> None:
        """One table holds all months."""

    def write(self, connection: sa.Connection, table: sa.Table, rows: list[tuple[Any, ...]]) -> None:
        """Insert what is not there yet."""
        places = ", ".join("?" * len(table.columns))
        connection.exec_driver_sql(
            f"INSERT INTO {table.name} VALUES ({places}) ON CONFLICT DO NOTHING",
            rows,
        )

    def refuses(self, error: BaseException) -> bool:
        """Whether it is a value that cannot be bound or breaks a rule of the table."""
        kinds = ValueError | OverflowError | sqlite3.IntegrityError | sqlite3.DataError
        return isinstance(error, kinds | sqlite3.InterfaceError | sqlite3.ProgrammingError)


def _write_ahead(raw: Any, _record: Any) -> None:
    raw.execute("PRAGMA journal_mode = WAL")
    raw.execute("PRAGMA synchronous = FULL")
