"""let prices that wait for their day come with a moved house, without the list that brought them

Revises: 0047
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from alembic.util import CommandError

revision = "0048"
down_revision = "0047"


def upgrade() -> None:
    with op.batch_alter_table("item_prices") as batch:
        batch.alter_column("import_id", existing_type=sa.Integer(), nullable=True)


def downgrade() -> None:
    prices = sa.table("item_prices", sa.column("import_id"), sa.column("valid_from", sa.Date))
    waiting = sa.select(sa.func.max(prices.c.valid_from)).where(prices.c.import_id.is_(None))
    if last := op.get_bind().scalar(waiting):
        raise CommandError(f"Prices that came with a moved house wait, the last for {last}: go back after that day.")
    with op.batch_alter_table("item_prices") as batch:
        batch.alter_column("import_id", existing_type=sa.Integer(), nullable=False)
