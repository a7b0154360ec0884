"""The units of readings beside them.

Revision: 0003, after 0002.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    """Make the change."""
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.add_column(sa.Column("units", DOCUMENT, nullable=True))


def downgrade() -> None:
    """Take it back."""
    with op.batch_alter_table("measurement", schema=None) as batch_op:
        batch_op.drop_column("units")
