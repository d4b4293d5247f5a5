"""Use case: an accepted quote becomes doors, cylinders, keysets with bittings, and keys to cut."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import joinedload

from app.errors import Problem, Problems
from app.fitting import CylinderAttributes, words
from app.keying import KeyingError, read_operators
from app.ledger.keys.keys import order_keys
from app.ledger.keys.loss_plans import put_plan_on_record
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.authority import require_job_authority
from app.ledger.keysystems.construction import ConstructionWay
from app.ledger.keysystems.crosskeying import insert_operators, require_lost_keys_stay_out
from app.ledger.keysystems.keysets import find_master
from app.ledger.keysystems.out_of_use import require_none_retired_above
from app.ledger.keysystems.planned_doors import planned_at
from app.ledger.keysystems.reserves import ANY_DOOR, belongs, reserves_of
from app.ledger.keysystems.system_queries import sections_of, symbol_on
from app.ledger.quoting.allocation import Allotment, KeysetAllotter, split_nmk
from app.ledger.quoting.line_supply import RequestSupply
from app.ledger.quoting.loss_lines import remark_on_cylinder
from app.ledger.quoting.lost_keys import require_none_lost_of_job
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.promises import promise_from
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.quoting import rates_moved
from app.ledger.quoting.rekeying import hanging, keep_what_it_is, on_door
from app.ledger.quoting.request import LineRequest, QuoteRequest, split_selective
from app.ledger.quoting.snapshot import OPTIONS, QuoteSnapshot, SnapshotLine, as_accepted, read_snapshot
from app.ledger.quoting.sold_lines import put_sold_lines
from app.ledger.sites.customers import site_named
from app.ledger.sites.door_paste import DoorRow
from app.ledger.sites.doors import upsert_door, with_remarks
from app.ledger.stock.needs import make_needs
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Door,
    Job,
    JobLine,
    Key,
    Keyset,
    KeySystem,
    LineKind,
    Loss,
    Maker,
    QuoteRevision,
    RecordsHolder,
    Reminder,
    Role,
    Site,
    Stage,
)
from app.pricing import KeyingKind
from app.validation import counted, fault_of_length, first_of

_MOST_NAMED = 12
SINCE_CHANGED = "What accepting does has changed since this page was made: look at it again, then press once more."


@dataclass(frozen=True, slots=True)
class AcceptForm:
    """Who accepted what, and the doors.

    doors: in the order of the quote's cylinders, a row a cylinder; fewer rows leave the last cylinders
    without a door. Cylinders that a line rekeys where they hang are on their doors, and take no row.
    site_name: the site of the doors where the job has none yet, one of its customer's or a new one.
    version: the job's, as read.
    override_reason: why the owner of the house goes on where a key system's owner gave no written authority.
    lost_reason: why the owner of the house goes on where a lost key opens the new cylinders.
    option: A or B of a quote that offers two ways, "" of one that does not.
    takes_places: the sentence that asked whether the new cylinders take the places of others, where somebody agreed.
    takes_reserve: the same of changes that are kept back for other doors, and of reserves that are used up.
    seen: the marks of the plans that were looked at, "" where nobody looked: another one is not carried out unseen.
    """

    accepted_by: str
    accepted_on: date
    version: int
    po_number: str = ""
    site_name: str = ""
    doors: tuple[DoorRow, ...] = ()
    option: str = ""
    override_reason: str = ""
    lost_reason: str = ""
    seen: str = ""
    takes_places: str = ""
    takes_reserve: str = ""


def accept_quote(work: Work, job_id: int, form: AcceptForm) -> Job:
    """Turn the newest revision of a quoted job into work: all of it or, on any error, nothing.

    Raises LedgerError on the field at fault, NoBittingsLeft when a system cannot hold what was sold, Stale
    when somebody changed the job in between.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", form.version)
        if job.stage is not Stage.QUOTED:
            raise LedgerError("stage", f"Only a quoted job can be accepted; this one is {job.stage.word}.")
        revision = newest_revision(work, job)
        offered = read_snapshot(revision.snapshot)
        _check_form(work, form, revision)
        _check_option(form, offered)
        snapshot = as_accepted(offered, form.option)
        if form.seen and plan_again(work, snapshot).plan.mark not in form.seen.split():
            raise LedgerError("", SINCE_CHANGED)
        job.promised_on = promise_from(work, snapshot, form.accepted_on).on
        if why := rates_moved(work, snapshot, job.promised_on):
            raise LedgerError("accepted_on", why)
        ask = asked_in(work.session, snapshot)
        rows = _as_planned(work, _site(work, job, form), ask, _rows_by_line(ask, form.doors))
        rows, drawn = _from_reserves(work, job, ask, rows, form.takes_reserve)
        plan = _require_plan(work, snapshot, rows)
        allotter = KeysetAllotter(work, job, ask, snapshot.keying, plan)
        _carry_out(allotter, snapshot, form, rows)
        number = quote_number(job.number, revision.revision)
        require_job_authority(work, job, f"accepted quote {number}", form.override_reason)
        require_none_lost_of_job(work, job, ask, form.lost_reason)
        job.stage = Stage.APPROVED
        job.accepted_by, job.accepted_on, job.po_number = form.accepted_by.strip(), form.accepted_on, form.po_number
        _agree(job, form, snapshot)
        put_sold_lines(work.session, job, snapshot)
        supply = RequestSupply(work, ask, ask.lines)
        make_needs(work, job, supply.wants(snapshot.keying, plan, job.promised_on or job.need_by))
        said = f", option {form.option}, {snapshot.where}" if form.option else ""
        if drawn:
            taken = "; ".join(
                f"{opening} takes {symbol} of the reserve for {name}" for opening, symbol, name in drawn
            )
            record(work, "reserve used", f"job {job.number}", taken[:1000], job_id=job.id)
        record(
            work,
            "quote accepted",
            f"job {job.number}",
            f"Quote {number} accepted by {job.accepted_by}{said}",
            job_id=job.id,
            revision=revision.revision,
            option=form.option,
            po_number=form.po_number,
            doors=len({row.opening for row in form.doors if row.opening}),
            cylinders=sum(line.quantity for line in ask.lines if line.kind.is_keyed),
        )
        return job


