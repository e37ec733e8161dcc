"""Step 0005: the store says in which state it is, and finds parts of the town."""

from uuid import uuid4

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_FOUND_BY = {
    "lights": ("circuit_id",),
    "components": ("light_id", "circuit_id"),
    "sections": ("circuit_id",),
    "reports": ("duplicate_of",),
    "repairs": ("circuit_id", "section_id", "report_id", "supersedes"),
    "patrols": ("road_id",),
    "sightings": ("light_id",),
}


def upgrade() -> None:
    """Add the table and its row, and what finds the records of a part of the town."""
    made = op.create_table("state", sa.Column("stamp", sa.Text, primary_key=True))
    op.bulk_insert(made, [{"stamp": uuid4().hex}])
    op.create_index("reports_by_record", "reports", ["recorded"])
    for table, columns in _FOUND_BY.items():
        for column in columns:
            op.create_index(f"{table}_by_{column}", table, [column])
