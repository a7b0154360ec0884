"""What a result is stated with, how a recording is read, what a calibration found.

Revision: 0008, after 0007.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")

_COLUMNS: dict[str, dict[str, Any]] = {
    "result": {"dof": sa.Double(), "low": sa.Double(), "high": sa.Double(), "group": sa.Text()},
    "measurement": {
        "conditioned_days": sa.Double(),
        "conditioned_c": sa.Double(),
        "conditioned_rh_pct": sa.Double(),
        "water_pct": sa.Double(),
    },
    "measurement_file": {"read_as": DOCUMENT},
    "rig": {"columns": DOCUMENT},
    "calibration": {"compliance": sa.Double(), "errors": DOCUMENT},
    "measurement_rig": {"compliance_id": NUMBER, "fields": DOCUMENT},
}


def upgrade() -> None:
    """Make the change."""
    for table, columns in _COLUMNS.items():
        with op.batch_alter_table(table) as batch:
            for name, kind in columns.items():
                batch.add_column(sa.Column(name, kind, nullable=True))
            if table == "measurement_rig":
                batch.create_foreign_key(
                    op.f("fk_measurement_rig_compliance_id"), "calibration", ["compliance_id"], ["id"]
                )


def downgrade() -> None:
    """Take it back."""
    for table, columns in _COLUMNS.items():
        with op.batch_alter_table(table) as batch:
            if table == "measurement_rig":
                batch.drop_constraint(op.f("fk_measurement_rig_compliance_id"), type_="foreignkey")
            for name in columns:
                batch.drop_column(name)
