"""name what is priced: words, category and kind of a price's code stand on its item, and the house's own items exist

What keying, keys, decoding, trips, labor and rush work cost are items from the start, without a price until the owner
fills one in; so are cylinders without pins, of each type. A house that has one of them keeps its own words.

Revises: 0038
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0039"
down_revision = "0038"

_OWN = (
    ("KEYING-KD", "Keying a cylinder to a key of its own", "keying", "labor"),
    ("KEYING-KA", "Keying a cylinder alike with others", "keying", "labor"),
    ("KEYING-SKD", "Keying a cylinder of a key system that no master opens", "keying", "labor"),
    ("KEYING-MK", "Keying a cylinder under a master", "keying", "labor"),
    ("KEYING-GMK", "Keying a cylinder under a grand master", "keying", "labor"),
    ("KEYING-GGMK", "Keying a cylinder under a great grand master", "keying", "labor"),
    ("KEYING-OWN", "Keying a cylinder to a key that the customer brings", "keying", "labor"),
    ("KEYING-KD-FACTORY", "Keying a cylinder to a key of its own, at the factory", "keying", "labor"),
    ("KEYING-KA-FACTORY", "Keying a cylinder alike with others, at the factory", "keying", "labor"),
    (
        "KEYING-SKD-FACTORY",
        "Keying a cylinder of a key system that no master opens, at the factory",
        "keying",
        "labor",
    ),
    ("KEYING-MK-FACTORY", "Keying a cylinder under a master, at the factory", "keying", "labor"),
    ("KEYING-GMK-FACTORY", "Keying a cylinder under a grand master, at the factory", "keying", "labor"),
    ("KEYING-GGMK-FACTORY", "Keying a cylinder under a great grand master, at the factory", "keying", "labor"),
    ("SYSTEM-2", "New key system of two levels", "keying", "labor"),
    ("SYSTEM-3", "New key system of three levels", "keying", "labor"),
    ("SYSTEM-4", "New key system of four levels", "keying", "labor"),
    ("KEY-DECODE", "Decoding a key that the customer brings", "keying", "labor"),
    ("REKEY-MORTISE", "Rekeying a customer's mortise cylinder", "rekey", "labor"),
    ("REKEY-RIM", "Rekeying a customer's rim cylinder", "rekey", "labor"),
    ("REKEY-BORED", "Rekeying a customer's bored lock, deadbolt or lockset", "rekey", "labor"),
    ("REKEY-SFIC", "Rekeying a customer's small-format core", "rekey", "labor"),
    ("REKEY-LFIC", "Rekeying a customer's large-format core", "rekey", "labor"),
    ("REKEY-PADLOCK", "Rekeying a customer's padlock", "rekey", "labor"),
    ("REKEY-CABINET", "Rekeying a customer's cabinet lock", "rekey", "labor"),
    ("KEY-CUT", "Key, blank and cutting", "keys", "goods"),
    ("KEY-CONTROL", "Control key, cut", "keys", "goods"),
    ("RUSH", "Rush: before the bench's other work", "rush", "labor"),
    ("TRIP", "Trip to the site", "trip", "labor"),
    ("LABOR-QUARTER", "Labor at the site, a quarter of an hour", "labor", "labor"),
)
_UNPINNED = ("mortise", "rim", "bored", "sfic", "lfic", "deadbolt", "lockset", "padlock", "cabinet")
_IS_OWN = "maker_id IS NULL AND kind NOT IN ('pin', 'unpinned')"


def upgrade() -> None:
    house = op.get_bind()
    known = set(house.execute(sa.text(f"SELECT code FROM items WHERE {_IS_OWN}")).scalars())
    texts = ("code", "kind", "category", "words", "cylinder_type", "finish", "bin", "barcode")
    items = sa.table(
        "items",
        *(sa.column(name, sa.String()) for name in texts),
        *(sa.column(name, sa.Integer()) for name in ("cost_cents", "pack_size", "version")),
        *(sa.column(name, sa.Boolean()) for name in ("is_stocked", "is_counted")),
        sa.column("attributes", sa.JSON()),
    )
    rest = {
        "cylinder_type": "",
        "finish": "",
        "bin": "",
        "barcode": "",
        "cost_cents": 0,
        "pack_size": 1,
        "version": 1,
    }
    rest |= {"is_stocked": False, "is_counted": False, "attributes": {}}
    rows = [
        {"code": code, "words": words, "category": category, "kind": kind, **rest}
        for code, words, category, kind in _OWN
        if code not in known
    ]
    unpinned = set(house.execute(sa.text("SELECT code FROM items WHERE kind = 'unpinned'")).scalars())
    for sort in _UNPINNED:
        if sort not in unpinned:
            words = f"{sort.upper() if sort.endswith('fic') else sort.capitalize()} without pins"
            said = {"code": sort, "words": words, "category": "", "kind": "unpinned"}
            rows.append({**said, **rest, "cylinder_type": sort})
    if rows:
        house.execute(sa.insert(items), rows)
    with op.batch_alter_table("price_rows") as prices:
        for column in ("description", "category", "kind"):
            prices.drop_column(column)


def downgrade() -> None:
    with op.batch_alter_table("price_rows") as prices:
        prices.add_column(sa.Column("description", sa.String(length=300), nullable=False, server_default=""))
        prices.add_column(sa.Column("category", sa.String(length=40), nullable=False, server_default=""))
        prices.add_column(sa.Column("kind", sa.String(length=12), nullable=False, server_default="goods"))
    for column, said in (
        ("description", "words"),
        ("category", "category"),
        ("kind", "CASE kind WHEN 'labor' THEN 'labour' ELSE 'goods' END"),
    ):
        named = f"SELECT {said} FROM items WHERE items.code = price_rows.code AND kind NOT IN ('pin', 'unpinned')"
        first = "ORDER BY maker_id IS NOT NULL, id LIMIT 1"
        op.execute(f"UPDATE price_rows SET {column} = coalesce(({named} {first}), {column})")
    with op.batch_alter_table("price_rows") as prices:
        for column in ("description", "category", "kind"):
            prices.alter_column(column, server_default=None)
    gone = sa.text(
        "DELETE FROM items WHERE maker_id IS NULL AND kind <> 'pin' AND code = :code AND version = 1 "
        "AND NOT is_counted AND NOT EXISTS (SELECT 1 FROM price_rows WHERE price_rows.code = items.code) "
        "AND NOT EXISTS (SELECT 1 FROM needs WHERE needs.item_id = items.id) "
        "AND NOT EXISTS (SELECT 1 FROM stock_count_lines WHERE stock_count_lines.item_id = items.id)"
    )
    for code in (*(own[0] for own in _OWN), *_UNPINNED):
        op.get_bind().execute(gone, {"code": code})
