"""Questions about key systems that open no bitting: who operates what, the list of systems, the tree of keysets."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple, Protocol, TypeVar

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, joinedload, selectinload

from app.fitting import KeyBlank
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.search.words import holds
from app.ledger.store.engine import Page, page_of
from app.ledger.store.errors import NotFound
from app.ledger.tables import (
    Bitting,
    Customer,
    Cylinder,
    CylinderOperator,
    CylinderState,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    Loss,
)


class _Below(Protocol):
    """A keyset as a row of the ledger or as a plain one."""

    @property
    def parent_id(self) -> int | None: ...


_One = TypeVar("_One", bound=_Below)


def systems_sharing_keyway(
    session: Session, keyway: str | Collection[str], customer_id: int | None = None
) -> Sequence[KeySystem]:
    """Systems whose keys enter cylinders of a keyway, or of one of several in one system, or that its keys enter, of
    one customer or of all, keysets loaded: those on it, and on others by the makers' tables. Some more of systems on
    several keyways: what enters just what, `WhatEnters` tells.
    """
    own = [keyway] if isinstance(keyway, str) else [*keyway]
    near = frozenset[str]().union(*(entering_of(session).together(name) for name in own))
    parts = sa.select(Keyset.system_id).where(Keyset.keyway.in_(near))
    rows = (
        sa.select(KeySystem)
        .where(sa.or_(KeySystem.keyway.in_(keyways_beside(session, own)), KeySystem.id.in_(parts)))
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
        .order_by(KeySystem.id)
        # A system of this transaction may have been loaded before its keysets were added.
        .execution_options(populate_existing=True)
    )
    if customer_id is not None:
        rows = rows.where(KeySystem.customer_id == customer_id)
    session.flush()
    return session.scalars(rows).all()


def keyways_beside(session: Session, keyways: Collection[str]) -> frozenset[str]:
    """A keyway, those that its keys enter, and those whose keys enter it, by all makers' tables; of the several
    keyways of one system whatever a key enters besides one of them.
    """
    known = entering_of(session)
    if len(keyways) == 1:
        return known.beside(*keyways)
    return frozenset[str]().union(*(known.together(name) for name in keyways))


def sections_of(system: KeySystem) -> tuple[str, ...]:
    """The keyways that a system's cylinders are on, its own first."""
    return tuple(dict.fromkeys([system.keyway, *(one.keyway for one in system.keysets if one.keyway)]))


def sections_entered(session: Session, system: KeySystem) -> dict[int, frozenset[str]]:
    """Keyset id → the keyways that its keys have to enter: of its own cylinders, of those under it, and of those that
    are cross-keyed to it; a control key's all of the system. What takes a keyset's place after a loss enters what
    that does: the doors follow in phases.
    """
    every = sections_of(system)
    if len(every) == 1:
        return dict.fromkeys((one.id for one in system.keysets), frozenset(every))
    by_id = {one.id: one for one in system.keysets}
    needed: dict[int, set[str]] = {one: set() for one in by_id}
    for keyset in system.keysets:
        for above in operators_of(keyset, is_nmk=False, by_id=by_id):
            needed[above.id] |= set(every) if keyset.level.takes_cores_out else {keyset.keyway or system.keyway}
    crossed = (
        sa.select(CylinderOperator.keyset_id, Keyset.keyway)
        .join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .where(Keyset.system_id == system.id)
    )
    for operator, keyway in session.execute(crossed):
        if operator in needed:
            needed[operator].add(keyway or system.keyway)
    ids = {one.symbol: one.id for one in system.keysets}
    plans = sa.select(Loss.successors).where(Loss.system_id == system.id).order_by(Loss.id)
    for successors in session.scalars(plans):
        for old, new in successors.items():
            if old in ids and new in ids:
                needed[ids[new]] |= needed[ids[old]]
    return {keyset_id: frozenset(names) for keyset_id, names in needed.items()}


def keyways_in_words(session: Session, system: KeySystem) -> dict[int, str]:
    """Keyset id → the keyways that its keys have to enter, such as 'Q1 and Q3'."""
    return {one: " and ".join(sorted(names)) for one, names in sections_entered(session, system).items()}


def blanks_of(session: Session, system: KeySystem) -> dict[int, KeyBlank | None]:
    """Keyset id → the blank that its keys are cut of, by all makers' tables on record; None where these have none."""
    known, needed = entering_of(session), sections_entered(session, system)
    found = {names: known.blank_for(names, system.chambers) for names in set(needed.values())}
    return {keyset_id: found[names] for keyset_id, names in needed.items()}


