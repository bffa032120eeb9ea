"""The collected database: PostgreSQL or SQLite. The same row written twice is kept once."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql, sqlite

from dashboard.collector.rows import Row

_meta = sa.MetaData()
TABLES = {
    table.name: table
    for table in (
        sa.Table(
            "events",
            _meta,
            sa.Column("station", sa.Text, primary_key=True),
            sa.Column("boot", sa.Text, primary_key=True),
            sa.Column("seq", sa.BigInteger, primary_key=True),
            sa.Column("kind", sa.Text, nullable=False),
            sa.Column("at", sa.Text),  # RFC 3339; null while the boot's wall time was unknown
            sa.Column("data", sa.Text, nullable=False),
        ),
        sa.Table(
            "readings",
            _meta,
            sa.Column("station", sa.Text, primary_key=True),
            sa.Column("boot", sa.Text, primary_key=True),
            sa.Column("mono_s", sa.BigInteger, primary_key=True),
            sa.Column("wall_s", sa.Double),
            sa.Column("plate_c", sa.Double),
            sa.Column("cold_junction_c", sa.Double),
            sa.Column("extraction_a", sa.Double),
            sa.Column("solvent_out", sa.Boolean),
            sa.Column("quality", sa.Text),
        ),
        sa.Table(
            "set_aside",
            _meta,
            sa.Column("sha256", sa.Text, primary_key=True),
            sa.Column("topic", sa.Text, nullable=False),
            sa.Column("payload", sa.LargeBinary, nullable=False),
            sa.Column("reason", sa.Text, nullable=False),
        ),
    )
}


class Store:
    """Writes rows; ``write`` returns only after its transaction is committed."""

    def __init__(self, url: str) -> None:
        self.engine = sa.create_engine(
            sa.make_url(url.replace("postgresql://", "postgresql+psycopg://", 1)), pool_pre_ping=True
        )
        self._made = False

    def write(self, rows: Sequence[Row]) -> None:
        """Write all rows in one transaction, in the order of their keys so that writers cannot deadlock.

        Raises:
            sqlalchemy.exc.SQLAlchemyError, or the driver's error: nothing was written.
        """
        with self.engine.begin() as connection:
            if not self._made:
                if connection.dialect.name == "postgresql":
                    # Collectors that start together must not make the tables at once.
                    connection.execute(sa.text("SELECT pg_advisory_xact_lock(7241)"))
                _meta.create_all(connection)
            for name, table in TABLES.items():
                values = sorted(
                    {row.values[: _keys(table)]: row.values for row in rows if row.table == name}.items()
                )
                if values:
                    _insert(connection, table, [told for _, told in values])
        self._made = True

    def close(self) -> None:
        """Give the connections back."""
        self.engine.dispose()


def _keys(table: sa.Table) -> int:
    return len(table.primary_key.columns)


def _insert(connection: sa.Connection, table: sa.Table, values: list[tuple[object, ...]]) -> None:
    names = [column.name for column in table.columns]
    if connection.dialect.name != "postgresql":
        connection.execute(
            sqlite.insert(table).on_conflict_do_nothing(),
            [dict(zip(names, told, strict=True)) for told in values],
        )
        return
    stage = sa.table(f"stage_{table.name}", *(sa.column(name) for name in names))
    connection.execute(sa.text(f"CREATE TEMPORARY TABLE {stage.name} (LIKE {table.name}) ON COMMIT DROP"))
    raw = connection.connection.driver_connection
    assert raw is not None  # noqa: S101 -- a checked-out connection has one
    with raw.cursor() as cursor, cursor.copy(f"COPY {stage.name} FROM STDIN") as copy:
        for told in values:
            copy.write_row(told)
    connection.execute(postgresql.insert(table).from_select(names, sa.select(stage)).on_conflict_do_nothing())
