"""count keys: counts of a customer's keys and what each found; find a holder by phone, a keyset by its blind code

The phone of whoever holds a key now is taken from the receipt that he signed.

Revises: 0020
"""

from __future__ import annotations

import json
import re

import sqlalchemy as sa
from alembic import op

revision = "0021"
down_revision = "0020"

_INDEXED = {"keys": ("holder", "holder_phone", "phone_digits"), "keysets": ("purpose", "blind_code")}
_BEFORE = {"keys": ("holder",)}


def upgrade() -> None:
    _drop_index("keys")
    op.add_column("keys", sa.Column("holder_phone", sa.String(length=40), nullable=False, server_default=""))
    op.add_column("keys", sa.Column("phone_digits", sa.String(length=40), nullable=False, server_default=""))
    op.add_column("keysets", sa.Column("blind_code", sa.String(length=24), nullable=False, server_default=""))
    op.create_index(op.f("ix_keysets_blind_code"), "keysets", ["blind_code"])
    _fill_phones()
    for table, columns in _INDEXED.items():
        _make_index(table, columns)
    op.create_table(
        "key_counts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=False),
        sa.Column("started_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("started_by_id", sa.Integer(), nullable=True),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("ended_by_id", sa.Integer(), nullable=True),
        sa.Column("why_stopped", sa.String(length=500), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["customer_id"], ["customers.id"], name=op.f("fk_key_counts_customer_id_customers")),
        sa.ForeignKeyConstraint(["started_by_id"], ["users.id"], name=op.f("fk_key_counts_started_by_id_users")),
        sa.ForeignKeyConstraint(["ended_by_id"], ["users.id"], name=op.f("fk_key_counts_ended_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_key_counts")),
    )
    op.create_index(op.f("ix_key_counts_customer_id"), "key_counts", ["customer_id"])
    op.create_table(
        "key_count_lines",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("count_id", sa.Integer(), nullable=False),
        sa.Column("key_id", sa.Integer(), nullable=False),
        sa.Column("holder", sa.String(length=120), nullable=False),
        sa.Column(
            "found",
            sa.Enum(
                "not counted yet",
                "seen",
                "missing",
                name="counted",
                native_enum=False,
                create_constraint=True,
                length=24,
            ),
            nullable=False,
        ),
        sa.Column("found_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("found_by_id", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["count_id"], ["key_counts.id"], name=op.f("fk_key_count_lines_count_id_key_counts")),
        sa.ForeignKeyConstraint(["key_id"], ["keys.id"], name=op.f("fk_key_count_lines_key_id_keys")),
        sa.ForeignKeyConstraint(["found_by_id"], ["users.id"], name=op.f("fk_key_count_lines_found_by_id_users")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_key_count_lines")),
        sa.UniqueConstraint("count_id", "key_id", name=op.f("uq_key_count_lines_count_id_key_id")),
    )
    op.create_index(op.f("ix_key_count_lines_count_id"), "key_count_lines", ["count_id"])
    op.create_index(op.f("ix_key_count_lines_key_id"), "key_count_lines", ["key_id"])


def downgrade() -> None:
    op.drop_table("key_count_lines")
    op.drop_table("key_counts")
    for table in _INDEXED:
        _drop_index(table)
    with op.batch_alter_table("keys") as batch:
        batch.drop_column("phone_digits")
        batch.drop_column("holder_phone")
    op.drop_index(op.f("ix_keysets_blind_code"), table_name="keysets")
    with op.batch_alter_table("keysets") as batch:
        batch.drop_column("blind_code")
    for table, columns in _BEFORE.items():
        _make_index(table, columns)


def _fill_phones() -> None:
    house = op.get_bind()
    issued = house.execute(sa.text("SELECT detail FROM events WHERE kind = 'keys issued' ORDER BY id")).all()
    held: dict[int, tuple[str, str]] = {}
    for (told,) in issued:
        detail = json.loads(told) if isinstance(told, str) else told
        held.update(dict.fromkeys(detail.get("keys", ()), (detail.get("holder", ""), detail.get("phone", ""))))
    give = sa.text(
        "UPDATE keys SET holder_phone = :phone, phone_digits = :digits WHERE id = :id AND holder = :holder"
    )
    for key, (holder, phone) in held.items():
        if holder and phone:
            digits = re.sub("[^0-9]", "", phone)
            house.execute(give, {"id": key, "holder": holder, "phone": phone, "digits": digits})


def _make_index(table: str, columns: tuple[str, ...]) -> None:
    if op.get_bind().dialect.name != "sqlite":
        words = " || ' ' || ".join(columns)
        op.execute(f"CREATE INDEX search_{table} ON {table} USING gin (search_words({words}))")
        return
    names = ", ".join(columns)
    op.execute(
        f"CREATE VIRTUAL TABLE search_{table} USING fts5({names}, content='{table}', content_rowid='id', "
        "prefix='1 2 3', tokenize=\"unicode61 remove_diacritics 2\")"
    )
    op.execute(f"INSERT INTO search_{table}(search_{table}) VALUES ('rebuild')")
    new, old = (", ".join(f"{row}.{name}" for name in columns) for row in ("new", "old"))
    add = f"INSERT INTO search_{table}(rowid, {names}) VALUES (new.id, {new});"
    take = f"INSERT INTO search_{table}(search_{table}, rowid, {names}) VALUES ('delete', old.id, {old});"
    op.execute(f"CREATE TRIGGER search_{table}_added AFTER INSERT ON {table} BEGIN {add} END")
    op.execute(f"CREATE TRIGGER search_{table}_removed AFTER DELETE ON {table} BEGIN {take} END")
    op.execute(f"CREATE TRIGGER search_{table}_changed AFTER UPDATE OF id, {names} ON {table} BEGIN {take} {add} END")


def _drop_index(table: str) -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.execute(f"DROP INDEX search_{table}")
        return
    for deed in ("added", "removed", "changed"):
        op.execute(f"DROP TRIGGER search_{table}_{deed}")
    op.execute(f"DROP TABLE search_{table}")
