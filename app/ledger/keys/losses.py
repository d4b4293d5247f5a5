"""Losses of keys: reported, on record until by the sealed bittings the lost key turns nothing, and closed.

What stands there decides, not what is on its way. Where the house lacks the bitting, as of a factory's system, the
record alone says what a key opens: by levels, less what a job of the loss has rekeyed.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, contains_eager, joinedload

from app.errors import Problem, Problems
from app.keying import Bitting as Cuts
from app.keying import write_bitting
from app.ledger.keys.calling_in import still_out
from app.ledger.keys.keys import find_copies, find_keyset, put_key, record_keys, require_state
from app.ledger.keys.losing import place_of
from app.ledger.keys.loss_plans import LEFT_OUT, NO_MASTERS
from app.ledger.keys.old_copies import new_copies, old_copies, say_old, say_retired, useless_copies
from app.ledger.keysystems.bittings import lost_context, open_bittings, spec_of
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.lost_keysets import open_loss, open_lost_bitting, operated_by
from app.ledger.keysystems.pinned import Pinned, pins_now, turned_by
from app.ledger.keysystems.retiring import retire_keysets
from app.ledger.keysystems.system_queries import (
    cylinders_keyed,
    operators_of,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.store.engine import Page, get_row, get_version, page_of, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Cylinder,
    CylinderState,
    Door,
    Event,
    Job,
    JobLine,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    Loss,
    Role,
    Site,
    longest,
)
from app.pricing import show_day
from app.validation import WordedEnum, counted, fault_of_length, first_of

KEY_LOST = "key lost"
LOSS_CLOSED = "loss closed"
_NAMED = 8
_MAY_BE_LOST = (KeyState.OUT, KeyState.CUT, KeyState.RETURNED)
_IN_SHOP = (KeyState.ORDERED, KeyState.CUT, KeyState.RETURNED)
_COMING = (CylinderState.ORDERED, CylinderState.PINNED, CylinderState.CHECKED)


class Which(WordedEnum):
    """What somebody knows of the keys that are lost."""

    COPIES = "copies", "These copies"
    UNKNOWN = "unknown", "I do not know which copy, or how many"
    ELSEWHERE = "elsewhere", "A key that this shop never cut"


_NEVER_CUT = "A key that this shop never cut."
_WITH_CUSTOMER = joinedload(Loss.keyset).joinedload(Keyset.system).joinedload(KeySystem.customer)


@dataclass(frozen=True, slots=True)
class LossForm:
    """Keys of a keyset that are lost. `copies`: where `which` says so. since None: nobody knows since when."""

    system_id: int
    symbol: str
    which: Which = Which.COPIES
    copies: tuple[int, ...] = ()
    since: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Turned:
    """Cylinders that a lost key turns, or takes out as a control key."""

    cylinders: tuple[Cylinder, ...]

    @property
    def doors(self) -> int:
        """On how many doors; one that is on no door counts as one."""
        return len({(one.door_id, None if one.door_id else one.id) for one in self.cylinders})

    @property
    def words(self) -> str:
        """How many, for a sentence.

        >>> Turned(()).words, Turned((Cylinder(id=1, door_id=7), Cylinder(id=2, door_id=7))).words
        ('no door', '1 door')
        """
        return counted(self.doors, "door") if self.cylinders else "no door"


@dataclass(frozen=True, slots=True)
class Reported:
    """A loss as reported. `added`: to one that was open; `exposed`: what stands open; `coming`: what is on its way to
    other places and would be turned too; `being_rekeyed`: what a job of a loss does there just now, "" for nothing.
    """

    loss: Loss
    added: bool
    exposed: Turned
    coming: tuple[Cylinder, ...]
    being_rekeyed: str

    @property
    def words(self) -> str:
        """What is on record now, in sentences."""
        symbol, on = self.loss.keyset.symbol, show_day(self.loss.reported_at.astimezone().date())
        if self.added:
            said = f"A loss of {symbol} is open since {on}, and this is added to it. It exposes {self.exposed.words}."
        else:
            said = f"The loss of {symbol} is on record. It exposes {self.exposed.words}."
        coming = f"On the way or planned: {counted(len(self.coming), 'cylinder')} that it would turn too."
        return " ".join(filter(None, (said, coming if self.coming else "", self.being_rekeyed)))


def report_loss(work: Work, form: LossForm) -> Reported:
    """Put on record that keys of a keyset are lost; a second report goes to the loss that is open.

    Raises NotFound (system), LedgerError on `symbol`, `copies`, `since` or `note`, Problems naming each copy that
    cannot be lost, such as one that is lost already; then nothing is recorded.
    """
    work.require(Role.COUNTER, Role.BENCH)
    _check(work, form.since, form.note)
    with transaction(work.session):
        keyset = find_keyset(work, form.system_id, form.symbol)
        keys = find_copies(work, keyset, form.copies) if form.which is Which.COPIES else ()
        note = " ".join(filter(None, (_NEVER_CUT if form.which is Which.ELSEWHERE else "", form.note.strip())))
        return lose_keys(work, keyset, keys, form.since, note)


def lose_key(work: Work, key_id: int, version: int, note: str = "", since: date | None = None) -> Reported:
    """Put on record that a key read at `version` is lost. As `report_loss`, and Stale."""
    work.require(Role.COUNTER, Role.BENCH)
    _check(work, since, note)
    with transaction(work.session):
        key = get_version(work.session, Key, key_id, "key", version)
        return lose_keys(work, key.keyset, (key,), since, note.strip())


def _check(work: Work, since: date | None, note: str) -> None:
    problems = []
    if since is not None and since > work.today:
        problems.append(Problem("since", f"{show_day(since)} has not come yet; enter today or an earlier day."))
    if fault := fault_of_length(note, 500):
        problems.append(Problem("note", fault))
    if problems:
        raise Problems(problems)


def lose_keys(work: Work, keyset: Keyset, keys: Sequence[Key], since: date | None = None, note: str = "") -> Reported:
    """The same inside the caller's transaction. No keys: nobody knows which or how many."""
    require_state(keys, _MAY_BE_LOST, "marked as lost")
    loss = open_loss(work.session, keyset.id)
    added = loss is not None
    copies = [key.copy_number for key in keys]
    if loss is None:
        loss = Loss(system_id=keyset.system_id, keyset=keyset, reported_at=work.now, copies=copies)
        work.session.add(loss)
        work.session.flush()
        _seal_older_bitting(work, loss, keys)
    else:
        _require_old_bitting(work, loss, keys)
        _go_by_record(work, loss, keys)
        loss.copies = sorted({*loss.copies, *copies}) if loss.copies and copies else []
    loss.since = min(filter(None, (loss.since, since)), default=None)
    # What a report has said already is not said again by the next one.
    news = note.removeprefix(_NEVER_CUT).strip() if _NEVER_CUT in loss.note else note
    loss.note = "\n".join(filter(None, (loss.note, news)))[: longest(Loss.note)]
    for key in keys:
        put_key(work, key, KeyState.LOST, holder=key.holder, phone=key.holder_phone)
    work.session.flush()
    exposed = still_turned(work, loss)
    done = Reported(loss, added, exposed, coming_turned(work, loss, exposed), _being_rekeyed(work, loss))
    holders = ", ".join(dict.fromkeys(key.holder for key in keys if key.holder))
    which = f"{keyset.symbol} {say_copies(copies)}" if keys else f"keys of {keyset.symbol}, nobody knows which,"
    said = f"{which} {'is' if len(keys) == 1 else 'are'} lost" + (f", last with {holders}" if holders else "")
    said += f"; {'added to the open loss; ' if added else ''}exposed: {done.exposed.words}"
    said += f". {note}" if note else ""
    cylinders = [one.id for one in done.exposed.cylinders]
    record_keys(work, KEY_LOST, keyset, said, keys, cylinders=cylinders, loss=loss.id)
    return done


