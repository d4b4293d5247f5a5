"""keep the makers' papers: PDFs, the text of their pages for the search, and what is known from which page

Revises: 0034
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0035"
down_revision = "0034"

_PAGES = "maker_paper_pages"
_TOPICS = ("cam", "lock", "keyway", "key blank", "bitting spec", "part number")


def upgrade() -> None:
    op.create_table(
        "maker_papers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("maker_id", sa.Integer(), nullable=False),
        sa.Column("title", sa.String(length=120), nullable=False),
        sa.Column("edition", sa.String(length=40), nullable=False),
        sa.Column("dated", sa.Date(), nullable=True),
        sa.Column("name", sa.String(length=120), nullable=False),
        sa.Column("stored_name", sa.String(length=40), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.LargeBinary(length=32), nullable=False),
        sa.Column("pages", sa.Integer(), nullable=False),
        sa.Column("text_pages", sa.Integer(), nullable=False),
        sa.Column("added_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("added_by_id", sa.Integer(), nullable=True),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["added_by_id"], ["users.id"], name=op.f("fk_maker_papers_added_by_id_users")),
        sa.ForeignKeyConstraint(["maker_id"], ["makers.id"], name=op.f("fk_maker_papers_maker_id_makers")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_maker_papers")),
        sa.UniqueConstraint("stored_name", name=op.f("uq_maker_papers_stored_name")),
    )
    op.create_index(op.f("ix_maker_papers_maker_id"), "maker_papers", ["maker_id"])
    op.create_table(
        _PAGES,
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("paper_id", sa.Integer(), nullable=False),
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("joined", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["paper_id"], ["maker_papers.id"], name=op.f(f"fk_{_PAGES}_paper_id_maker_papers")),
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{_PAGES}")),
        sa.UniqueConstraint("paper_id", "number", name=op.f(f"uq_{_PAGES}_paper_id_number")),
    )
    op.create_table(
        "page_notes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("page_id", sa.Integer(), nullable=False),
        sa.Column(
            "topic",
            sa.Enum(*_TOPICS, name="pagetopic", native_enum=False, create_constraint=True, length=24),
            nullable=False,
        ),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.ForeignKeyConstraint(["page_id"], [f"{_PAGES}.id"], name=op.f(f"fk_page_notes_page_id_{_PAGES}")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_page_notes")),
        sa.UniqueConstraint("page_id", "topic", "name", name=op.f("uq_page_notes_page_id_topic_name")),
    )
    op.create_index(op.f("ix_page_notes_name"), "page_notes", ["name"])
    if op.get_bind().dialect.name != "sqlite":
        op.execute(f"CREATE INDEX search_{_PAGES} ON {_PAGES} USING gin (search_words(text || ' ' || joined))")
        return
    op.execute(
        f"CREATE VIRTUAL TABLE search_{_PAGES} USING fts5(text, joined, content='{_PAGES}', content_rowid='id', "
        "prefix='2 3', tokenize=\"unicode61 remove_diacritics 2\")"
    )
    add = f"INSERT INTO search_{_PAGES}(rowid, text, joined) VALUES (new.id, new.text, new.joined);"
    take = (
        f"INSERT INTO search_{_PAGES}(search_{_PAGES}, rowid, text, joined) "
        "VALUES ('delete', old.id, old.text, old.joined);"
    )
    op.execute(f"CREATE TRIGGER search_{_PAGES}_added AFTER INSERT ON {_PAGES} BEGIN {add} END")
    op.execute(f"CREATE TRIGGER search_{_PAGES}_removed AFTER DELETE ON {_PAGES} BEGIN {take} END")
    op.execute(
        f"CREATE TRIGGER search_{_PAGES}_changed AFTER UPDATE OF id, text, joined ON {_PAGES} BEGIN {take} {add} END"
    )


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for deed in ("added", "removed", "changed"):
            op.execute(f"DROP TRIGGER search_{_PAGES}_{deed}")
        op.execute(f"DROP TABLE search_{_PAGES}")
    else:
        op.execute(f"DROP INDEX search_{_PAGES}")
    op.drop_table("page_notes")
    op.drop_table(_PAGES)
    op.drop_table("maker_papers")
