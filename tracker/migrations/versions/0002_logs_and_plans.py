"""Logs of jobs, what they say of each piece; programmes, choices, devices.

Revision: 0002, after 0001.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    """Make the change."""
    op.create_table(
        "programme",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_programme")),
        sa.UniqueConstraint("name", name=op.f("uq_programme_name")),
    )
    op.create_table(
        "device",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_sha256", sa.Text(), nullable=False),
        sa.Column("rig_id", NUMBER, nullable=True),
        sa.Column("read_only", sa.Boolean(), nullable=False),
        sa.Column("paired_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_device_rig_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_device")),
        sa.UniqueConstraint("secret_sha256", name=op.f("uq_device_secret_sha256")),
    )
    op.create_table(
        "choice",
        sa.Column("material_id", NUMBER, nullable=False),
        sa.Column("quantity", sa.Text(), nullable=True),
        sa.Column("condition", DOCUMENT, nullable=False),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name=op.f("fk_choice_material_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_choice")),
    )
    with op.batch_alter_table("choice", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_choice_material_id"), ["material_id"], unique=False)

    op.create_table(
        "job_log",
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("offset_s", sa.Double(), nullable=False),
        sa.Column("aligned_by", sa.Text(), nullable=False),
        sa.Column("channels", DOCUMENT, nullable=False),
        sa.Column("mapping", DOCUMENT, nullable=True),
        sa.Column("how", DOCUMENT, nullable=False),
        sa.Column("problems", DOCUMENT, nullable=False),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_job_log_job_id")),
        sa.ForeignKeyConstraint(["sha256"], ["attachment.sha256"], name=op.f("fk_job_log_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_log")),
    )
    with op.batch_alter_table("job_log", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_log_job_id"), ["job_id"], unique=False)

    with op.batch_alter_table("material", schema=None) as batch_op:
        batch_op.add_column(sa.Column("programme_id", NUMBER, nullable=True))
        batch_op.create_foreign_key(
            batch_op.f("fk_material_programme_id"), "programme", ["programme_id"], ["id"]
        )

    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.add_column(sa.Column("posted_key", sa.Text(), nullable=True))
        batch_op.create_unique_constraint(batch_op.f("uq_measurement_posted_key"), ["posted_key"])

    with op.batch_alter_table("spool", schema=None) as batch_op:
        batch_op.add_column(sa.Column("reel", sa.Text(), nullable=True))

    with op.batch_alter_table("specimen", schema=None) as batch_op:
        batch_op.add_column(sa.Column("log_facts", DOCUMENT, nullable=True))
        batch_op.add_column(sa.Column("dummy", sa.Boolean(), nullable=True))
        batch_op.add_column(sa.Column("broken_height_mm", sa.Double(), nullable=True))


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table("specimen", schema=None) as batch_op:
        batch_op.drop_column("broken_height_mm")
        batch_op.drop_column("dummy")
        batch_op.drop_column("log_facts")

    with op.batch_alter_table("spool", schema=None) as batch_op:
        batch_op.drop_column("reel")

    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("uq_measurement_posted_key"), type_="unique")
        batch_op.drop_column("posted_key")

    with op.batch_alter_table("material", schema=None) as batch_op:
        batch_op.drop_constraint(batch_op.f("fk_material_programme_id"), type_="foreignkey")
        batch_op.drop_column("programme_id")

    with op.batch_alter_table("job_log", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_job_log_job_id"))

    op.drop_table("job_log")
    with op.batch_alter_table("choice", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_choice_material_id"))

    op.drop_table("choice")
    op.drop_table("device")
    op.drop_table("programme")
