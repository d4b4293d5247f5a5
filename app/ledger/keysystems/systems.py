"""Use cases: start a key system, with its masters where the shop keys them."""

from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import joinedload

from app.errors import Problem, Problems
from app.fitting import KeyBlank
from app.keying import (
    COUNTED,
    MOST_LEVELS,
    BittingSpec,
    LevelArray,
    LevelPlan,
    NoBittingsLeft,
    SelectiveMaster,
    SharedBittings,
    SymbolLevel,
    draw_master,
    make_symbols,
    operating_chains,
    plan_levels,
    read_symbol,
    room_for_balls,
)
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.bittings import add_keyset, insert_keysets, seal_plan, spec_of, tops_on_keyway
from app.ledger.keysystems.control import insert_control
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import MOST_DRAWS, SystemsInService
from app.ledger.store.engine import get_row
from app.ledger.store.errors import LedgerError, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Keyset, KeySystem, Keyway, Level, Marking, RecordsHolder, SpecRow

MOST_POOR = 8
"""How many top masters are tried that nearly hold what is asked: some hold a quarter more than others."""


@dataclass(frozen=True, slots=True)
class SystemForm:
    """What is asked about a new key system; `changes` per master, the room wanted from the start.

    `upper`: how many of the levels above the grands, of five levels and more, the lowest of them first.
    `tmk`, `roles` (what each chamber serves) and `constants` (held at a time, their places moving on) are those of a
    plan that was chosen; without them they are drawn. `selective`: of such a plan, the place of its selective master;
    `keyways`: symbol → keyway of its masters and grands that stand, with what is under them, on another; `shared`:
    which of them have one bitting. is_a_site: a construction master is to turn its cylinders, by the one ball that
    the maker has.
    """

    customer_id: int
    name: str
    levels: int
    keyway: str
    chambers: int
    site_id: int | None = None
    grands: int = 1
    masters: int = 1
    changes: int = 1
    upper: tuple[int, ...] = ()
    records: RecordsHolder = RecordsHolder.SHOP
    owner_of_record: str = ""
    mark_keys: Marking = Marking.VISUAL
    mark_cylinders: Marking = Marking.CONCEALED
    roles: str | None = None
    constants: int = 0
    tmk: Cuts | None = field(default=None, repr=False)
    selective: SelectiveMaster | None = field(default=None, repr=False)
    keyways: Mapping[str, str] = field(default_factory=dict)
    shared: SharedBittings | None = None
    is_a_site: bool = False

    @property
    def counts(self) -> dict[str, int]:
        """As the keying room takes it; counts of levels that the system lacks are left out."""
        counts = (max(self.changes, 1), self.masters, self.grands, *self.upper)
        return {"levels": self.levels, **dict(zip(COUNTED[: self.levels - 1], counts, strict=False))}


def insert_system(work: Work, form: SystemForm) -> KeySystem:
    """Start a system inside the caller's transaction, with its masters; changes are added as they are sold.

    A system whose records the shop holds gets a top master drawn by chance and a plan of its chambers; the
    factory's gets symbols only. Raises NoBittingsLeft when the spec cannot hold what the shop is to draw.
    """
    name = form.name.strip()
    if not name:
        raise LedgerError("system", "Enter a name for the new key system.")
    if len(name) > 120:
        raise LedgerError("system", "A key system's name has at most 120 characters.")
    if not 1 <= form.levels <= MOST_LEVELS:
        raise LedgerError("levels", f"A key system has 1 to {MOST_LEVELS} levels.")
    if name_is_taken(work, form.customer_id, name):
        raise Taken(
            "system",
            f"This customer has a key system named {name} already; choose it from the list, or enter another name.",
        )
    keyway_spec(work, form.keyway, form.chambers)
    system = add_system_row(work, replace(form, name=name))
    record(
        work,
        "key system started",
        f"key system {system.id}",
        f"{name}: {form.levels} levels on keyway {system.keyway}, records with {form.records.value}",
    )
    if form.levels > 1:
        _insert_masters(work, system, form)
    if form.records is RecordsHolder.SHOP and spec_of(system).control_offset is not None:
        insert_control(work, system)
    return system


