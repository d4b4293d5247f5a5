"""A customer parted: sites, doors and key systems, with the jobs for them, go to a new customer or another one.

What stands together goes together: a door with the system that it is keyed in, a job with its site while it is under
way. What is over stays with whoever paid for it, unless it is chosen, and may name both.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.keys.key_queries import BROUGHT
from app.ledger.keysystems.auditing import Finding
from app.ledger.keysystems.bittings import open_bittings, seal_bittings
from app.ledger.keysystems.systems import SystemForm, add_system_row
from app.ledger.merging.customer_merging import (
    FoundOnKeyways,
    NameClash,
    findings_of,
    name_back,
    name_clashes,
    reason_for,
    rename,
)
from app.ledger.merging.holdings import Holdings, holdings_of
from app.ledger.merging.ties import End, Tie, say_astray, say_grown, ties_of
from app.ledger.sites.carrying import carry, gone_astray, owned_rows
from app.ledger.sites.customer_queries import get_customer
from app.ledger.sites.customers import CustomerForm, insert_customer, site_named
from app.ledger.sites.door_moves import (
    DOORS_CAME,
    DoorMove,
    is_empty,
    number_doors,
    plan_numbers,
    put_doors,
)
from app.ledger.store.engine import get_row, get_version, transaction, trial
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import event_of_kind, is_undone, record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Bitting,
    Contact,
    Customer,
    Cylinder,
    CylinderState,
    Door,
    Event,
    FormerName,
    Job,
    Keyset,
    KeySystem,
    Level,
    Loss,
    Site,
)
from app.validation import counted

CUSTOMER_SPLIT, SPLIT_UNDONE, SPLIT_OFF = "customer split", "split of a customer undone", "split off"
_FEW = 3  # of a kind, which are told one by one


@dataclass(frozen=True, slots=True)
class SplitForm:
    """What of a customer, read at `version`, goes: ids of sites, key systems, doors, jobs and contacts.

    to_id: an existing customer, 0 for a new one named `name`. site_name: where single doors go there. names: box of
    a clash → the name it gets; numbers: door → its number there. reason: as a merge's.
    """

    source_id: int
    version: int
    to_id: int = 0
    name: str = ""
    sites: frozenset[int] = frozenset()
    systems: frozenset[int] = frozenset()
    doors: frozenset[int] = frozenset()
    jobs: frozenset[int] = frozenset()
    contacts: frozenset[int] = frozenset()
    site_name: str = ""
    names: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[int, str] = field(default_factory=dict)
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SplitPlan:
    """Both customers before and after. together: why what is chosen cannot be parted so; told: what is over and will
    name both; keysets: single keysets that go from a book that stays, as "SKD3 of Single keyed AQ1, 6 chambers".
    """

    source: Customer
    target: Customer
    before: tuple[Holdings, Holdings]
    after: tuple[Holdings, Holdings]
    clashes: tuple[NameClash, ...]
    problems: tuple[Problem, ...]
    together: tuple[str, ...]
    told: tuple[str, ...]
    keysets: tuple[str, ...]
    moves: tuple[DoorMove, ...]
    keyways: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Finding, ...]


def plan_split(work: Work, form: SplitForm) -> SplitPlan:
    """What parting a customer so would do; owner only. Nothing is saved: it is done, looked at, and undone."""
    work.require_owner()
    with trial(work.session):
        plan, _ = _split(work, form)
    target = get_customer(work.session, form.to_id) if form.to_id else Customer(name=" ".join(form.name.split()))
    return replace(plan, source=get_customer(work.session, form.source_id), target=target)


def split_customer(work: Work, form: SplitForm) -> Customer:
    """Part a customer; owner only. The customer where what was chosen is now.

    Problems by name or number that clashes, LedgerError on `chosen` for what must stay together, on `to`, `name` and
    `reason`; Stale.
    """
    work.require_owner()
    with transaction(work.session):
        source = get_version(work.session, Customer, form.source_id, "customer", form.version)
        plan, detail = _split(work, form)
        if plan.problems:
            raise Problems(plan.problems)
        if plan.together:
            raise Problems([Problem("chosen", one) for one in plan.together])
        reason = reason_for(form.reason, plan.findings)
        target = work.session.get_one(Customer, detail["to"])
        came = plan.after[1] - plan.before[1]
        what = (("site", came.sites), ("door", came.doors), ("key system", came.key_systems), ("job", came.jobs))
        words = ", ".join(counted(count, name) for name, count in what if count)
        summary = f"{words or 'Contacts'} of {source.name} went to {target.name}"
        summary += f"; reason to go on: {reason}" if plan.findings else ""
        record(work, CUSTOMER_SPLIT, f"customer {source.id}", summary, **detail)
        record(work, SPLIT_OFF, f"customer {target.id}", summary, source=source.id)
        return target


def _say_together(ties: Iterable[Tie]) -> Iterator[str]:
    """What keeps things together; where many doors bind the same site, system and job, the first and a count."""
    found: dict[tuple[str, frozenset[tuple[str, int]]], dict[str, None]] = {}
    for tie in ties:
        kind = tie.row.partition(" ")[0]
        found.setdefault((kind, frozenset(one.whole for one in tie.ends)), {})[tie.words] = None
    for words in found.values():
        first, *more = words
        told = [f"{first}, and {len(more)} more like it"] if len(more) >= _FEW else [first, *more]
        yield from (f"{one}: let both go, or none." for one in told)


def _split(work: Work, form: SplitForm) -> tuple[SplitPlan, dict[str, Any]]:
    """Do it, inside the caller's transaction, and say what was done; and what the event keeps."""
    session = work.session
    source = get_row(session, Customer, form.source_id, "customer")
    if source.merged_into_id is not None:
        raise Stale(f"{source.name} was merged into another customer. Nothing was saved.")
    _require_own(session, form)
    target, is_new = _target(work, form, source)
    before = holdings_of(session, source.id), holdings_of(session, target.id)
    keysets = _single_keysets(session, form)
    inside = _inside(form, {one.id for one in keysets})
    crossing = [tie for tie in ties_of(session, source.id) if tie.crosses(inside)]
    together = tuple(_say_together(tie for tie in crossing if tie.is_live))
    told = tuple(dict.fromkeys(tie.words for tie in crossing if not tie.is_live))
    going = {f"site-{one}" for one in form.sites} | {f"system-{one}" for one in form.systems}
    clashes, problems = name_clashes(session, source.id, target.id, form.names, going.__contains__)
    doors = _doors(session, form)
    site = _site_for(work, form, target) if doors else None
    moves = plan_numbers(session, doors, site, form.numbers)
    problems = (*problems, *(Problem(f"number-{one.door.id}", one.clash) for one in moves if one.clash))
    names = tuple(f"{one.symbol} of {one.system.name}" for one in keysets)
    plan = SplitPlan(
        *(source, target, before, before, clashes, problems, together, told, names, moves, (), (), ()),
    )
    if problems or together:
        return plan, {"to": target.id}
    today = findings_of(work, (source.id, target.id)) if not is_new else FoundOnKeyways(())
    renamed, former = rename(work, clashes)
    came_from = _put_doors(work, moves, site, source, target)
    books = _carry_keysets(work, keysets, target)
    moved = {
        f"{table}.customer_id": sorted(ids)
        for table, ids in (
            ("contacts", form.contacts),
            ("jobs", form.jobs),
            ("key_systems", form.systems),
            ("sites", _with_merged(session, form.sites)),
        )
        if ids
    }
    carry(session, Customer, moved, target.id)
    found = findings_of(work, (target.id,), today.keyways).beside(today) if today.keyways else today
    crossed = {tie.row for tie in crossing} | {
        tie.row for tie in ties_of(session, target.id) if tie.crosses(_came(moved, came_from, books))
    }
    detail: dict[str, Any] = {
        "to": target.id,
        "is_new": is_new,
        "moved": moved,
        "renamed": renamed,
        "former": former,
        "doors": came_from,
        "site": site.id if site is not None else 0,
        "books": books,
        "crossed": sorted(crossed),
    }
    after = holdings_of(session, source.id), holdings_of(session, target.id)
    return replace(plan, after=after, keyways=found.keyways, findings=found.findings, cautions=found.cautions), detail


