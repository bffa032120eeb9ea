"""The tables of a station's database (SQLAlchemy 2, typed).

``boots`` and ``events`` are the truth. ``units``, ``steps`` and ``placements`` are derived from the events in
the same transaction, so that they can be asked quickly and made anew from them. ``readings`` has one narrow
row a second without row-id overhead: temperatures in hundredths of a degree, currents in milliamperes.
``minutes`` and ``hours`` are rolled up from the readings in the same transaction, and outlive them.
``closed_heat`` is what the readings of a closed unit come to, ``kept_state`` what the events
up to the end of a boot do; ``verify`` compares both with them.

A change of a table needs a new number in SCHEMA_VERSION and a step in `shared/migrations`.
"""

from sqlalchemy import CheckConstraint, ForeignKey, Index, MetaData
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column

from shared.readings import PlateQuality

SCHEMA_VERSION = 4
QUALITIES: tuple[str, ...] = tuple(str(quality) for quality in PlateQuality)
"""Plate qualities by their number in ``readings.quality``; good is 0, new ones go to the end."""


class Base(DeclarativeBase):
    """The registry of all tables; every constraint has a name, so that migrations can find it."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(column_0_label)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
        }
    )


class Boot(Base):
    """One boot's time line. ``wall_offset_ms``: wall = monotonic + offset; NULL until the clock is known.

    ``thinned_to``: before that second readings may have been pruned; NULL while none have.
    """

    __tablename__ = "boots"

    id: Mapped[int] = mapped_column(primary_key=True)
    boot: Mapped[str] = mapped_column(unique=True)
    wall_offset_ms: Mapped[int | None]
    thinned_to: Mapped[int | None]


class EventRow(Base):
    """One event. ``body`` is its kind and fields as JSON; the columns beside it only serve to find it."""

    __tablename__ = "events"
    __table_args__ = (Index("ix_events_unit", "unit"), Index("ix_events_kind", "kind"))

    seq: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    boot_id: Mapped[int] = mapped_column(ForeignKey("boots.id"))
    mono_ms: Mapped[int]
    kind: Mapped[str]
    unit: Mapped[str | None]
    body: Mapped[str]
    prev: Mapped[str]
    hash: Mapped[str]


class ReadingRow(Base):
    """One second of record."""

    __tablename__ = "readings"
    __table_args__ = (
        CheckConstraint("valid_ms BETWEEN 0 AND 1000", name="valid"),
        CheckConstraint("plate_mean_cc IS NOT NULL OR valid_ms = 0", name="number"),
        {"sqlite_with_rowid": False},
    )

    boot_id: Mapped[int] = mapped_column(ForeignKey("boots.id"), primary_key=True, autoincrement=False)
    second: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    plate_mean_cc: Mapped[int | None]
    plate_min_cc: Mapped[int | None]
    plate_max_cc: Mapped[int | None]
    cold_junction_cc: Mapped[int | None]
    extraction_ma: Mapped[int | None]
    solvent_out: Mapped[int | None]
    quality: Mapped[int]
    valid_ms: Mapped[int]


class _RollUp:
    """Readings of a stretch of a boot's monotonic time, taken together.

    ``plate_cc_ms``: sum over its seconds of mean times known milliseconds, so that divided by ``valid_ms`` it
    is the mean weighted by what is known. ``extraction_ma``: sum over the ``extraction_seconds`` in which the
    current could be read. ``solvent_seconds``: with the bottle out.
    """

    boot_id: Mapped[int] = mapped_column(ForeignKey("boots.id"), primary_key=True, autoincrement=False)
    number: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    seconds: Mapped[int]
    valid_ms: Mapped[int]
    plate_cc_ms: Mapped[int]
    plate_min_cc: Mapped[int | None]
    plate_max_cc: Mapped[int | None]
    extraction_seconds: Mapped[int]
    extraction_ma: Mapped[int]
    solvent_seconds: Mapped[int]


class MinuteRow(_RollUp, Base):
    """A minute: ``number`` is the second's whole sixtieth."""

    __tablename__ = "minutes"
    __table_args__ = ({"sqlite_with_rowid": False},)


class HourRow(_RollUp, Base):
    """An hour: ``number`` is the minute's whole sixtieth."""

    __tablename__ = "hours"
    __table_args__ = ({"sqlite_with_rowid": False},)


class UnitRow(Base):
    """A unit's stay at the bench, named by the event that booked it in."""

    __tablename__ = "units"
    __table_args__ = (Index("ix_units_unit", "unit"),)

    booked_seq: Mapped[int] = mapped_column(ForeignKey("events.seq"), primary_key=True, autoincrement=False)
    unit: Mapped[str]
    model: Mapped[str]
    job: Mapped[str | None]
    closed_seq: Mapped[int | None] = mapped_column(ForeignKey("events.seq"))
    outcome: Mapped[str | None]


class StepRow(Base):
    """One attempt at a step, named by the event that started it. ``result``: pass, fail or abandoned."""

    __tablename__ = "steps"
    __table_args__ = (Index("ix_steps_unit", "unit"),)

    started_seq: Mapped[int] = mapped_column(ForeignKey("events.seq"), primary_key=True, autoincrement=False)
    unit: Mapped[str]
    step: Mapped[str]
    attempt: Mapped[int]
    technician: Mapped[str | None]
    boot_id: Mapped[int] = mapped_column(ForeignKey("boots.id"))
    started_ms: Mapped[int]
    ended_seq: Mapped[int | None] = mapped_column(ForeignKey("events.seq"))
    ended_boot_id: Mapped[int | None] = mapped_column(ForeignKey("boots.id"))
    ended_ms: Mapped[int | None]
    result: Mapped[str | None]
    findings: Mapped[str | None]


class PlacementRow(Base):
    """A stretch of one boot in which a unit lay on the plate; ``removed_ms`` is NULL while it lies there."""

    __tablename__ = "placements"
    __table_args__ = (Index("ix_placements_unit", "unit"),)

    placed_seq: Mapped[int] = mapped_column(ForeignKey("events.seq"), primary_key=True, autoincrement=False)
    unit: Mapped[str]
    boot_id: Mapped[int] = mapped_column(ForeignKey("boots.id"))
    placed_ms: Mapped[int]
    removed_ms: Mapped[int | None]


class ClosedHeatRow(Base):
    """The heat history of a unit whose stay was closed, as JSON, by that version of the arithmetic.

    It covers all placements of the unit up to that close, and stands until the unit is booked in anew.
    """

    __tablename__ = "closed_heat"

    booked_seq: Mapped[int] = mapped_column(
        ForeignKey("units.booked_seq"), primary_key=True, autoincrement=False
    )
    arithmetic: Mapped[int]
    body: Mapped[str]


class KeptStateRow(Base):
    """The station's state after an event, as JSON; at most one row.

    ``hash``: the event's; ``digest``: covers all of it and the rules by which the events were folded.
    """

    __tablename__ = "kept_state"

    seq: Mapped[int] = mapped_column(ForeignKey("events.seq"), primary_key=True, autoincrement=False)
    hash: Mapped[str]
    digest: Mapped[str]
    body: Mapped[str]


READINGS_CURSOR = "link-readings"
"""The cursor of the link's readings."""


class CursorRow(Base):
    """Up to where a follower of the journal has got; ``boot_id`` only for followers of readings."""

    __tablename__ = "cursors"

    name: Mapped[str] = mapped_column(primary_key=True)
    position: Mapped[int]
    boot_id: Mapped[int | None]
