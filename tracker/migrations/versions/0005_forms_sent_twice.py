"""Keys of forms that were stored, so that one sent twice is stored once.

Revision: 0005, after 0004.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Make the change."""
    op.create_table(
        "sent_form",
        sa.Column("key", sa.Text(), nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_sent_form")),
    )


def downgrade() -> None:
    """Take it back."""
    op.drop_table("sent_form")