def _rows_by_line(ask: QuoteRequest, doors: Sequence[DoorRow]) -> dict[int, list[DoorRow]]:
    """The door list's row of each cylinder that wants a door, by its line; an empty one where the list is shorter."""
    lines = {n: line for n, line in enumerate(ask.lines, start=1) if line.kind.is_keyed and not line.standing}
    _check_doors(doors, sum(line.quantity for line in lines.values()))
    rows = iter(doors)
    return {
        n: [_with_selective(next(rows, DoorRow(row=0)), line.keying.selective) for _ in range(line.quantity)]
        for n, line in lines.items()
    }


def _with_selective(row: DoorRow, of_line: str) -> DoorRow:
    """The row with the selective master that its keyset names in parentheses, or its line, among its operators."""
    symbol, named = split_selective(row.keyset)
    further = " ".join(filter(None, (row.operated_by, named or of_line)))
    return replace(row, keyset=symbol, operated_by=further)


def _as_planned(
    work: Work, site_id: int | None, ask: QuoteRequest, rows: Mapping[int, Sequence[DoorRow]]
) -> dict[int, list[DoorRow]]:
    """The rows with the keysets and operators of their doors' planned cylinders where the rows do not say others."""
    openings = [row.opening for listed in rows.values() for row in listed if row.opening]
    planned = planned_at(work.session, site_id, openings) if site_id else {}
    system = ask.system.existing_id if ask.system else None

    def filled(row: DoorRow) -> DoorRow:
        there = planned.get((row.opening, (row.position or "outside").casefold()))
        own = there.keyset if there is not None else None
        if there is None or own is None or own.system_id != system or row.keyset not in ("", own.symbol):
            return row
        symbols = " ".join((own.symbol, *(one.keyset.symbol for one in there.operators)))
        named = symbol_on(own.symbol, [], is_nmk=there.is_nmk)
        return replace(row, keyset=named, operated_by=row.operated_by or symbols)

    return {number: [filled(row) for row in listed] for number, listed in rows.items()}