def customers_keysets(session: Session, customer_id: int) -> Sequence[tuple[int, str]]:
    """A customer's keysets that are in use as (id, "AA1 of North Hall"), by system and as they were added."""
    rows = sa.select(Keyset).join(KeySystem).options(joinedload(Keyset.system))
    rows = rows.where(KeySystem.customer_id == customer_id).order_by(KeySystem.name, Keyset.id)
    return [(one.id, f"{one.symbol} of {one.system.name}") for one in session.scalars(rows) if not one.is_out_of_use]


def chambers_in(system_chambers: int, cylinder_chambers: int | None) -> int:
    """In how many chambers a cylinder of a system is pinned: in its own, where it has fewer than its keys have cuts.

    >>> chambers_in(6, 5), chambers_in(6, None), chambers_in(5, 6)
    (5, 6, 5)
    """
    return min(cylinder_chambers or system_chambers, system_chambers)


class OperatedWay(NamedTuple):
    """A way that cylinders are operated: by which keysets, their own first, and in how many chambers."""

    keysets: list[Keyset]
    chambers: int


def operating_keysets(
    session: Session, systems: Sequence[KeySystem], *, with_replaced: bool = True, leaving: Collection[int] = ()
) -> dict[str, OperatedWay]:
    """Each distinct way that cylinders of these systems are operated.

    The name tells the keyset and its system; cylinders alike in this stand once. A cylinder's own keyset,
    the masters above it (unless NMK) and its cross-keyed operators operate it. The masters' own cylinders
    are there too. Without the replaced a fitted cylinder is left out in whose place another is on its way. `leaving`:
    the ids of cylinders that are left out besides.
    """
    names = {system.id: system.name for system in systems}
    by_id = {keyset.id: keyset for system in systems for keyset in system.keysets}
    rows = session.execute(
        sa.select(Cylinder.id, sa.type_coerce(Cylinder.keyset_id, sa.Integer), Cylinder.is_nmk, Cylinder.chambers)
        .where(Cylinder.keyset_id.in_(by_id), Cylinder.state != CylinderState.REMOVED)
        .where(sa.true() if with_replaced else ~_is_replaced())
        .order_by(Cylinder.id)
    ).all()
    crossed: dict[int, list[int]] = {}
    for cylinder_id, keyset_id in session.execute(
        sa.select(CylinderOperator.cylinder_id, CylinderOperator.keyset_id)
        .join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
        .where(Cylinder.keyset_id.in_(by_id))
        .order_by(CylinderOperator.id)
    ):
        crossed.setdefault(cylinder_id, []).append(keyset_id)
    found: dict[str, OperatedWay] = {}
    for cylinder_id, keyset_id, is_nmk, own_chambers in rows:
        if cylinder_id in leaving:
            continue
        keyset = by_id[keyset_id]
        operators = operators_of(keyset, is_nmk=is_nmk, by_id=by_id)
        further = [by_id[other] for other in crossed.get(cylinder_id, []) if other in by_id]
        own = symbol_on(keyset.symbol, further, is_nmk=is_nmk)
        most = keyset.system.chambers
        chambers = chambers_in(most, own_chambers)
        mark = f" in {chambers} chambers" if chambers < most else ""
        mark += "".join(f" with {one.symbol}" for one in further if one.level.is_of_construction)
        mark += f" ({cylinder_id})" if any(one.level.crosses for one in further) else ""
        all_operators = [*dict.fromkeys([*operators, *further])]
        found[f"{own} of {names[keyset.system_id]}{mark}"] = OperatedWay(all_operators, chambers)
    return found


def _is_replaced() -> sa.ColumnElement[bool]:
    """Whether a fitted cylinder makes way for one that a job is to bring to the same place on the door."""
    coming = aliased(Cylinder)
    return sa.and_(
        Cylinder.state == CylinderState.FITTED,
        sa.exists().where(
            coming.door_id == Cylinder.door_id,
            sa.func.lower(coming.position) == sa.func.lower(Cylinder.position),
            coming.job_id.is_not(None),  # what is planned alone takes no place yet
            coming.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
        ),
    )


def operators_of(keyset: _One, *, is_nmk: bool, by_id: Mapping[int, _One]) -> list[_One]:
    """The keyset itself and, unless NMK, every master above it, nearest first."""
    chain = [keyset]
    above: int | None = None if is_nmk else keyset.parent_id
    while above is not None:
        chain.append(by_id[above])
        above = by_id[above].parent_id
    return chain


