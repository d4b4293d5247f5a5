"""Plain rows, asked for without what a session does for entities."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session


def read(
    session: Session, statement: sa.Select[*tuple[Any, ...]], values: Mapping[str, Any] | None = None
) -> Sequence[sa.Row[*tuple[Any, ...]]]:
    """All rows of a statement over columns (never entities), inside the session's own transaction.

    What waits in the session is written first, as `session.execute` does it, whose further work for each statement
    takes longer than a small job's rows.
    """
    if session.autoflush:
        session.flush()
    return session.connection().execute(statement, values).all()
