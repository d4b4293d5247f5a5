"""keep one book of goods: what makers' catalogs have, what lies on the shelf, and the codes of the price book

The stock's rows keep their ids, since movements, needs and orders point to them; a catalog's row with the same maker
and number joins it. Blanks and cams that makers' tables name, and codes that the price book has, become items too.

Revises: 0035
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0036"
down_revision = "0035"

_KINDS = ("part", "lock", "blank", "cam", "ring", "goods", "pin", "unpinned", "labor")
_KINDS_BEFORE = ("part", "blank", "cam", "ring", "pin", "goods", "unpinned")
_PIECES = ("pin", "unpinned")
_CATEGORIES = {"part": "cylinder", "blank": "key_blank", "cam": "hardware", "ring": "hardware"}
_OF_CATEGORY = {"cylinder": "part", "lock": "lock", "key_blank": "blank"}
_POINTING = {
    "needs": "item_id",
    "purchase_lines": "item_id",
    "delivery_lines": "item_id",
    "stock_movements": "item_id",
    "stock_count_lines": "item_id",
    "claims": "item_id",
}
_STOCK = {
    **dict.fromkeys(
        ("id", "maker_id", "spec_id", "pin_size", "cost_cents", "reorder_point", "reorder_to"), sa.Integer
    ),
    **dict.fromkeys(("pack_size", "lead_days", "version"), sa.Integer),
    **dict.fromkeys(("code", "kind", "words", "cylinder_type", "finish", "pin_kind", "bin", "barcode"), sa.String),
}
_SOLD = {
    **dict.fromkeys(("id", "maker_id", "cost_cents", "list_cents", "version"), sa.Integer),
    **dict.fromkeys(("part_number", "category", "description"), sa.String),
    "attributes": sa.JSON,
    "is_stocked": sa.Boolean,
}
_GOODS = {
    **_STOCK,
    "category": sa.String,
    "attributes": sa.JSON,
    "list_cents": sa.Integer,
    "is_stocked": sa.Boolean,
    "is_counted": sa.Boolean,
}
Row = dict[str, Any]


def _table(name: str, columns: Mapping[str, Any]) -> sa.TableClause:
    return sa.table(name, *(sa.column(column, kind()) for column, kind in columns.items()))


def _choice(kinds: tuple[str, ...]) -> sa.Enum:
    return sa.Enum(*kinds, name="itemkind", native_enum=False, create_constraint=True, length=24)


def _columns(table: str, kinds: tuple[str, ...], unique: tuple[str, ...], *more: sa.Column[Any]) -> list[Any]:
    """The columns that both have; constraints are named for `table`."""
    return [
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=True),
        sa.Column("code", sa.String(length=80), nullable=False),
        sa.Column("kind", _choice(kinds), nullable=False),
        *more,
        sa.Column("words", sa.String(length=300), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.Column("cylinder_type", sa.String(length=24), nullable=False),
        sa.Column("finish", sa.String(length=24), nullable=False),
        sa.Column("spec_id", sa.Integer(), nullable=True),
        sa.Column("pin_kind", sa.String(length=16), nullable=True),
        sa.Column("pin_size", sa.Integer(), nullable=True),
        sa.Column("reorder_point", sa.Integer(), nullable=True),
        sa.Column("reorder_to", sa.Integer(), nullable=True),
        sa.Column("pack_size", sa.Integer(), nullable=False),
        sa.Column("lead_days", sa.Integer(), nullable=True),
        sa.Column("bin", sa.String(length=40), nullable=False),
        sa.Column("barcode", sa.String(length=40), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name=op.f(f"fk_{table}_maker_id_makers")),
        sa.ForeignKeyConstraint(["spec_id"], ["bitting_specs.id"], name=op.f(f"fk_{table}_spec_id_bitting_specs")),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{table}")),
        sa.UniqueConstraint(*unique, name=op.f(f"uq_{table}_{'_'.join(unique)}")),
    ]


def _replace(old: str, new: str, make: Callable[[str], None], fill: Callable[[str, str], None]) -> None:
    """Have a table take another's place, and all that points to it point there."""
    for column in ("spec_id", "reorder_point", "bin", "barcode"):
        op.drop_index(op.f(f"ix_{old}_{column}"), table_name=old)
    if op.get_bind().dialect.name == "sqlite":
        # What points to a table follows when it is renamed.
        op.rename_table(old, new)
        make("goods_made")
        fill(new, "goods_made")
        op.drop_table(new)
        op.rename_table("goods_made", new)
    else:
        make(new)
        fill(old, new)
        op.execute(f"SELECT setval(pg_get_serial_sequence('{new}', 'id'), (SELECT coalesce(max(id), 1) FROM {new}))")
        for table, column in _POINTING.items():
            op.drop_constraint(op.f(f"fk_{table}_{column}_{old}"), table, type_="foreignkey")
            op.create_foreign_key(op.f(f"fk_{table}_{column}_{new}"), table, new, [column], ["id"])
        op.drop_table(old)
    for column in ("spec_id", "reorder_point", "bin", "barcode"):
        op.create_index(op.f(f"ix_{new}_{column}"), new, [column])
    op.create_index(f"ix_{new}_listed", new, ["code", "id"])


