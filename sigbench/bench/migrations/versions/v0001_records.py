"""The first tables: units, plans, runs, takes, readings, events and baselines."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "unit",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("maker", sa.String(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
        sa.Column("serial", sa.String(), nullable=False),
        sa.Column("mains_volts", sa.Double()),
        sa.Column("mains_hz", sa.Double()),
        sa.Column("notes", sa.String(), nullable=False),
    )
    op.create_table(
        "output",
        sa.Column("unit_id", sa.String(), sa.ForeignKey("unit.id", ondelete="CASCADE")),
        sa.Column("number", sa.Integer()),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id", "number"),
    )
    op.create_table(
        "plan",
        sa.Column("unit_id", sa.String(), sa.ForeignKey("unit.id", ondelete="CASCADE")),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("steps", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("unit_id"),
    )
    op.create_table(
        "run",
        sa.Column("id", sa.String(), primary_key=True),
        sa.Column(
            "unit_id", sa.String(), sa.ForeignKey("unit.id", ondelete="CASCADE"), nullable=False
        ),
        sa.Column("path", sa.String(), nullable=False, unique=True),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("stage", sa.String(), nullable=False),
        sa.Column("started", sa.String(), nullable=False),
        sa.Column("started_utc", sa.String(), nullable=False),
        sa.Column("operator", sa.String(), nullable=False),
        sa.Column("step_number", sa.Integer(), nullable=False),
        sa.Column("check", sa.String(), nullable=False),
        sa.Column("output", sa.String(), nullable=False),
        sa.Column("rig_interface", sa.String(), nullable=False),
        sa.Column("rig_device", sa.String(), nullable=False),
        sa.Column("rig_description", sa.String(), nullable=False),
    )
    op.create_index("run_by_date", "run", ["unit_id", "started_utc"])
    op.create_table(
        "take",
        sa.Column("run_id", sa.String(), sa.ForeignKey("run.id", ondelete="CASCADE")),
        sa.Column("number", sa.Integer()),
        sa.Column("path", sa.String(), nullable=False),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("samplerate", sa.Integer(), nullable=False),
        sa.Column("channels", sa.Integer(), nullable=False),
        sa.Column("frames", sa.Integer(), nullable=False),
        sa.Column("bits", sa.Integer()),
        sa.Column("dc_coupled", sa.Boolean(), nullable=False),
        sa.Column("lost", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("run_id", "number"),
    )
    op.create_index("take_by_hash", "take", ["sha256"])
    op.create_table(
        "measurement",
        sa.Column("run_id", sa.String(), sa.ForeignKey("run.id", ondelete="CASCADE")),
        sa.Column("number", sa.Integer()),
        sa.Column("check", sa.String(), nullable=False),
        sa.Column("source", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("run_id", "number"),
    )
    op.create_table(
        "reading",
        sa.Column("run_id", sa.String()),
        sa.Column("measurement", sa.Integer()),
        sa.Column("number", sa.Integer()),
        sa.Column("name", sa.String(), nullable=False),
        sa.Column("channel", sa.Integer()),
        sa.Column("first_channel", sa.Integer()),
        sa.Column("second_channel", sa.Integer()),
        sa.Column("value", sa.Double()),
        sa.Column("value_list", sa.String()),
        sa.Column("unit", sa.String(), nullable=False),
        sa.Column("uncertainty", sa.Double()),
        sa.Column("uncertainty_list", sa.String()),
        sa.Column("state", sa.String(), nullable=False),
        sa.Column("why", sa.String()),
        sa.Column("upper_bound", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("run_id", "measurement", "number"),
        sa.ForeignKeyConstraint(
            ["run_id", "measurement"],
            ["measurement.run_id", "measurement.number"],
            name="reading_of_measurement",
            ondelete="CASCADE",
        ),
    )
    op.create_table(
        "event",
        sa.Column("run_id", sa.String()),
        sa.Column("measurement", sa.Integer()),
        sa.Column("number", sa.Integer()),
        sa.Column("kind", sa.String(), nullable=False),
        sa.Column("start", sa.Double(), nullable=False),
        sa.Column("end", sa.Double(), nullable=False),
        sa.Column("channels", sa.String(), nullable=False),
        sa.Column("depth", sa.Double()),
        sa.Column("text", sa.String()),
        sa.PrimaryKeyConstraint("run_id", "measurement", "number"),
        sa.ForeignKeyConstraint(
            ["run_id", "measurement"],
            ["measurement.run_id", "measurement.number"],
            name="event_of_measurement",
            ondelete="CASCADE",
        ),
    )
    op.create_table(
        "baseline",
        sa.Column("name", sa.String(), primary_key=True),
        sa.Column("path", sa.String(), nullable=False, unique=True),
        sa.Column("sha256", sa.String(), nullable=False),
        sa.Column("model", sa.String(), nullable=False),
    )
    op.create_table(
        "baseline_run",
        sa.Column("baseline", sa.String(), sa.ForeignKey("baseline.name", ondelete="CASCADE")),
        sa.Column("number", sa.Integer()),
        sa.Column("run_id", sa.String(), nullable=False),
        sa.PrimaryKeyConstraint("baseline", "number"),
    )
