"""Nothing new is keyed where a lost key would open it: told on a quote's lines, refused at issue and at acceptance.

Only the owner of the house goes on, with a reason that is put on record. One given with a quote holds for its
acceptance, and for later revisions, until a further key is lost. Nobody goes on once the loss's plan has put another
keyset in the lost one's place: no phase of the plan would rekey what is new.
"""

from collections.abc import Iterable, Sequence
from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem
from app.ledger.keys.loss_plans import rekeyed_by
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.keysets import over_changes
from app.ledger.keysystems.lost_keysets import KEYED_UNDER_LOST, LostKeyset, lost_for_job, lost_of_customer
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.keysystems.systems import single_keyed_name
from app.ledger.quoting.rekeying import hanging
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Job, Keyset, KeySystem, Level, Loss, RecordsHolder, Role
from app.pricing import KeyingKind
from app.validation import fault_of_length

MOST = 500
OWNERS_BOX = "Key under a lost key"
_OWNER = f"Only the owner of the house may go on, with a reason under '{OWNERS_BOX}'."


def lost_problems(work: Work, ask: QuoteRequest, lines: Sequence[LineRequest | None]) -> list[Problem]:
    """Each line (None: not understood) that would be keyed where a lost key opens, unless the owner goes on."""
    problems = []
    if fault := fault_of_length(ask.lost_reason, MOST):
        problems.append(Problem("lost_reason", fault))
    may_go_on = work.actor.role is Role.OWNER and bool(ask.lost_reason.strip())
    for place, lost in _by_line(work.session, ask, lines):
        line = lines[place]
        is_replaced = bool(lost.instead) and line is not None and not line.standing
        if is_replaced or (not may_go_on and not _is_allowed(ask, lost)):
            is_master = lost.keyset.level not in (Level.CHANGE, Level.SINGLE, Level.CONTROL)
            field = "master" if is_master else "keying"
            problems.append(
                Problem(f"lines.{place}.{field}", lost.before if is_replaced else f"{lost.before} {_OWNER}")
            )
    return problems


def as_still_said(session: Session, ask: QuoteRequest) -> QuoteRequest:
    """A request as quoted earlier, without its reason where that says nothing of what is lost by now."""
    try:
        is_said = all(_is_allowed(ask, lost) for _, lost in _by_line(session, ask, ask.lines))
    except BitternError:  # a line is refused for itself
        is_said = False
    return ask if is_said else replace(ask, lost_reason="")


def allow_lost(work: Work, job: Job, ask: QuoteRequest) -> QuoteRequest:
    """The request with the lost keys that the owner's reason settles; each is an event of its system and the job.

    Inside the caller's transaction; `lost_problems` has none.
    """
    settled: dict[LostKeyset, list[str]] = {}
    for place, lost in _by_line(work.session, ask, ask.lines):
        if not _is_allowed(ask, lost):
            settled.setdefault(lost, []).append(str(place + 1))
    for lost, numbers in settled.items():
        said = f"Quote of job {job.number}, line {', '.join(numbers)}. {lost.before} Reason to go on: {_reason(ask)}"
        record(work, KEYED_UNDER_LOST, f"key system {lost.keyset.system_id}", said, job_id=job.id)
    found = {*ask.lost_allowed, *(one for lost in settled for one in lost.key_ids)}
    return replace(ask, lost_allowed=tuple(sorted(found)))


def require_none_lost_of_job(work: Work, job: Job, ask: QuoteRequest, reason: str = "") -> None:
    """Let a job's new cylinders stand where lost keys open them, or refuse on `lost_reason`; caller's transaction.

    What a lost key opens that was settled when it was quoted passes; else the owner of the house alone does, with a
    reason. Either way it is an event of each system and of the job.
    """
    work.session.flush()
    reason = " ".join(reason.split())
    for lost in lost_for_job(work.session, job.id):
        if ask.loss_id is not None and _is_settled_by_plan(ask, lost.keyset):
            continue
        if lost.instead and any(not ask.lines[number - 1].standing for number in lost.lines):
            raise LedgerError("lost_reason", f"{lost.of_job} {lost.instead} Issue a revision of the quote that does.")
        is_settled = _is_allowed(ask, lost)
        if not is_settled:
            _require_owner(work, lost, reason)
        said = f"{lost.of_job} Reason to go on: {_reason(ask) if is_settled else reason}"
        record(work, KEYED_UNDER_LOST, f"key system {lost.keyset.system_id}", said, job_id=job.id)