def _require_own(session: Session, form: SplitForm) -> None:
    """All that is chosen is the customer's, and something is."""
    chosen = (
        (Site, form.sites),
        (KeySystem, form.systems),
        (Job, form.jobs),
        (Contact, form.contacts),
    )
    if not (form.doors or any(ids for _, ids in chosen)):
        raise LedgerError("chosen", "Choose what goes: a site, key systems, doors, jobs or contacts.")
    for table, ids in chosen:
        own = sa.select(sa.func.count()).select_from(table).where(table.customer_id == form.source_id)
        if session.scalar(own.where(table.id.in_(ids))) != len(ids):
            raise Stale("Something that was chosen is not this customer's any more. Nothing was saved; look again.")


def _target(work: Work, form: SplitForm, source: Customer) -> tuple[Customer, bool]:
    if form.to_id:
        target = get_row(work.session, Customer, form.to_id, "customer")
        if target.id == source.id or target.merged_into_id is not None:
            raise LedgerError("to", "Choose another customer, or enter a new one's name.")
        return target, False
    if not form.name.strip():
        raise LedgerError("name", "Choose the customer to whom this goes, or enter a new one's name.")
    new = CustomerForm(" ".join(form.name.split()), tier=source.tier, tax_place=source.tax_place)
    return insert_customer(work, new), True


