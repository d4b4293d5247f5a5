"""keep sessions and screen locks: a row for each login, a PIN and a second factor for each user, and what the house asks of a login

Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    op.create_table(
        "logins",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("token_hash", sa.LargeBinary(length=32), nullable=False),
        sa.Column("user_id", sa.Integer(), nullable=False),
        sa.Column("stamp", sa.Integer(), nullable=False),
        sa.Column("address", sa.String(length=64), nullable=False),
        sa.Column("began_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seen_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("proven_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("locked_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("wrong", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["user_id"], ["users.id"], name=op.f("fk_logins_user_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_logins")),
        sa.UniqueConstraint("token_hash", name=op.f("uq_logins_token_hash")),
    )
    with op.batch_alter_table("logins") as logins:
        logins.create_index(logins.f("ix_logins_user_id"), ["user_id"], unique=False)
    op.create_table(
        "login_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("lock_minutes", sa.Integer(), nullable=False),
        sa.Column("proof_minutes", sa.Integer(), nullable=False),
        sa.Column("proof_of_list", sa.Boolean(), nullable=False),
        sa.Column("proof_of_owner", sa.Boolean(), nullable=False),
        sa.Column("proof_of_bench", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_login_rules")),
    )
    with op.batch_alter_table("users") as users:
        users.add_column(sa.Column("pin_hash", sa.String(length=200), nullable=False, server_default=""))
        users.add_column(sa.Column("factor_sealed", sa.LargeBinary(), nullable=True))
        users.add_column(sa.Column("factor_step", sa.Integer(), nullable=False, server_default="0"))
    # New rows get their value from the model, so the old rows' default goes again.
    with op.batch_alter_table("users") as users:
        users.alter_column("pin_hash", server_default=None)
        users.alter_column("factor_step", server_default=None)
    with op.batch_alter_table("vault_checks") as checks:
        checks.add_column(sa.Column("sheet_at", sa.DateTime(timezone=True), nullable=True))


def downgrade() -> None:
    with op.batch_alter_table("vault_checks") as checks:
        checks.drop_column("sheet_at")
    with op.batch_alter_table("users") as users:
        users.drop_column("factor_step")
        users.drop_column("factor_sealed")
        users.drop_column("pin_hash")
    op.drop_table("login_rules")
    with op.batch_alter_table("logins") as logins:
        logins.drop_index(logins.f("ix_logins_user_id"))
    op.drop_table("logins")