def _require_owner(work: Work, lost: LostKeyset, reason: str) -> None:
    lines = f"Line {', '.join(map(str, lost.lines))}: " if lost.lines else ""
    if not reason or work.actor.role is not Role.OWNER:
        raise LedgerError(
            "lost_reason",
            f"{lines}{lost.of_job} Key them under another master or to another keyset, or plan for the loss first. "
            "Only the owner of the house may go on, and must say why.",
        )
    if fault := fault_of_length(reason, MOST):
        raise LedgerError("lost_reason", fault)


def _reason(ask: QuoteRequest) -> str:
    return " ".join(ask.lost_reason.split())


def _is_allowed(ask: QuoteRequest, lost: LostKeyset) -> bool:
    return set(lost.key_ids) <= set(ask.lost_allowed)


def _by_line(
    session: Session, ask: QuoteRequest, lines: Sequence[LineRequest | None]
) -> Iterable[tuple[int, LostKeyset]]:
    """Each line's place with each keyset of the customer with a lost key that will open its cylinders."""
    lost = {one.keyset.id: one for one in lost_of_customer(session, ask.customer_id)} if ask.customer_id else {}
    if not lost:
        return
    for place, line in enumerate(lines):
        if line is not None and line.is_keyed:
            for keyset in dict.fromkeys(_operators(session, ask, line)):
                if keyset.id in lost:
                    yield place, lost[keyset.id]


def _operators(session: Session, ask: QuoteRequest, line: LineRequest) -> Iterable[Keyset]:
    """The keysets on record that will operate a line's cylinders, control keys too."""
    if line.standing:
        loss = session.get(Loss, ask.loss_id) if ask.loss_id is not None else None
        for cylinder in hanging(session, ask.customer_id, ask, line):
            if cylinder.keyset is not None:
                chain = _chain(cylinder.keyset, is_nmk=cylinder.is_nmk)
                keyed = rekeyed_by(cylinder, loss.successors) if loss is not None else None
                if keyed is not None and keyed.is_nmk:  # a plan may leave masters out of the pins
                    chain = chain[:1] + [one for one in chain[1:] if one.symbol in keyed.further]
                crossed = [one.keyset for one in cylinder.operators]
                there = (*chain, *crossed, *_controls(cylinder.keyset.system))
                yield from (one for one in there if not _is_settled_by_plan(ask, one))
        return
    asked = ask.system.existing_id if ask.system else None
    is_mastered = line.keying.kind.is_master_keyed
    if asked is not None and (is_mastered or line.keying.kind is KeyingKind.SKD):
        system = get_system(session, asked)
        under = next((one for one in over_changes(system.keysets) if line.keying.master in (one.symbol, "")), None)
        yield from _chain(under) if is_mastered and under is not None else ()
        yield from _controls(system)
    elif not is_mastered and line.attributes is not None and line.attributes.keyway:
        keyway, chambers = line.attributes.keyway, line.attributes.chambers or 0
        names = [single_keyed_name(keyway, chambers, records) for records in RecordsHolder]
        books = sa.select(KeySystem).where(KeySystem.customer_id == ask.customer_id, KeySystem.name.in_(names))
        for book in session.scalars(books):
            yield from _controls(book)


def _is_settled_by_plan(ask: QuoteRequest, keyset: Keyset) -> bool:
    """Whether a lost key is no reason against rekeying what hangs: it is replaced or left out. Or the job is for
    another loss, and the door is that key's own, or gets another control key alone: it is open until its own plan.
    """
    if keyset.symbol in ask.replaced:
        return True
    of_doors = keyset.level in (Level.CHANGE, Level.SINGLE)
    return ask.loss_id is not None and (of_doors or CONTROL_SYMBOL in ask.replaced)


def _chain(keyset: Keyset, *, is_nmk: bool = False) -> list[Keyset]:
    return operators_of(keyset, is_nmk=is_nmk, by_id={one.id: one for one in keyset.system.keysets})


def _controls(system: KeySystem) -> list[Keyset]:
    return [one for one in system.keysets if one.level is Level.CONTROL]
