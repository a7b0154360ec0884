"""Licence, author and public address of a book; answers to numbers; what other benches published.

Revision: 0010, after 0009.
"""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None

NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def _numbered() -> list[sa.Column[Any]]:
    return [
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("confirmed", DOCUMENT, nullable=True),
        sa.Column("voided", NUMBER, nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
    ]


def upgrade() -> None:
    """Make the change."""
    for name in ("licence", "author", "public_address"):
        op.add_column("book", sa.Column(name, sa.Text(), nullable=True))
    op.add_column("person", sa.Column("named", sa.Boolean(), nullable=True))
    op.create_table(
        "dispute",
        sa.Column("measurement_id", NUMBER, nullable=True),
        sa.Column("material_id", NUMBER, nullable=True),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        *_numbered(),
        *(
            sa.ForeignKeyConstraint([f"{table}_id"], [f"{table}.id"], name=op.f(f"fk_dispute_{table}_id"))
            for table in ("measurement", "material")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_dispute")),
    )
    for table in ("measurement", "material"):
        op.create_index(op.f(f"ix_dispute_{table}_id"), "dispute", [f"{table}_id"], unique=False)
    op.create_table(
        "other_bench",
        sa.Column("code", sa.Text(), nullable=False),
        *_texts("title", "author", "licence", "address", "version"),
        *_numbered(),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_other_bench")),
        sa.UniqueConstraint("code", name=op.f("uq_other_bench_code")),
    )
    op.create_table(
        "other_result",
        sa.Column("bench_id", NUMBER, nullable=False),
        sa.Column("measurement", sa.Text(), nullable=False),
        *_texts("specimen", "job", "material", "family", "orientation"),
        sa.Column("method", sa.Text(), nullable=False),
        *_texts("method_version"),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("uncertainty", sa.Double(), nullable=True),
        sa.Column("relation", sa.Text(), nullable=False),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("factors", DOCUMENT, nullable=True),
        *_numbered(),
        sa.ForeignKeyConstraint(["bench_id"], ["other_bench.id"], name=op.f("fk_other_result_bench_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_other_result")),
        sa.UniqueConstraint(
            "bench_id", "measurement", "quantity", name=op.f("uq_other_result_bench_id_measurement_quantity")
        ),
    )
    op.create_index(op.f("ix_other_result_quantity"), "other_result", ["quantity"], unique=False)


def _texts(*names: str) -> list[sa.Column[Any]]:
    return [sa.Column(name, sa.Text(), nullable=True) for name in names]


def downgrade() -> None:
    """Take it back."""
    for table in ("other_result", "other_bench", "dispute"):
        op.drop_table(table)
    with op.batch_alter_table("person") as batch:
        batch.drop_column("named")
    with op.batch_alter_table("book") as batch:
        for name in ("licence", "author", "public_address"):
            batch.drop_column(name)