def _from_reserves(
    work: Work, job: Job, ask: QuoteRequest, rows: Mapping[int, Sequence[DoorRow]], agreed: str
) -> tuple[dict[int, list[DoorRow]], list[tuple[str, str, str]]]:
    """The rows with the changes that are kept back for their doors where they name none, and those: door, change,
    for what. A change that is kept for others, and a reserve that is used up, are asked on `takes_reserve`.
    """
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system and ask.system.existing_id else None
    kept = reserves_of(work.session, system) if system is not None else ()
    filled, drawn, asked = {number: [*listed] for number, listed in rows.items()}, list[tuple[str, str, str]](), []
    if system is None or not kept:
        return filled, drawn
    named = {split_nmk(own_symbol(row))[0] for listed in rows.values() for row in listed}
    left = {(one.name, one.master): [s for s in one.symbols if s not in named] for one in kept}
    site = work.session.get(Site, job.site_id) if job.site_id else None
    for number, listed in filled.items():
        keying = ask.lines[number - 1].keying
        if not keying.kind.is_master_keyed:
            continue
        master = find_master(work, system, keying.master).symbol
        for place, row in enumerate(listed):
            known = _door_at(work, job.site_id, row.opening)
            location = row.location or (known.location if known else "")
            mine = [one for one in kept if belongs(one.name, row.opening, location, site.name if site else "")]
            symbol = split_nmk(own_symbol(row))[0]
            if symbol:
                other = next((one for one in kept if symbol in one.symbols and one not in mine), None)
                if other is not None and other.name != keying.reserve_name:
                    asked.append(f"{symbol} is kept for {other.name}, and {row.opening or 'no door'} is not of it")
            elif row.opening and not keying.reserve:
                own = next((one for one in mine if one.master == master and one.name != ANY_DOOR), None)
                if own is not None and left[own.name, master]:
                    listed[place] = replace(row, keyset=left[own.name, master].pop(0))
                    drawn.append((row.opening, listed[place].keyset, own.name))
                elif own is not None:
                    asked.append(f"the reserve for {own.name} is used up, so {row.opening} takes a free change")
    few = "; ".join(asked[:_MOST_NAMED])
    told = f"{few[:1].upper()}{few[1:]}. Tick that it is meant, and press again."
    if asked and agreed != told:
        raise LedgerError("takes_reserve", told)
    return filled, drawn


def _door_at(work: Work, site_id: int | None, opening: str) -> Door | None:
    rows = sa.select(Door).where(Door.site_id == site_id, Door.opening_number == opening)
    return work.session.scalar(rows) if site_id and opening else None


def _require_plan(work: Work, snapshot: QuoteSnapshot, rows: Mapping[int, Sequence[DoorRow]]) -> Plan:
    """The plan made again, with the keysets that the doors name; what stands against it is raised."""
    named = {number: [split_nmk(own_symbol(row))[0] for row in listed] for number, listed in rows.items()}
    today = plan_again(work, snapshot, named)
    if snapshot.ask.get("loss_id") is not None and _keyed_to(today.plan) != _keyed_to(snapshot.plan):
        told = "The plan for this loss was made anew since the quote was issued: issue a revision of it."
        raise LedgerError("", told)
    if today.problems and today.problems[0].field != "doors":
        raise LedgerError(today.problems[0].field, today.problems[0].message)
    if today.problems:
        raise Problems([one for one in today.problems if one.field == "doors"])
    return today.plan


def _keyed_to(plan: Plan) -> list[tuple[int, list[str], list[tuple[str, ...]]]]:
    return [
        (one.number, [keyset.symbol for keyset in one.keysets], [keyset.operators for keyset in one.keysets])
        for one in plan.lines
    ]


def _carry_out(
    allotter: KeysetAllotter, snapshot: QuoteSnapshot, form: AcceptForm, rows: Mapping[int, Sequence[DoorRow]]
) -> None:
    """Put on record what was sold, inside the caller's transaction: lines, cylinders with their keysets, keys."""
    work, job, ask = allotter.work, allotter.job, allotter.ask
    if ask.loss_id is not None:
        put_plan_on_record(work, get_row(work.session, Loss, ask.loss_id, "loss"))
    printed = {line.label: line for line in snapshot.lines}
    for number, (line, typed) in enumerate(zip(ask.lines, snapshot.ask["lines"], strict=True), start=1):
        shown = printed[str(number)]
        work.session.add(
            JobLine(
                job_id=job.id,
                number=number,
                kind=line.kind.value,
                description=shown.words,
                part_number=shown.part_number,
                quantity=line.quantity,
                unit_cents=shown.unit_cents,
                ask=typed,
            )
        )
    _add_cylinders(allotter, printed, form, rows)
    work.session.flush()
    allotter.key_site()
    order_keys(work, allotter.keys(), job.id)
    _note_hand_over_day(work, job, ask)
    work.session.flush()
    systems = allotter.systems(one.system for line in allotter.plan.lines for one in line.keysets)
    ours = [system for system in systems if system.records is RecordsHolder.SHOP]
    prove_no_interchange(work, ours)
    _require_lost_keys_stay_out(work, job, ours)


