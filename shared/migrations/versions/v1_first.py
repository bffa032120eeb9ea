"""The first schema: boots, events, readings, what is derived from events, cursors."""

import sqlalchemy as sa
from alembic import op

revision = "1"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "boots",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("boot", sa.String(), nullable=False),
        sa.Column("wall_offset_ms", sa.Integer()),
        sa.PrimaryKeyConstraint("id", name="pk_boots"),
        sa.UniqueConstraint("boot", name="uq_boots_boot"),
    )
    op.create_table(
        "cursors",
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.Column("boot_id", sa.Integer()),
        sa.PrimaryKeyConstraint("name", name="pk_cursors"),
    )
    op.create_table(
        "events",
        sa.Column("seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("boot_id", sa.Integer(), nullable=False),
        sa.Column("mono_ms", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("unit", sa.String()),
        sa.Column("body", sa.String(), nullable=False),
        sa.Column("prev", sa.String(), nullable=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_events"),
        sa.ForeignKeyConstraint(["boot_id"], ["boots.id"], name="fk_events_boot_id"),
    )
    op.create_index("ix_events_unit", "events", ["unit"])
    op.create_index("ix_events_kind", "events", ["kind"])
    op.create_table(
        "readings",
        sa.Column("boot_id", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("second", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("plate_mean_cc", sa.Integer()),
        sa.Column("plate_min_cc", sa.Integer()),
        sa.Column("plate_max_cc", sa.Integer()),
        sa.Column("cold_junction_cc", sa.Integer()),
        sa.Column("extraction_ma", sa.Integer()),
        sa.Column("solvent_out", sa.Integer()),
        sa.Column("quality", sa.Integer(), nullable=False),
        sa.Column("valid_ms", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("boot_id", "second", name="pk_readings"),
        sa.ForeignKeyConstraint(["boot_id"], ["boots.id"], name="fk_readings_boot_id"),
        sa.CheckConstraint("valid_ms BETWEEN 0 AND 1000", name=op.f("ck_readings_valid")),
        sa.CheckConstraint("plate_mean_cc IS NOT NULL OR valid_ms = 0", name=op.f("ck_readings_number")),
        sqlite_with_rowid=False,
    )
    op.create_table(
        "units",
        sa.Column("booked_seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("job", sa.String()),
        sa.Column("closed_seq", sa.Integer()),
        sa.Column("outcome", sa.String()),
        sa.PrimaryKeyConstraint("booked_seq", name="pk_units"),
        sa.ForeignKeyConstraint(["booked_seq"], ["events.seq"], name="fk_units_booked_seq"),
        sa.ForeignKeyConstraint(["closed_seq"], ["events.seq"], name="fk_units_closed_seq"),
    )
    op.create_index("ix_units_unit", "units", ["unit"])
    op.create_table(
        "steps",
        sa.Column("started_seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("step", sa.String(), nullable=False),
        sa.Column("attempt", sa.Integer(), nullable=False),
        sa.Column("technician", sa.String()),
        sa.Column("boot_id", sa.Integer(), nullable=False),
        sa.Column("started_ms", sa.Integer(), nullable=False),
        sa.Column("ended_seq", sa.Integer()),
        sa.Column("ended_boot_id", sa.Integer()),
        sa.Column("ended_ms", sa.Integer()),
        sa.Column("result", sa.String()),
        sa.Column("findings", sa.String()),
        sa.PrimaryKeyConstraint("started_seq", name="pk_steps"),
        sa.ForeignKeyConstraint(["started_seq"], ["events.seq"], name="fk_steps_started_seq"),
        sa.ForeignKeyConstraint(["boot_id"], ["boots.id"], name="fk_steps_boot_id"),
        sa.ForeignKeyConstraint(["ended_seq"], ["events.seq"], name="fk_steps_ended_seq"),
        sa.ForeignKeyConstraint(["ended_boot_id"], ["boots.id"], name="fk_steps_ended_boot_id"),
    )
    op.create_index("ix_steps_unit", "steps", ["unit"])
    op.create_table(
        "placements",
        sa.Column("placed_seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("boot_id", sa.Integer(), nullable=False),
        sa.Column("placed_ms", sa.Integer(), nullable=False),
        sa.Column("removed_ms", sa.Integer()),
        sa.PrimaryKeyConstraint("placed_seq", name="pk_placements"),
        sa.ForeignKeyConstraint(["placed_seq"], ["events.seq"], name="fk_placements_placed_seq"),
        sa.ForeignKeyConstraint(["boot_id"], ["boots.id"], name="fk_placements_boot_id"),
    )
    op.create_index("ix_placements_unit", "placements", ["unit"])
