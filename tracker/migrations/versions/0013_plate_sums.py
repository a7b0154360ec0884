"""Results as sums of plates, and indices of what was written beside pieces and measurements.

Revision: 0013, after 0012. The table is filled by the upgrade itself, when all revisions are through.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NOTED = {"specimen": "remark IS NOT NULL OR note IS NOT NULL", "measurement": "remark IS NOT NULL"}


def upgrade() -> None:
    """Make the change."""
    op.create_table(
        "plate_sum",
        sa.Column("plate", NUMBER, autoincrement=False, nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("place", NUMBER, autoincrement=False, nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("orientation", sa.Text(), nullable=True),
        sa.Column("group", sa.Text(), nullable=True),
        sa.Column("geometry", sa.Text(), nullable=True),
        sa.Column("rh_pct", sa.Double(), nullable=True),
        sa.Column("water_pct", sa.Double(), nullable=True),
        sa.Column("own", sa.Text(), nullable=True),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("taken", NUMBER, nullable=False),
        sa.Column("n", NUMBER, nullable=False),
        sa.Column("pieces", NUMBER, nullable=False),
        sa.Column("mean", sa.Double(), nullable=True),
        sa.Column("within", sa.Double(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("high", sa.Double(), nullable=True),
        sa.Column("last", sa.DateTime(timezone=True), nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("plate", "quantity", "place", name=op.f("pk_plate_sum")),
    )
    for table, noted in NOTED.items():
        where = sa.text(noted)
        op.create_index(
            op.f(f"ix_{table}_noted"), table, ["id"], unique=False, sqlite_where=where, postgresql_where=where
        )


def downgrade() -> None:
    """Take it back."""
    for table in NOTED:
        op.drop_index(op.f(f"ix_{table}_noted"), table_name=table)
    op.drop_table("plate_sum")
