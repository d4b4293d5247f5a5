"""Two customers that are one: what each has, what clashes, what their keys would open; merged, and undone."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.keysystems.auditing import Finding, audit_systems
from app.ledger.keysystems.lost_keysets import open_lost_bittings
from app.ledger.keysystems.pinned import turning
from app.ledger.keysystems.system_queries import (
    cylinders_keyed,
    keyways_beside,
    list_systems,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.merging.holdings import Holdings, holdings_of
from app.ledger.merging.ties import End, say_astray, say_grown, ties_of
from app.ledger.sites.carrying import carry, gone_astray, owned_rows
from app.ledger.sites.customer_queries import get_customer
from app.ledger.sites.former_names import keep_former
from app.ledger.store.engine import get_row, get_version, transaction, trial
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import event_of_kind, is_undone, record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event, FormerName, Keyset, KeySystem, RecordsHolder, Site, longest
from app.validation import counted, fault_of_length, first_of

CUSTOMERS_MERGED, CUSTOMER_UNMERGED = "customers merged", "merge of customers undone"
MERGED_AWAY = "customer merged away"
FILLED = ("phone", "phone_digits", "email", "address")
"""Fields that the customer who stays takes from the other where it has none; what is sold and taxed by stays."""
MOST_WHY = 500


@dataclass(frozen=True, slots=True)
class NameClash:
    """A site or key system that comes, named as one that is there. box: the field of the name that it gets."""

    box: str  # 'site-12', 'system-3'
    what: str
    name: str
    becomes: str


@dataclass(frozen=True, slots=True)
class MergeForm:
    """Which two, each as read, and what comes of it. names: box of a clash → the name it gets.

    reason: the owner's, where keys of the one would open doors of the other.
    """

    kept: tuple[int, int]
    gone: tuple[int, int]
    names: Mapping[str, str] = field(default_factory=dict)
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CustomerMergePlan:
    """Two customers before, the one after, the names that clash, and what the audit would find beside today.

    keyways: those on which both have key systems, so that the keys of either enter the cylinders of the other.
    cautions: what would open a cylinder once one is keyed to a keyset that is on none; they stop nothing.
    filled: what the one who stays takes from the other; unlike: fields in which they differ, as (field, kept, gone).
    """

    kept: Customer
    gone: Customer
    before: tuple[Holdings, Holdings]
    after: Holdings
    clashes: tuple[NameClash, ...]
    problems: tuple[Problem, ...]
    keyways: tuple[str, ...]
    findings: tuple[Finding, ...]
    cautions: tuple[Finding, ...]
    filled: tuple[str, ...]
    unlike: tuple[tuple[str, str, str], ...]


def plan_merge(work: Work, form: MergeForm) -> CustomerMergePlan:
    """What making two customers one would do; owner only. Nothing is saved: it is done, looked at, and undone.

    LedgerError on `gone` where the two cannot be merged at all.
    """
    work.require_owner()
    with trial(work.session):
        plan, _ = _merge(work, form, _pair(work, form))
    kept, gone = (get_customer(work.session, one) for one, _ in (form.kept, form.gone))
    return replace(plan, kept=kept, gone=gone)


def merge_customers(work: Work, form: MergeForm) -> Customer:
    """Make two customers one; owner only. The one who stays has everything; the other's page leads there.

    Papers that were issued keep the name of their day. Problems by name that clashes, LedgerError on `gone`, and on
    `reason` where keys of the one would open doors of the other and the owner has not said why that may be; Stale.
    """
    work.require_owner()
    with transaction(work.session):
        for one, version in (form.kept, form.gone):
            get_version(work.session, Customer, one, "customer", version)
        pair = _pair(work, form)
        plan, detail = _merge(work, form, pair)
        if plan.problems:
            raise Problems(plan.problems)
        reason = reason_for(form.reason, plan.findings)
        kept, gone = pair
        what = counted(plan.before[1].jobs, "job"), counted(plan.before[1].doors, "door")
        summary = f"{gone.name} merged into {kept.name}: {' and '.join(what)} came over"
        if plan.findings:
            summary += f"; the audit finds {counted(len(plan.findings), 'thing')} more. Reason to go on: {reason}"
        record(work, CUSTOMERS_MERGED, f"customer {kept.id}", summary, **detail)
        record(work, MERGED_AWAY, f"customer {gone.id}", f"{gone.name} became part of {kept.name}", into=kept.id)
        return kept


def reason_for(text: str, findings: Sequence[Finding]) -> str:
    """Why the owner goes on where the audit would find something."""
    reason = " ".join(text.split())
    if findings and not reason:
        told = f"{findings[0].sentence} Say why that may be, or mend it first."
        raise LedgerError("reason", told)
    if fault := fault_of_length(reason, MOST_WHY):
        raise LedgerError("reason", fault)
    return reason


def _pair(work: Work, form: MergeForm) -> tuple[Customer, Customer]:
    kept, gone = (get_row(work.session, Customer, one, "customer") for one, _ in (form.kept, form.gone))
    if kept.id == gone.id:
        raise LedgerError("gone", "Choose another customer; one is not merged with itself.")
    for one in (kept, gone):
        if one.merged_into_id is not None:
            raise LedgerError("gone", f"{one.name} was merged into another customer already.")
    return kept, gone


def _merge(work: Work, form: MergeForm, pair: tuple[Customer, Customer]) -> tuple[CustomerMergePlan, dict[str, Any]]:
    """Do it, inside the caller's transaction, and say what was done; and what the event keeps."""
    session, (kept, gone) = work.session, pair
    before = holdings_of(session, kept.id), holdings_of(session, gone.id)
    unlike = tuple(_unlike(kept, gone))
    clashes, problems = name_clashes(session, gone.id, kept.id, form.names)
    if problems:
        after = before[0] + before[1]
        return CustomerMergePlan(kept, gone, before, after, clashes, problems, (), (), (), (), unlike), {}
    renamed, former = rename(work, clashes)
    today = findings_of(work, (kept.id, gone.id))
    filled = [name for name in FILLED if getattr(gone, name) and not getattr(kept, name)]
    for name in filled:
        setattr(kept, name, getattr(gone, name))
    notes = _joined(kept.notes, gone.notes)
    has_notes = notes != kept.notes and len(notes) <= longest(Customer.notes)
    if has_notes:
        kept.notes = notes
    moved = owned_rows(session, Customer, gone.id)
    carry(session, Customer, moved, kept.id)
    gone.merged_into_id = kept.id
    session.flush()
    found = findings_of(work, (kept.id,), today.keyways).beside(today)
    detail: dict[str, Any] = {
        "kept": kept.id,
        "gone": gone.id,
        "moved": moved,
        "renamed": renamed,
        "former": former,
        "filled": filled,
        "notes": has_notes,
        "crossed": sorted(_crossed(session, kept.id, side_of(moved))),
    }
    after = holdings_of(session, kept.id)
    plan = CustomerMergePlan(
        *(kept, gone, before, after, clashes, problems),
        *(found.keyways, found.findings, found.cautions),
        *(tuple(name for name in filled if name != "phone_digits"), unlike),
    )
    return plan, detail


