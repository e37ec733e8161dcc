"""Step 0003: when the last patrol was recorded is found at once.

An index on when patrols were recorded: theirs is the longest table.
"""

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Make the index."""
    op.create_index("patrols_by_record", "patrols", ["recorded"])
