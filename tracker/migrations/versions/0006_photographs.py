"""Photographs of plates and pieces.

Revision: 0006, after 0005.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the change."""
    op.create_table(
        "photograph",
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("specimen_id", NUMBER, nullable=True),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_photograph_job_id")),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name=op.f("fk_photograph_specimen_id")),
        sa.ForeignKeyConstraint(["sha256"], ["attachment.sha256"], name=op.f("fk_photograph_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photograph")),
    )
    with op.batch_alter_table("photograph", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photograph_job_id"), ["job_id"], unique=False)


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table("photograph", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photograph_job_id"))
    op.drop_table("photograph")
