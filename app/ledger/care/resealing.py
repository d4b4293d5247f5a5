"""Every sealed value of the house: whether there are any, whether a key opens all, and sealed anew with another."""

from collections.abc import Callable, Iterator
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.bittings import (
    aside_context,
    bitting_context,
    fingerprint_context,
    loss_plan_context,
    lost_context,
    plan_context,
)
from app.ledger.keysystems.pinned import pins_context
from app.ledger.people.second_factor import factor_context
from app.ledger.stock.pin_draws import draw_context
from app.ledger.store.errors import VaultError
from app.ledger.store.vault import Vault
from app.ledger.tables import Base, Bitting, Cylinder, KeySystem, ListRowAside, Loss, PinDraw, User

# Columns of sealed bytes, what each is bound to, and by which columns. A test holds them against the models.
_SEALED: tuple[tuple[type[Base], str, tuple[str, ...], Callable[..., str]], ...] = (
    (Bitting, "sealed", ("system_id", "keyset_id"), bitting_context),
    (KeySystem, "sealed_plan", ("id",), plan_context),
    (ListRowAside, "sealed", ("id",), aside_context),
    (Loss, "sealed_lost", ("id",), lost_context),
    (Loss, "sealed_plan", ("id",), loss_plan_context),
    (Cylinder, "sealed_pins", ("id",), pins_context),
    (PinDraw, "sealed", ("id",), draw_context),
    (User, "factor_sealed", ("id",), factor_context),
)
_PEPPERED = ("users", "pin_hash")


def holds_sealed(connection: sa.Connection) -> bool:
    """Whether anything in this database, of whichever release, is of no use without the key it was made with.

    Sealed bytes, and screen PINs, which the key peppers.
    """
    if next(_sealed_values(connection), None) is not None:
        return True
    table, column = _PEPPERED
    if column not in _columns(connection, table):
        return False
    return connection.execute(_select(table, column).where(sa.column(column) != "").limit(1)).first() is not None


def opens_sealed(connection: sa.Connection, vault: Vault) -> bool:
    """Whether the key opens every sealed value in this database, of whichever release."""
    try:
        for blob, context in _sealed_values(connection):
            vault.open(blob, context)
    except VaultError:
        return False
    return True


def _sealed_values(connection: sa.Connection) -> Iterator[tuple[bytes, str]]:
    """By the names of the columns, not by the models: a database that waits for its upgrade has not all of them."""
    for model, column, bound_by, context_of in _SEALED:
        table = model.__tablename__
        if column in _columns(connection, table):
            for blob, *ids in connection.execute(_select(table, column, *bound_by)):
                if blob is not None:
                    yield blob, context_of(*ids)


def _columns(connection: sa.Connection, table: str) -> set[str]:
    found = sa.inspect(connection)
    return {one["name"] for one in found.get_columns(table)} if found.has_table(table) else set()


def _select(table: str, *columns: str) -> sa.Select[*tuple[Any, ...]]:
    return sa.select(*map(sa.column, columns)).select_from(sa.table(table))


def reseal(session: Session, old: Vault, new: Vault) -> int:
    """How many values were sealed anew. VaultError where one does not open; the caller's transaction then undoes all.

    Each new value is opened again before it counts: what cannot be read back is never written.
    """
    count = 0
    for model, column, bound_by, context_of in _SEALED:
        for row in session.scalars(sa.select(model).where(getattr(model, column).is_not(None))):
            context = context_of(*(getattr(row, name) for name in bound_by))
            text = old.open(getattr(row, column), context)
            blob = new.seal(text, context)
            if new.open(blob, context) != text:  # pragma: no cover - would be a fault of the cipher itself
                raise RuntimeError("a value sealed just now does not open")
            setattr(row, column, blob)
            if isinstance(row, Bitting):
                row.fingerprint = new.fingerprint(text, fingerprint_context(row.system_id, row.keyset.keyway))
            count += 1
    session.flush()
    return count
