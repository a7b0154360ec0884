"""Rows that can be taken back, merged or confirmed; two spools in a job; cut pieces; people.

Revision: 0007, after 0006.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")

NUMBERED = (
    "material", "spool", "weighing", "stay", "drying", "job", "change", "job_log", "specimen", "photograph",
    "rig", "calibration", "measurement", "result", "verdict", "programme", "choice", "device",
)  # fmt: skip
LINKS = ("drying_spool", "job_spool", "factor", "measurement_file", "measurement_rig")


def upgrade() -> None:
    """Make the change."""
    for table in (*NUMBERED, *LINKS):
        with op.batch_alter_table(table, schema=None) as batch_op:
            batch_op.add_column(sa.Column("voided", NUMBER, nullable=True))
            if table in NUMBERED:
                batch_op.add_column(sa.Column("confirmed", DOCUMENT, nullable=True))
    for table in ("material", "spool", "rig"):
        _add_reference(table, "merged_into_id", table)
    _add_reference("spool", "wound_from_id", "spool")
    _add_reference("specimen", "cut_from_id", "specimen")
    with op.batch_alter_table("spool", schema=None) as batch_op:
        batch_op.add_column(sa.Column("wound_at", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("specimen", schema=None) as batch_op:
        batch_op.add_column(sa.Column("cut_at", sa.DateTime(timezone=True), nullable=True))
    with op.batch_alter_table("job_spool", schema=None) as batch_op:
        batch_op.add_column(sa.Column("from_layer", NUMBER, nullable=True))
        batch_op.add_column(sa.Column("pieces", DOCUMENT, nullable=True))
        batch_op.add_column(sa.Column("filament_g", sa.Double(), nullable=True))
    op.create_table(
        "person",
        sa.Column("initials", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("pseudonym", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("confirmed", DOCUMENT, nullable=True),
        sa.Column("voided", NUMBER, nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_person")),
        sa.UniqueConstraint("initials", name=op.f("uq_person_initials")),
    )


def _add_reference(table: str, column: str, target: str) -> None:
    with op.batch_alter_table(table, schema=None) as batch_op:
        batch_op.add_column(sa.Column(column, NUMBER, nullable=True))
        batch_op.create_foreign_key(op.f(f"fk_{table}_{column}"), target, [column], ["id"])


def downgrade() -> None:
    """Take it back."""
    op.drop_table("person")
    with op.batch_alter_table("job_spool", schema=None) as batch_op:
        for column in ("from_layer", "pieces", "filament_g"):
            batch_op.drop_column(column)
    _drop_reference("specimen", "cut_from_id", "cut_at")
    _drop_reference("spool", "wound_from_id", "wound_at")
    for table in ("material", "spool", "rig"):
        _drop_reference(table, "merged_into_id")
    for table in (*NUMBERED, *LINKS):
        with op.batch_alter_table(table, schema=None) as batch_op:
            batch_op.drop_column("voided")
            if table in NUMBERED:
                batch_op.drop_column("confirmed")


def _drop_reference(table: str, column: str, *others: str) -> None:
    with op.batch_alter_table(table, schema=None) as batch_op:
        batch_op.drop_constraint(op.f(f"fk_{table}_{column}"), type_="foreignkey")
        for each in (column, *others):
            batch_op.drop_column(each)
