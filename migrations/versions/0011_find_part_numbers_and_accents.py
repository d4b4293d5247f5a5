"""find part numbers without their separators, and names whatever their accents

A part number is read out and typed as one run of letters and figures as often as with its hyphens, so both indexes
of part numbers begin with it bare. SQLite folds accents by itself; PostgreSQL takes them off by Unicode's own
decomposition, which needs no extension of the server, so its indexes of words are made anew.

Revises: 0010
"""

from __future__ import annotations

from alembic import op

revision = "0011"
down_revision = "0010"

WORDS = {
    "customers": "name || ' ' || email",
    "contacts": "name || ' ' || email",
    "sites": "name || ' ' || address",
    "jobs": "title || ' ' || po_number",
    "doors": "opening_number || ' ' || location",
    "key_systems": "name",
    "catalogue_items": "part_number || ' ' || description",
}
PARTED_BY = r"[\s!-/:-@\[-`{-~\u00a1-\u00bf\u00d7\u2010-\u201f]+"
SEPARATORS = "-./_ :+"


def upgrade() -> None:
    op.execute("DROP INDEX search_part_numbers")
    bare = "lower(part_number)"
    for separator in SEPARATORS:
        bare = f"replace({bare}, '{separator}', '')"
    # The number itself stands behind, so that two that are alike without separators are still two.
    _index_numbers("search_part_numbers", "cylinders", f"{bare} || ' ' || lower(part_number)")
    _index_numbers("search_catalogue_numbers", "catalogue_items", f"{bare} || ' ' || lower(part_number)")
    if _decomposes():
        _index_words(r"normalize(regexp_replace(normalize(lower(words), NFD), '[\u0300-\u036f]+', '', 'g'), NFC)")


def _decomposes() -> bool:
    """Whether this is a PostgreSQL that keeps Unicode: in another encoding accents stay as they are."""
    bind = op.get_bind()
    return bind.dialect.name != "sqlite" and bind.exec_driver_sql("SHOW server_encoding").scalar() == "UTF8"


def _index_numbers(name: str, table: str, expression: str) -> None:
    sorted_by = "" if op.get_bind().dialect.name == "sqlite" else ' COLLATE "C"'
    op.execute(f"CREATE INDEX {name} ON {table} (({expression}){sorted_by})")


def _index_words(letters: str) -> None:
    """The words of every searched table once more, their letters read so."""
    for table in WORDS:
        op.execute(f"DROP INDEX search_{table}")
    op.execute(
        "CREATE OR REPLACE FUNCTION search_words(words text) RETURNS tsvector LANGUAGE sql IMMUTABLE PARALLEL SAFE AS "
        f"$$ SELECT array_to_tsvector(array_remove(regexp_split_to_array({letters}, '{PARTED_BY}'), '')) $$"
    )
    for table, words in WORDS.items():
        op.execute(f"CREATE INDEX search_{table} ON {table} USING gin (search_words({words}))")


def downgrade() -> None:
    op.execute("DROP INDEX search_catalogue_numbers")
    op.execute("DROP INDEX search_part_numbers")
    if op.get_bind().dialect.name == "sqlite":
        op.execute("CREATE INDEX search_part_numbers ON cylinders (part_number COLLATE NOCASE)")
        return
    op.execute('CREATE INDEX search_part_numbers ON cylinders ((lower(part_number) COLLATE "C"))')
    if _decomposes():
        _index_words("lower(words)")