def _require_old_bitting(work: Work, loss: Loss, keys: Sequence[Key]) -> None:
    """Refuse copies that are cut to the new bitting of a keyset whose loss is still open: they are another loss."""
    if loss.sealed_lost is None:
        return
    brought = next((one for one in new_copies(work.session, [loss.keyset_id]) if one.loss is loss), None)
    new = [key.copy_number for key in keys if brought is not None and key.copy_number >= brought.first]
    if brought is not None and new:
        rows = sa.select(Job.number).join(Key, Key.job_id == Job.id)
        number = work.session.scalar(rows.where(Key.keyset_id == loss.keyset_id, Key.copy_number == brought.first))
        raise LedgerError(
            "copies",
            f"{loss.keyset.symbol} {say_copies(new)} {'is' if len(new) == 1 else 'are'} cut to the new bitting that "
            f"job {number} brings for the loss that is open. Hand that over and close that loss first: then "
            "this is a loss of its own.",
        )


def _seal_older_bitting(work: Work, loss: Loss, keys: Sequence[Key]) -> None:
    """Say what a new loss lost where its copies are older than the bitting that an earlier loss gave their keyset.

    What still hangs with the old pins is left to be rekeyed, as that loss left it; nothing else needs a plan.
    """
    newest = max((key.copy_number for key in keys), default=None)
    earlier = _earlier_losses(work.session, loss)
    older = [one for one, copies in earlier.items() if newest is not None and newest in copies]
    for one in older:
        if one.closed_at is not None and (cuts := open_lost_bitting(work, one)) is not None:
            loss.sealed_lost = work.vault.seal(write_bitting(spec_of(loss.system), cuts), lost_context(loss.id))
            loss.successors, loss.plan_chosen_at = {loss.keyset.symbol: loss.keyset.symbol}, work.now


