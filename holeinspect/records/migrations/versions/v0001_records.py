"""The kit's records: parts, pieces, photos, inspections, corrections."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Add it."""
    op.create_table(
        "kit_part",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.String(length=60), nullable=False),
        sa.Column("name", sa.String(length=200), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("material", sa.String(length=200), nullable=False),
        sa.Column("thickness", sa.String(length=40), nullable=False),
        sa.Column("thickness_mm", sa.Double(), nullable=False),
        sa.Column("face_height", sa.String(length=40), nullable=True),
        sa.Column("drawing", sa.String(length=200), nullable=False),
        sa.Column("revision", sa.String(length=60), nullable=False),
        sa.Column("fastener", sa.String(length=60), nullable=True),
        sa.Column("drill_sets", sa.JSON(), nullable=False),
        sa.Column("edge_rule", sa.Double(), nullable=True),
        sa.Column("pitch_rule", sa.Double(), nullable=True),
        sa.Column("hole_fasteners", sa.JSON(), nullable=False),
        sa.Column("hole_rules", sa.JSON(), nullable=False),
        sa.Column("burr_limit", sa.String(length=40), nullable=True),
        sa.Column("nick_limit", sa.String(length=40), nullable=True),
        sa.Column("least_corner_radius", sa.String(length=40), nullable=True),
        sa.Column("notes", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_kit_part")),
        sa.UniqueConstraint("number", name=op.f("uq_kit_part_number")),
    )
    op.create_table(
        "piece",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("part_id", sa.Integer(), nullable=False),
        sa.Column("serial", sa.Integer(), nullable=False),
        sa.Column("code", sa.String(length=10), nullable=False),
        sa.ForeignKeyConstraint(["part_id"], ["kit_part.id"], name=op.f("fk_piece_part_id_kit_part"), ondelete="CASCADE"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_piece")),
        sa.UniqueConstraint("code", name=op.f("uq_piece_code")),
        sa.UniqueConstraint("part_id", "serial", name=op.f("uq_piece_part_id")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "photo",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("piece_id", sa.Integer(), nullable=True),
        sa.Column("piece_by", sa.String(length=10), nullable=False),
        sa.Column("side", sa.String(length=1), nullable=True),
        sa.Column("name", sa.String(length=255), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("ending", sa.String(length=8), nullable=False),
        sa.Column("uploaded_sha256", sa.String(length=64), nullable=False),
        sa.Column("upload_key", sa.String(length=100), nullable=False),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("error", sa.Text(), nullable=True),
        sa.Column("note", sa.Text(), nullable=True),
        sa.Column("set_aside", sa.Boolean(), nullable=False),
        sa.Column("taken_at", sa.String(length=32), nullable=True),
        sa.Column("received_at", sa.DateTime(), nullable=False),
        sa.Column("queued_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(["piece_id"], ["piece.id"], name=op.f("fk_photo_piece_id_piece"), ondelete="RESTRICT"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photo")),
        sa.UniqueConstraint("upload_key", name=op.f("uq_photo_upload_key")),
    )
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_photo_piece_id"), ["piece_id"], unique=False)
        batch_op.create_index("ix_photo_state_queued_at", ["state", "queued_at"], unique=False)
        batch_op.create_index(batch_op.f("ix_photo_uploaded_sha256"), ["uploaded_sha256"], unique=False)

    op.create_table(
        "inspection",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("setup", sa.Text(), nullable=False),
        sa.Column("inspection", sa.Text(), nullable=False),
        sa.Column("inspection_sha256", sa.String(length=64), nullable=False),
        sa.Column("standing", sa.JSON(), nullable=False),
        sa.Column("measured_at", sa.DateTime(), nullable=False),
        sa.Column("program_version", sa.String(length=40), nullable=False),
        sa.Column("seconds", sa.Double(), nullable=False),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_inspection_photo_id_photo"), ondelete="RESTRICT"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_inspection")),
    )
    with op.batch_alter_table("inspection", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_inspection_photo_id"), ["photo_id"], unique=False)

    op.create_table(
        "correction",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=False),
        sa.Column("inspection_id", sa.Integer(), nullable=False),
        sa.Column("said", sa.JSON(), nullable=False),
        sa.Column("who", sa.String(length=100), nullable=False),
        sa.Column("made_at", sa.DateTime(), nullable=False),
        sa.ForeignKeyConstraint(
            ["inspection_id"], ["inspection.id"], name=op.f("fk_correction_inspection_id_inspection"), ondelete="RESTRICT"
        ),
        sa.ForeignKeyConstraint(["photo_id"], ["photo.id"], name=op.f("fk_correction_photo_id_photo"), ondelete="RESTRICT"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_correction")),
    )
    with op.batch_alter_table("correction", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_correction_photo_id"), ["photo_id"], unique=False)


def downgrade() -> None:
    """Take it away."""
    with op.batch_alter_table("correction", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_correction_photo_id"))

    op.drop_table("correction")
    with op.batch_alter_table("inspection", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_inspection_photo_id"))

    op.drop_table("inspection")
    with op.batch_alter_table("photo", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_photo_uploaded_sha256"))
        batch_op.drop_index("ix_photo_state_queued_at")
        batch_op.drop_index(batch_op.f("ix_photo_piece_id"))

    op.drop_table("photo")
    op.drop_table("piece")
    op.drop_table("kit_part")
