"""Tables of what is in force: factors of specimens, and spool, material and attempt of jobs.

Revision: 0012, after 0011. The tables are filled by the upgrade itself, when all revisions are through.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the change."""
    op.create_table(
        "job_in_force",
        sa.Column("job_id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("spool_id", NUMBER, nullable=True),
        sa.Column("material_id", NUMBER, nullable=True),
        sa.Column("attempt", NUMBER, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("job_id", name=op.f("pk_job_in_force")),
    )
    for column in ("spool_id", "material_id"):
        op.create_index(op.f(f"ix_job_in_force_{column}"), "job_in_force", [column], unique=False)
    op.create_table(
        "factor_in_force",
        sa.Column("specimen_id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("number", sa.Double(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("specimen_id", "name", name=op.f("pk_factor_in_force")),
    )
    for column in ("number", "text"):
        op.create_index(
            op.f(f"ix_factor_in_force_name_{column}"), "factor_in_force", ["name", column], unique=False
        )
    for column in ("number", "text"):
        op.create_index(op.f(f"ix_factor_name_{column}"), "factor", ["name", column], unique=False)


def downgrade() -> None:
    """Take it back."""
    for column in ("number", "text"):
        op.drop_index(op.f(f"ix_factor_name_{column}"), table_name="factor")
    op.drop_table("factor_in_force")
    op.drop_table("job_in_force")
