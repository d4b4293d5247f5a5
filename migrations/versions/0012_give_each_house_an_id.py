"""give each house an id: its backups say whose they are

A new house gets a random one. A house with a story gets one that is worked out from its first event, so that a
backup of before, when it is put back and brought up, has the id of the house that it was made of.

Revises: 0011
"""

from __future__ import annotations

import hashlib
import secrets

import sqlalchemy as sa
from alembic import op

revision = "0012"
down_revision = "0011"

# Letters alone: an id in a file's name, or beside other digits, is never taken for a bitting.
LETTERS = str.maketrans("0123456789abcdef", "abcdefghijklmnop")


def upgrade() -> None:
    identity = op.create_table(
        "house_identity",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=24), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_house_identity")),
    )
    first = op.get_bind().scalar(sa.text("SELECT hash FROM events ORDER BY id LIMIT 1"))
    digits = hashlib.sha256(b"house of " + bytes(first)).hexdigest() if first else secrets.token_hex(12)
    op.bulk_insert(identity, [{"uid": digits[:24].translate(LETTERS)}])


def downgrade() -> None:
    op.drop_table("house_identity")