def _joined(own: str, others: str) -> str:
    return own if others in own else "\n".join(filter(None, (own, others)))


def _unlike(kept: Customer, gone: Customer) -> list[tuple[str, str, str]]:
    names = ("name", "phone", "email", "address", "tier", "tax_place", "exempt_certificate")
    pairs = ((name, getattr(kept, name), getattr(gone, name)) for name in names)
    return [(name, mine, theirs) for name, mine, theirs in pairs if mine != theirs]


def name_clashes(
    session: Session,
    source_id: int,
    target_id: int,
    names: Mapping[str, str],
    only: Callable[[str], bool] | None = None,
) -> tuple[tuple[NameClash, ...], tuple[Problem, ...]]:
    """The sites and key systems of one customer whose names another has; each with the name that it gets.

    A site, and a book of single keys, is told apart by whose it was. Problems: names that are taken as well.
    `only`: which boxes are looked at, all without.
    """
    source = session.get_one(Customer, source_id)
    clashes, problems = [], []
    for what, table, box in (("site", Site, "site"), ("key system", KeySystem, "system")):
        theirs = session.execute(
            sa.select(table.id, table.name).where(table.customer_id == source_id).order_by(table.name, table.id)
        ).all()
        taken = {*session.scalars(sa.select(table.name).where(table.customer_id == target_id))}
        coming = [row for row in theirs if only is None or only(f"{box}-{row[0]}")]
        free = {name for _, name in coming} | taken
        for row_id, name in coming:
            if name not in taken:
                continue
            key, most = f"{box}-{row_id}", longest(table.name)
            becomes = " ".join(names.get(key, "").split()) or _apart(name, source.name, most)
            if fault := fault_of_length(becomes, most):
                problems.append(Problem(key, fault))
            elif becomes in free:
                told = f"There is a {what} named {becomes} already: enter another name for {name}."
                problems.append(Problem(key, told))
            free.add(becomes)
            clashes.append(NameClash(key, what, name, becomes))
    return tuple(clashes), tuple(problems)


