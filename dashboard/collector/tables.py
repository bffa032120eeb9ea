"""The tables of the collected database, on PostgreSQL and SQLite alike.

Rows name their boot by a number, the boot's in `boots`, because a station's and a boot's name would be the
greater part of every row. ``month`` is the partition key on PostgreSQL: see `boots` for how it is reckoned.
"""

from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects import postgresql

meta = sa.MetaData()
_month: sa.types.TypeEngine[Any] = sa.Date().with_variant(sa.Text(), "sqlite")  # the first day of a month
_real: sa.types.TypeEngine[Any] = sa.REAL().with_variant(sa.Double(), "sqlite")

boots = sa.Table(
    "boots",
    meta,
    sa.Column("id", sa.Integer, primary_key=True),
    sa.Column("station", sa.Text, nullable=False),
    sa.Column("boot", sa.Text, nullable=False),
    sa.Column("zero_s", sa.BigInteger, nullable=False),  # Unix time of the boot's zero; reckoned once
    sa.Column("offset_ms", sa.BigInteger),  # Unix ms at the boot's zero; null while no message told it
    sa.Column("offset_rank", sa.BigInteger, nullable=False, server_default="-1"),
    sa.UniqueConstraint("station", "boot"),
)
events = sa.Table(
    "events",
    meta,
    sa.Column("boot_id", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("seq", sa.BigInteger, primary_key=True, autoincrement=False),
    sa.Column("month", _month, primary_key=True),
    sa.Column("mono_s", sa.Double, nullable=False),
    sa.Column("kind", sa.Text, nullable=False),
    sa.Column("data", sa.Text().with_variant(postgresql.JSONB(), "postgresql"), nullable=False),
    postgresql_partition_by="RANGE (month)",
)
readings = sa.Table(
    "readings",
    meta,
    sa.Column("boot_id", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("mono_s", sa.Integer, primary_key=True, autoincrement=False),
    sa.Column("month", _month, primary_key=True),
    sa.Column("plate_c", _real),
    sa.Column("cold_junction_c", _real),
    sa.Column("extraction_a", _real),
    sa.Column("solvent_out", sa.Boolean),
    sa.Column("quality", sa.Text),
    postgresql_partition_by="RANGE (month)",
)
set_aside = sa.Table(
    "set_aside",
    meta,
    sa.Column("sha256", sa.Text, primary_key=True),
    sa.Column("topic", sa.Text, nullable=False),
    sa.Column("payload", sa.LargeBinary, nullable=False),
    sa.Column("reason", sa.Text, nullable=False),
)

PARTITIONED = (events, readings)
READINGS_VIEW = (
    "boots.station, boots.boot, readings.mono_s, {at} AS at, readings.plate_c, readings.cold_junction_c, "
    "readings.extraction_a, readings.solvent_out, readings.quality FROM readings "
    "JOIN boots ON boots.id = readings.boot_id"
)
EVENTS_VIEW = (
    "boots.station, boots.boot, events.seq, events.mono_s, {at} AS at, events.kind, events.data FROM events "
    "JOIN boots ON boots.id = events.boot_id"
)
"""What the views `dated_readings` and `dated_events` select; ``at`` is null until the boot is dated."""
