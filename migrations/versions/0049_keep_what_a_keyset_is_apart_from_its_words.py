"""keep whether a keyset is retired, is really cut so, and how many carry its key, apart from the words of its purpose

Revises: 0048
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0049"
down_revision = "0048"

_CUT_SO, _RETIRED = "really cut so", "retired"
_LONGEST = 200
_KEYSETS = sa.table(
    "keysets",
    sa.column("id", sa.Integer),
    sa.column("level", sa.String),
    sa.column("purpose", sa.String),
    sa.column("own_symbol", sa.String),
    sa.column("carriers", sa.Integer),
    sa.column("is_customers_key", sa.Boolean),
    sa.column("is_retired", sa.Boolean),
    sa.column("is_really_cut_so", sa.Boolean),
)


def upgrade() -> None:
    op.add_column("keysets", sa.Column("carriers", sa.Integer(), nullable=False, server_default="0"))
    for name in ("is_retired", "is_really_cut_so"):
        op.add_column("keysets", sa.Column(name, sa.Boolean(), nullable=False, server_default=sa.false()))
    column = _KEYSETS.c
    rows = op.get_bind().execute(sa.select(_KEYSETS).where(column.purpose != "")).mappings().all()
    for row in rows:
        marks = row["purpose"].split(", ")
        words = [word for word in marks if word not in (_CUT_SO, _RETIRED)]
        has_people = not (row["own_symbol"] or row["is_customers_key"] or "control" in row["level"])
        values = {
            "purpose": ", ".join(words),
            "carriers": len(words) if has_people else 0,
            "is_retired": _RETIRED in marks,
            "is_really_cut_so": _CUT_SO in marks,
        }
        op.execute(sa.update(_KEYSETS).where(column.id == row["id"]).values(values))


def downgrade() -> None:
    # The release before reads its marks out of the words: what somebody typed there gets a capital, and is none.
    column = _KEYSETS.c
    rows = op.get_bind().execute(sa.select(_KEYSETS)).mappings().all()
    for row in rows:
        words = [one.capitalize() if one in (_CUT_SO, _RETIRED) else one for one in row["purpose"].split(", ")]
        marks = [_CUT_SO] * row["is_really_cut_so"] + [_RETIRED] * row["is_retired"]
        said = ", ".join(words)[: _LONGEST - sum(len(mark) + 2 for mark in marks)]
        purpose = ", ".join(filter(None, (said, *marks)))
        if purpose != row["purpose"]:
            op.execute(sa.update(_KEYSETS).where(column.id == row["id"]).values(purpose=purpose))
    for name in ("is_really_cut_so", "is_retired", "carriers"):
        op.drop_column("keysets", name)