def _apart(name: str, owner: str, most: int) -> str:
    """A name told apart by whose it was, within what the column takes."""
    return f"{name[: most // 2]} (of {owner[: most // 2 - 6]})"


def rename(work: Work, clashes: Sequence[NameClash]) -> tuple[dict[str, list[str]], list[int]]:
    """Give what clashes its name, inside the caller's transaction; box → before and after, and former names kept."""
    former: list[int] = []
    for clash in clashes:
        kind, _, row_id = clash.box.partition("-")
        if kind == "site":
            site = work.session.get_one(Site, int(row_id))
            last = work.session.scalar(sa.select(sa.func.max(FormerName.id))) or 0
            keep_former(work, site, clash.becomes)
            work.session.flush()
            rows = sa.select(FormerName.id).where(FormerName.id > last).order_by(FormerName.id)
            former += work.session.scalars(rows)
            site.name = clash.becomes
        else:
            work.session.get_one(KeySystem, int(row_id)).name = clash.becomes
    work.session.flush()
    return {one.box: [one.name, one.becomes] for one in clashes}, former


def name_back(session: Session, renamed: Mapping[str, Sequence[str]], former: Sequence[int]) -> None:
    """Give what was renamed its name again, where it still has the other; inside the caller's transaction."""
    for box, (name, became) in renamed.items():
        kind, _, row_id = box.partition("-")
        row = session.get(Site, int(row_id)) if kind == "site" else session.get(KeySystem, int(row_id))
        if row is not None and row.name == became:
            row.name = name
    for one in former:
        if (kept := session.get(FormerName, one)) is not None:
            session.delete(kept)
    session.flush()


@dataclass(frozen=True, slots=True)
class FoundOnKeyways:
    """What the audit finds on some keyways: `findings`, and `cautions` of keysets that are on no cylinder."""

    keyways: tuple[str, ...]
    findings: tuple[Finding, ...] = ()
    cautions: tuple[Finding, ...] = ()

    def beside(self, other: "FoundOnKeyways") -> "FoundOnKeyways":
        """What of it is not in the other."""
        known = {*other.findings, *other.cautions}
        more = (tuple(one for one in found if one not in known) for found in (self.findings, self.cautions))
        return FoundOnKeyways(self.keyways, *more)


def findings_of(work: Work, customer_ids: Sequence[int], keyways: Sequence[str] | None = None) -> FoundOnKeyways:
    """What the audit finds on the keyways on which all of these customers have systems whose keys and cylinders go
    into each other (or on `keyways`).

    Nothing is opened where they share none, nor of systems whose bittings the shop does not hold.
    """
    systems = [list_systems(work.session, one) for one in customer_ids]
    if keyways is None:
        near = [{name for one in mine for name in keyways_beside(work.session, sections_of(one))} for mine in systems]
        own = {one.keyway for mine in systems for one in mine}
        keyways = tuple(sorted(name for name in own if all(name in names for names in near)))
    asked = [
        one for mine in systems for one in mine if one.keyway in keyways and one.records is not RecordsHolder.FACTORY
    ]
    if not asked:
        return FoundOnKeyways(tuple(keyways))
    report = audit_systems(work, asked, tries_unkeyed=True)
    return FoundOnKeyways(tuple(keyways), (*report.findings, *_lost_findings(work, asked)), report.interchanging)


def _lost_findings(work: Work, systems: Sequence[KeySystem]) -> Iterator[Finding]:
    """What keys that were lost, and whose keysets have other bittings by now, open of the customers' other systems:
    of losses that are closed, too.
    """
    near = (
        other for one in systems for other in systems_sharing_keyway(work.session, sections_of(one), one.customer_id)
    )
    there = dict.fromkeys(near)
    if not (lost := open_lost_bittings(work, there)):
        return
    cylinders = [cylinder for one in there for cylinder in cylinders_keyed(work.session, one)]
    opened: dict[tuple[Keyset, KeySystem], list[str]] = {}
    for keyset, _, cylinder in turning(work, lost, cylinders):
        other = cylinder.keyset.system if cylinder.keyset is not None else keyset.system
        if other.id != keyset.system_id and other.customer_id == keyset.system.customer_id:
            door = cylinder.door.opening_number if cylinder.door else "a cylinder on no door"
            opened.setdefault((keyset, other), []).append(door)
    for (keyset, other), doors in opened.items():
        yield Finding(
            f"A key of {keyset.symbol} of {keyset.system.name} that was lost, cut as it was then, would open "
            f"{first_of([*dict.fromkeys(doors)], 8)} of {other.name}.",
            "Rekey what it opens.",
        )


