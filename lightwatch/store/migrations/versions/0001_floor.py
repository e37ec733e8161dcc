"""Step 0001: the floor.

One table for each file of the exchange format, what was loaded when, the columns that
came, and the older versions of rows. The columns are frozen here as they were.
"""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

INSTANT = sa.BigInteger().with_variant(sa.Integer, "sqlite")

COLUMNS = {
    "lights": (
        "light_id pole_id longitude latitude road_id circuit_id section_id "
        "technology watts in_service removed_on owner maintained_by feed_owner "
        "depot notes"
    ),
    "components": ("light_id circuit_id kind model installed_on"),
    "models": (
        "model kind type maker volts_min volts_max watts warranty_years "
        "unit_cost lead_time_days lead_time_sd_days pack_size minimum_order"
    ),
    "circuits": ("circuit_id feed voltage control source owner longitude latitude"),
    "sections": (
        "section_id circuit_id upstream_section_id kind length_m installed_on"
    ),
    "reports": (
        "report_id received_at light_id longitude latitude symptom channel danger notes"
    ),
    "repairs": (
        "repair_id performed_at recorded_at crew report_id light_id circuit_id "
        "section_id cause action component fitted_model removed_model "
        "removed_date_code symptom_found volts proven made_safe "
        "temporary_feed_until follow_up supersedes notes"
    ),
    "patrols": ("patrol_id started_at road_id kind"),
    "sightings": ("patrol_id light_id state seen_at"),
    "weather": ("station_id date tmin_c tmax_c rain_mm rh_mean_pct gust_kmh"),
    "stations": ("station_id longitude latitude"),
    "stock": ("model depot on_hand on_order due_on"),
    "roads": ("road_id name class speed_kmh one_way geometry"),
}

KEYED = {
    ("lights", "circuit_id"): "circuits",
    ("components", "light_id"): "lights",
    ("components", "circuit_id"): "circuits",
    ("sections", "circuit_id"): "circuits",
    ("sightings", "light_id"): "lights",
}


def _resource(name: str, columns: list[str]) -> None:
    op.create_table(
        name,
        sa.Column("position", INSTANT, primary_key=True, autoincrement=True),
        sa.Column("key", sa.Text, nullable=False, unique=True),
        sa.Column("load_id", sa.Integer, sa.ForeignKey("loads.load_id")),
        sa.Column("effective", INSTANT),
        sa.Column("version_recorded", INSTANT),
        sa.Column("said_by", sa.Text),
        sa.Column("happened", INSTANT),
        sa.Column("recorded", INSTANT),
        sa.Column("extra", sa.Text),
        *(
            sa.Column(column, sa.Text, sa.ForeignKey(f"{KEYED[name, column]}.key"))
            if (name, column) in KEYED
            else sa.Column(column, sa.Text)
            for column in columns
        ),
    )


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "loads",
        sa.Column("load_id", sa.Integer, primary_key=True),
        sa.Column("loaded_at", INSTANT, nullable=False),
        sa.Column("created", INSTANT, nullable=False),
        sa.Column("place", sa.Text, nullable=False),
        sa.Column("said_by", sa.Text, nullable=False),
    )
    op.create_table(
        "headers",
        sa.Column("resource", sa.Text, primary_key=True),
        sa.Column("position", sa.Integer, primary_key=True),
        sa.Column("name", sa.Text, nullable=False),
    )
    op.create_table(
        "history",
        sa.Column("position", INSTANT, primary_key=True, autoincrement=True),
        sa.Column("resource", sa.Text, nullable=False),
        sa.Column("key", sa.Text, nullable=False),
        sa.Column("effective", INSTANT),
        sa.Column("version_recorded", INSTANT),
        sa.Column("said_by", sa.Text),
        sa.Column("happened", INSTANT),
        sa.Column("recorded", INSTANT),
        sa.Column("content", sa.Text, nullable=False),
    )
    op.create_index("history_by_key", "history", ["resource", "key"])
    order = ["circuits", "lights", *COLUMNS]
    for name in dict.fromkeys(order):
        _resource(name, COLUMNS[name].split())
