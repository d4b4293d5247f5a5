"""merge and retire: what became part of which customer or site, their former names, and key systems out of use

Events name customers and sites by their numbers, so on SQLite none is given twice (as 0010).

Revises: 0018
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"

TABLES = ("customers", "sites")


def upgrade() -> None:
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    anew = {"recreate": "always", "table_kwargs": {"sqlite_autoincrement": True}} if is_sqlite else {}
    for table in TABLES:
        with op.batch_alter_table(table, **anew) as batch:
            batch.add_column(sa.Column("merged_into_id", sa.Integer(), nullable=True))
            batch.create_foreign_key(f"fk_{table}_merged_into_id_{table}", table, ["merged_into_id"], ["id"])
            batch.create_index(f"ix_{table}_merged_into_id", ["merged_into_id"])
    op.create_table(
        "former_names",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("customer_id", sa.Integer(), nullable=True),
        sa.Column("site_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("until", sa.Date(), nullable=False),
        sa.ForeignKeyConstraint(["customer_id"], ["customers.id"], name="fk_former_names_customer_id_customers"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_former_names_site_id_sites"),
        sa.PrimaryKeyConstraint("id", name="pk_former_names"),
    )
    op.create_index("ix_former_names_customer_id", "former_names", ["customer_id"])
    op.create_index("ix_former_names_site_id", "former_names", ["site_id"])
    with op.batch_alter_table("key_systems") as batch:
        batch.add_column(sa.Column("retired_on", sa.Date(), nullable=True))
        batch.add_column(sa.Column("retired_reason", sa.String(length=300), nullable=False, server_default=""))
    if not is_sqlite:
        op.execute("CREATE INDEX search_former_names ON former_names USING gin (search_words(name))")
        return
    op.execute(
        "CREATE VIRTUAL TABLE search_former_names USING fts5(name, content='former_names', content_rowid='id', "
        "prefix='1 2 3', tokenize=\"unicode61 remove_diacritics 2\")"
    )
    add = "INSERT INTO search_former_names(rowid, name) VALUES (new.id, new.name);"
    take = "INSERT INTO search_former_names(search_former_names, rowid, name) VALUES ('delete', old.id, old.name);"
    on = "ON former_names BEGIN"
    op.execute(f"CREATE TRIGGER search_former_names_added AFTER INSERT {on} {add} END")
    op.execute(f"CREATE TRIGGER search_former_names_removed AFTER DELETE {on} {take} END")
    op.execute(f"CREATE TRIGGER search_former_names_changed AFTER UPDATE OF id, name {on} {take} {add} END")


def downgrade() -> None:
    is_sqlite = op.get_bind().dialect.name == "sqlite"
    if is_sqlite:
        for deed in ("added", "removed", "changed"):
            op.execute(f"DROP TRIGGER search_former_names_{deed}")
        op.execute("DROP TABLE search_former_names")
    with op.batch_alter_table("key_systems") as batch:
        batch.drop_column("retired_reason")
        batch.drop_column("retired_on")
    op.drop_table("former_names")
    anew = {"recreate": "always", "table_kwargs": {"sqlite_autoincrement": False}} if is_sqlite else {}
    for table in TABLES:
        with op.batch_alter_table(table, **anew) as batch:
            batch.drop_index(f"ix_{table}_merged_into_id")
            batch.drop_constraint(f"fk_{table}_merged_into_id_{table}", type_="foreignkey")
            batch.drop_column("merged_into_id")