def add_system_row(work: Work, form: SystemForm) -> KeySystem:
    """The bare row of a system of a customer, without keysets, inside the caller's transaction.

    NotFound where there is no such customer, Taken on `name`, LedgerError on `keyway`.
    """
    get_row(work.session, Customer, form.customer_id, "customer")
    if name_is_taken(work, form.customer_id, form.name):
        raise Taken("name", f"This customer has a key system named {form.name} already.")
    keyway = find_keyway(work, form.keyway)
    system = KeySystem(
        customer_id=form.customer_id,
        site_id=form.site_id,
        name=form.name,
        levels=form.levels,
        keyway=keyway.code,
        chambers=form.chambers,
        spec=keyway.spec,
        records=form.records,
        owner_of_record=form.owner_of_record,
        mark_keys=form.mark_keys,
        mark_cylinders=form.mark_cylinders,
        created_at=work.now,
    )
    work.session.add(system)
    work.session.flush()
    return system


def name_is_taken(work: Work, customer_id: int, name: str) -> bool:
    """Whether the customer has a key system of this name."""
    rows = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    return work.session.scalar(rows) is not None


def find_keyway(work: Work, code: str) -> Keyway:
    """The keyway with this code; LedgerError names it when no maker has it."""
    keyway = work.session.scalar(sa.select(Keyway).where(Keyway.code == code).options(joinedload(Keyway.spec)))
    if keyway is None:
        raise LedgerError("keyway", f"No maker on record has a keyway {code[:24]!r}, so its bitting spec is unknown.")
    return keyway


def keyway_alike(work: Work, code: str, spec_id: int) -> str:
    """A keyway that keys of this spec can be cut for; LedgerError on `keyway` where there is none of this code."""
    keyway = find_keyway(work, code)
    if keyway.spec_id != spec_id:
        told = (
            f"Keyway {keyway.code} is cut by another bitting spec, {keyway.spec.name}: start a system on it instead."
        )
        raise LedgerError("keyway", told)
    return keyway.code


def require_blank(
    work: Work, keyways: Collection[str], chambers: int, symbol: str, family_of: str
) -> KeyBlank | None:
    """The blank of a keyset's keys, which have to enter all these keyways; None where no table has one for the only
    one. LedgerError on `keyway` where no blank enters several, with the others of a keyway's family to choose from.
    """
    known = entering_of(work.session)
    blank = known.blank_for(keyways, chambers)
    if blank is None and len(keyways) > 1:
        others = [one for one in known.family(family_of) if one != family_of]
        raise LedgerError(
            "keyway",
            f"No key blank on record enters {', '.join(sorted(keyways))}, as keys of {symbol} would have to: choose "
            f"one of the family ({', '.join(others) or 'none on record'}) that a blank enters with it, or enter the "
            "blank on the maker's page.",
        )
    return blank


def keyways_beside_own(work: Work, own: Sequence[str], spec_id: int, chambers: int) -> tuple[str, ...]:
    """The other keyways of the family of a system's first that are cut by its spec and that one blank enters with all
    its own.
    """
    known = entering_of(work.session)
    wanted = [one for one in known.family(own[0]) if one != own[0]]
    alike = {*work.session.scalars(sa.select(Keyway.code).where(Keyway.code.in_(wanted), Keyway.spec_id == spec_id))}
    return tuple(one for one in wanted if one in alike and known.blank_for({*own, one}, chambers) is not None)


def most_chambers(work: Work, code: str) -> int:
    """How many cuts keys on a keyway have room for; as many as any key, where no maker on record has it."""
    spec = work.session.scalar(sa.select(SpecRow.spec).join(Keyway.spec).where(Keyway.code == code).limit(1))
    return BittingSpec.from_json(spec).chambers if spec is not None else 12


def keyway_spec(work: Work, code: str, chambers: int) -> BittingSpec:
    """The spec of keys with so many cuts on a keyway; refused on `chambers` where the keyway has no such keys."""
    keyway = find_keyway(work, code)
    most = BittingSpec.from_json(keyway.spec.spec).chambers
    if not 3 <= chambers <= most:
        sentence = f"Keyway {keyway.code} is cut for 3 to {most} chambers, not {chambers}."
        raise Problems([Problem("chambers", sentence)])
    return BittingSpec.from_json({**keyway.spec.spec, "chambers": chambers, "name": keyway.spec.name})


