"""The letter that asks a factory, which holds the records, for new keysets after a loss; it has no bitting."""

from collections import Counter
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from app.ledger.catalog.price_queries import get_house
from app.ledger.keys.losses import still_turned
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.keysets import symbols_in_words
from app.ledger.keysystems.system_queries import sections_entered, sections_of
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.engine import get_row
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, Level, Loss, Maker, RecordsHolder, Role

_DOWNWARD = [*Level]


@dataclass(frozen=True, slots=True)
class ExposedLevel:
    """What a lost key opens of one level, on one keyway where the system has several: its keysets, the cylinders on
    them, and what is to take their places.
    """

    level: str
    keysets: str
    cylinders: int
    successors: str


@dataclass(frozen=True, slots=True)
class FactoryLetter:
    """The letter's own values. parts: maker, part number, what it is, how many."""

    house: HouseHead
    on: date
    by: str
    makers: tuple[str, ...]
    customer: str
    system: str
    keyways: tuple[str, ...]
    lost: str
    since: date | None
    levels: tuple[ExposedLevel, ...]
    parts: tuple[tuple[str, str, str, int], ...]

    @property
    def cylinders(self) -> int:
        """How many cylinders are exposed, as far as this house knows."""
        return sum(count for *_, count in self.parts)


def letter_of_loss(work: Work, loss_id: int) -> FactoryLetter:
    """The letter for a loss whose plan is chosen; LedgerError where the records are not the factory's."""
    work.require(Role.COUNTER, Role.BENCH)
    loss = get_row(work.session, Loss, loss_id, "loss")
    system = loss.system
    if system.records is not RecordsHolder.FACTORY or not loss.successors:
        raise LedgerError("", "A letter is for a chosen plan in a system whose records the factory holds.")
    there = still_turned(work, loss).cylinders
    # A control key takes out cores of every keyset.
    is_control = loss.keyset.level is Level.CONTROL
    on_keyset = Counter(loss.keyset_id if is_control else one.keyset_id for one in there)
    replaced = [one for one in system.keysets if one.symbol in loss.successors]
    entered = sections_entered(work.session, system)
    groups: dict[tuple[int, tuple[str, ...]], list[Keyset]] = {}
    for one in replaced:
        groups.setdefault((_DOWNWARD.index(one.level), tuple(sorted(entered[one.id]))), []).append(one)
    levels = []
    for (place, keyways), mine in sorted(groups.items()):
        symbols = [one.symbol for one in mine]
        count = sum(on_keyset[one.id] for one in mine)
        new = symbols_in_words(loss.successors[one] for one in symbols)
        name = _DOWNWARD[place].value
        named = f"{name}, {' and '.join(keyways)}" if len(sections_of(system)) > 1 else name
        levels.append(ExposedLevel(named, symbols_in_words(symbols), count, new))
    makers = {one.id: one.name for one in work.session.scalars(sa.select(Maker))}
    parts = Counter((makers.get(one.maker_id or 0, ""), one.part_number, one.words) for one in there)
    many = f"copies {say_copies(loss.copies)}" if loss.copies else "nobody knows which or how many"
    return FactoryLetter(
        house=house_head(get_house(work.session)),
        on=work.today,
        by=work.actor.name,
        makers=tuple(sorted({maker for maker, _, _ in parts if maker})),
        customer=system.customer.name,
        system=system.name,
        keyways=sections_of(system),
        lost=f"{loss.keyset.symbol}, {loss.keyset.level.value} ({many})",
        since=loss.since,
        levels=tuple(levels),
        parts=tuple((*one, count) for one, count in sorted(parts.items())),
    )