def upgrade() -> None:
    op.drop_index("ix_stock_items_listed", table_name="stock_items")
    op.drop_index("uq_stock_items_no_maker", table_name="stock_items")
    _replace("stock_items", "items", _make_items, _fill_items)
    op.create_index("ix_items_counted", "items", ["is_counted", "code", "id"])
    for name, columns, which in (
        ("uq_items_own", ["code"], "maker_id IS NULL AND kind NOT IN ('pin', 'unpinned')"),
        ("uq_items_piece", ["kind", "code"], "maker_id IS NULL AND kind IN ('pin', 'unpinned')"),
    ):
        where = sa.text(which)
        op.create_index(name, "items", columns, unique=True, sqlite_where=where, postgresql_where=where)
    _drop_search("catalogue_items", "search_catalogue_numbers")
    op.drop_table("catalogue_items")
    _make_search("items", ("code", "words"), "search_item_numbers")


def _make_items(table: str) -> None:
    op.create_table(
        table,
        *_columns(
            "items",
            _KINDS,
            ("maker_id", "code"),
            sa.Column("category", sa.String(length=40), nullable=False),
            sa.Column("attributes", sa.JSON(), nullable=False),
            sa.Column("list_cents", sa.Integer(), nullable=True),
            sa.Column("is_stocked", sa.Boolean(), nullable=False),
            sa.Column("is_counted", sa.Boolean(), nullable=False),
        ),
    )


def _fill_items(old: str, new: str) -> None:
    house = op.get_bind()
    stock, sold, goods = _table(old, _STOCK), _table("catalogue_items", _SOLD), _table(new, _GOODS)
    counted = set(house.execute(sa.text("SELECT DISTINCT item_id FROM stock_movements")).scalars())
    rows: dict[tuple[Any, str], Row] = {}
    for row in house.execute(sa.select(stock).order_by(stock.c.id)).mappings():
        values = {**row, "category": _CATEGORIES.get(row["kind"], ""), "attributes": {}, "list_cents": None}
        values |= {"is_stocked": False, "is_counted": row["id"] in counted}
        while _key(values) in rows:  # one number stood there as two kinds
            values["code"] = f"{values['code'][:60]} ({row['kind']} {row['id']})"
        rows[_key(values)] = values
    makers = _makers(house)
    last = max((row["id"] for row in rows.values()), default=0)
    for values in (*_sold(house, sold, makers), *_pieces(makers), *_codes(house, set(rows))):
        known = rows.get(_key(values))
        if known is None:
            last += 1
            rows[_key(values)] = {**_blank_row(), **values, "id": last}
        elif "list_cents" in values:
            known |= {name: value for name, value in values.items() if name != "cost_cents" or value}
        elif values["maker_id"] is None:
            known |= {"category": values["category"], "kind": "labor" if values["kind"] == "labor" else known["kind"]}
    for start in range(0, len(rows), 5000):
        house.execute(sa.insert(goods), list(rows.values())[start : start + 5000])


def _key(row: Mapping[str, Any]) -> tuple[Any, str]:
    is_piece = row["maker_id"] is None and row["kind"] in _PIECES
    return (row["kind"] if is_piece else row["maker_id"], row["code"])