def side_of(moved: Mapping[str, Sequence[int]]) -> Callable[[End], bool]:
    """Whether a thing is among the rows that were carried over."""
    ids = {kind: set(moved.get(f"{table}.customer_id", ())) for kind, table in _TABLES.items()}

    def inside(end: End) -> bool:
        if end.kind == "door":
            return end.part_of in ids["site"]
        if end.kind == "keyset":
            return end.part_of in ids["key system"]
        return end.id in ids[end.kind]

    return inside


_TABLES = {"site": "sites", "job": "jobs", "key system": "key_systems"}


def _crossed(session: Session, customer_id: int, inside: Callable[[End], bool]) -> set[str]:
    return {tie.row for tie in ties_of(session, customer_id) if tie.crosses(inside)}


@dataclass(frozen=True, slots=True)
class CustomerUndoPlan:
    """What undoing a merge does: `before` the one, `after` the two. why_not: sentences, where it cannot be undone."""

    event: Event
    kept: Customer
    gone: Customer
    before: Holdings
    after: tuple[Holdings, Holdings]
    why_not: tuple[str, ...]


def plan_unmerge(work: Work, event_id: int) -> CustomerUndoPlan:
    """What taking a merge of customers back would do, and why it cannot be; owner only."""
    work.require_owner()
    session, event = work.session, event_of_kind(work.session, event_id, (CUSTOMERS_MERGED,), "merge of customers")
    kept, gone = (get_row(session, Customer, event.detail[one], "customer") for one in ("kept", "gone"))
    why_not = _why_not(session, event, kept, gone)
    before = holdings_of(session, kept.id)
    after = before, Holdings()
    if not why_not:
        with trial(session):
            _unmerge(session, event, kept, gone)
            after = holdings_of(session, kept.id), holdings_of(session, gone.id)
    return CustomerUndoPlan(event, kept, gone, before, after, tuple(why_not))


def _why_not(session: Session, event: Event, kept: Customer, gone: Customer) -> list[str]:
    moved = event.detail["moved"]
    if gone.merged_into_id is None or is_undone(session, event, CUSTOMER_UNMERGED):
        return ["This merge was undone already."]
    if kept.merged_into_id is not None:
        into = session.get_one(Customer, kept.merged_into_id)
        return [f"{kept.name} was merged into {into.name} since: undo that first."]
    if astray := gone_astray(session, Customer, moved, kept.id):
        return [say_astray("came", astray)]
    return say_grown(event, "merge", ties_of(session, kept.id), side_of(moved))


def _unmerge(session: Session, event: Event, kept: Customer, gone: Customer) -> None:
    """Put everything back, inside the caller's transaction."""
    detail = event.detail
    carry(session, Customer, detail["moved"], gone.id)
    name_back(session, detail["renamed"], detail["former"])
    for name in detail["filled"]:
        if getattr(kept, name) == getattr(gone, name):
            setattr(kept, name, "")
    if detail["notes"] and kept.notes.endswith(gone.notes):
        kept.notes = kept.notes.removesuffix(gone.notes).removesuffix("\n")
    gone.merged_into_id = None
    session.flush()


def unmerge_customers(work: Work, event_id: int, version: int) -> Customer:
    """Make a customer who was merged one of its own again, with what it brought; owner only.

    `version`: of the one who stayed, as shown. LedgerError with what has grown on it since; Stale.
    """
    work.require_owner()
    with transaction(work.session):
        event = event_of_kind(work.session, event_id, (CUSTOMERS_MERGED,), "merge of customers")
        kept = get_version(work.session, Customer, event.detail["kept"], "customer", version)
        gone = get_row(work.session, Customer, event.detail["gone"], "customer")
        if why_not := _why_not(work.session, event, kept, gone):
            raise LedgerError("", " ".join(why_not))
        _unmerge(work.session, event, kept, gone)
        said = f"Undone: {gone.name} is a customer of its own again"
        detail: dict[str, Any] = {"kept": kept.id, "gone": gone.id, "undoes": event.id}
        record(work, CUSTOMER_UNMERGED, f"customer {kept.id}", said, **detail)
        record(work, "customer restored", f"customer {gone.id}", said)
        return gone
