"""Importable rows: keys that are out, by symbol, copy and holder."""

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.importing.customers import CUSTOMER, CustomersOnRecord
from app.ledger.importing.kinds import CellKind, ImportColumn, ImportKind, ImportRows, Refuse, RowPlan, RowState
from app.ledger.keys.key_queries import IMPORTED
from app.ledger.keys.keys import put_key, record_keys
from app.ledger.keysystems.copy_numbers import MOST_AT_ONCE, read_copies, say_copies
from app.ledger.store.work import Work
from app.ledger.tables import Key, Keyset, KeyState, KeySystem, longest
from app.spreadsheets import CellLook
from app.validation import counted


class _Register:
    """Keysets of a system, or of all systems in use, and the pieces of them that are on record."""

    def __init__(self, session: Session, system_id: int | None) -> None:
        rows = sa.select(Keyset, KeySystem.customer_id, KeySystem.name).join(KeySystem)
        if system_id is not None:
            rows = rows.where(KeySystem.id == system_id)
        self.keysets: dict[tuple[int | None, str], list[tuple[Keyset, str]]] = {}
        self.system_id = system_id
        for keyset, customer_id, name in session.execute(rows.order_by(Keyset.id)):
            owner = None if system_id is not None else customer_id
            own = "".join(keyset.own_symbol.split())
            for said in {keyset.symbol.upper(), keyset.blind_code.upper(), own.upper()} - {""}:
                self.keysets.setdefault((owner, said), []).append((keyset, name))
        self.pieces: dict[int, dict[int, Any]] = {}
        pieces = sa.select(
            Key.id, Key.keyset_id, Key.copy_number, Key.state, Key.holder, Key.holder_phone, Key.due_back
        )
        for row in session.execute(pieces.order_by(Key.id)):
            self.pieces.setdefault(row.keyset_id, {})[row.copy_number] = row

    def keyset(self, row: int, owner: int | None, symbol: str, system: str, refuse: Refuse) -> Keyset | None:
        """The keyset that a row names; refuses the row where there is none, or more than one."""
        found = self.keysets.get((owner, "".join(symbol.split()).upper()), [])
        if system:
            found = [one for one in found if one[1].casefold() == system.casefold()]
        if len(found) == 1:
            return found[0][0]
        if found:
            names = ", ".join(name for _, name in found[:4])
            refuse(row, "system", f"{symbol[:24]} is in several key systems ({names}): say which.")
        else:
            refuse(
                row, "symbol", f"No keyset {symbol[:24]!r} is on record here: import or start its key system first."
            )
        return None


def _copies(text: str, _: str) -> tuple[int, ...]:
    return read_copies(text)