def _note_hand_over_day(work: Work, job: Job, ask: QuoteRequest) -> None:
    """Have a building that is construction keyed be told of on the day that it is handed over, by the day page, and
    have its construction keys be due back then.
    """
    day = ask.system.handed_over_on if ask.system and ask.system.construction else None
    if day is None:
        return
    for key in work.session.scalars(sa.select(Key).where(Key.job_id == job.id).options(joinedload(Key.keyset))):
        if key.keyset.level.is_of_construction:
            key.due_back = day
    if work.actor.user_id is None:
        return
    words = "The building is handed over: make the construction key dead, call its keys in"
    if ask.system and ask.system.construction is ConstructionWay.CORES:
        words = "The building is handed over: swap the construction cores, have them and their keys back"
    work.session.add(
        Reminder(due_on=day, words=words, role=Role.COUNTER, job_id=job.id, made_by_id=work.actor.user_id)
    )


def _require_lost_keys_stay_out(work: Work, job: Job, systems: Sequence[KeySystem]) -> None:
    rows = sa.select(Cylinder).where(Cylinder.job_id == job.id).options(joinedload(Cylinder.keyset))
    cylinders = work.session.scalars(rows.order_by(Cylinder.id)).all()
    by_id = {keyset.id: keyset for system in systems for keyset in system.keysets}
    for one in cylinders:  # a planned door may be keyed under a master that was left out of the doors since
        if one.keyset is not None and one.keyset_id in by_id and not one.is_nmk:
            require_none_retired_above(one.keyset, by_id, "doors")
    for keyways, system in {sections_of(one): one for one in systems}.items():
        there = [one for one in cylinders if one.keyset and sections_of(one.keyset.system) == keyways]
        require_lost_keys_stay_out(work, system, there, "doors")


