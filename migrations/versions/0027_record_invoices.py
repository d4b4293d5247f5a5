"""record invoices: credit notes, what each payment was used for, terms of payment, credit limits, rules about money

Revises: 0026
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0027"
down_revision = "0026"

_NEVER_CHANGED = "payment_uses"
# As in 0022: what a deletion of personal data may not touch in the guarded tables; all other columns are words.
_FIXED = {
    "events": ("id", "at", "actor_id", "kind", "job_id", "previous_hash", "hash"),
    "quote_revisions": (
        "id",
        "job_id",
        "revision",
        "issued_at",
        "issued_by_id",
        "valid_until",
        "subtotal_cents",
        "total_cents",
        "cost_cents",
        "request_token",
    ),
}
_INVOICES = (
    "id",
    "number",
    "kind",
    "job_id",
    "issued_at",
    "issued_by_id",
    "invoiced_on",
    "due_on",
    "subtotal_cents",
    "tax_cents",
    "deposit_cents",
    "total_cents",
    "refers_to_id",
    "cancels",
    "request_token",
)


def upgrade() -> None:
    op.create_table(
        "money_rules",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("valid_from", sa.Date(), nullable=False),
        sa.Column("terms", sa.JSON(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_money_rules")),
        sa.UniqueConstraint("valid_from", name=op.f("uq_money_rules_valid_from")),
    )
    op.create_table(
        "invoices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column(
            "kind",
            sa.Enum(
                "invoice",
                "deposit",
                "credit note",
                name="invoicekind",
                native_enum=False,
                create_constraint=True,
                length=24,
            ),
            nullable=False,
        ),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("issued_by_id", sa.Integer(), nullable=False),
        sa.Column("invoiced_on", sa.Date(), nullable=False),
        sa.Column("due_on", sa.Date(), nullable=False),
        sa.Column("subtotal_cents", sa.Integer(), nullable=False),
        sa.Column("tax_cents", sa.Integer(), nullable=False),
        sa.Column("deposit_cents", sa.Integer(), nullable=False),
        sa.Column("total_cents", sa.Integer(), nullable=False),
        sa.Column("refers_to_id", sa.Integer(), nullable=True),
        sa.Column("cancels", sa.Boolean(), nullable=False),
        sa.Column("reason", sa.String(length=300), nullable=False),
        sa.Column("snapshot", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("request_token", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_invoices_job_id_jobs")),
        sa.ForeignKeyConstraint(["issued_by_id"], ["users.id"], name=op.f("fk_invoices_issued_by_id_users")),
        sa.ForeignKeyConstraint(["refers_to_id"], ["invoices.id"], name=op.f("fk_invoices_refers_to_id_invoices")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_invoices")),
        sa.UniqueConstraint("number", name=op.f("uq_invoices_number")),
        sa.UniqueConstraint("request_token", name=op.f("uq_invoices_request_token")),
    )
    for column in ("job_id", "refers_to_id", "invoiced_on"):
        op.create_index(op.f(f"ix_invoices_{column}"), "invoices", [column])
    op.create_table(
        "invoice_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("invoice_id", sa.Integer(), nullable=False),
        sa.Column("label", sa.String(length=12), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("amount_cents", sa.Integer(), nullable=False),
        sa.Column("tax_percent", sa.String(length=16), nullable=False),
        sa.ForeignKeyConstraint(["invoice_id"], ["invoices.id"], name=op.f("fk_invoice_lines_invoice_id_invoices")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_invoice_lines")),
    )
    op.create_index(op.f("ix_invoice_lines_invoice_id"), "invoice_lines", ["invoice_id"])
    op.create_table(
        "account_payments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("received_on", sa.Date(), nullable=False),
        sa.Column("cents", sa.Integer(), nullable=False),
        sa.Column("means", sa.String(length=40), nullable=False),
        sa.Column("note", sa.String(length=200), nullable=False),
        sa.Column("taken_by_id", sa.Integer(), nullable=False),
        sa.Column("request_token", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(
            ["customer_id"], ["customers.id"], name=op.f("fk_account_payments_customer_id_customers")
        ),
        sa.ForeignKeyConstraint(["taken_by_id"], ["users.id"], name=op.f("fk_account_payments_taken_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_account_payments")),
        sa.UniqueConstraint("number", name=op.f("uq_account_payments_number")),
        sa.UniqueConstraint("request_token", name=op.f("uq_account_payments_request_token")),
    )
    op.create_index(op.f("ix_account_payments_customer_id"), "account_payments", ["customer_id"])
    with op.batch_alter_table("payments") as batch:
        batch.add_column(sa.Column("account_payment_id", sa.Integer(), nullable=True))
        batch.create_foreign_key(
            op.f("fk_payments_account_payment_id_account_payments"),
            "account_payments",
            ["account_payment_id"],
            ["id"],
        )
    op.create_index(op.f("ix_payments_account_payment_id"), "payments", ["account_payment_id"])
    op.create_table(
        "payment_uses",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("payment_id", sa.Integer(), nullable=False),
        sa.Column("invoice_id", sa.Integer(), nullable=False),
        sa.Column("cents", sa.Integer(), nullable=False),
        sa.Column("discount_cents", sa.Integer(), nullable=False),
        sa.Column("used_on", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["payment_id"], ["payments.id"], name=op.f("fk_payment_uses_payment_id_payments")),
        sa.ForeignKeyConstraint(["invoice_id"], ["invoices.id"], name=op.f("fk_payment_uses_invoice_id_invoices")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_payment_uses")),
    )
    for column in ("payment_id", "invoice_id"):
        op.create_index(op.f(f"ix_payment_uses_{column}"), "payment_uses", [column])
    op.add_column("customers", sa.Column("credit_limit_cents", sa.Integer(), nullable=True))
    for column in (
        sa.Column("due_days", sa.Integer(), nullable=True),
        sa.Column("cash_percent", sa.String(length=16), nullable=False, server_default="0"),
        sa.Column("cash_days", sa.Integer(), nullable=False, server_default="0"),
        sa.Column("dating", sa.String(length=20), nullable=False, server_default="invoice"),
    ):
        op.add_column("price_tiers", column)
    _guard()


def downgrade() -> None:
    for column in ("due_days", "cash_percent", "cash_days", "dating"):
        op.drop_column("price_tiers", column)
    op.drop_column("customers", "credit_limit_cents")
    op.drop_table("payment_uses")
    op.drop_index(op.f("ix_payments_account_payment_id"), "payments")
    with op.batch_alter_table("payments") as batch:
        batch.drop_constraint(op.f("fk_payments_account_payment_id_account_payments"), type_="foreignkey")
        batch.drop_column("account_payment_id")
    for table in ("account_payments", "invoice_lines", "invoices", "money_rules"):
        op.drop_table(table)
    if op.get_bind().dialect.name != "sqlite":
        _function(_FIXED)


def _guard() -> None:
    if op.get_bind().dialect.name != "sqlite":
        _function({**_FIXED, "invoices": _INVOICES})
        for table in ("invoices", _NEVER_CHANGED):
            op.execute(
                f"CREATE TRIGGER {table}_guard BEFORE UPDATE OR DELETE ON {table} "
                "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
            )
        return
    same = " AND ".join(f"NEW.{name} IS OLD.{name}" for name in _INVOICES)
    for table, deed, when in (
        ("invoices", "UPDATE", f"WHEN NOT ({same} AND {_let_through('invoices')})"),
        ("invoices", "DELETE", ""),
        (_NEVER_CHANGED, "UPDATE", ""),
        (_NEVER_CHANGED, "DELETE", ""),
    ):
        op.execute(
            f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} {when} "
            f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"
        )


def _function(fixed: dict[str, tuple[str, ...]]) -> None:
    branches = " ".join(
        f"IF TG_TABLE_NAME = '{table}' THEN IF ({_row('NEW', names)}) IS NOT DISTINCT FROM ({_row('OLD', names)}) "
        f"AND {_let_through(table)} THEN RETURN NEW; END IF; END IF;"
        for table, names in fixed.items()
    )
    op.execute(
        "CREATE OR REPLACE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        f"$$ BEGIN IF TG_OP = 'UPDATE' THEN {branches} END IF; "
        "RAISE EXCEPTION '% are never changed', TG_TABLE_NAME; END $$"
    )


def _let_through(table: str) -> str:
    """Whether a deletion that runs in this transaction has kept the sealed original of the row."""
    return (
        "EXISTS (SELECT 1 FROM replaced_texts r JOIN deletions d ON d.id = r.deletion_id "
        f"WHERE d.is_running AND r.table_name = '{table}' AND r.row_id = OLD.id)"
    )


def _row(which: str, names: tuple[str, ...]) -> str:
    return ", ".join(f"{which}.{name}" for name in names)