class _Further(Protocol):
    """A further keyset that operates a cylinder, as a row of the ledger or as a plain one."""

    @property
    def symbol(self) -> str: ...

    @property
    def level(self) -> Level: ...


def symbol_on(symbol: str, further: Iterable[_Further], *, is_nmk: bool) -> str:
    """A keyset's symbol as a cylinder bears it: X before where further keysets operate it, (NMK) after, and in
    parentheses the selective master; neither that nor a construction key makes an X.

    >>> symbol_on("AA1", [Keyset(symbol="AA2", level=Level.CHANGE)], is_nmk=False), symbol_on("AA2", [], is_nmk=True)
    ('XAA1', 'AA2(NMK)')
    >>> symbol_on("AA1", [Keyset(symbol="ENG", level=Level.SELECTIVE)], is_nmk=False)
    'AA1(ENG)'
    """
    further = list(further)
    suffixes = [*(["NMK"] if is_nmk else []), *(one.symbol for one in further if one.level is Level.SELECTIVE)]
    crossed = "X" if any(one.level.crosses for one in further) else ""
    return f"{crossed}{symbol}{''.join(f'({one})' for one in suffixes)}"


def control_over(own: Keyset, keysets: Iterable[Keyset]) -> Keyset | None:
    """The keyset whose key takes out cores that are keyed to `own`: a construction core has one of its own."""
    level = Level.CONSTRUCTION_CONTROL if own.level is Level.CONSTRUCTION else Level.CONTROL
    number = own.symbol.strip("CMK") if own.level is Level.CONSTRUCTION else ""
    found = (one for one in keysets if one.level is level)
    return next((one for one in found if level is Level.CONTROL or one.symbol.strip("CK") == number), None)


def get_system(session: Session, system_id: int) -> KeySystem:
    """A system with its keysets; NotFound when there is none."""
    system = session.scalar(
        sa.select(KeySystem)
        .where(KeySystem.id == system_id)
        .options(selectinload(KeySystem.keysets), joinedload(KeySystem.spec), joinedload(KeySystem.customer))
    )
    if system is None:
        raise NotFound("key system")
    return system


def with_bittings(session: Session, system_ids: Collection[int]) -> frozenset[int]:
    """Those of the systems of which the house has a bitting under seal; of one that a factory keeps it has none."""
    rows = sa.select(Keyset.system_id).join(Bitting, Bitting.keyset_id == Keyset.id)
    return frozenset(session.scalars(rows.where(Keyset.system_id.in_(system_ids)).distinct()))


def list_systems(session: Session, customer_id: int | None = None, *, in_use: bool = False) -> Sequence[KeySystem]:
    """Key systems by customer and name; `in_use`: without the retired ones, as they are offered."""
    rows = (
        sa.select(KeySystem).options(selectinload(KeySystem.customer)).order_by(KeySystem.customer_id, KeySystem.name)
    )
    if customer_id is not None:
        rows = rows.where(KeySystem.customer_id == customer_id)
    if in_use:
        rows = rows.where(KeySystem.retired_on.is_(None))
    return session.scalars(rows).all()


@dataclass(frozen=True, slots=True)
class SystemRow:
    """One key system in the list. `used` counts its change keysets; `left` is None where no plan tells."""

    system: KeySystem
    used: int
    cylinders: int
    keys_out: int = 0

    @property
    def left(self) -> int | None:
        """How many change bittings the plan still has."""
        return None if self.system.capacity is None else max(self.system.capacity - self.used, 0)


def list_system_rows(session: Session, text: str = "", page: int = 1) -> Page[SystemRow]:
    """Key systems by customer and name: five queries, however many."""
    condition: sa.ColumnElement[bool] = sa.true()
    if text.strip():
        wanted = text.strip()
        condition = sa.or_(
            holds(KeySystem.name, wanted), holds(Customer.name, wanted), holds(KeySystem.keyway, wanted)
        )
    rows = (
        sa.select(KeySystem)
        .join(Customer)
        .where(condition)
        .options(joinedload(KeySystem.customer), joinedload(KeySystem.site))
        .order_by(Customer.name, Customer.id, KeySystem.name)
    )
    counted = sa.select(KeySystem.id).join(Customer).where(condition)
    return page_of(
        *(session, rows, page, 50),
        take=lambda shown: _system_rows(session, session.scalars(shown).all()),
        counted=counted,
    )


