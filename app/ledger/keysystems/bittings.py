"""Sealed bittings: put away, opened for the house's own reckoning, revealed with an event, and keys decoded."""

import json
from collections import Counter
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from types import MappingProxyType

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import (
    ROLE_BELOW,
    BittingSpec,
    CutOrder,
    DecodedKey,
    KeyingError,
    LevelArray,
    SystemKeyset,
    read_bitting,
    read_key,
    write_bitting,
)
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.catalog.specs import get_spec, put_spec, read_spec
from app.ledger.keysystems.out_of_use import require_in_use
from app.ledger.keysystems.system_queries import (
    get_system,
    keyways_in_words,
    sections_entered,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.store.engine import transaction
from app.ledger.store.errors import NotFound
from app.ledger.store.events import BITTINGS_REVEALED, record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import Bitting, Keyset, KeySystem, Level, RecordsHolder, Role, SpecRow, longest


def spec_of(system: KeySystem) -> BittingSpec:
    """The bitting spec of a system: its keyway's, with as many chambers as this system has."""
    return BittingSpec.from_json({**system.spec.spec, "chambers": system.chambers})


def bitting_context(system_id: int, keyset_id: int) -> str:
    """What a sealed bitting is bound to."""
    return f"bitting of keyset {keyset_id} in system {system_id}"


def fingerprint_context(system_id: int, keyway: str) -> str:
    """Within what equal bittings are found equal: keyway is the keyset's own, "" of one on its system's."""
    return f"system {system_id}, keyway {keyway}" if keyway else f"system {system_id}"


def aside_context(row_id: int) -> str:
    """What the sealed bitting of a list's row that stands aside is bound to."""
    return f"bitting of row aside {row_id}"


def plan_context(system_id: int) -> str:
    """What a sealed plan is bound to."""
    return f"plan of system {system_id}"


def lost_context(loss_id: int) -> str:
    """What the sealed bitting of a lost key is bound to."""
    return f"bitting lost by loss {loss_id}"


def loss_plan_context(loss_id: int) -> str:
    """What the sealed plan of a loss is bound to."""
    return f"plan of loss {loss_id}"


def add_keyset(
    work: Work,
    system: KeySystem,
    symbol: str,
    level: Level,
    parent: Keyset | None = None,
    cuts: Cuts | None = None,
    purpose: str = "",
    own_symbol: str = "",
    keyway: str | None = None,
) -> Keyset:
    """A new keyset, its bitting sealed where the shop has one, inside the caller's transaction.

    keyway: its own, "" for the system's; None for that of the keyset above.
    """
    require_in_use(system)
    keyset = Keyset(system=system, symbol=symbol, level=level, parent=parent, purpose=purpose)
    keyset.own_symbol = own_symbol
    keyset.keyway = keyway if keyway is not None else parent.keyway if parent is not None else ""
    work.session.add(keyset)
    work.session.flush()
    if cuts is not None:
        seal_bitting(work, system, keyset, cuts)
    return keyset


def insert_keysets(
    work: Work,
    system: KeySystem,
    planned: Iterable[SystemKeyset],
    carriers: Mapping[str, Collection[str]] = MappingProxyType({}),
    keyways: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Put planned keysets on record, parents first, inside the caller's transaction.

    Their bittings are sealed where the shop holds the system's records. `carriers`: symbol → who carries its key;
    `keyways`: symbol → keyway of those that are on another than the one above them.
    """
    require_in_use(system)
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    pairs: list[tuple[Keyset, Cuts]] = []
    for one in planned:
        level, parent = Level(one.level.value), by_symbol.get(one.parent or "")
        if parent in work.session.new:
            work.session.flush()  # before what hangs under it, and once for many: a system may have hundreds
        keyset = Keyset(system=system, symbol=one.symbol, level=level, parent=parent)
        people = carriers.get(one.symbol, ())
        keyset.purpose, keyset.carriers = ", ".join(people)[: longest(Keyset.purpose)], len(people)
        on = keyways.get(one.symbol, parent.keyway if parent is not None else "")
        keyset.keyway = "" if on == system.keyway else on
        work.session.add(keyset)
        by_symbol[one.symbol] = keyset
        pairs.append((keyset, one.bitting))
    work.session.flush()
    if system.records is RecordsHolder.SHOP:
        seal_bittings(work, system, pairs)


def seal_bitting(work: Work, system: KeySystem, keyset: Keyset, cuts: Cuts) -> None:
    """Put a keyset's bitting away, inside the caller's transaction. One bitting stands once in a system."""
    seal_bittings(work, system, [(keyset, cuts)])


def seal_bittings(work: Work, system: KeySystem, pairs: Iterable[tuple[Keyset, Cuts]]) -> None:
    """The same for several keysets of a system."""
    require_current_key(work)
    spec = spec_of(system)
    for keyset, cuts in pairs:
        text = write_bitting(spec, cuts)
        work.session.add(
            Bitting(
                system_id=system.id,
                keyset_id=keyset.id,
                sealed=work.vault.seal(text, bitting_context(system.id, keyset.id)),
                fingerprint=work.vault.fingerprint(text, fingerprint_context(system.id, keyset.keyway)),
            )
        )


def reseal_bittings(work: Work, system: KeySystem, pairs: Iterable[tuple[Keyset, Cuts]]) -> None:
    """Put bittings in the place of those on record, if there are any, inside the caller's transaction."""
    pairs = list(pairs)
    for keyset, _ in pairs:
        keyset.is_really_cut_so = False  # of another bitting nobody knows that
        if keyset.bitting is not None:
            work.session.delete(keyset.bitting)
    work.session.flush()  # a bitting stands once in a system: all old ones go before the first new one comes
    for keyset, _ in pairs:
        work.session.expire(keyset, ["bitting"])
    seal_bittings(work, system, pairs)
    work.session.flush()


def open_bittings(
    session: Session, vault: Vault, systems: Iterable[KeySystem], only: Collection[int] = ()
) -> dict[int, Cuts]:
    """Keyset id → cuts of every keyset with a bitting in these systems, or of `only` those ids.

    For the house's own reckoning only (what is used, what interchanges): whatever shows a bitting to a person
    goes through `reveal_bittings`.
    """
    specs = {system.id: spec_of(system) for system in systems}
    rows = sa.select(Bitting).where(Bitting.system_id.in_(specs))
    rows = rows.where(Bitting.keyset_id.in_(only)) if only else rows
    return {
        row.keyset_id: read_bitting(
            specs[row.system_id],
            vault.open(row.sealed, bitting_context(row.system_id, row.keyset_id)),
            "bitting",
        )
        for row in session.scalars(rows)
    }


def seal_plan(work: Work, system: KeySystem, plan: LevelArray, masters: Iterable[Cuts]) -> None:
    """Put a system's plan away, with how many changes it holds under its masters, inside the caller's transaction."""
    put_plan_away(work, system, plan)
    spec = spec_of(system)
    system.capacity = sum(plan.under(spec, "C", master).usable for master in masters)


def put_plan_away(work: Work, system: KeySystem, plan: LevelArray) -> None:
    """Seal a system's plan, inside the caller's transaction; what it holds is the caller's to count."""
    require_current_key(work)
    given = {"tmk": write_bitting(spec_of(system), plan.tmk), "roles": plan.roles, "constants": plan.constants}
    text = json.dumps({**given, "withheld": plan.withheld})
    system.sealed_plan = work.vault.seal(text, plan_context(system.id))


def change_spec(work: Work, spec_id: int, version: int, spec: BittingSpec, why: str = "") -> SpecRow:
    """Save a spec read at `version`, and count again what the systems keyed by it hold; owner only. why: as there.

    Refusals are those of `put_spec`.
    """
    work.require_owner()
    with transaction(work.session):
        before = read_spec(get_spec(work.session, spec_id))
        row = put_spec(work, spec_id, version, spec, why)
        if (before.macs, before.depths, before.rules) != (spec.macs, spec.depths, spec.rules):
            systems = sa.select(KeySystem).where(KeySystem.spec_id == spec_id, KeySystem.sealed_plan.is_not(None))
            for system in work.session.scalars(systems.order_by(KeySystem.id)).all():
                system.capacity = count_capacity(work, system)
        return row


def count_capacity(work: Work, system: KeySystem, plan: LevelArray | None = None) -> int:
    """What a system can still hand out, and what it has; by its own plan, or by another that it might have."""
    spec, plan = spec_of(system), plan or open_plan(work.vault, system)
    opened = open_bittings(work.session, work.vault, [system])
    masters = [opened[one.id] for one in system.keysets if one.level is Level.MASTER and one.id in opened]
    arrays = [plan.under(spec, "C", master) for master in masters] if plan else []
    # What was handed out and is of no array as it is counted now: before there were rules, beyond a full array by a
    # search, or directly under a grand.
    issued = [opened[one.id] for one in system.keysets if one.level is Level.CHANGE and one.id in opened]
    beside = sum(not (spec.allows(cuts) and any(cuts in array for array in arrays)) for cuts in issued)
    return sum(array.usable for array in arrays) + beside


@dataclass(frozen=True, slots=True)
class RoomBelow:
    """How many keys of the next lower level the array still has right under a key, and how many it holds there.

    keyway: which these would be on, of a system on several; else "".
    """

    over: Keyset
    free: int
    holds: int
    keyway: str

    @property
    def words(self) -> str:
        """What these keys are: changes, masters, grand masters."""
        levels = [one for one in Level if one.is_upper]
        place = levels.index(self.over.level) + 1 if self.over.level.is_upper else len(levels)
        return f"{levels[place].value}s" if place < len(levels) else "changes"


def room_below(work: Work, system: KeySystem) -> tuple[RoomBelow, ...]:
    """What the array of a system can still make, under each key that stands over others, upper levels first; () where
    the shop has none. Of masters on several keyways a row each: a bitting is taken where its keys enter. Opens
    bittings for the house's own reckoning.
    """
    spec, plan = spec_of(system), open_plan(work.vault, system)
    if plan is None:
        return ()
    opened = open_bittings(work.session, work.vault, [system])
    over = [one for one in system.keysets if one.level in ROLE_BELOW and one.id in opened]
    order, every = list(Level), sections_of(system)
    needed = sections_entered(work.session, system)
    enters = {names: entering_of(work.session).entered(names, system.chambers) for names in set(needed.values())}
    found, cut_alike = [], Counter(opened.values())
    for keyset in sorted(over, key=lambda one: order.index(one.level)):
        array = plan.under(spec, ROLE_BELOW[keyset.level], opened[keyset.id])
        taken = {one: cuts for one, cuts in opened.items() if spec.allows(cuts) and cuts in array}
        is_lowest = keyset.level in (Level.MASTER, Level.SELECTIVE)
        for keyway in [keyset.section] if is_lowest else dict.fromkeys([keyset.section, *every]):
            if cut_alike[opened[keyset.id]] > 1 and twin_met(work.session, system, opened, keyset, keyway):
                continue
            there = {cuts for one, cuts in taken.items() if keyway in enters[needed[one]]}
            on = keyway if len(every) > 1 else ""
            found.append(RoomBelow(keyset, array.usable - len(there), array.usable, on))
    return tuple(found)


def twin_met(
    session: Session, system: KeySystem, opened: Mapping[int, Cuts], keyset: Keyset, keyway: str
) -> Keyset | None:
    """The keyset of a system on several keyways that is cut like this one and whose keys would enter a keyway with
    it, if this one's had to enter `keyway` besides. `opened`: keyset id → cuts.
    """
    alike = [one for one in system.keysets if one is not keyset and opened.get(one.id) == opened[keyset.id]]
    if not alike:
        return None
    known, needed = entering_of(session), sections_entered(session, system)
    would = known.entered(needed[keyset.id] | {keyway}, system.chambers)
    return next((one for one in alike if would & known.entered(needed[one.id], system.chambers)), None)


def open_plan(vault: Vault, system: KeySystem) -> LevelArray | None:
    """The system's plan, or None where the shop has none (single keyed, or keyed at the factory)."""
    if system.sealed_plan is None:
        return None
    given = json.loads(vault.open(system.sealed_plan, plan_context(system.id)))
    # Plans sealed before there were rotating constants or selective masters do not speak of them.
    withheld = tuple(given["withheld"]) if given.get("withheld") else None
    tmk = read_bitting(spec_of(system), given["tmk"], "tmk")
    return LevelArray(tmk, given["roles"], given.get("constants", 0), withheld)


def tops_on_keyway(work: Work, keyway: str | Collection[str], chambers: int) -> frozenset[Cuts]:
    """The top masters of all systems on a keyway, or one of several, that have so many chambers and a plan here."""
    plans = (open_plan(work.vault, system) for system in systems_sharing_keyway(work.session, keyway))
    return frozenset(plan.tmk for plan in plans if plan is not None and len(plan.tmk) == chambers)


def reveal_bittings(
    work: Work, system_ids: Iterable[int], purpose: str, *, job_id: int | None = None
) -> dict[int, Cuts]:
    """Keyset id → cuts, for the bench's or the owner's eyes; each system revealed is an event.

    Raises NotAllowed for any other role, and then opens nothing.
    """
    work.require(Role.BENCH)
    wanted = sorted(set(system_ids))
    with transaction(work.session):
        systems = work.session.scalars(sa.select(KeySystem).where(KeySystem.id.in_(wanted))).all()
        if len(systems) != len(wanted):
            raise NotFound("key system")
        for system in systems:
            note_reveal(work, system, purpose, job_id=job_id)
        return open_bittings(work.session, work.vault, systems)


def note_reveal(work: Work, system: KeySystem, purpose: str, *, job_id: int | None = None) -> None:
    """Put on record, inside the caller's transaction, that bittings or pins of a system are shown to who acts."""
    said = f"Bittings of {system.name} shown to {work.actor.name}: {purpose}"
    record(work, BITTINGS_REVEALED, f"key system {system.id}", said, job_id=job_id)


@dataclass(frozen=True, slots=True)
class DecodeAsk:
    """A key under the caliper or in a gauge. measured: what was read of it, from the end that `order` says, as
    `read_key` takes it.

    Of a system's key `system_id` says which; else `spec_id` and, where the key has fewer, its `cuts`.
    """

    measured: str = field(repr=False)
    tolerance: Fraction
    why: str
    spec_id: int = 0
    cuts: int | None = None
    system_id: int | None = None
    order: CutOrder = CutOrder.BOW


@dataclass(frozen=True, slots=True)
class Decoded:
    """The key as read, what it was held against, and the symbols that its cuts allow there. turned: where there are
    none, those that it would have been, read from its other end.
    """

    spec: BittingSpec
    key: DecodedKey
    system: KeySystem | None
    symbols: tuple[str, ...]
    turned: tuple[str, ...] = ()


def decode_key(work: Work, ask: DecodeAsk) -> Decoded:
    """The key's depths, for bench and owner; every decoding is an event, of the system where one is named.

    Raises KeyingError for `measured`, `tolerance`, `cuts` or `why`; then nothing is on record.
    """
    work.require(Role.BENCH)
    system = get_system(work.session, ask.system_id) if ask.system_id is not None else None
    spec = spec_of(system) if system is not None else _spec(work, ask)
    key = read_key(spec, ask.measured, ask.order, ask.tolerance, "measured")
    if key.bitting is not None and write_bitting(spec, key.bitting) in "".join(ask.why.split()):
        raise KeyingError("why", "This goes on record: say what the key is for, and leave its cuts out.")
    with transaction(work.session):
        record(
            work,
            BITTINGS_REVEALED,
            f"key system {system.id}" if system is not None else f"bitting spec {ask.spec_id}",
            f"A key on {spec.name or (system.name if system else '')} was decoded by {work.actor.name}: {ask.why}",
        )
        if system is None:
            return Decoded(spec, key, None, ())
        symbols = _symbols(work, system, key)
        return Decoded(
            spec, key, system, symbols, () if symbols else _symbols(work, system, replace(key, cuts=key.cuts[::-1]))
        )


def _spec(work: Work, ask: DecodeAsk) -> BittingSpec:
    spec = read_spec(get_spec(work.session, ask.spec_id))
    if ask.cuts is None:
        return spec
    if not 3 <= ask.cuts <= spec.chambers:
        raise KeyingError("cuts", f"A key on this spec has 3 to {spec.chambers} cuts.")
    return replace(spec, chambers=ask.cuts)


def _symbols(work: Work, system: KeySystem, key: DecodedKey) -> tuple[str, ...]:
    """The keysets whose every cut is one that the measured cut may have been; of a system on several keyways with
    those that each has to enter, by which two of one bitting are told apart.
    """
    opened, on = open_bittings(work.session, work.vault, [system]), keyways_in_words(work.session, system)
    is_on_several = len(sections_of(system)) > 1
    return tuple(
        f"{keyset.symbol} on {on[keyset.id]}" if is_on_several else keyset.symbol
        for keyset in system.keysets
        if keyset.id in opened
        and all(depth in cut.could_be for depth, cut in zip(opened[keyset.id], key.cuts, strict=True))
    )
