"""find those who hold keys: the words of a key's holder, as 0006 indexes other names

Revises: 0015
"""

from __future__ import annotations

from alembic import op

revision = "0016"
down_revision = "0015"


def upgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.execute("CREATE INDEX search_keys ON keys USING gin (search_words(holder))")
        return
    op.execute(
        "CREATE VIRTUAL TABLE search_keys USING fts5(holder, content='keys', content_rowid='id', "
        "prefix='1 2 3', tokenize=\"unicode61 remove_diacritics 2\")"
    )
    op.execute("INSERT INTO search_keys(search_keys) VALUES ('rebuild')")
    add = "INSERT INTO search_keys(rowid, holder) VALUES (new.id, new.holder);"
    take = "INSERT INTO search_keys(search_keys, rowid, holder) VALUES ('delete', old.id, old.holder);"
    op.execute(f"CREATE TRIGGER search_keys_added AFTER INSERT ON keys BEGIN {add} END")
    op.execute(f"CREATE TRIGGER search_keys_removed AFTER DELETE ON keys BEGIN {take} END")
    op.execute(f"CREATE TRIGGER search_keys_changed AFTER UPDATE OF id, holder ON keys BEGIN {take} {add} END")


def downgrade() -> None:
    if op.get_bind().dialect.name != "sqlite":
        op.execute("DROP INDEX search_keys")
        return
    for deed in ("added", "removed", "changed"):
        op.execute(f"DROP TRIGGER search_keys_{deed}")
    op.execute("DROP TABLE search_keys")