def _go_by_record(work: Work, loss: Loss, keys: Sequence[Key]) -> None:
    """Have a loss of older copies be one of the bitting on record where newer ones, or who knows which, join it."""
    earlier = _earlier_losses(work.session, loss)
    if loss.sealed_plan is not None or all(one.sealed_lost is None for one in earlier):
        return
    if open_lost_bitting(work, loss) not in {open_lost_bitting(work, one) for one in earlier}:
        return
    old = {copy for copies in earlier.values() for copy in copies}
    if not keys or any(key.copy_number not in old for key in keys):
        loss.sealed_lost, loss.successors, loss.plan_chosen_at = None, {}, None


def _being_rekeyed(work: Work, loss: Loss) -> str:
    """What jobs of this or another open loss rekey in the system just now, in a sentence."""
    rows = sa.select(Loss, Job.number).join(Job, Job.loss_id == Loss.id)
    running = work.session.execute(
        rows.where(Loss.system_id == loss.system_id, Loss.closed_at.is_(None), Job.stage.in_(LATE_STAGES)).order_by(
            Job.number
        )
    ).all()
    if not running:
        return ""
    symbol, jobs = loss.keyset.symbol, list(dict.fromkeys(number for _, number in running))
    named = f"job{'s' if len(jobs) > 1 else ''} {', '.join(map(str, jobs[:_NAMED]))}"
    said = f"{loss.system.name} is being rekeyed just now by {named}, after a loss."
    if any(other.id != loss.id and symbol in other.successors for other, _ in running):
        said += f" {symbol} is among what is replaced there: no further plan is needed, and the doors count down."
    return said


def get_loss(session: Session, loss_id: int) -> Loss:
    """A loss with its keyset, system and customer; NotFound when there is none."""
    return get_row(session, Loss, loss_id, "loss", _WITH_CUSTOMER)


def loss_of_key(session: Session, key: Key) -> Loss | None:
    """The loss that a lost key belongs to, the open one before those that are over."""
    rows = sa.select(Loss).where(Loss.keyset_id == key.keyset_id)
    losses = session.scalars(rows.order_by(sa.case((Loss.closed_at.is_(None), 0), else_=1), Loss.id.desc())).all()
    return next((one for one in losses if not one.copies or key.copy_number in one.copies), None)


def lost_keys(session: Session, loss: Loss) -> tuple[Key, ...]:
    """The keys on record of a loss that are still lost, by copy; of unknown copies whichever are marked."""
    rows = sa.select(Key).where(Key.keyset_id == loss.keyset_id, Key.state == KeyState.LOST).order_by(Key.copy_number)
    return tuple(key for key in session.scalars(rows) if not loss.copies or key.copy_number in loss.copies)


def is_found(session: Session, loss: Loss) -> bool:
    """Whether every copy of a loss with known copies is back."""
    return bool(loss.copies) and not lost_keys(session, loss)


def lost_cuts(work: Work, loss: Loss) -> Cuts | None:
    """The bitting that was lost, for the house's own reckoning; None where the house lacks it."""
    if (cuts := open_lost_bitting(work, loss)) is not None:
        return cuts
    return open_bittings(work.session, work.vault, [loss.keyset.system]).get(loss.keyset_id)


