"""Importable rows: another shop's bitting list, by its columns; bitting_lists.py reads it and takes it over."""

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import LIST_LEVELS, level_of
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan
from app.ledger.importing.written import take_back
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Keyset

USED, RETIRED, FREE = "used", "retired", "free"


def _levels(_: Session) -> Mapping[str, str]:
    return {level.value: level.value for level in LIST_LEVELS}


def _statuses(_: Session) -> Mapping[str, str]:
    return {USED: "in use", RETIRED: "out of use, its keys may be about", FREE: "never handed out"}


def _level(cell: str) -> str:
    return level_of(cell) or ""


def _plan(_: Session, __: int | None, ___: ImportRows, ____: Refuse) -> list[RowPlan]:
    raise LedgerError("kind", "A bitting list has a page of its own: send it again from Key systems.")


def _save(_: Work, __: int | None, ___: Sequence[RowPlan], ____: ImportRows) -> None:
    raise LedgerError("kind", "A bitting list has a page of its own: send it again from Key systems.")


def _take_back(work: Work, written: Mapping[str, Any]) -> None:
    """Keysets go in steps, masters among the first: none may stand under one that is gone."""
    ids = [id_ for id_, _ in written.get(Keyset.__tablename__, {}).get("new", ())]
    for at in range(0, len(ids), 500):
        work.session.execute(sa.update(Keyset).where(Keyset.id.in_(ids[at : at + 500])).values(parent_id=None))
    take_back(work.session, written)


BITTING_LIST = ImportKind(
    "bitting list",
    "Bitting list",
    "key",
    (
        ImportColumn(
            name="symbol",
            words="Symbol or name of the key",
            also=(
                *("symbol", "key symbol", "keyset", "key set", "key", "key mark", "mark", "stamp", "key no"),
                *("key number", "key name", "name", "no"),
            ),
            is_needed=True,
        ),
        ImportColumn(
            name="bitting",
            words="Bitting",
            also=("bittings", "cuts", "key cuts", "key bitting", "combination", "depths", "key code", "biting"),
            is_needed=True,
        ),
        ImportColumn(
            name="level",
            words="Level",
            also=("kind", "type", "key type", "key level", "kind of key"),
            cell=CellKind.CHOICE,
            choices=_levels,
            reads=_level,
        ),
        ImportColumn(
            name="status",
            words="In use, out of use or free",
            also=("status", "state", "used", "in use"),
            cell=CellKind.CHOICE,
            choices=_statuses,
        ),
        ImportColumn(name="door", words="Door", also=("doors", "door no", "door number", "opening", "room")),
        ImportColumn(name="operated by", words="Operated by", also=("oby", "operators", "operated by keys")),
        ImportColumn(name="remarks", words="Remarks", also=("remark", "notes", "note", "comments", "location")),
        ImportColumn(
            name="blind code", words="Blind code on the key", also=("stamped code", "code on key", "blind number")
        ),
        ImportColumn(name="system", words="Key system", also=("key system", "keying system", "building", "site")),
    ),
    _plan,
    _save,
    take_back=_take_back,
    hint="What is plain is taken, the rest asked or kept aside with its reason. For the owner alone.",
    order=("symbol", "bitting", "level"),
    is_secret=True,
    about="customer",
)