def _plan_keys(session: Session, system_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    known = _Register(session, system_id)
    customers = None if system_id is not None else CustomersOnRecord(session)
    taken: dict[tuple[int, int], int] = {}
    plans = []
    for row, values in rows:
        owner = customers.named(row, values["customer"], refuse) if customers else None
        if customers and owner is None:
            continue
        keyset = known.keyset(row, owner, values["symbol"], values.get("system", ""), refuse)
        if keyset is None:
            continue
        pieces, holder = known.pieces.get(keyset.id, {}), values["holder"]
        copies = values.get("copy") or _next_copies(keyset.id, pieces, taken, holder, values.get("quantity") or 1)
        if (twice := next((copy for copy in copies if (keyset.id, copy) in taken), None)) is not None:
            refuse(row, "copy", f"Copy {twice} of {keyset.symbol} stands in row {taken[keyset.id, twice]} already.")
            continue
        if (
            gone := next((pieces[copy] for copy in copies if _is_elsewhere(pieces.get(copy), holder)), None)
        ) is not None:
            where = f"out to {gone.holder}" if gone.state is KeyState.OUT else gone.state.value
            refuse(row, "copy", f"On record copy {gone.copy_number} of {keyset.symbol} is {where}: correct it there.")
            continue
        taken.update(dict.fromkeys(((keyset.id, copy) for copy in copies), row))
        holder = next((pieces[copy].holder for copy in copies if _is_theirs(pieces.get(copy), holder)), holder)
        said = {"holder": holder, "phone": values.get("phone") or "", "due back": values.get("due back")}
        state, fields = _changes([pieces.get(copy) for copy in copies], said)
        title = f"{keyset.symbol} {say_copies(copies)}"
        plans.append(RowPlan(row, state, title, fields, (keyset.id, copies, said)))
    return plans


def _next_copies(
    keyset_id: int, pieces: dict[int, Any], taken: dict[tuple[int, int], int], holder: str, count: int
) -> tuple[int, ...]:
    """Which copies a row means that tells how many alone: those that the holder has, then the next ones."""
    own = [
        copy for copy, piece in sorted(pieces.items()) if _is_theirs(piece, holder) and (keyset_id, copy) not in taken
    ]
    last = max((*pieces, *(copy for one, copy in taken if one == keyset_id)), default=0)
    return tuple([*own, *range(last + 1, last + 1 + count)][:count])


def _is_theirs(piece: Any, holder: str) -> bool:
    return piece is not None and piece.state is KeyState.OUT and piece.holder.casefold() == holder.casefold()


def _is_elsewhere(piece: Any, holder: str) -> bool:
    is_gone = piece is not None and piece.state in (KeyState.OUT, KeyState.LOST, KeyState.RETIRED)
    return is_gone and not _is_theirs(piece, holder)


def _changes(pieces: Sequence[Any], said: dict[str, Any]) -> tuple[RowState, dict[str, tuple[str, str]]]:
    if any(piece is None for piece in pieces):
        return RowState.NEW, {name: ("", str(value)) for name, value in said.items() if value}
    piece = pieces[0]
    before = {"holder": piece.holder, "phone": piece.holder_phone, "due back": piece.due_back}
    fields = {
        name: (str(before[name] or ""), str(value)) for name, value in said.items() if value and value != before[name]
    }
    if any(one.state is not KeyState.OUT for one in pieces):
        fields["state"] = (piece.state.value, KeyState.OUT.value)
    return (RowState.CHANGED if fields else RowState.SAME), fields


def _save_keys(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    for plan in plans:
        keyset_id, copies, said = plan.value
        keyset = work.session.get_one(Keyset, keyset_id)
        rows = sa.select(Key).where(Key.keyset_id == keyset_id, Key.copy_number.in_(copies))
        there = {key.copy_number: key for key in work.session.scalars(rows)}
        keys = []
        for copy in copies:
            key = there.get(copy)
            if key is None:
                key = Key(keyset_id=keyset_id, copy_number=copy)
                work.session.add(key)
            due_back = said["due back"] or key.due_back
            put_key(
                work,
                key,
                KeyState.OUT,
                holder=said["holder"],
                phone=said["phone"] or key.holder_phone or "",
                due_back=due_back,
            )
            keys.append(key)
        work.session.flush()
        words = f"{counted(len(keys), 'key')} of {keyset.symbol} on record as out to {said['holder']}"
        record_keys(work, IMPORTED, keyset, f"{words}, {say_copies(copies)}", keys)


KEYS_OUT = ImportKind(
    "keys",
    "Keys out",
    "key",
    (
        CUSTOMER,
        ImportColumn(
            name="system", words="Key system", also=("system", "keying system"), most=longest(KeySystem.name)
        ),
        ImportColumn(
            name="symbol",
            words="Symbol or stamp",
            also=("key symbol", "keyset", "key set", "key", "stamp", "key code", "key number", "key no", "mark"),
            cell=CellKind.CODE,
            most=longest(Keyset.symbol),
            is_needed=True,
        ),
        ImportColumn(
            name="copy",
            words="Copy number",
            also=("copy", "copy no", "copies", "serial", "serial number", "number stamped"),
            cell=CellKind.CODE,
            most=100,
            check=_copies,
        ),
        ImportColumn(
            name="quantity",
            words="How many keys",
            also=("qty", "number of keys", "count", "keys"),
            cell=CellKind.WHOLE,
            most=MOST_AT_ONCE,
        ),
        ImportColumn(
            name="holder",
            words="Holder",
            also=("issued to", "name", "person", "key holder", "held by", "given to", "employee", "assigned to"),
            most=longest(Key.holder),
            is_needed=True,
        ),
        ImportColumn(
            name="phone",
            words="Holder's phone",
            also=("phone", "telephone", "tel", "mobile"),
            look=CellLook.PHONE,
            most=longest(Key.holder_phone),
        ),
        ImportColumn(
            name="due back",
            words="Due back",
            also=("return by", "due", "due date", "expected back"),
            cell=CellKind.DAY,
            look=CellLook.DAY,
        ),
    ),
    _plan_keys,
    _save_keys,
    hint="A row what one holder has of a keyset: its copies as they are stamped, or how many.",
    about="key system",
    about_columns=("customer", "system"),
)