def newest_revision(work: Work, job: Job) -> QuoteRevision:
    """The job's newest quote revision; NotFound when it was never quoted."""
    revision = work.session.scalar(
        sa.select(QuoteRevision)
        .where(QuoteRevision.job_id == job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
    )
    if revision is None:
        raise NotFound("quote of this job")
    return revision


def _check_form(work: Work, form: AcceptForm, revision: QuoteRevision) -> None:
    if not form.accepted_by.strip():
        raise LedgerError("accepted_by", "Enter the name of the person who accepted the quote.")
    for field, text, limit in (("accepted_by", form.accepted_by, 120), ("po_number", form.po_number, 60)):
        if fault := fault_of_length(text, limit):
            raise LedgerError(field, fault)
    if form.accepted_on > work.today:
        raise LedgerError("accepted_on", "The day of acceptance cannot lie ahead; enter today or an earlier day.")
    if form.accepted_on < revision.issued_at.astimezone().date():
        raise LedgerError("accepted_on", "The day of acceptance lies before the quote was issued.")
    if form.accepted_on > revision.valid_until:
        raise LedgerError(
            "accepted_on",
            f"This quote was valid until {revision.valid_until:%d %b %Y}: issue a new revision at today's prices "
            "(Re-quote, on the quote's page).",
        )


def _check_option(form: AcceptForm, offered: QuoteSnapshot) -> None:
    if offered.option_b is None and form.option:
        raise LedgerError("option", "This quote offers one way only; accept it as it is.")
    if offered.option_b is not None and form.option not in OPTIONS:
        raise LedgerError("option", "This quote offers two ways: choose the option that was accepted, A or B.")


def _agree(job: Job, form: AcceptForm, snapshot: QuoteSnapshot) -> None:
    """The job becomes what was accepted: its price and place are the option's."""
    job.accepted_option, job.agreed_cents = form.option, snapshot.totals.total_cents
    job.deposit_cents = snapshot.deposit_cents
    if form.option == "B":
        job.value_cents, job.cost_cents = snapshot.totals.subtotal_cents, snapshot.cost_cents
        job.bench_minutes, job.keyed_at = snapshot.bench_minutes or 0, snapshot.keyed_at


def _check_doors(doors: Sequence[DoorRow], cylinders: int) -> None:
    if len(doors) > cylinders:
        raise LedgerError(
            "doors",
            f"There {'is' if len(doors) == 1 else 'are'} {counted(len(doors), 'row')}, but only "
            f"{counted(cylinders, 'cylinder')} on this quote to get a door. Give a row a cylinder.",
        )
    problems = [
        Problem("doors", f"Row {row.row}, opening: a location or a lock needs an opening number beside it.")
        for row in doors
        if not row.opening and (row.location or row.lock)
    ]
    if problems:
        raise Problems(problems)


def _add_cylinders(
    allotter: KeysetAllotter,
    printed: Mapping[str, SnapshotLine],
    form: AcceptForm,
    rows: Mapping[int, Sequence[DoorRow]],
) -> None:
    """Every cylinder with its keyset: on the door of its row in the list, or where it hangs. Who else operates those
    that hang does so still.
    """
    work, job, ask = allotter.work, allotter.job, allotter.ask
    site_id = job.site_id
    makers = dict(work.session.execute(sa.select(Maker.code, Maker.id)).all())
    held: list[str] = []
    for number, line in enumerate(ask.lines, start=1):
        if not line.kind.is_keyed:
            continue
        shown = printed[str(number)]
        if line.standing:
            hung = hanging(work.session, job.customer_id, ask, line)
            job.site_id = job.site_id or next((one.door.site_id for one in hung if one.door), None)
            allotments = allotter.rekey(line, hung)
            rekeyed = [
                _cylinder(job, number, line, shown, allotment, makers, there.position, there.door, there)
                for allotment, there in zip(allotments, hung, strict=True)
            ]
            work.session.add_all(rekeyed)
            work.session.flush()
            for cylinder, allotment, there in zip(rekeyed, allotments, hung, strict=True):
                if cylinder is not there and allotment.further:
                    insert_operators(work, cylinder.id, allotment.further)
            continue
        allotments = allotter.allot(number, line, [own_symbol(row) for row in rows[number]])
        for row, allotment in zip(rows[number], allotments, strict=True):
            door = upsert_door(work, site_id, row) if row.opening and site_id else None
            position = row.position or "outside"
            here = _there(door, position)
            stood = next((one for one in here if one.is_planned), None)  # it becomes the job's
            if stood is not None and not _is_as_planned(stood, row, allotment):
                held += _held(work, row, position, [stood])
                stood.operators.clear()
            elif line.kind is LineKind.REKEY:
                stood = stood or on_door(door, position)
            held += _held(work, row, position, [one for one in here if one is not stood])
            cylinder = _cylinder(job, number, line, shown, allotment, makers, position, door, stood)
            if line.kind is LineKind.REKEY and (hangs := on_door(door, position)) is not None and hangs is not stood:
                keep_what_it_is(cylinder, hangs, line.attributes or CylinderAttributes(""))
            work.session.add(cylinder)
            _cross_door(work, cylinder, row, allotment.keyset)
    if not held:
        return
    told = f"{first_of(held, _MOST_NAMED, '; ')}. Tick that the new ones take their places, and press again."
    if form.takes_places != told:
        raise LedgerError("takes_places", told)


def _there(door: Door | None, position: str) -> list[Cylinder]:
    """What is at a place on a door, and what other jobs are to bring there."""
    there = door.cylinders if door is not None else []
    return [
        one
        for one in there
        if one.state is not CylinderState.REMOVED and one.position.casefold() == position.casefold()
    ]


def _held(work: Work, row: DoorRow, position: str, there: Sequence[Cylinder]) -> list[str]:
    """What holds a place on a door already, in words."""
    place = row.opening if position == "outside" else f"{row.opening} {position}"
    said = []
    for one in there:
        keyed = f" on {one.keyset.symbol}" if one.keyset else ""
        if one.is_planned:
            further = ", ".join(operator.keyset.symbol for operator in one.operators)
            said.append(f"{place} is planned{keyed}" + (f", operated by {further} too" if further else ""))
        elif one.state is CylinderState.FITTED or one.job_id is None:
            said.append(f"{place} has a cylinder{keyed}")
        else:
            said.append(f"{place} gets a cylinder{keyed} from job {work.session.get_one(Job, one.job_id).number}")
    return said


def _is_as_planned(there: Cylinder, row: DoorRow, allotment: Allotment) -> bool:
    """Whether a row keys a door as it was planned: on its keyset, and not without somebody who was to operate it."""
    further = {operator.keyset.symbol for operator in there.operators}
    return there.keyset is allotment.keyset and further <= {*_operating(row)}


def _site(work: Work, job: Job, form: AcceptForm) -> int | None:
    if job.site_id is None and any(row.opening for row in form.doors):
        name = form.site_name.strip()
        if not name:
            raise LedgerError("site_name", "Doors belong to a site: enter the site's name.")
        job.site_id = site_named(work, job.customer_id, name).id
    return job.site_id


def _cylinder(
    job: Job,
    number: int,
    line: LineRequest,
    shown: SnapshotLine,
    allotment: Allotment,
    makers: Mapping[str, int],
    position: str,
    door: Door | None,
    there: Cylinder | None,
) -> Cylinder:
    """The cylinder to be; `there` is the one on record that it is rekeyed from, where there is one, or was planned:
    that becomes the job's.
    """
    # What was sold is what the quote resolved the line to, so a part number's attributes are here too.
    attributes = line.attributes or CylinderAttributes("")
    to_key = line.keying.words if line.keying.kind is KeyingKind.OWN else ""
    remark = line.remark if job.loss_id is None else remark_on_cylinder(line.remark)
    said = {
        "job_id": job.id,
        "line_number": number,
        "door_id": door.id if door else None,
        "position": position,
        "maker_id": makers.get(attributes.maker or line.maker_code),
        "part_number": shown.part_number,
        "words": shown.words[:300] or words(attributes)[:300],
        "type": attributes.type,
        "length": attributes.length,
        "chambers": attributes.chambers,
        "drilled": attributes.drilled,
        "keyway": attributes.keyway or "",
        "cam": attributes.cam or "",
        "tailpiece": attributes.tailpiece or "",
        "finish": attributes.finish or "",
        "keyset_id": allotment.keyset.id if allotment.keyset else None,
        "is_nmk": allotment.is_nmk,
        "remarks": " · ".join(filter(None, (to_key, remark))),
    }
    was_planned = there is not None and there.is_planned
    cylinder = there if there is not None and was_planned else Cylinder()
    if there is not None and was_planned:
        said["remarks"] = with_remarks(there.remarks, str(said["remarks"]), " · ")
    for name, value in said.items():
        setattr(cylinder, name, value)
    if there is not None and not was_planned:
        keep_what_it_is(cylinder, there, attributes)
    return cylinder


def own_symbol(row: DoorRow) -> str:
    """The keyset that a row's door is keyed to; X1X has no key of its own, so the first that operates it.

    >>> own_symbol(DoorRow(1, keyset="X1X", operated_by="2AA, 3AA")), own_symbol(DoorRow(1, keyset="1AA"))
    ('2AA', '1AA')
    """
    listed = _operating(row)
    return listed[0] if listed and re.fullmatch(r"X\d+X", row.keyset.upper()) else row.keyset


def _operating(row: DoorRow) -> tuple[str, ...]:
    try:
        return read_operators(row.operated_by, "doors")
    except KeyingError as error:
        raise LedgerError("doors", f"Row {row.row}, operated by: {error.message}") from error


def _cross_door(work: Work, cylinder: Cylinder, row: DoorRow, keyset: Keyset | None) -> None:
    """Have the row's further keys operate its cylinder."""
    above: set[str] = set()
    step = keyset
    while step is not None:
        above.add(step.symbol)
        step = step.parent
    further = [symbol for symbol in _operating(row) if symbol not in above]
    if not further:
        return
    if keyset is None:
        raise LedgerError("doors", f"Row {row.row}, operated by: this cylinder is uncombinated.")
    work.session.flush()
    try:
        insert_operators(work, cylinder.id, further)
    except LedgerError as error:
        raise LedgerError("doors", f"Row {row.row}, operated by: {error.message}") from error
