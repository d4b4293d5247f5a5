"""Rows of an old list that were not taken: kept with their system, and what they keep from being added to it."""

import re
from collections.abc import Iterable, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import NamedKey, bittings_read, read_symbol
from app.ledger.keysystems.bittings import aside_context, spec_of
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import KeySystem, ListRowAside, longest
from app.validation import counted

_BLANKS, _ZEROS = re.compile(r"[\s\-‐‑–—]"), re.compile(r"(?<![0-9])0+(?=[0-9])")


def put_aside(
    work: Work,
    system: KeySystem,
    row: int,
    key: NamedKey,
    reason: str,
    bitting: str = "",
    *,
    could_matter: bool = True,
) -> None:
    """Keep a row aside with its system, inside the caller's transaction; its bitting is sealed as the list has it."""
    require_current_key(work)
    by_code = read_symbol(key.symbol, levels=system.levels).level.value if key.level is None and key.symbol else ""
    aside = ListRowAside(
        system_id=system.id,
        row=row,
        own_symbol=key.own[: longest(ListRowAside.own_symbol)],
        symbol=key.symbol,
        level=str(key.level or by_code),
        parent_symbol=key.parent or "",
        reason=reason[: longest(ListRowAside.reason)],
        could_matter=could_matter,
    )
    work.session.add(aside)
    work.session.flush()
    if bitting.strip():
        aside.sealed = work.vault.seal(bitting, aside_context(aside.id))


def stamped_by_list(system: KeySystem) -> frozenset[str]:
    """What keys of the list that a system came from may be stamped with, settled rows too, as a symbol is written:
    without blanks, hyphens and zeros before a number.
    """
    said = {one.own_symbol for one in system.keysets}
    said |= {name for row in system.rows_aside for name in (row.symbol, row.own_symbol)}
    return frozenset(_ZEROS.sub("", _BLANKS.sub("", one)).upper() for one in said if one)


def rows_aside(session: Session, system_id: int) -> Sequence[ListRowAside]:
    """The rows of a system's list that stand aside, as the list has them, missing masters first."""
    rows = sa.select(ListRowAside).where(ListRowAside.system_id == system_id)
    return session.scalars(rows.order_by(ListRowAside.row, ListRowAside.id)).all()


def open_rows_aside(work: Work, systems: Iterable[KeySystem]) -> tuple[tuple[ListRowAside, Cuts], ...]:
    """The rows of these systems' lists that nobody has settled, each with every bitting that it may say, for the
    house's own reckoning: its key may be about. One query where there is none.

    What cannot be read is not among them: which key that is, nobody can tell.
    """
    by_id = {system.id: system for system in systems}
    rows = sa.select(ListRowAside).where(
        ListRowAside.system_id.in_(by_id),
        ListRowAside.could_matter,
        ListRowAside.settled == "",
        ListRowAside.sealed.is_not(None),
    )
    return tuple(
        (row, cuts)
        for row in work.session.scalars(rows.order_by(ListRowAside.id))
        for cuts in sorted(
            bittings_read(spec_of(by_id[row.system_id]), work.vault.open(row.sealed or b"", aside_context(row.id)))
        )
    )


def why_rows_aside(session: Session, system: KeySystem) -> str:
    """Why nothing is added to a system while rows of its list stand aside; "" where none could matter any more.

    A new key under its masters is drawn from the very bittings that an unknown one of them has; a single key, drawn
    from all that the spec allows and held against what the list says of them, is what the trade keys meanwhile.
    """
    return why_not_settled(system.name, rows_aside(session, system.id))


def why_not_settled(name: str, rows: Sequence[ListRowAside]) -> str:
    """The same of the rows that stand aside of the system of this name."""
    found = [one for one in rows if one.could_matter and not one.settled]
    if not found:
        return ""
    named = [one.own_symbol or one.symbol or f"row {one.row}" for one in found]
    shown = ", ".join(named[:6]) + (f" and {len(named) - 6} more" if len(named) > 6 else "")
    are, like, each = ("is", "it", "it") if len(found) == 1 else ("are", "one of them", "each")
    return (
        f"{counted(len(found), 'key')} of the list that {name} came from {are} not settled ({shown}): a new key "
        f"could be cut like {like}, or turn its cylinders. The owner settles {each} on the system's page; until then "
        "key single (SKD)."
    )