def _blank_row() -> Row:
    empty = dict.fromkeys(("words", "cylinder_type", "finish", "bin", "barcode", "category"), "")
    unknown = dict.fromkeys(
        ("spec_id", "pin_kind", "pin_size", "reorder_point", "reorder_to", "lead_days", "list_cents"), None
    )
    return {
        **empty,
        **unknown,
        "cost_cents": 0,
        "pack_size": 1,
        "version": 1,
        "attributes": {},
        "is_stocked": False,
        "is_counted": False,
    }


def _makers(house: sa.Connection) -> dict[int, Mapping[str, Any]]:
    makers = _table("makers", {"id": sa.Integer, "tables": sa.JSON})
    return {row.id: row.tables or {} for row in house.execute(sa.select(makers).order_by(makers.c.id))}


def _sold(house: sa.Connection, sold: sa.TableClause, makers: Mapping[int, Mapping[str, Any]]) -> Iterator[Row]:
    for row in house.execute(sa.select(sold).order_by(sold.c.id)).mappings():
        cams = {cam.get("part_number") for cam in makers[row["maker_id"]].get("cams", ())}
        said, kind = row["attributes"] or {}, _OF_CATEGORY.get(row["category"], "")
        if not kind and row["part_number"] in cams:
            kind = "cam"
        elif not kind:
            kind = "ring" if " ring " in f" {row['description'].lower()} " else "goods"
        names = ("maker_id", "category", "list_cents", "cost_cents", "is_stocked")
        values = {"code": row["part_number"], "words": row["description"], "attributes": said, "kind": kind}
        if said:
            values |= {"cylinder_type": said.get("type") or "", "finish": (said.get("finish") or "")[:24]}
        yield {**{name: row[name] for name in names}, **values}


def _pieces(makers: Mapping[int, Mapping[str, Any]]) -> Iterator[Row]:
    """Blanks and cams by makers' tables."""
    for maker, tables in makers.items():
        for blank in tables.get("key_blanks", ()):
            words = f"Key blank, {', '.join(blank['keyways'])}"[:300]
            yield _piece(maker, blank["number"], "blank", "key_blank", words)
        for cam in tables.get("cams", ()):
            if cam.get("part_number"):
                yield _piece(maker, cam["part_number"], "cam", "hardware", f"{cam['name'].capitalize()} cam"[:300])


def _piece(maker: int, code: str, kind: str, category: str, words: str) -> Row:
    return {"maker_id": maker, "code": code, "kind": kind, "category": category, "words": words}


def _codes(house: sa.Connection, known: set[tuple[Any, str]]) -> Iterator[Row]:
    """The codes of the price book that are no maker's part number, by the newest of each, everybody's before a tier's."""
    names = ("id", "code", "tier", "description", "category", "kind", "cost_cents")
    prices = _table(
        "price_rows", {**dict.fromkeys(names, sa.String), "cost_cents": sa.Integer, "valid_from": sa.Date}
    )
    numbers = set(house.execute(sa.text("SELECT part_number FROM catalogue_items")).scalars())
    numbers |= {code for maker, code in known if isinstance(maker, int)}
    newest: dict[str, Row] = {}
    order = (prices.c.tier != "", prices.c.valid_from.desc(), prices.c.id)
    for row in house.execute(sa.select(prices).order_by(prices.c.code, *order)).mappings():
        if row["code"] not in numbers:
            newest.setdefault(row["code"], dict(row))
    for code, row in newest.items():
        values = {"maker_id": None, "code": code, "words": row["description"], "category": row["category"]}
        yield {**values, "kind": "labor" if row["kind"] == "labour" else "goods", "cost_cents": row["cost_cents"]}


