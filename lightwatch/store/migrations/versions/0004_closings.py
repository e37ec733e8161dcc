"""Step 0004: a report can be closed, or told before; a light can say how it is fed."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"


def upgrade() -> None:
    """Add the columns."""
    op.add_column("lights", sa.Column("feed", sa.Text))
    for name in ("closed_at", "closed_as", "duplicate_of"):
        op.add_column("reports", sa.Column(name, sa.Text))
