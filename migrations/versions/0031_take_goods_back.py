"""take goods back: returns line by line, and claims to makers

A warranty at its maker's cost is an open claim from now on.

Revises: 0030
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0031"
down_revision = "0030"


def _choice(name: str, *words: str) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=24)


def _links(table: str, *links: tuple[str, str]) -> list[sa.ForeignKeyConstraint]:
    return [
        sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))
        for column, target in links
    ]


def upgrade() -> None:
    op.create_table(
        "returns",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("brought_by", sa.String(length=120), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("restocking_cents", sa.Integer(), nullable=False),
        sa.Column("credited_cents", sa.Integer(), nullable=False),
        sa.Column("credit_note_id", sa.Integer(), nullable=True),
        sa.Column("payment_id", sa.Integer(), nullable=True),
        *_links(
            "returns",
            ("job_id", "jobs"),
            ("by_id", "users"),
            ("credit_note_id", "invoices"),
            ("payment_id", "payments"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_returns")),
        sa.UniqueConstraint("number", name=op.f("uq_returns_number")),
    )
    op.create_table(
        "return_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("return_id", sa.Integer(), nullable=False),
        sa.Column("line_number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=12), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("condition", _choice("returncondition", "good", "defective", "spoiled"), nullable=False),
        sa.Column("is_restocked", sa.Boolean(), nullable=False),
        sa.Column("amount_cents", sa.Integer(), nullable=False),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_return_lines_pieces")),
        *_links("return_lines", ("return_id", "returns")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_return_lines")),
    )
    op.create_table(
        "claims",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=True),
        sa.Column("words", sa.String(length=300), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("return_id", sa.Integer(), nullable=True),
        sa.Column("delivery_id", sa.Integer(), nullable=True),
        sa.Column("warranty_id", sa.Integer(), nullable=True),
        sa.Column("state", _choice("claimstate", "open", "credited", "replaced", "refused"), nullable=False),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("opened_by_id", sa.Integer(), nullable=True),
        sa.Column("settled_on", sa.Date(), nullable=True),
        sa.Column("cents", sa.Integer(), nullable=True),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.Column("answer", sa.String(length=300), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_claims_pieces")),
        *_links(
            "claims",
            ("maker_id", "makers"),
            ("item_id", "stock_items"),
            ("job_id", "jobs"),
            ("return_id", "returns"),
            ("warranty_id", "warranties"),
            ("opened_by_id", "users"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_claims")),
    )
    for table, columns in (
        ("returns", ("job_id", "credit_note_id", "payment_id")),
        ("return_lines", ("return_id",)),
        ("claims", ("maker_id", "item_id", "job_id", "return_id", "delivery_id", "warranty_id", "state")),
    ):
        for column in columns:
            op.create_index(op.f(f"ix_{table}_{column}"), table, [column])
    op.execute(
        "INSERT INTO claims (maker_id, item_id, words, quantity, job_id, warranty_id, state, opened_at, note, answer, "
        "version) SELECT cylinders.maker_id, NULL, CASE WHEN cylinders.part_number <> '' THEN cylinders.part_number "
        "ELSE cylinders.words END, 1, warranties.job_id, warranties.id, 'open', warranties.opened_at, "
        "warranties.reason, warranties.claim, 1 FROM warranties JOIN cylinders "
        "ON cylinders.id = warranties.cylinder_id WHERE warranties.borne_by = 'maker' "
        "AND cylinders.maker_id IS NOT NULL ORDER BY warranties.id"
    )


def downgrade() -> None:
    for table in ("claims", "return_lines", "returns"):
        op.drop_table(table)
