"""sum stock of movements: places, items and what came and went; the pins in stock become items that were counted

Revises: 0028
"""

from __future__ import annotations

from datetime import UTC, datetime

import sqlalchemy as sa
from alembic import op

revision = "0029"
down_revision = "0028"

_PLACES = ("shelf", "branch", "van")
_ITEMS = ("part", "blank", "cam", "ring", "pin", "goods", "unpinned")
_MOVEMENTS = ("received", "reserved", "released", "used", "sold", "returned", "scrapped", "counted", "moved")


def _choice(name: str, words: tuple[str, ...]) -> sa.Enum:
    return sa.Enum(*words, name=name, native_enum=False, create_constraint=True, length=24)


def upgrade() -> None:
    op.create_table(
        "stock_places",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=60), nullable=False),
        sa.Column("kind", _choice("placekind", _PLACES), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_places")),
        sa.UniqueConstraint("name", name=op.f("uq_stock_places_name")),
    )
    op.create_table(
        "stock_items",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=True),
        sa.Column("code", sa.String(length=80), nullable=False),
        sa.Column("kind", _choice("itemkind", _ITEMS), nullable=False),
        sa.Column("words", sa.String(length=300), nullable=False),
        sa.Column("cylinder_type", sa.String(length=24), nullable=False),
        sa.Column("finish", sa.String(length=24), nullable=False),
        sa.Column("spec_id", sa.Integer(), nullable=True),
        sa.Column("pin_kind", sa.String(length=16), nullable=True),
        sa.Column("pin_size", sa.Integer(), nullable=True),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.Column("reorder_point", sa.Integer(), nullable=True),
        sa.Column("reorder_to", sa.Integer(), nullable=True),
        sa.Column("pack_size", sa.Integer(), nullable=False),
        sa.Column("lead_days", sa.Integer(), nullable=True),
        sa.Column("bin", sa.String(length=40), nullable=False),
        sa.Column("barcode", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name=op.f("fk_stock_items_maker_id_makers")),
        sa.ForeignKeyConstraint(["spec_id"], ["bitting_specs.id"], name=op.f("fk_stock_items_spec_id_bitting_specs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_items")),
        sa.UniqueConstraint("maker_id", "kind", "code", name=op.f("uq_stock_items_maker_id_kind_code")),
    )
    op.create_index(
        "uq_stock_items_no_maker",
        "stock_items",
        ["kind", "code"],
        unique=True,
        sqlite_where=sa.text("maker_id IS NULL"),
        postgresql_where=sa.text("maker_id IS NULL"),
    )
    op.create_index("ix_stock_items_listed", "stock_items", ["code", "id"])
    for column in ("spec_id", "reorder_point", "bin", "barcode"):
        op.create_index(op.f(f"ix_stock_items_{column}"), "stock_items", [column])
    op.create_table(
        "stock_movements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("place_id", sa.Integer(), nullable=False),
        sa.Column("kind", _choice("movementkind", _MOVEMENTS), nullable=False),
        sa.Column("on_hand", sa.Integer(), nullable=False),
        sa.Column("reserved", sa.Integer(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("why", sa.String(length=200), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("need_id", sa.Integer(), nullable=True),
        sa.Column("order_line_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["item_id"], ["stock_items.id"], name=op.f("fk_stock_movements_item_id_stock_items")),
        sa.ForeignKeyConstraint(
            ["place_id"], ["stock_places.id"], name=op.f("fk_stock_movements_place_id_stock_places")
        ),
        sa.ForeignKeyConstraint(["by_id"], ["users.id"], name=op.f("fk_stock_movements_by_id_users")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_stock_movements_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_stock_movements")),
    )
    op.create_index("ix_stock_movements_sums", "stock_movements", ["item_id", "place_id", "on_hand", "reserved"])
    for column in ("job_id", "need_id", "order_line_id"):
        op.create_index(op.f(f"ix_stock_movements_{column}"), "stock_movements", [column])
    op.create_table(
        "pin_draws",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("spec_id", sa.Integer(), nullable=False),
        sa.Column("cylinders", sa.Integer(), nullable=False),
        sa.Column("sealed", sa.LargeBinary(), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("by_id", sa.Integer(), nullable=True),
        sa.Column("is_booked", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_pin_draws_job_id_jobs")),
        sa.ForeignKeyConstraint(["spec_id"], ["bitting_specs.id"], name=op.f("fk_pin_draws_spec_id_bitting_specs")),
        sa.ForeignKeyConstraint(["by_id"], ["users.id"], name=op.f("fk_pin_draws_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pin_draws")),
    )
    for column in ("job_id", "spec_id"):
        op.create_index(op.f(f"ix_pin_draws_{column}"), "pin_draws", [column])
    _guard()
    house = op.get_bind()
    house.execute(sa.text("INSERT INTO stock_places (name, kind, version) VALUES ('Shelf', 'shelf', 1)"))
    _keep_pins(house)
    op.drop_table("pin_stock")


def downgrade() -> None:
    op.create_table(
        "pin_stock",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("spec_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.String(length=16), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("count", sa.Integer(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["spec_id"], ["bitting_specs.id"], name=op.f("fk_pin_stock_spec_id_bitting_specs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pin_stock")),
        sa.UniqueConstraint("spec_id", "kind", "size", name=op.f("uq_pin_stock_spec_id_kind_size")),
    )
    op.create_index(op.f("ix_pin_stock_spec_id"), "pin_stock", ["spec_id"])
    op.get_bind().execute(
        sa.text(
            "INSERT INTO pin_stock (spec_id, kind, size, count, version) "
            "SELECT i.spec_id, i.pin_kind, i.pin_size, SUM(m.on_hand), 1 "
            "FROM stock_items i JOIN stock_movements m ON m.item_id = i.id "
            "WHERE i.kind = 'pin' GROUP BY i.spec_id, i.pin_kind, i.pin_size"
        )
    )
    op.drop_table("pin_draws")
    op.drop_table("stock_movements")
    op.drop_table("stock_items")
    op.drop_table("stock_places")


def _guard() -> None:
    """No figure of a movement is ever changed; its words alone may be, where a deletion takes a person's name out."""
    fixed = "id, item_id, place_id, kind, on_hand, reserved, cost_cents, at, by_id, job_id, need_id, order_line_id"
    for deed, when in (("update", f"UPDATE OF {fixed}"), ("delete", "DELETE")):
        if op.get_bind().dialect.name == "sqlite":
            op.execute(
                f"CREATE TRIGGER stock_movements_no_{deed} BEFORE {when} ON stock_movements "
                "BEGIN SELECT RAISE(ABORT, 'stock_movements are never changed'); END"
            )
        else:
            op.execute(
                f"CREATE TRIGGER stock_movements_no_{deed} BEFORE {when} ON stock_movements "
                "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
            )


def _keep_pins(house: sa.Connection) -> None:
    pins = sa.text(
        "SELECT p.spec_id, p.kind, p.size, p.count, s.name FROM pin_stock p "
        "JOIN bitting_specs s ON s.id = p.spec_id ORDER BY p.id"
    )
    item = sa.text(
        "INSERT INTO stock_items (kind, code, words, cylinder_type, finish, spec_id, pin_kind, pin_size, cost_cents, "
        "pack_size, bin, barcode, version) VALUES ('pin', :code, :words, '', '', :spec, :kind, :size, 0, 1, '', '', 1)"
    )
    counted = sa.text(
        "INSERT INTO stock_movements (item_id, place_id, kind, on_hand, reserved, at, why) "
        "SELECT i.id, p.id, 'counted', :count, 0, :at, 'as counted before movements were kept' "
        "FROM stock_items i JOIN stock_places p ON p.name = 'Shelf' WHERE i.kind = 'pin' AND i.code = :code"
    ).bindparams(sa.bindparam("at", type_=sa.DateTime(timezone=True)))
    for spec, kind, size, count, name in house.execute(pins).all():
        code, words = f"S{spec} {kind} {size:02d}", f"{kind.capitalize()} pin {size}, {name}"[:300]
        house.execute(item, {"code": code, "words": words, "spec": spec, "kind": kind, "size": size})
        house.execute(counted, {"code": code, "count": count, "at": datetime.now(UTC)})
