"""let a keyset, and what hangs under it, stand on another keyway of the family than its system

Revises: 0046
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from alembic.util import CommandError

revision = "0047"
down_revision = "0046"


def upgrade() -> None:
    op.add_column("keysets", sa.Column("keyway", sa.String(length=24), server_default="", nullable=False))
    op.create_index(op.f("ix_keysets_keyway"), "keysets", ["keyway"])


def downgrade() -> None:
    _refuse_where_it_would_change_a_keyway()
    op.drop_index(op.f("ix_keysets_keyway"), "keysets")
    op.drop_column("keysets", "keyway")


def _refuse_where_it_would_change_a_keyway() -> None:
    keysets = sa.table("keysets", *map(sa.column, ("symbol", "keyway", "system_id")))
    systems = sa.table("key_systems", *map(sa.column, ("id", "name")))
    rows = sa.select(keysets.c.symbol, systems.c.name, keysets.c.keyway)
    rows = rows.join_from(keysets, systems, systems.c.id == keysets.c.system_id).where(keysets.c.keyway != "")
    found = op.get_bind().execute(rows.order_by(systems.c.name, keysets.c.symbol)).all()
    if found:
        named = ", ".join(f"{symbol} of {name} ({keyway})" for symbol, name, keyway in found)
        raise CommandError(
            "The release before has one keyway a system, and would put these keysets on it, so that their keys enter "
            f"nothing: {named}. Restore the backup from before the upgrade instead."
        )