def _all_lost_cuts(work: Work, loss: Loss) -> tuple[Cuts, ...]:
    """The bittings that the lost keys may have: those of earlier losses of the keyset too where nobody knows which
    copy it is, or where a copy is as old.
    """
    older = (
        open_lost_bitting(work, one)
        for one, copies in _earlier_losses(work.session, loss).items()
        if not loss.copies or any(copy in copies for copy in loss.copies)
    )
    opened = (lost_cuts(work, loss), *older)
    return tuple(dict.fromkeys(cuts for cuts in opened if cuts is not None))


def _earlier_losses(session: Session, loss: Loss) -> dict[Loss, range]:
    """Earlier losses of the keyset, and the numbers of the copies that are cut to what each of them lost."""
    rows = sa.select(Loss).where(Loss.keyset_id == loss.keyset_id, Loss.id < loss.id).order_by(Loss.id)
    copies, begins = dict[int, range](), 0
    for one in sorted(new_copies(session, [loss.keyset_id]), key=lambda one: one.first):
        copies[one.loss.id], begins = range(begins, one.first), one.first
    return {one: copies.get(one.id, range(0)) for one in session.scalars(rows)}


def still_turned(work: Work, loss: Loss, without: Collection[int] = (), plus: Iterable[Cylinder] = ()) -> Turned:
    """What stands at the customer's and the lost key turns, by site and opening number.

    `without`: ids of cylinders that go; `plus`: cylinders that come, as if they stood there.
    """
    there = [one for one in _of_keyway(work.session, loss, CylinderState.FITTED) if one.id not in without]
    return Turned(_turned(work, loss, [*there, *plus]))


def coming_turned(work: Work, loss: Loss, standing: Turned) -> tuple[Cylinder, ...]:
    """What is planned or on its way and the lost key would turn, but for places where it turns what is `standing`."""
    return _elsewhere(_turned(work, loss, _of_keyway(work.session, loss, *_COMING)), standing)


def turned_by_losses(work: Work, losses: Iterable[Loss]) -> dict[int, tuple[Turned, tuple[Cylinder, ...]]]:
    """Loss id → what its key turns that stands, and that comes; what a customer has on a keyway is opened once."""
    there: dict[tuple[int, Sequence[str]], tuple[Sequence[Cylinder], dict[int, Pinned]]] = {}
    found = {}
    for loss in losses:
        system = loss.keyset.system
        keyways = (system.customer_id, sections_of(system))
        if keyways not in there:
            cylinders = _of_keyway(work.session, loss, CylinderState.FITTED, *_COMING)
            there[keyways] = (cylinders, pins_now(work, cylinders))
        turned = _turned(work, loss, *there[keyways])
        standing = Turned(tuple(one for one in turned if one.state is CylinderState.FITTED))
        found[loss.id] = (standing, _elsewhere(turned, standing))
    return found


def _elsewhere(coming: Iterable[Cylinder], standing: Turned) -> tuple[Cylinder, ...]:
    there = {place_of(one) for one in standing.cylinders}
    return tuple(one for one in coming if place_of(one) not in there)


def _of_keyway(session: Session, loss: Loss, *states: CylinderState) -> Sequence[Cylinder]:
    system = loss.keyset.system
    near = systems_sharing_keyway(session, sections_of(system), system.customer_id)
    systems = [one.id for one in near]
    return session.scalars(
        sa.select(Cylinder)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .outerjoin(Site, Site.id == Door.site_id)
        .where(Keyset.system_id.in_(systems), Cylinder.state.in_(states))
        .options(
            joinedload(Cylinder.door).joinedload(Door.site), joinedload(Cylinder.keyset).joinedload(Keyset.system)
        )
        .order_by(Site.name, sa.func.length(Door.opening_number), Door.opening_number, Cylinder.id)
    ).all()