def _system_rows(session: Session, systems: Sequence[KeySystem]) -> list[SystemRow]:
    ids = [system.id for system in systems]
    used = _counts(session, sa.select(Keyset.system_id).where(Keyset.level.in_((Level.CHANGE, Level.SINGLE))), ids)
    cylinders = _counts(
        session,
        sa.select(Keyset.system_id)
        .join(Cylinder, Cylinder.keyset_id == Keyset.id)
        .where(Cylinder.state != CylinderState.REMOVED),
        ids,
    )
    out = _counts(
        session,
        sa.select(Keyset.system_id).join(Key, Key.keyset_id == Keyset.id).where(Key.state == KeyState.OUT),
        ids,
    )
    return [SystemRow(one, used.get(one.id, 0), cylinders.get(one.id, 0), out.get(one.id, 0)) for one in systems]


def _counts(session: Session, rows: sa.Select[*tuple[int]], ids: Sequence[int]) -> dict[int, int]:
    counted = rows.add_columns(sa.func.count()).where(Keyset.system_id.in_(ids)).group_by(Keyset.system_id)
    return dict(session.execute(counted).all())


@dataclass(frozen=True, slots=True)
class KeysetNode:
    """A keyset with the cylinders and keys on it, and everything under it; `crossed`: further ones it operates."""

    keyset: Keyset
    cylinders: tuple[Cylinder, ...]
    keys: tuple[Key, ...]
    children: "tuple[KeysetNode, ...]"
    crossed: frozenset[int] = frozenset()

    @property
    def states(self) -> Counter[KeyState]:
        """How many keys are in each state."""
        return Counter(key.state for key in self.keys)

    @property
    def free_changes(self) -> int:
        """How many changes right under it are on no door yet."""
        below = [one for one in self.children if one.keyset.level is Level.CHANGE]
        return sum(not one.cylinders and not one.crossed for one in below)

    @property
    def out(self) -> tuple[Key, ...]:
        """Keys that are not in the shop: somebody has them, or they are lost."""
        return tuple(key for key in self.keys if key.state in (KeyState.OUT, KeyState.LOST))

    @property
    def all_cylinders(self) -> int:
        """How many cylinders its key turns: here, below but for NMK ones, and cross-keyed elsewhere."""
        return len({one.id for one in self.cylinders} | self._below() | self.crossed)

    def _below(self) -> set[int]:
        found: set[int] = set()
        for child in self.children:
            found |= {one.id for one in child.cylinders if not one.is_nmk} | child._below()
        return found


def cylinders_keyed(session: Session, system: KeySystem) -> Sequence[Cylinder]:
    """The cylinders keyed in a system and not removed, with their doors and further operators: two queries."""
    return session.scalars(
        sa.select(Cylinder)
        .where(Cylinder.keyset_id.in_(sa.select(Keyset.id).where(Keyset.system_id == system.id)))
        .where(Cylinder.state != CylinderState.REMOVED)
        .options(joinedload(Cylinder.door), selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset))
        .order_by(Cylinder.id)
        .execution_options(populate_existing=True)
    ).all()


def system_tree(session: Session, system: KeySystem) -> tuple[KeysetNode, ...]:
    """The system's keysets from the top down, control and single keyed ones last: three queries.

    system: as `get_system` loads it, keysets included.
    """
    cylinders: dict[int | None, list[Cylinder]] = defaultdict(list)
    crossed: dict[int, set[int]] = defaultdict(set)
    for cylinder in cylinders_keyed(session, system):
        cylinders[cylinder.keyset_id].append(cylinder)
        for operator in cylinder.operators:
            crossed[operator.keyset_id].add(cylinder.id)
    keys: dict[int, list[Key]] = defaultdict(list)
    rows = sa.select(Key).join(Keyset).where(Keyset.system_id == system.id).order_by(Key.keyset_id, Key.copy_number)
    for key in session.scalars(rows):
        keys[key.keyset_id].append(key)
    children: dict[int | None, list[Keyset]] = defaultdict(list)
    for keyset in system.keysets:
        children[keyset.parent_id].append(keyset)

    def node(keyset: Keyset) -> KeysetNode:
        return KeysetNode(
            keyset,
            tuple(cylinders[keyset.id]),
            tuple(keys[keyset.id]),
            tuple(node(child) for child in children[keyset.id]),
            frozenset(crossed[keyset.id]),
        )

    beside = (Level.CONTROL, Level.SINGLE, Level.CONSTRUCTION, Level.CONSTRUCTION_CONTROL)
    tops = sorted(children[None], key=lambda one: one.level in beside)
    return tuple(node(keyset) for keyset in tops)
