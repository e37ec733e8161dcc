"""Step 0005: a light may name a circuit of which there is no row.

Many registers name a cabinet with each light and have no file of circuits. SQLite
drops no constraint, so its text is changed, as the documentation of ALTER TABLE says
(sqlite.org/lang_altertable.html, section 7).
"""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

TABLES = ("lights", "components", "sections")
HELD = ', \n\tFOREIGN KEY(circuit_id) REFERENCES circuits ("key")'


def upgrade() -> None:
    """Let go of the references to circuits."""
    connection = op.get_bind()
    if connection.dialect.name == "sqlite":
        connection.exec_driver_sql("PRAGMA writable_schema=ON")
        change = "UPDATE sqlite_schema SET sql = replace(sql, ?, '') WHERE name = ?"
        for table in TABLES:
            connection.exec_driver_sql(change, (HELD, table))
        connection.exec_driver_sql("PRAGMA writable_schema=RESET")
        return
    for table in TABLES:
        for key in sa.inspect(connection).get_foreign_keys(table):
            if key["referred_table"] == "circuits":
                op.drop_constraint(key["name"], table, type_="foreignkey")