def _turned(
    work: Work, loss: Loss, cylinders: Sequence[Cylinder], pinned: Mapping[int, Pinned] | None = None
) -> tuple[Cylinder, ...]:
    if lost := _all_lost_cuts(work, loss):
        return turned_by(work, loss.keyset, lost, cylinders, pinned)
    operated = {one.cylinder_id for one in operated_by(work.session, loss.keyset)}
    # Under a symbol that stays its jobs bring the new bitting; else what they brought was crossed with it since.
    keeps_symbol = loss.successors.get(loss.keyset.symbol, loss.keyset.symbol) == loss.keyset.symbol
    rekeyed = set(work.session.scalars(sa.select(Job.id).where(Job.loss_id == loss.id))) if keeps_symbol else ()
    return tuple(one for one in cylinders if one.id in operated and one.job_id not in rekeyed)


def still_turned_words(work: Work, loss_id: int) -> str:
    """How many doors the lost key of a loss still turns, in a sentence."""
    loss = get_loss(work.session, loss_id)
    what, verb = ("key", "turns") if len(loss.copies) == 1 else ("keys", "turn")
    turned = still_turned(work, loss)
    if not turned.cylinders:
        return f"The lost {what} of {loss.keyset.symbol} {verb} no door any more."
    return f"The lost {what} of {loss.keyset.symbol} still {verb} {turned.words}."


@dataclass(frozen=True, slots=True)
class StandingOpen:
    """A cylinder that the lost key turns, and the job of the loss that brings what takes its place, None for none."""

    cylinder: Cylinder
    job: Job | None


@dataclass(frozen=True, slots=True)
class LossState:
    """A loss as its page tells it. `exposed_at_first`: how many doors it opened when it was reported, None of one of
    an earlier release; `uncovered`: how many of `standing` no job rekeys yet; `why_open`: what keeps it from being
    closed, "" where nothing does; `called_in`: keys out that open nothing any more; `carried`: old copies of a keyset
    that keeps its symbol, which are good for the doors that are left.
    """

    loss: Loss
    keys: tuple[Key, ...]
    turned: Turned
    exposed_at_first: int | None
    standing: tuple[StandingOpen, ...]
    coming: tuple[Cylinder, ...]
    jobs: tuple[Job, ...]
    is_found: bool
    why_open: str
    called_in: tuple[Key, ...]
    carried: tuple[Key, ...]
    events: tuple[Event, ...]

    @property
    def uncovered(self) -> int:
        """On how many doors no job of the loss rekeys what stands open."""
        return Turned(tuple(one.cylinder for one in self.standing if one.job is None)).doors


def state_of_loss(work: Work, loss_id: int) -> LossState:
    """A loss with what it opens still, what carries its plan out, and what is left."""
    work.require(Role.COUNTER, Role.BENCH)
    session = work.session
    loss = get_loss(session, loss_id)
    is_open = loss.closed_at is None
    turned = still_turned(work, loss) if is_open else Turned(())
    coming = coming_turned(work, loss, turned) if is_open else ()
    jobs = tuple(session.scalars(sa.select(Job).where(Job.loss_id == loss.id).order_by(Job.number)))
    bringing = _bringing(session, jobs)
    events = _events(session, loss, jobs)
    first = next((one.detail["cylinders"] for one in events if one.kind == KEY_LOST), None)
    return LossState(
        loss,
        lost_keys(session, loss),
        turned,
        len(first) if first is not None else None,
        tuple(StandingOpen(one, bringing.get(place_of(one))) for one in turned.cylinders),
        coming,
        jobs,
        is_found(session, loss),
        _why_open(work, loss, turned, coming) if is_open else "",
        (called_in := _called_in(work, loss)),
        tuple(key for key in _kept_copies(session, loss, (KeyState.OUT,)) if key not in called_in),
        events,
    )


def _bringing(session: Session, jobs: Sequence[Job]) -> dict[object, Job]:
    """Place → the job that brings what takes what hangs there."""
    running = {job.id: job for job in jobs if job.stage in LATE_STAGES}
    rows = sa.select(Cylinder).where(
        Cylinder.job_id.in_(running), Cylinder.state.not_in((CylinderState.FITTED, CylinderState.REMOVED))
    )
    found: dict[object, Job] = {place_of(one): running[one.job_id or 0] for one in session.scalars(rows)}
    lines = session.scalars(sa.select(JobLine).where(JobLine.job_id.in_(running)))
    found |= {one: running[line.job_id] for line in lines for one in line.ask.get("standing", ())}
    return found


