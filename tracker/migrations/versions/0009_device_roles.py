"""What a device may do: read, measure, or keep the book.

Revision: 0009, after 0008.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    with op.batch_alter_table("device", schema=None) as batch_op:
        batch_op.add_column(sa.Column("role", sa.Text(), nullable=True))


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table("device", schema=None) as batch_op:
        batch_op.drop_column("role")
