"""keep a quote's life: the house's rules for quotes; what a job was accepted as, for how much, and its deposit

Revises: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    op.create_table(
        "quote_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("deposit_percent", sa.String(length=16), nullable=False),
        sa.Column("deposit_cents", sa.Integer(), nullable=False),
        sa.Column("deposit_above_cents", sa.Integer(), nullable=False),
        sa.Column("mail_subject", sa.String(length=200), nullable=False),
        sa.Column("mail_text", sa.Text(), nullable=False),
        sa.Column("questions_off", sa.JSON(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_quote_rules")),
    )
    with op.batch_alter_table("jobs") as jobs:
        jobs.add_column(sa.Column("accepted_option", sa.String(length=1), nullable=False, server_default=""))
        jobs.add_column(sa.Column("agreed_cents", sa.Integer(), nullable=True))
        jobs.add_column(sa.Column("deposit_cents", sa.Integer(), nullable=False, server_default="0"))
    # New rows get their value from the model, so the old rows' default goes again.
    with op.batch_alter_table("jobs") as jobs:
        jobs.alter_column("accepted_option", server_default=None)
        jobs.alter_column("deposit_cents", server_default=None)


def downgrade() -> None:
    with op.batch_alter_table("jobs") as jobs:
        jobs.drop_column("deposit_cents")
        jobs.drop_column("agreed_cents")
        jobs.drop_column("accepted_option")
    op.drop_table("quote_rules")
