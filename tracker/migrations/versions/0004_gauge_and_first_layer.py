"""Gauge sections that a person stated, and when the first layer of a job began.

Revision: 0004, after 0003.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    with op.batch_alter_table("specimen", schema=None) as batch_op:
        batch_op.add_column(sa.Column("gauge", sa.Text(), nullable=True))
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.add_column(sa.Column("first_layer_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table("job", schema=None) as batch_op:
        batch_op.drop_column("first_layer_at")
    with op.batch_alter_table("specimen", schema=None) as batch_op:
        batch_op.drop_column("gauge")