def _doors(session: Session, form: SplitForm) -> list[Door]:
    """The doors chosen by themselves; those of a chosen site go with it."""
    rows = sa.select(Door).join(Site).where(Site.customer_id == form.source_id, Site.id.not_in(form.sites))
    rows = rows.order_by(Site.name, sa.func.length(Door.opening_number), Door.opening_number)
    return [door for door in session.scalars(rows) if door.id in form.doors]


def _site_for(work: Work, form: SplitForm, target: Customer) -> Site:
    name = " ".join(form.site_name.split())
    if not name:
        raise LedgerError("site_name", f"Enter the site of {target.name} where the single doors are from now on.")
    return site_named(work, target.id, name)


def _with_merged(session: Session, sites: frozenset[int]) -> set[int]:
    """The sites and those that became part of them: their names go along."""
    return {*sites, *session.scalars(sa.select(Site.id).where(Site.merged_into_id.in_(sites)))}


def _single_keysets(session: Session, form: SplitForm) -> list[Keyset]:
    """Keysets under no master whose every standing cylinder is on a door that goes, from books that stay."""
    rows = (
        sa.select(Keyset, Door.id, Door.site_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(Cylinder, Cylinder.keyset_id == Keyset.id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .where(
            KeySystem.customer_id == form.source_id,
            KeySystem.levels == 1,
            KeySystem.id.not_in(form.systems),
            Keyset.level == Level.SINGLE,
            Cylinder.state != CylinderState.REMOVED,
        )
        .order_by(Keyset.id, Cylinder.id)
    )
    goes: dict[Keyset, bool] = {}
    for keyset, door_id, site_id in session.execute(rows):
        is_going = door_id in form.doors or site_id in form.sites
        goes[keyset] = goes.get(keyset, True) and is_going
    return [keyset for keyset, is_going in goes.items() if is_going]


def _inside(form: SplitForm, keysets: set[int]) -> Callable[[End], bool]:
    def inside(end: End) -> bool:
        match end.kind:
            case "job":
                return end.id in form.jobs
            case "site":
                return end.id in form.sites
            case "door":
                return end.id in form.doors or end.part_of in form.sites
            case "keyset":
                return end.id in keysets or end.part_of in form.systems
        return end.id in form.systems

    return inside


def _came(
    moved: Mapping[str, Sequence[int]], doors: Mapping[str, Any], books: Sequence[Mapping[str, Any]]
) -> Callable[[End], bool]:
    """Whether a thing is among what came over by a split, as its event keeps it."""
    ids = {name: frozenset(moved.get(f"{name}.customer_id", ())) for name in ("sites", "jobs", "key_systems")}
    single = frozenset(int(one) for one in doors)
    form = SplitForm(0, 0, sites=ids["sites"], jobs=ids["jobs"], systems=ids["key_systems"], doors=single)
    return _inside(form, {one for book in books for one in book["keysets"]})


def _put_doors(
    work: Work, moves: Sequence[DoorMove], site: Site | None, source: Customer, target: Customer
) -> dict[str, list[Any]]:
    """Put single doors at the other customer's site; door → its site and number before, and its number now."""
    if site is None:
        return {}
    told: dict[str, list[Any]] = {}
    by_site: dict[int, list[DoorMove]] = {}
    for one in moves:
        told[str(one.door.id)] = [one.door.site_id, one.door.opening_number, one.number]
        by_site.setdefault(one.door.site_id, []).append(one)
    for site_id in sorted(by_site):
        left = work.session.get_one(Site, site_id)
        doors = counted(len(by_site[site_id]), "door")
        words = f"{doors} of {source.name}, {left.name} went to {target.name}, {site.name}"
        put_doors(work, by_site[site_id], left, site, words, is_split=True)
    return told


def _carry_keysets(work: Work, keysets: Sequence[Keyset], target: Customer) -> list[dict[str, Any]]:
    """Put single keysets into a book of their own at the other customer's, each with its bitting and its keys."""
    books: list[dict[str, Any]] = []
    for system_id in dict.fromkeys(one.system_id for one in keysets):
        old = work.session.get_one(KeySystem, system_id)
        mine = [one for one in keysets if one.system_id == system_id]
        form = SystemForm(
            target.id,
            _free_name(work.session, target.id, old),
            *(1, old.keyway, old.chambers),
            records=old.records,
            owner_of_record=old.owner_of_record,
        )
        new = add_system_row(work, form)
        _rebind(work, mine, old, new)
        ids = [one.id for one in mine]
        words = f"{counted(len(mine), 'keyset')} from {old.name}: {', '.join(one.symbol for one in mine[:12])}"
        book: dict[str, Any] = {"from": old.id, "to": new.id, "keysets": ids}
        record(work, BROUGHT, f"key system {new.id}", words, **book)
        books.append(book)
    return books


def _free_name(session: Session, customer_id: int, old: KeySystem) -> str:
    taken = set(session.scalars(sa.select(KeySystem.name).where(KeySystem.customer_id == customer_id)))
    names = (old.name, f"{old.name[:60]} (of {old.customer.name[:50]})")
    return next((name for name in names if name not in taken), f"{old.name[:90]} ({old.id})")


def _rebind(work: Work, keysets: Sequence[Keyset], old: KeySystem, new: KeySystem) -> None:
    """Have keysets stand in another system, their bittings sealed for it."""
    session = work.session
    ids = [one.id for one in keysets]
    lost = sa.select(Loss.id).where(Loss.keyset_id.in_(ids), Loss.closed_at.is_(None))
    if session.scalar(lost.limit(1)) is not None:
        raise LedgerError("chosen", "A loss of keys of these doors is open: close it before they are parted.")
    opened = open_bittings(session, work.vault, [old], ids)
    session.execute(sa.delete(Bitting).where(Bitting.keyset_id.in_(ids)))
    for keyset in keysets:
        keyset.system_id = new.id
    session.flush()
    session.expire_all()
    seal_bittings(work, new, [(one, opened[one.id]) for one in keysets if one.id in opened])
    session.execute(sa.update(Loss).where(Loss.keyset_id.in_(ids)).values(system_id=new.id))
    session.flush()
    session.expire_all()


@dataclass(frozen=True, slots=True)
class SplitUndoPlan:
    """What undoing a split does. why_not: sentences, where it cannot be undone."""

    event: Event
    source: Customer
    target: Customer
    before: tuple[Holdings, Holdings]
    after: tuple[Holdings, Holdings]
    why_not: tuple[str, ...]


def plan_unsplit(work: Work, event_id: int) -> SplitUndoPlan:
    """What taking a split of a customer back would do, and why it cannot be; owner only."""
    work.require_owner()
    session, event = work.session, event_of_kind(work.session, event_id, (CUSTOMER_SPLIT,), "split of a customer")
    source, target = _both(session, event)
    why_not = _why_not(session, event, source, target)
    before = holdings_of(session, source.id), holdings_of(session, target.id)
    after = before
    if not why_not:
        with trial(session):
            _unsplit(work, event, source, target)
            after = (
                holdings_of(session, source.id),
                Holdings() if event.detail["is_new"] else holdings_of(session, target.id),
            )
        source, target = _both(session, event)
    return SplitUndoPlan(event, source, target, before, after, tuple(why_not))


def _both(session: Session, event: Event) -> tuple[Customer, Customer]:
    source_id = int(event.subject.removeprefix("customer "))
    if session.get(Customer, event.detail["to"]) is None:
        raise LedgerError("", "This split was undone already.")
    return get_row(session, Customer, source_id, "customer"), session.get_one(Customer, event.detail["to"])


def _why_not(session: Session, event: Event, source: Customer, target: Customer) -> list[str]:
    detail = event.detail
    if is_undone(session, event, SPLIT_UNDONE):
        return ["This split was undone already."]
    for one in (source, target):
        if one.merged_into_id is not None:
            return [f"{one.name} was merged into another customer since: undo that first."]
    astray = gone_astray(session, Customer, detail["moved"], target.id)
    doors = set(session.scalars(sa.select(Door.id).where(Door.site_id == detail["site"])))
    astray += [f"doors {one}" for one in detail["doors"] if int(one) not in doors]
    if astray:
        return [say_astray("went", astray)]
    inside = _came(detail["moved"], detail["doors"], detail["books"])
    own = _own_things(session, event, target) if detail["is_new"] else ()
    return say_grown(event, "split", ties_of(session, target.id), inside, own)


def _own_things(session: Session, event: Event, target: Customer) -> list[str]:
    """What the customer that the split began has got since: it would be left behind."""
    detail = event.detail
    made = {"sites.customer_id": {detail["site"]}, "key_systems.customer_id": {one["to"] for one in detail["books"]}}
    words = []
    for column, ids in owned_rows(session, Customer, target.id).items():
        own = set(ids) - set(detail["moved"].get(column, ())) - made.get(column, set())
        if own:
            what = column.partition(".")[0].replace("_", " ").removesuffix("s")
            words.append(
                f"{target.name} has {counted(len(own), what)} of its own since: merge it into the other instead."
            )
    known = {one for book in detail["books"] for one in book["keysets"]}
    books = [one["to"] for one in detail["books"]]
    added = set(session.scalars(sa.select(Keyset.id).where(Keyset.system_id.in_(books)))) - known
    if added:
        words.append(f"{target.name} has {counted(len(added), 'keyset')} of its own since.")
    return words


def _unsplit(work: Work, event: Event, source: Customer, target: Customer) -> None:
    """Put everything back, inside the caller's transaction."""
    session, detail = work.session, event.detail
    carry(session, Customer, detail["moved"], source.id)
    for book in detail["books"]:
        old, new = (session.get_one(KeySystem, book[one]) for one in ("from", "to"))
        rows = sa.select(Keyset).where(Keyset.id.in_(book["keysets"])).order_by(Keyset.id)
        _rebind(work, session.scalars(rows).all(), new, old)
        left = sa.select(Keyset.id).where(Keyset.system_id == new.id).limit(1)
        if session.scalar(left) is None:
            session.delete(session.get_one(KeySystem, book["to"]))
            session.flush()
    name_back(session, detail["renamed"], detail["former"])
    by_site: dict[int, dict[Door, str]] = {}
    for door_id, (site_id, number, became) in detail["doors"].items():
        door = session.get_one(Door, int(door_id))
        back = number if door.opening_number == became else door.opening_number
        by_site.setdefault(site_id, {})[door] = back
    for site_id, numbers in by_site.items():
        site = session.get_one(Site, site_id)
        wanted = {door.id: number for door, number in numbers.items()}
        clashes = [one.clash for one in plan_numbers(session, list(numbers), site, wanted) if one.clash]
        if clashes:
            raise LedgerError("", " ".join(clashes))
        number_doors(session, numbers, site)
        told: dict[str, Any] = {"doors": {str(one): {} for one in wanted}, "from": detail["site"], "to": site_id}
        words = f"{counted(len(wanted), 'door')} back from {target.name}: the split is undone"
        record(work, DOORS_CAME, f"site {site_id}", words, **told)
    session.flush()
    session.expire_all()
    if detail["is_new"]:
        if detail["site"] and is_empty(session, made := session.get_one(Site, detail["site"])):
            session.delete(made)
            session.flush()
        session.execute(sa.delete(FormerName).where(FormerName.customer_id == target.id))
        session.delete(session.get_one(Customer, target.id))
    session.flush()


def unsplit_customer(work: Work, event_id: int, version: int) -> Customer:
    """Put what was parted back with the customer it came from; owner only. A customer that the split began is gone.

    `version`: of the customer it came from, as shown. LedgerError with what has grown on it since; Stale.
    """
    work.require_owner()
    with transaction(work.session):
        event = event_of_kind(work.session, event_id, (CUSTOMER_SPLIT,), "split of a customer")
        source, target = _both(work.session, event)
        if source.version != version:
            raise Stale()
        if why_not := _why_not(work.session, event, source, target):
            raise LedgerError("", " ".join(why_not))
        name = target.name
        _unsplit(work, event, source, target)
        said = f"Undone: what went to {name} is back with {source.name}"
        record(work, SPLIT_UNDONE, f"customer {source.id}", said, undoes=event.id)
        if not event.detail["is_new"]:
            record(work, SPLIT_UNDONE, f"customer {target.id}", said)
        return source