def _events(session: Session, loss: Loss, jobs: Sequence[Job]) -> tuple[Event, ...]:
    """What happened to the loss itself, and each hand-over of its jobs."""
    of_system = sa.and_(Event.subject == f"key system {loss.system_id}", Event.at >= loss.reported_at)
    rows = sa.select(Event).where(sa.or_(of_system, Event.job_id.in_([job.id for job in jobs])))
    return tuple(
        one
        for one in session.scalars(rows.order_by(Event.id))
        if one.detail.get("loss") == loss.id or "lost_still" in one.detail
    )


def open_losses(session: Session, system_id: int) -> Sequence[Loss]:
    """The losses of a system that are open, the oldest first: one query."""
    rows = sa.select(Loss).where(Loss.system_id == system_id, Loss.closed_at.is_(None)).options(_WITH_CUSTOMER)
    return session.scalars(rows.order_by(Loss.reported_at, Loss.id)).all()


def list_losses(session: Session, page: int = 1, size: int = 50, *, closed: bool = False) -> Page[Loss]:
    """The losses that are open, the oldest first, or those that were closed, the last one first."""
    order: Any = Loss.closed_at.desc() if closed else Loss.reported_at
    condition = Loss.closed_at.is_not(None) if closed else Loss.closed_at.is_(None)
    rows = sa.select(Loss).where(condition).options(_WITH_CUSTOMER).order_by(order, Loss.id)
    return page_of(session, rows, page, size, counted=sa.select(Loss.id).where(condition))


def count_open_losses(session: Session) -> int:
    """How many losses are open."""
    return session.scalar(sa.select(sa.func.count(Loss.id)).where(Loss.closed_at.is_(None))) or 0


def _why_open(work: Work, loss: Loss, turned: Turned, coming: Sequence[Cylinder]) -> str:
    """Why a loss cannot be closed yet, in a sentence."""
    if is_found(work.session, loss):
        return ""
    if turned.cylinders:
        return f"The lost key of {loss.keyset.symbol} still turns {turned.words}: {_named(turned.cylinders)}."
    if coming:
        jobs = sorted({one.job_id for one in coming if one.job_id is not None})
        numbers = work.session.scalars(sa.select(Job.number).where(Job.id.in_(jobs)).order_by(Job.number)).all()
        of_jobs = f" of job {', '.join(map(str, numbers[:_NAMED]))}" if numbers else ", planned"
        return (
            f"The lost key of {loss.keyset.symbol} would turn {counted(len(coming), 'cylinder')} on the way"
            f"{of_jobs}: {_named(coming)}."
        )
    if loss.keyset.level is Level.CONTROL and loss.sealed_lost is None and lost_cuts(work, loss) is not None:
        return (
            "CONTROL still has the lost bitting on record: give it another one first, or new cores get the lost one."
        )
    return ""


def _named(cylinders: Sequence[Cylinder]) -> str:
    names = dict.fromkeys(one.door.opening_number if one.door else "one on no door" for one in cylinders)
    return first_of(list(names), _NAMED)


@dataclass(frozen=True, slots=True)
class Closed:
    """A loss that was closed, the symbols that were retired with it, and what is still out: `old`, the old copies
    among it of keysets that keep their symbol.
    """

    loss: Loss
    retired: tuple[str, ...]
    called_in: tuple[Key, ...]
    old: tuple[Key, ...]

    @property
    def words(self) -> str:
        """What was done, and what is to be done."""
        said = [f"The loss of {self.loss.keyset.symbol} is closed."]
        if self.retired:
            said.append(f"Retired: {', '.join(self.retired)}.")
        if self.called_in:
            is_or_are = "is" if len(self.called_in) == 1 else "are"
            said.append(f"Call in {counted(len(self.called_in), 'key')} that {is_or_are} out.")
        if self.old:
            said.append(f"{say_old(self.old)}.")
        return " ".join(said)


