"""Put a column there that books lack which were made with the first form of revision 0002.

Revision: 0011, after 0010.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Make the change."""
    columns = {column["name"] for column in sa.inspect(op.get_bind()).get_columns("spool")}
    if "reel" not in columns:
        with op.batch_alter_table("spool", schema=None) as batch_op:
            batch_op.add_column(sa.Column("reel", sa.Text(), nullable=True))


def downgrade() -> None:
    """Leave the column: revision 0002 makes it now."""
