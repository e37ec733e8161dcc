"""Step 0002: a light's history is found at once.

Indexes on the light that a report or repair names, and on when repairs were recorded.
"""

from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Make the indexes."""
    op.create_index("reports_by_light", "reports", ["light_id"])
    op.create_index("repairs_by_light", "repairs", ["light_id"])
    op.create_index("repairs_by_record", "repairs", ["recorded"])
