"""The state at the end of a boot that is over; a station keeps it from its next start on."""

import sqlalchemy as sa
from alembic import op

revision = "4"
down_revision = "3"


def upgrade() -> None:
    """Make the table."""
    op.create_table(
        "kept_state",
        sa.Column("seq", sa.Integer(), nullable=False, autoincrement=False),
        sa.Column("hash", sa.String(), nullable=False),
        sa.Column("digest", sa.String(), nullable=False),
        sa.Column("body", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_kept_state"),
        sa.ForeignKeyConstraint(["seq"], ["events.seq"], name="fk_kept_state_seq"),
    )