def close_loss(work: Work, loss_id: int, version: int, note: str = "") -> Closed:
    """Close a loss read at `version`: its key turns nothing any more, or every copy is found.

    What was replaced is retired, with its keys in the shop. Raises LedgerError on `note` where the lost key still
    turns something, Stale, NotFound; then it stays open.
    """
    work.require(Role.COUNTER, Role.BENCH)
    said = note.strip()
    if fault := fault_of_length(said, longest(Loss.closing_note)):
        raise LedgerError("note", fault)
    with transaction(work.session):
        loss = get_version(work.session, Loss, loss_id, "loss", version)
        if loss.closed_at is not None:
            raise LedgerError("note", f"This loss was closed on {show_day(loss.closed_at.astimezone().date())}.")
        turned = still_turned(work, loss)
        if why := _why_open(work, loss, turned, coming_turned(work, loss, turned)):
            raise LedgerError("note", f"{why} A loss is closed when its key turns nothing any more.")
        found = is_found(work.session, loss)
        retired = _replaced_keysets(work.session, loss, is_found=found)
        old = _retire(work, loss, retired)
        loss.closed_at, loss.closed_by_id, loss.closing_note = work.now, work.actor.user_id, said
        called_in = _called_in(work, loss)
        still_old = tuple(old_copies(work.session, called_in))
        done = Closed(loss, tuple(one.symbol for one in retired), called_in, still_old)
        how = "every lost copy is found" if found else "the lost key turns no door"
        words = f"loss of {loss.keyset.symbol} closed: {how}." + (
            f" Retired: {', '.join(done.retired)}." if retired else ""
        )
        words += f" {told}" if (told := say_retired(old)) else ""
        record_keys(work, LOSS_CLOSED, loss.keyset, " ".join(filter(None, (words, said))), old, loss=loss.id)
        return done


def _replaced_keysets(session: Session, loss: Loss, *, is_found: bool) -> list[Keyset]:
    """The keysets that another took the place of, and the lost one itself, as far as they operate nothing."""
    by_symbol = {one.symbol: one for one in loss.keyset.system.keysets}
    left = {
        old
        for old, new in loss.successors.items()
        if old in by_symbol and new != old and (new in (LEFT_OUT, NO_MASTERS) or new in by_symbol)
    }
    keeps_symbol = loss.successors.get(loss.keyset.symbol) == loss.keyset.symbol  # and has another bitting
    if not is_found and not keeps_symbol and loss.keyset.level is not Level.CONTROL:
        left.add(loss.keyset.symbol)
    by_id = {one.id: one for one in loss.keyset.system.keysets}
    used: set[int] = set()  # a master of doors that are still to be done, too
    for one in cylinders_keyed(session, loss.keyset.system):
        if one.keyset is not None:
            used |= {above.id for above in operators_of(one.keyset, is_nmk=one.is_nmk, by_id=by_id)}
        used |= {operator.keyset_id for operator in one.operators}
    found = (by_symbol[one] for one in left)
    return sorted((one for one in found if one.id not in used and not one.is_retired), key=lambda one: one.id)


def _retire(work: Work, loss: Loss, keysets: Sequence[Keyset]) -> tuple[Key, ...]:
    """Retire keysets with their keys in the shop, and old copies there of what keeps its symbol: these keys."""
    retire_keysets(work, keysets, f"a key of {loss.keyset.symbol} was lost, and others took their place")
    ids = [one.id for one in keysets]
    for key in work.session.scalars(sa.select(Key).where(Key.keyset_id.in_(ids), Key.state.in_(_IN_SHOP))):
        put_key(work, key, KeyState.RETIRED)
    old = useless_copies(work, _kept_copies(work.session, loss, (KeyState.CUT, KeyState.RETURNED)))
    for key in old:
        put_key(work, key, KeyState.RETIRED)
    return old


def _kept_copies(session: Session, loss: Loss, states: Sequence[KeyState]) -> tuple[Key, ...]:
    """Old copies, in these states, of the keysets that keep their symbol with this loss."""
    kept = [old for old, new in loss.successors.items() if old == new]
    rows = sa.select(Key).join(Key.keyset).options(contains_eager(Key.keyset))
    rows = rows.where(Keyset.system_id == loss.system_id, Keyset.symbol.in_(kept), Key.state.in_(states))
    return tuple(old_copies(session, session.scalars(rows.order_by(Keyset.id, Key.copy_number)).all()))


def _called_in(work: Work, loss: Loss) -> tuple[Key, ...]:
    """Keys of what the loss replaced, old copies too, that are still out, by holder."""
    replaced = {loss.keyset.symbol, *loss.successors}
    held = (key for one in still_out(work, loss.system_id) for key in one.keys)
    return tuple(key for key in held if key.keyset.symbol in replaced)