def _insert_masters(work: Work, system: KeySystem, form: SystemForm) -> None:
    if form.records is not RecordsHolder.SHOP:  # whoever has the records draws the bittings, as many as they can
        by_symbol: dict[str | None, Keyset] = {}
        for one in map(read_symbol, make_symbols(form.levels, form.masters, 0, form.grands)):
            parent, level = by_symbol.get(one.parent), Level(one.level.value)
            by_symbol[one.text] = add_keyset(work, system, one.text, level, parent)
        return
    plan = plan_clear(work, system, form)
    above = [planned for planned in plan.keysets if planned.level is not SymbolLevel.CHANGE]
    insert_keysets(work, system, above, keyways=form.keyways)
    masters = (planned.bitting for planned in above if planned.level is SymbolLevel.MASTER)
    withheld = (form.selective.chamber, form.selective.depth) if form.selective else None
    seal_plan(work, system, LevelArray(plan.tmk, plan.roles, form.constants, withheld), masters)
    work.session.flush()


def single_keyed_system(
    work: Work, customer_id: int, keyway: str, chambers: int, records: RecordsHolder
) -> KeySystem:
    """The customer's book of cylinders under no master on this keyway, started where there is none."""
    name = single_keyed_name(keyway, chambers, records)
    found = work.session.scalar(
        sa.select(KeySystem).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    )
    return found or insert_system(work, SystemForm(customer_id, name, 1, keyway, chambers, records=records))


def single_keyed_name(keyway: str, chambers: int, records: RecordsHolder) -> str:
    """What a customer's book of single keys on a keyway is called."""
    suffix = "" if records is RecordsHolder.SHOP else f", keyed by the {records.value}"
    return f"Single keyed {keyway}, {chambers} chambers{suffix}"


def plan_clear(work: Work, system: KeySystem, form: SystemForm) -> LevelPlan:
    """Plan a system whose masters clash with none of the customer's keys and cylinders on the keyway.

    Its top master is unlike every other on the keyway, whoever's it is.
    """
    spec = spec_of(system)
    keyways = {system.keyway, *form.keyways.values()}
    tops = tops_on_keyway(work, keyways, spec.chambers)
    neighbors = systems_sharing_keyway(work.session, keyways, system.customer_id)
    there = SystemsInService.of(work, [other for other in neighbors if other.id != system.id], spec, keyways)
    return draw_plan(spec, form, there, work.rng, tops)


def draw_plan(
    spec: BittingSpec,
    form: SystemForm,
    there: SystemsInService,
    rng: Random,
    tops: AbstractSet[Cuts] = frozenset(),
    most_poor: int = MOST_POOR,
) -> LevelPlan:
    """Plan a system that clashes with nothing there, under a top master drawn by chance that is none of `tops`.

    A top that nearly holds what is asked is followed by up to `most_poor` - 1 others, since some hold more.
    """
    spec = form.selective.withheld_from(spec) if form.selective else spec
    avoid, poor, roomy = set(there.keys), 0, not form.is_a_site
    for _ in range(MOST_DRAWS):
        top = form.tmk or draw_master(spec, rng, tops | avoid)
        if there.clashes(top, ()):
            if form.tmk is not None:
                break
            avoid.add(top)
            continue
        held = room_for_balls(spec, top) if form.is_a_site else ()
        if held is None:
            avoid.add(top)
            continue
        roomy = True
        try:
            plan = plan_levels(spec, top, used=avoid, roles=form.roles, held=held, shared=form.shared, **form.counts)
        except NoBittingsLeft as short:
            poor += 1
            if form.tmk is not None or poor >= most_poor or short.left * 4 < short.asked * 3:
                raise
            continue
        chains = operating_chains({keyset.symbol: keyset.parent for keyset in plan.keysets})
        bad = {
            keyset.bitting
            for keyset in plan.keysets
            if keyset.level is not SymbolLevel.CHANGE
            and there.clashes(keyset.bitting, [plan.keys[above] for above in chains[keyset.symbol][1:]])
        }
        if form.selective and there.clashes(form.selective.cuts(top), [top]):
            break
        if not bad:
            return plan
        avoid |= bad
    if not roomy:
        told = f"No top master was found that leaves room for balls of {spec.ball}"
        raise LedgerError("system", f"{told}: leave construction keying out, or correct the bitting spec.")
    raise LedgerError(
        "system", "This plan would clash with another system of this customer on the same keyway: plan it anew."
    )
