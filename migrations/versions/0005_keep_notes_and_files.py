"""keep files of a job: what each is and where it lies; a note is an event of the job's story

Revises: 0004
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"


def upgrade() -> None:
    op.create_table(
        "job_files",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("stored_name", sa.String(length=40), nullable=False),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "pdf",
                "jpeg",
                "png",
                "webp",
                "txt",
                "csv",
                "xlsx",
                name="filekind",
                native_enum=False,
                create_constraint=True,
                length=24,
            ),
            nullable=False,
        ),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("about", sa.String(length=200), nullable=False),
        sa.Column("kept_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("kept_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_job_files_job_id_jobs")),
        sa.ForeignKeyConstraint(["kept_by_id"], ["users.id"], name=op.f("fk_job_files_kept_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_job_files")),
        sa.UniqueConstraint("stored_name", name=op.f("uq_job_files_stored_name")),
    )
    with op.batch_alter_table("job_files", schema=None) as batch_op:
        batch_op.create_index(batch_op.f("ix_job_files_job_id"), ["job_id"], unique=False)


def downgrade() -> None:
    with op.batch_alter_table("job_files", schema=None) as batch_op:
        batch_op.drop_index(batch_op.f("ix_job_files_job_id"))
    op.drop_table("job_files")
