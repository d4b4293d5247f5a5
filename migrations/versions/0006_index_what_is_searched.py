"""index what is searched: the words of seven tables, and what the ledger page and look-ups by number sort by

The words are kept in step by the database itself, whoever writes: by triggers into FTS5 tables on SQLite, by
expression indexes on PostgreSQL. Whatever is made here in the database's own dialect is named `search_…`, and that
is the rule by which the comparison of models with tables leaves it alone.

Revises: 0005
"""

from __future__ import annotations

from alembic import op

revision = "0006"
down_revision = "0005"

LEDGER = ["stage", "promised_on", "need_by", "number", "value_cents", "cost_cents"]
WORDS = {
    "customers": ("name", "email"),
    "contacts": ("name", "email"),
    "sites": ("name", "address"),
    "jobs": ("title", "po_number"),
    "doors": ("opening_number", "location"),
    "key_systems": ("name",),
    "catalogue_items": ("part_number", "description"),
}
# What parts one word from the next on PostgreSQL: blanks, ASCII and Latin-1 punctuation, dashes, curly quotes.
PARTED_BY = r"[\s!-/:-@\[-`{-~\u00a1-\u00bf\u00d7\u2010-\u201f]+"


def upgrade() -> None:
    with op.batch_alter_table("jobs") as jobs:
        jobs.create_index("ix_jobs_ledger", LEDGER)
        jobs.drop_index("ix_jobs_stage")  # the longer one begins with it
    if op.get_bind().dialect.name == "sqlite":
        _upgrade_sqlite()
    else:
        _upgrade_postgresql()


def _upgrade_sqlite() -> None:
    for table, columns in WORDS.items():
        names = ", ".join(columns)
        op.execute(
            f"CREATE VIRTUAL TABLE search_{table} USING fts5({names}, content='{table}', content_rowid='id', "
            "prefix='1 2 3', tokenize=\"unicode61 remove_diacritics 2\")"
        )
        op.execute(f"INSERT INTO search_{table}(search_{table}) VALUES ('rebuild')")
        add = f"INSERT INTO search_{table}(rowid, {names}) VALUES (new.id, {_of('new', columns)});"
        # An external-content table is told the old words, since the row no longer has them.
        take = (
            f"INSERT INTO search_{table}(search_{table}, rowid, {names}) "
            f"VALUES ('delete', old.id, {_of('old', columns)});"
        )
        op.execute(f"CREATE TRIGGER search_{table}_added AFTER INSERT ON {table} BEGIN {add} END")
        op.execute(f"CREATE TRIGGER search_{table}_removed AFTER DELETE ON {table} BEGIN {take} END")
        op.execute(
            f"CREATE TRIGGER search_{table}_changed AFTER UPDATE OF id, {names} ON {table} BEGIN {take} {add} END"
        )
    # By letters whatever their case; the plain index of the first migration compares them as they are.
    op.execute("CREATE INDEX search_part_numbers ON cylinders (part_number COLLATE NOCASE)")


def _upgrade_postgresql() -> None:
    op.execute(
        "CREATE FUNCTION search_words(words text) RETURNS tsvector LANGUAGE sql IMMUTABLE PARALLEL SAFE AS "
        f"$$ SELECT array_to_tsvector(array_remove(regexp_split_to_array(lower(words), '{PARTED_BY}'), '')) $$"
    )
    for table, columns in WORDS.items():
        words = " || ' ' || ".join(columns)
        op.execute(f"CREATE INDEX search_{table} ON {table} USING gin (search_words({words}))")
    # In the order of their code points, so that a beginning is one range of the index whatever the house's language.
    op.execute('CREATE INDEX search_part_numbers ON cylinders ((lower(part_number) COLLATE "C"))')
    op.execute('CREATE INDEX search_symbols ON keysets (symbol COLLATE "C")')


def _of(row: str, columns: tuple[str, ...]) -> str:
    return ", ".join(f"{row}.{column}" for column in columns)


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table in WORDS:
            for deed in ("added", "removed", "changed"):
                op.execute(f"DROP TRIGGER search_{table}_{deed}")
            op.execute(f"DROP TABLE search_{table}")
    else:
        for table in WORDS:
            op.execute(f"DROP INDEX search_{table}")
        op.execute("DROP FUNCTION search_words(text)")
        op.execute("DROP INDEX search_symbols")
    op.execute("DROP INDEX search_part_numbers")
    with op.batch_alter_table("jobs") as jobs:
        jobs.create_index("ix_jobs_stage", ["stage"])
        jobs.drop_index("ix_jobs_ledger")
