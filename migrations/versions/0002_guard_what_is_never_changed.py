"""guard what is never changed: events and issued quotes refuse UPDATE and DELETE in the database itself

Revises: 0001
"""

from __future__ import annotations

from alembic import op

revision = "0002"
down_revision = "0001"

GUARDED = ("events", "quote_revisions")


def upgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table in GUARDED:
            for deed in ("UPDATE", "DELETE"):
                op.execute(
                    f"CREATE TRIGGER {table}_no_{deed.lower()} BEFORE {deed} ON {table} "
                    f"BEGIN SELECT RAISE(ABORT, '{table} are never changed'); END"
                )
        return
    op.execute(
        "CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION '% are never changed', TG_TABLE_NAME; END $$"
    )
    for table in GUARDED:
        op.execute(
            f"CREATE TRIGGER {table}_guard BEFORE UPDATE OR DELETE ON {table} "
            "FOR EACH ROW EXECUTE FUNCTION refuse_change()"
        )


def downgrade() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for table in GUARDED:
            for deed in ("UPDATE", "DELETE"):
                op.execute(f"DROP TRIGGER {table}_no_{deed.lower()}")
        return
    for table in GUARDED:
        op.execute(f"DROP TRIGGER {table}_guard ON {table}")
    op.execute("DROP FUNCTION refuse_change()")
