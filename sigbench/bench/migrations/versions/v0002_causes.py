"""Causes get a table of their own; readings are found by name, events by kind."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the table and the indexes; it is filled from the files when the folder opens."""
    op.create_table(
        "cause",
        sa.Column("run_id", sa.String()),
        sa.Column("measurement", sa.Integer()),
        sa.Column("number", sa.Integer()),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("score", sa.Double(), nullable=False),
        sa.Column("evidence_for", sa.String(), nullable=False),
        sa.Column("evidence_against", sa.String(), nullable=False),
        sa.Column("next", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("run_id", "measurement", "number"),
        sa.ForeignKeyConstraint(
            ["run_id", "measurement"],
            ["measurement.run_id", "measurement.number"],
            name="cause_of_measurement",
            ondelete="CASCADE",
        ),
    )
    op.create_index("cause_by_name", "cause", ["name"])
    op.create_index("reading_by_name", "reading", ["name"])
    op.create_index("event_by_kind", "event", ["kind"])
