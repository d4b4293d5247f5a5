"""key building sites: levels of construction keys, and what construction keying costs

Revises: 0040
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0041"
down_revision = "0040"

_BEFORE = ("great grand master", "grand master", "master", "change", "single keyed", "control")
_ADDED = ("construction", "construction control")
_ITEMS = (
    ("CONSTRUCTION-SETUP", "Setting a cylinder up for a construction key", "labor"),
    ("CONSTRUCTION-CORE", "Construction core, lent until the building is handed over", "goods"),
    ("CONSTRUCTION-CORE-KEPT", "Construction core that was not brought back", "goods"),
)


def _allow(levels: tuple[str, ...]) -> None:
    with op.batch_alter_table("keysets") as keysets:
        keysets.drop_constraint(op.f("ck_keysets_level"), type_="check")
        words = ", ".join(f"'{level}'" for level in levels)
        keysets.create_check_constraint(op.f("ck_keysets_level"), f"level IN ({words})")


def upgrade() -> None:
    _allow(_BEFORE + _ADDED)
    put = sa.text(
        "INSERT INTO items (code, words, category, kind, cylinder_type, finish, bin, barcode, cost_cents, pack_size, "
        "version, is_stocked, is_counted, attributes) VALUES (:code, :words, 'construction', :kind, '', '', '', '', "
        "0, 1, 1, :no, :no, '{}')"
    )
    house = op.get_bind()
    own = "maker_id IS NULL AND kind NOT IN ('pin', 'unpinned')"
    known = set(house.execute(sa.text(f"SELECT code FROM items WHERE {own}")).scalars())
    for code, words, kind in _ITEMS:
        if code not in known:
            house.execute(put, {"code": code, "words": words, "kind": kind, "no": False})


def downgrade() -> None:
    gone = sa.text(
        "DELETE FROM items WHERE maker_id IS NULL AND code = :code AND version = 1 AND NOT is_counted "
        "AND NOT EXISTS (SELECT 1 FROM price_rows WHERE price_rows.code = items.code) "
        "AND NOT EXISTS (SELECT 1 FROM needs WHERE needs.item_id = items.id) "
        "AND NOT EXISTS (SELECT 1 FROM stock_count_lines WHERE stock_count_lines.item_id = items.id)"
    )
    for code, _, _ in _ITEMS:
        op.get_bind().execute(gone, {"code": code})
    # An earlier release knows no such levels: a construction key stays a key of the system, under no master.
    op.execute("UPDATE keysets SET level = 'single keyed' WHERE level = 'construction'")
    op.execute("UPDATE keysets SET level = 'control' WHERE level = 'construction control'")
    _allow(_BEFORE)
