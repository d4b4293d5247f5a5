"""order from makers: orders, their lines, deliveries, calls about moved promises, and how to order from each maker

Revises: 0032
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0033"
down_revision = "0032"

_LINE_OF_MOVEMENT = "fk_stock_movements_order_line_id_purchase_lines"
_DELIVERY_OF_CLAIM = "fk_claims_delivery_id_deliveries"
_TABLES = (
    "promise_moves",
    "delivery_lines",
    "deliveries",
    "purchase_shares",
    "purchase_lines",
    "purchase_orders",
)


def _choice(name: str, *words: str) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=24)


def _id() -> sa.Column[int]:
    return sa.Column("id", sa.Integer(), nullable=False)


def _link(table: str, name: str, other: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([name], [f"{other}.id"], name=op.f(f"fk_{table}_{name}_{other}"))


def _key(table: str) -> sa.PrimaryKeyConstraint:
    return sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}"))


def upgrade() -> None:
    for column in (
        sa.Column("address", sa.Text(), nullable=False, server_default=""),
        sa.Column("email", sa.String(length=200), nullable=False, server_default=""),
        sa.Column("account_number", sa.String(length=60), nullable=False, server_default=""),
        sa.Column("minimum_cents", sa.Integer(), nullable=False, server_default="0"),
        sa.Column("lead_days", sa.Integer(), nullable=True),
        sa.Column("finish_leads", sa.JSON(), nullable=False, server_default="{}"),
    ):
        op.add_column("makers", column)
    op.create_table(
        "purchase_orders",
        _id(),
        sa.Column("number", sa.String(length=24), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=False),
        sa.Column("kind", _choice("orderkind", "goods", "keying"), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("state", _choice("orderstate", "draft", "sent", "confirmed", "closed", "canceled"), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("made_by_id", sa.Integer(), nullable=True),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("sent_by_id", sa.Integer(), nullable=True),
        sa.Column("snapshot", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("maker_number", sa.String(length=60), nullable=False),
        sa.Column("expected_on", sa.Date(), nullable=True),
        sa.Column("charges_cents", sa.Integer(), nullable=False),
        sa.Column("confirmed_charges_cents", sa.Integer(), nullable=True),
        sa.Column("mark_keys", _choice("mark_keys", "visual", "concealed", "none"), nullable=False),
        sa.Column("mark_cylinders", _choice("mark_cylinders", "visual", "concealed", "none"), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("end_reason", sa.String(length=300), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        _link("purchase_orders", "maker_id", "makers"),
        _link("purchase_orders", "job_id", "jobs"),
        _link("purchase_orders", "made_by_id", "users"),
        _link("purchase_orders", "sent_by_id", "users"),
        _key("purchase_orders"),
        sa.UniqueConstraint("number", name=op.f("uq_purchase_orders_number")),
    )
    op.create_index("ix_purchase_orders_open", "purchase_orders", ["state", "maker_id"])
    _index("purchase_orders", "maker_id", "job_id")
    op.create_table(
        "purchase_lines",
        _id(),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("unit_cents", sa.Integer(), nullable=False),
        sa.Column("confirmed_cents", sa.Integer(), nullable=True),
        sa.Column("expected_on", sa.Date(), nullable=True),
        sa.Column("canceled", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "quantity > 0 AND canceled >= 0 AND canceled <= quantity", name=op.f("ck_purchase_lines_quantity")
        ),
        _link("purchase_lines", "order_id", "purchase_orders"),
        _link("purchase_lines", "item_id", "stock_items"),
        _key("purchase_lines"),
        sa.UniqueConstraint("order_id", "number", name=op.f("uq_purchase_lines_order_id_number")),
    )
    _index("purchase_lines", "order_id", "item_id")
    op.create_table(
        "purchase_shares",
        _id(),
        sa.Column("line_id", sa.Integer(), nullable=False),
        sa.Column("need_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("arrived", sa.Integer(), nullable=False),
        sa.CheckConstraint(
            "quantity > 0 AND arrived >= 0 AND arrived <= quantity", name=op.f("ck_purchase_shares_quantity")
        ),
        _link("purchase_shares", "line_id", "purchase_lines"),
        _link("purchase_shares", "need_id", "needs"),
        _key("purchase_shares"),
        sa.UniqueConstraint("line_id", "need_id", name=op.f("uq_purchase_shares_line_id_need_id")),
    )
    _index("purchase_shares", "need_id")
    op.create_table(
        "deliveries",
        _id(),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("packing_number", sa.String(length=60), nullable=False),
        sa.Column("request_token", sa.String(length=64), nullable=True),
        _link("deliveries", "order_id", "purchase_orders"),
        _link("deliveries", "by_id", "users"),
        _key("deliveries"),
        sa.UniqueConstraint("request_token", name=op.f("uq_deliveries_request_token")),
    )
    _index("deliveries", "order_id")
    op.create_table(
        "delivery_lines",
        _id(),
        sa.Column("delivery_id", sa.Integer(), nullable=False),
        sa.Column("line_id", sa.Integer(), nullable=True),
        sa.Column("item_id", sa.Integer(), nullable=False),
        *(sa.Column(name, sa.Integer(), nullable=False) for name in ("good", "damaged", "wrong", "sent_back")),
        sa.Column("note", sa.String(length=300), nullable=False),
        sa.CheckConstraint(
            "good >= 0 AND damaged >= 0 AND wrong >= 0 AND sent_back >= 0", name=op.f("ck_delivery_lines_pieces")
        ),
        _link("delivery_lines", "delivery_id", "deliveries"),
        _link("delivery_lines", "line_id", "purchase_lines"),
        _link("delivery_lines", "item_id", "stock_items"),
        _key("delivery_lines"),
    )
    _index("delivery_lines", "delivery_id", "line_id")
    op.create_table(
        "promise_moves",
        _id(),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("order_id", sa.Integer(), nullable=False),
        sa.Column("was_on", sa.Date(), nullable=True),
        sa.Column("now_on", sa.Date(), nullable=False),
        sa.Column("moved_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("called_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("called_by_id", sa.Integer(), nullable=True),
        _link("promise_moves", "job_id", "jobs"),
        _link("promise_moves", "order_id", "purchase_orders"),
        _link("promise_moves", "called_by_id", "users"),
        _key("promise_moves"),
    )
    _index("promise_moves", "job_id", "order_id", "called_at")
    with op.batch_alter_table("stock_movements") as batch:
        batch.create_foreign_key(_LINE_OF_MOVEMENT, "purchase_lines", ["order_line_id"], ["id"])
    with op.batch_alter_table("claims") as batch:
        batch.create_foreign_key(_DELIVERY_OF_CLAIM, "deliveries", ["delivery_id"], ["id"])


def _index(table: str, *names: str) -> None:
    for name in names:
        op.create_index(op.f(f"ix_{table}_{name}"), table, [name])


def downgrade() -> None:
    with op.batch_alter_table("claims") as batch:
        batch.drop_constraint(_DELIVERY_OF_CLAIM, type_="foreignkey")
    with op.batch_alter_table("stock_movements") as batch:
        batch.drop_constraint(_LINE_OF_MOVEMENT, type_="foreignkey")
    for table in _TABLES:
        op.drop_table(table)
    with op.batch_alter_table("makers") as batch:
        for name in ("finish_leads", "lead_days", "minimum_cents", "account_number", "email", "address"):
            batch.drop_column(name)
