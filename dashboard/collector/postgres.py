"""PostgreSQL: monthly partitions, and COPY for writing."""

from collections.abc import Iterable
from typing import Any

import psycopg
import sqlalchemy as sa
from psycopg import errors
from sqlalchemy.dialects import postgresql

from dashboard.collector import tables
from dashboard.collector.boots import month_after

LAYOUT_LOCK = 7241
AT = "to_timestamp(boots.offset_ms / 1000.0 + {table}.mono_s)"
REFUSING = ("22", "23", "54")
"""Classes of SQLSTATE (PostgreSQL, appendix A): data, integrity, a limit of the program exceeded."""


class Postgres:
    """How the store speaks to PostgreSQL."""

    errors: tuple[type[Exception], ...] = (psycopg.Error,)

    def insert(self, table: sa.Table) -> postgresql.Insert:
        """An INSERT that can pass over what is there."""
        return postgresql.insert(table)

    def engine(self, url: sa.URL) -> sa.Engine:
        """An engine that asks a connection whether it lives before it is used."""
        return sa.create_engine(url, pool_pre_ping=True, connect_args={"connect_timeout": 10})

    def lay_out(self, connection: sa.Connection) -> None:
        """Make what is missing; collectors that start together take turns."""
        connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({LAYOUT_LOCK})"))
        tables.meta.create_all(connection)
        for name, view in (("readings", tables.READINGS_VIEW), ("events", tables.EVENTS_VIEW)):
            chosen = view.format(at=AT.format(table=name))
            connection.execute(sa.text(f"CREATE OR REPLACE VIEW dated_{name} AS SELECT {chosen}"))

    def make_months(self, connection: sa.Connection, months: Iterable[str]) -> None:
        """Make the partitions of these months."""
        connection.execute(sa.text(f"SELECT pg_advisory_xact_lock({LAYOUT_LOCK})"))
        for month in months:
            for table in tables.PARTITIONED:
                name = f"{table.name}_{month[:4]}_{month[5:7]}"
                # Making one locks the table for a moment, so look first.
                if connection.scalar(sa.select(sa.func.to_regclass(name))) is None:
                    span = f"FROM ('{month}') TO ('{month_after(month)}')"
                    made = f"CREATE TABLE {name} PARTITION OF {table.name} FOR VALUES {span}"
                    connection.execute(sa.text(made))

    def write(self, connection: sa.Connection, table: sa.Table, rows: list[tuple[Any, ...]]) -> None:
        """COPY straight into the table; only where some row is there already, by way of a stage.

        The stage is written from in the order of the keys, so that two writers of the same rows do not wait
        for each other in a circle; where the straight ones do, the server ends one and it goes by the stage.
        """
        try:
            with connection.begin_nested():
                _copy(connection, table.name, rows)
        except (errors.UniqueViolation, errors.DeadlockDetected):
            self._write_new(connection, table, rows)

    def _write_new(self, connection: sa.Connection, table: sa.Table, rows: list[tuple[Any, ...]]) -> None:
        names = [column.name for column in table.columns]
        stage = sa.table(f"stage_{table.name}", *(sa.column(name) for name in names))
        connection.execute(sa.text(f"CREATE TEMPORARY TABLE {stage.name} (LIKE {table.name}) ON COMMIT DROP"))
        _copy(connection, stage.name, rows)
        missing = sa.select(stage).order_by(*(stage.c[column.name] for column in table.primary_key))
        connection.execute(postgresql.insert(table).from_select(names, missing).on_conflict_do_nothing())

    def refuses(self, error: BaseException) -> bool:
        """Whether it is a value that the server, or its driver, cannot take."""
        state = getattr(error, "sqlstate", None)
        if state is None:
            return isinstance(error, ValueError | OverflowError | psycopg.DataError)
        return str(state)[:2] in REFUSING


def _copy(connection: sa.Connection, table: str, rows: list[tuple[Any, ...]]) -> None:
    raw = connection.connection.driver_connection
    assert isinstance(raw, psycopg.Connection)  # noqa: S101 -- the engine is PostgreSQL's
    with raw.cursor() as cursor, cursor.copy(f"COPY {table} FROM STDIN") as copy:
        for row in rows:
            copy.write_row(row)