def _make_search(table: str, columns: tuple[str, ...], numbers: str) -> None:
    """The index of words and of numbers, as 0006 and 0011 made those of the catalog."""
    code = columns[0]
    bare = f"lower({code})"
    for separator in "-./_ :+":
        bare = f"replace({bare}, '{separator}', '')"
    key = f"{bare} || ' ' || lower({code})"
    if op.get_bind().dialect.name != "sqlite":
        words = " || ' ' || ".join(columns)
        op.execute(f"CREATE INDEX search_{table} ON {table} USING gin (search_words({words}))")
        op.execute(f'CREATE INDEX {numbers} ON {table} (({key}) COLLATE "C")')
        return
    names = ", ".join(columns)
    op.execute(
        f"CREATE VIRTUAL TABLE search_{table} USING fts5({names}, content='{table}', content_rowid='id', "
        "prefix='1 2 3', tokenize=\"unicode61 remove_diacritics 2\")"
    )
    op.execute(f"INSERT INTO search_{table}(search_{table}) VALUES ('rebuild')")
    new, old = (", ".join(f"{row}.{column}" for column in columns) for row in ("new", "old"))
    add = f"INSERT INTO search_{table}(rowid, {names}) VALUES (new.id, {new});"
    take = f"INSERT INTO search_{table}(search_{table}, rowid, {names}) VALUES ('delete', old.id, {old});"
    op.execute(f"CREATE TRIGGER search_{table}_added AFTER INSERT ON {table} BEGIN {add} END")
    op.execute(f"CREATE TRIGGER search_{table}_removed AFTER DELETE ON {table} BEGIN {take} END")
    op.execute(f"CREATE TRIGGER search_{table}_changed AFTER UPDATE OF id, {names} ON {table} BEGIN {take} {add} END")
    op.execute(f"CREATE INDEX {numbers} ON {table} (({key}))")


def _drop_search(table: str, numbers: str) -> None:
    op.execute(f"DROP INDEX {numbers}")
    if op.get_bind().dialect.name != "sqlite":
        op.execute(f"DROP INDEX search_{table}")
        return
    for deed in ("added", "removed", "changed"):
        op.execute(f"DROP TRIGGER search_{table}_{deed}")
    op.execute(f"DROP TABLE search_{table}")


def downgrade() -> None:
    _drop_search("items", "search_item_numbers")
    op.create_table(
        "catalogue_items",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=False),
        sa.Column("part_number", sa.String(length=80), nullable=False),
        sa.Column("category", sa.String(length=40), nullable=False),
        sa.Column("description", sa.String(length=300), nullable=False),
        sa.Column("attributes", sa.JSON(), nullable=False),
        sa.Column("cost_cents", sa.Integer(), nullable=False),
        sa.Column("list_cents", sa.Integer(), nullable=False),
        sa.Column("is_stocked", sa.Boolean(), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name=op.f("fk_catalogue_items_maker_id_makers")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_catalogue_items")),
        sa.UniqueConstraint("maker_id", "part_number", name=op.f("uq_catalogue_items_maker_id_part_number")),
    )
    for column in ("maker_id", "part_number"):
        op.create_index(op.f(f"ix_catalogue_items_{column}"), "catalogue_items", [column])
    op.execute(
        "INSERT INTO catalogue_items (maker_id, part_number, category, description, attributes, cost_cents, list_cents, "
        "is_stocked, version) SELECT maker_id, code, category, words, attributes, cost_cents, list_cents, is_stocked, "
        "version FROM items WHERE maker_id IS NOT NULL AND list_cents IS NOT NULL ORDER BY id"
    )
    _make_search("catalogue_items", ("part_number", "description"), "search_catalogue_numbers")
    for name in ("ix_items_listed", "ix_items_counted", "uq_items_own", "uq_items_piece"):
        op.drop_index(name, table_name="items")
    _replace("items", "stock_items", _make_stock, _fill_stock)
    where = sa.text("maker_id IS NULL")
    op.create_index(
        "uq_stock_items_no_maker",
        "stock_items",
        ["kind", "code"],
        unique=True,
        sqlite_where=where,
        postgresql_where=where,
    )


def _make_stock(table: str) -> None:
    op.create_table(table, *_columns("stock_items", _KINDS_BEFORE, ("maker_id", "kind", "code")))


def _fill_stock(old: str, new: str) -> None:
    names = ", ".join(name for name in _STOCK if name != "kind")
    op.execute(
        f"INSERT INTO {new} ({names}, kind) SELECT {names}, CASE kind WHEN 'lock' THEN 'part' "
        f"WHEN 'labor' THEN 'goods' ELSE kind END FROM {old} ORDER BY id"
    )
