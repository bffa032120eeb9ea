"""Minutes and hours, rolled up from the readings there are; how far readings have been thinned."""

import sqlalchemy as sa
from alembic import op

revision = "2"
down_revision = "1"

_FILL = {
    "minutes": """
        INSERT INTO minutes SELECT boot_id, second / 60, count(*), sum(valid_ms),
            sum(coalesce(plate_mean_cc, 0) * valid_ms), min(plate_min_cc), max(plate_max_cc),
            count(extraction_ma), coalesce(sum(extraction_ma), 0), coalesce(sum(solvent_out), 0)
        FROM readings GROUP BY boot_id, second / 60""",
    "hours": """
        INSERT INTO hours SELECT boot_id, number / 60, sum(seconds), sum(valid_ms), sum(plate_cc_ms),
            min(plate_min_cc), max(plate_max_cc), sum(extraction_seconds), sum(extraction_ma),
            sum(solvent_seconds)
        FROM minutes GROUP BY boot_id, number / 60""",
}


def upgrade() -> None:
    """Make the tables and fill them."""
    op.add_column("boots", sa.Column("thinned_to", sa.Integer()))
    for table, fill in _FILL.items():
        op.create_table(
            table,
            sa.Column("boot_id", sa.Integer(), nullable=False, autoincrement=False),
            sa.Column("number", sa.Integer(), nullable=False, autoincrement=False),
            sa.Column("seconds", sa.Integer(), nullable=False),
            sa.Column("valid_ms", sa.Integer(), nullable=False),
            sa.Column("plate_cc_ms", sa.Integer(), nullable=False),
            sa.Column("plate_min_cc", sa.Integer()),
            sa.Column("plate_max_cc", sa.Integer()),
            sa.Column("extraction_seconds", sa.Integer(), nullable=False),
            sa.Column("extraction_ma", sa.Integer(), nullable=False),
            sa.Column("solvent_seconds", sa.Integer(), nullable=False),
            sa.PrimaryKeyConstraint("boot_id", "number", name=f"pk_{table}"),
            sa.ForeignKeyConstraint(["boot_id"], ["boots.id"], name=f"fk_{table}_boot_id"),
            sqlite_with_rowid=False,
        )
        op.execute(fill)
