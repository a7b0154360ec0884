"""The first book: everything from the material to the verdict, and the journal.

Revision: 0001, the first.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from sqlalchemy.dialects import postgresql

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

MOMENT = sa.DateTime(timezone=True)
NUMBER = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
DOCUMENT = sa.JSON().with_variant(postgresql.JSONB(), "postgresql")


def upgrade() -> None:
    """Make the tables."""
    op.create_table(
        "attachment",
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("size", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_attachment")),
    )
    op.create_table(
        "book",
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("begun_at", MOMENT, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_book")),
    )
    op.create_table(
        "drying",
        sa.Column("began_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("planned_h", sa.Double(), nullable=True),
        sa.Column("set_c", sa.Double(), nullable=True),
        sa.Column("measured_c", sa.Double(), nullable=True),
        sa.Column("room_c", sa.Double(), nullable=True),
        sa.Column("room_rh_pct", sa.Double(), nullable=True),
        sa.Column("dryer_rh_pct", sa.Double(), nullable=True),
        sa.Column("dryer", sa.Text(), nullable=True),
        sa.Column("operator", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drying")),
    )
    op.create_table(
        "journal",
        sa.Column("seq", NUMBER, autoincrement=False, nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("act", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("hash", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name=op.f("pk_journal")),
    )
    op.create_table(
        "material",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("family", sa.Text(), nullable=True),
        sa.Column("maker", sa.Text(), nullable=True),
        sa.Column("density_g_cm3", sa.Double(), nullable=True),
        sa.Column("nozzle_low_c", sa.Double(), nullable=True),
        sa.Column("nozzle_high_c", sa.Double(), nullable=True),
        sa.Column("bed_low_c", sa.Double(), nullable=True),
        sa.Column("bed_high_c", sa.Double(), nullable=True),
        sa.Column("chamber_low_c", sa.Double(), nullable=True),
        sa.Column("chamber_high_c", sa.Double(), nullable=True),
        sa.Column("drying_c", sa.Double(), nullable=True),
        sa.Column("drying_h", sa.Double(), nullable=True),
        sa.Column("drying_max_c", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_material")),
        sa.UniqueConstraint("name", name=op.f("uq_material_name")),
    )
    op.create_table(
        "rig",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("measures", sa.Text(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("low", sa.Double(), nullable=True),
        sa.Column("capacity", sa.Double(), nullable=True),
        sa.Column("resolution", sa.Double(), nullable=True),
        sa.Column(
            "methods",
            DOCUMENT,
            nullable=True,
        ),
        sa.Column("recalibrate_days", NUMBER, nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint("role IN ('rig', 'instrument')", name=op.f("ck_rig_role")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_rig")),
        sa.UniqueConstraint("name", name=op.f("uq_rig_name")),
    )
    op.create_table(
        "calibration",
        sa.Column("rig_id", NUMBER, nullable=False),
        sa.Column("done_on", sa.Date(), nullable=False),
        sa.Column("u_abs", sa.Double(), nullable=False),
        sa.Column("u_rel", sa.Double(), nullable=False),
        sa.Column("reference", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_calibration_rig_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_calibration")),
    )
    op.create_index(op.f("ix_calibration_rig_id"), "calibration", ["rig_id"], unique=False)
    op.create_table(
        "job",
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("plate_sha256", sa.Text(), nullable=True),
        sa.Column("plate_name", sa.Text(), nullable=True),
        sa.Column("again_of_id", NUMBER, nullable=True),
        sa.Column("material_id", NUMBER, nullable=True),
        sa.Column("printer", sa.Text(), nullable=True),
        sa.Column("nozzle", sa.Text(), nullable=True),
        sa.Column("surface", sa.Text(), nullable=True),
        sa.Column("operator", sa.Text(), nullable=True),
        sa.Column("planned_at", MOMENT, nullable=True),
        sa.Column("started_at", MOMENT, nullable=True),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("cause", sa.Text(), nullable=True),
        sa.Column("nozzle_set_c", sa.Double(), nullable=True),
        sa.Column("nozzle_measured_c", sa.Double(), nullable=True),
        sa.Column("bed_set_c", sa.Double(), nullable=True),
        sa.Column("bed_measured_c", sa.Double(), nullable=True),
        sa.Column("chamber_set_c", sa.Double(), nullable=True),
        sa.Column("chamber_measured_c", sa.Double(), nullable=True),
        sa.Column("fan_set_pct", sa.Double(), nullable=True),
        sa.Column("layer_height_mm", sa.Double(), nullable=True),
        sa.Column("line_width_mm", sa.Double(), nullable=True),
        sa.Column("room_c", sa.Double(), nullable=True),
        sa.Column("room_rh_pct", sa.Double(), nullable=True),
        sa.Column("filament_mm", sa.Double(), nullable=True),
        sa.Column("filament_g", sa.Double(), nullable=True),
        sa.Column("time_s", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint(
            "outcome IN ('running', 'finished', 'stopped', 'failed')", name=op.f("ck_job_outcome")
        ),
        sa.ForeignKeyConstraint(["again_of_id"], ["job.id"], name=op.f("fk_job_again_of_id")),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name=op.f("fk_job_material_id")),
        sa.ForeignKeyConstraint(["plate_sha256"], ["attachment.sha256"], name=op.f("fk_job_plate_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job")),
    )
    op.create_index(op.f("ix_job_material_id"), "job", ["material_id"], unique=False)
    op.create_index(op.f("ix_job_name"), "job", ["name"], unique=False)
    op.create_table(
        "spool",
        sa.Column("material_id", NUMBER, nullable=False),
        sa.Column("lot", sa.Text(), nullable=True),
        sa.Column("colour", sa.Text(), nullable=True),
        sa.Column("diameter_mm", sa.Double(), nullable=True),
        sa.Column("net_g", sa.Double(), nullable=True),
        sa.Column("gross_g", sa.Double(), nullable=True),
        sa.Column("empty_g", sa.Double(), nullable=True),
        sa.Column("supplied", sa.Text(), nullable=True),
        sa.Column("supplied_by", sa.Text(), nullable=True),
        sa.Column("received_on", sa.Date(), nullable=True),
        sa.Column("condition", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint(
            "supplied IN ('bought', 'given', 'lent', 'sponsored')", name=op.f("ck_spool_supplied")
        ),
        sa.ForeignKeyConstraint(["material_id"], ["material.id"], name=op.f("fk_spool_material_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_spool")),
    )
    op.create_index(op.f("ix_spool_material_id"), "spool", ["material_id"], unique=False)
    op.create_table(
        "change",
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("setting", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("at", MOMENT, nullable=True),
        sa.Column("layer", NUMBER, nullable=True),
        sa.Column("height_mm", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_change_job_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_change")),
    )
    op.create_index(op.f("ix_change_job_id"), "change", ["job_id"], unique=False)
    op.create_table(
        "drying_spool",
        sa.Column("drying_id", NUMBER, nullable=False),
        sa.Column("spool_id", NUMBER, nullable=False),
        sa.Column("before_g", sa.Double(), nullable=True),
        sa.Column("after_g", sa.Double(), nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["drying_id"], ["drying.id"], name=op.f("fk_drying_spool_drying_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_drying_spool_spool_id")),
        sa.PrimaryKeyConstraint("drying_id", "spool_id", name=op.f("pk_drying_spool")),
    )
    op.create_index(op.f("ix_drying_spool_spool_id"), "drying_spool", ["spool_id"], unique=False)
    op.create_table(
        "job_spool",
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("spool_id", NUMBER, nullable=False),
        sa.Column("tool", NUMBER, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_job_spool_job_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_job_spool_spool_id")),
        sa.PrimaryKeyConstraint("job_id", "spool_id", name=op.f("pk_job_spool")),
    )
    op.create_index(op.f("ix_job_spool_spool_id"), "job_spool", ["spool_id"], unique=False)
    op.create_table(
        "specimen",
        sa.Column("job_id", NUMBER, nullable=False),
        sa.Column("piece", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("orientation", sa.Text(), nullable=True),
        sa.Column("geometry", sa.Text(), nullable=True),
        sa.Column("outcome", sa.Text(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("cause", sa.Text(), nullable=True),
        sa.Column("broken_at", MOMENT, nullable=True),
        sa.Column("x_mm", sa.Double(), nullable=True),
        sa.Column("y_mm", sa.Double(), nullable=True),
        sa.Column("size_x_mm", sa.Double(), nullable=True),
        sa.Column("size_y_mm", sa.Double(), nullable=True),
        sa.Column("size_z_mm", sa.Double(), nullable=True),
        sa.Column("filament_mm", sa.Double(), nullable=True),
        sa.Column("filament_g", sa.Double(), nullable=True),
        sa.Column(
            "plate_facts",
            DOCUMENT,
            nullable=True,
        ),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint("outcome IN ('good', 'usable', 'failed')", name=op.f("ck_specimen_outcome")),
        sa.ForeignKeyConstraint(["job_id"], ["job.id"], name=op.f("fk_specimen_job_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_specimen")),
        sa.UniqueConstraint("job_id", "piece", name=op.f("uq_specimen_job_id_piece")),
    )
    op.create_table(
        "stay",
        sa.Column("spool_id", NUMBER, nullable=False),
        sa.Column("place", sa.Text(), nullable=False),
        sa.Column("where", sa.Text(), nullable=True),
        sa.Column("began_at", MOMENT, nullable=False),
        sa.Column("ended_at", MOMENT, nullable=True),
        sa.Column("temperature_c", sa.Double(), nullable=True),
        sa.Column("rh_pct", sa.Double(), nullable=True),
        sa.Column("rh_low_pct", sa.Double(), nullable=True),
        sa.Column("rh_high_pct", sa.Double(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint(
            "place IN ('open air', 'sealed bag', 'dry box', 'printer')", name=op.f("ck_stay_place")
        ),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_stay_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stay")),
    )
    op.create_index(op.f("ix_stay_spool_id"), "stay", ["spool_id"], unique=False)
    op.create_table(
        "weighing",
        sa.Column("spool_id", NUMBER, nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("mass_g", sa.Double(), nullable=False),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_weighing_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_weighing")),
    )
    op.create_index(op.f("ix_weighing_spool_id"), "weighing", ["spool_id"], unique=False)
    op.create_table(
        "factor",
        sa.Column("specimen_id", NUMBER, nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("number", sa.Double(), nullable=True),
        sa.Column("text", sa.Text(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name=op.f("fk_factor_specimen_id")),
        sa.PrimaryKeyConstraint("specimen_id", "name", name=op.f("pk_factor")),
    )
    op.create_table(
        "measurement",
        sa.Column("specimen_id", NUMBER, nullable=True),
        sa.Column("spool_id", NUMBER, nullable=True),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("method_version", sa.Text(), nullable=True),
        sa.Column(
            "readings",
            DOCUMENT,
            nullable=True,
        ),
        sa.Column("at", MOMENT, nullable=True),
        sa.Column("operator", sa.Text(), nullable=True),
        sa.Column("room_c", sa.Double(), nullable=True),
        sa.Column("room_rh_pct", sa.Double(), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("problem", sa.Text(), nullable=True),
        sa.Column("remark", sa.Text(), nullable=True),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.CheckConstraint(
            "(specimen_id IS NULL) <> (spool_id IS NULL)", name=op.f("ck_measurement_one_subject")
        ),
        sa.ForeignKeyConstraint(["specimen_id"], ["specimen.id"], name=op.f("fk_measurement_specimen_id")),
        sa.ForeignKeyConstraint(["spool_id"], ["spool.id"], name=op.f("fk_measurement_spool_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurement")),
    )
    op.create_index(op.f("ix_measurement_specimen_id"), "measurement", ["specimen_id"], unique=False)
    op.create_index(op.f("ix_measurement_spool_id"), "measurement", ["spool_id"], unique=False)
    op.create_table(
        "measurement_file",
        sa.Column("measurement_id", NUMBER, nullable=False),
        sa.Column("field", sa.Text(), nullable=False),
        sa.Column("sha256", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(
            ["measurement_id"], ["measurement.id"], name=op.f("fk_measurement_file_measurement_id")
        ),
        sa.ForeignKeyConstraint(["sha256"], ["attachment.sha256"], name=op.f("fk_measurement_file_sha256")),
        sa.PrimaryKeyConstraint("measurement_id", "field", name=op.f("pk_measurement_file")),
    )
    op.create_table(
        "measurement_rig",
        sa.Column("measurement_id", NUMBER, nullable=False),
        sa.Column("rig_id", NUMBER, nullable=False),
        sa.Column("calibration_id", NUMBER, nullable=True),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(
            ["calibration_id"], ["calibration.id"], name=op.f("fk_measurement_rig_calibration_id")
        ),
        sa.ForeignKeyConstraint(
            ["measurement_id"], ["measurement.id"], name=op.f("fk_measurement_rig_measurement_id")
        ),
        sa.ForeignKeyConstraint(["rig_id"], ["rig.id"], name=op.f("fk_measurement_rig_rig_id")),
        sa.PrimaryKeyConstraint("measurement_id", "rig_id", name=op.f("pk_measurement_rig")),
    )
    op.create_index(op.f("ix_measurement_rig_rig_id"), "measurement_rig", ["rig_id"], unique=False)
    op.create_table(
        "result",
        sa.Column("measurement_id", NUMBER, nullable=False),
        sa.Column("quantity", sa.Text(), nullable=False),
        sa.Column("value", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("uncertainty", sa.Double(), nullable=True),
        sa.Column("relation", sa.Text(), nullable=False),
        sa.Column(
            "remarks",
            DOCUMENT,
            nullable=False,
        ),
        sa.Column("refused", sa.Text(), nullable=True),
        sa.Column(
            "budget",
            DOCUMENT,
            nullable=True,
        ),
        sa.Column("method_version", sa.Text(), nullable=True),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(
            ["measurement_id"], ["measurement.id"], name=op.f("fk_result_measurement_id")
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_result")),
        sa.UniqueConstraint("measurement_id", "quantity", name=op.f("uq_result_measurement_id_quantity")),
    )
    op.create_index("ix_result_quantity_counted", "result", ["quantity", "counted"], unique=False)
    op.create_table(
        "verdict",
        sa.Column("result_id", NUMBER, nullable=False),
        sa.Column("counted", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", MOMENT, nullable=False),
        sa.Column("id", NUMBER, autoincrement=False, nullable=False),
        sa.Column("entry", NUMBER, nullable=False),
        sa.ForeignKeyConstraint(["result_id"], ["result.id"], name=op.f("fk_verdict_result_id")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdict")),
    )
    op.create_index(op.f("ix_verdict_result_id"), "verdict", ["result_id"], unique=False)
    # ### end Alembic commands ###


def downgrade() -> None:
    """Drop them."""
    op.drop_index(op.f("ix_verdict_result_id"), table_name="verdict")
    op.drop_table("verdict")
    op.drop_index("ix_result_quantity_counted", table_name="result")
    op.drop_table("result")
    op.drop_index(op.f("ix_measurement_rig_rig_id"), table_name="measurement_rig")
    op.drop_table("measurement_rig")
    op.drop_table("measurement_file")
    op.drop_index(op.f("ix_measurement_spool_id"), table_name="measurement")
    op.drop_index(op.f("ix_measurement_specimen_id"), table_name="measurement")
    op.drop_table("measurement")
    op.drop_table("factor")
    op.drop_index(op.f("ix_weighing_spool_id"), table_name="weighing")
    op.drop_table("weighing")
    op.drop_index(op.f("ix_stay_spool_id"), table_name="stay")
    op.drop_table("stay")
    op.drop_table("specimen")
    op.drop_index(op.f("ix_job_spool_spool_id"), table_name="job_spool")
    op.drop_table("job_spool")
    op.drop_index(op.f("ix_drying_spool_spool_id"), table_name="drying_spool")
    op.drop_table("drying_spool")
    op.drop_index(op.f("ix_change_job_id"), table_name="change")
    op.drop_table("change")
    op.drop_index(op.f("ix_spool_material_id"), table_name="spool")
    op.drop_table("spool")
    op.drop_index(op.f("ix_job_name"), table_name="job")
    op.drop_index(op.f("ix_job_material_id"), table_name="job")
    op.drop_table("job")
    op.drop_index(op.f("ix_calibration_rig_id"), table_name="calibration")
    op.drop_table("calibration")
    op.drop_table("rig")
    op.drop_table("material")
    op.drop_table("journal")
    op.drop_table("drying")
    op.drop_table("book")
    op.drop_table("attachment")
    # ### end Alembic commands ###
