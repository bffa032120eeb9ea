"""Heat histories of closed units; a station fills them from then on, ``migrate --roll-up`` those before."""

import sqlalchemy as sa
from alembic import op

revision = "3"
down_revision = "2"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "closed_heat",
        sa.Column("booked_seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("arithmetic", sa.Integer(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("booked_seq", name="pk_closed_heat"),
        sa.ForeignKeyConstraint(["booked_seq"], ["units.booked_seq"], name="fk_closed_heat_booked_seq"),
    )
