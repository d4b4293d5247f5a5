"""appointments and reminders: when an installer comes to a site, and what is to be done on a day

Revises: 0025
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0026"
down_revision = "0025"


def upgrade() -> None:
    op.create_table(
        "appointments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=80), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("day", sa.Date(), nullable=False),
        sa.Column("last_day", sa.Date(), nullable=True),
        sa.Column("from_time", sa.Time(), nullable=True),
        sa.Column("minutes", sa.Integer(), nullable=True),
        sa.Column("installer", sa.String(length=120), nullable=False),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column(
            "state",
            sa.Enum(
                "planned", "done", "canceled", name="visit", native_enum=False, create_constraint=True, length=24
            ),
            nullable=False,
        ),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_appointments_job_id_jobs")),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name=op.f("fk_appointments_site_id_sites")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_appointments")),
        sa.UniqueConstraint("uid", name=op.f("uq_appointments_uid")),
    )
    for column in ("day", "job_id", "site_id"):
        op.create_index(op.f(f"ix_appointments_{column}"), "appointments", [column])
    op.create_table(
        "reminders",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("words", sa.String(length=300), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("customer_id", sa.Integer(), nullable=True),
        sa.Column(
            "role",
            sa.Enum("counter", "bench", "owner", name="role", native_enum=False, create_constraint=True, length=24),
            nullable=False,
        ),
        sa.Column("made_by_id", sa.Integer(), nullable=False),
        sa.Column("done_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_reminders_job_id_jobs")),
        sa.ForeignKeyConstraint(["customer_id"], ["customers.id"], name=op.f("fk_reminders_customer_id_customers")),
        sa.ForeignKeyConstraint(["made_by_id"], ["users.id"], name=op.f("fk_reminders_made_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reminders")),
    )
    for column in ("customer_id", "due_on", "job_id"):
        op.create_index(op.f(f"ix_reminders_{column}"), "reminders", [column])


def downgrade() -> None:
    op.drop_table("reminders")
    op.drop_table("appointments")
