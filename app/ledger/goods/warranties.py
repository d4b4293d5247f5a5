"""Use cases: a cylinder that came back opens a job of its own on the same door, keyed as it was, at no charge."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.goods.claims import open_claim
from app.ledger.keysystems.out_of_use import require_not_retired
from app.ledger.keysystems.pinned import freeze_pins
from app.ledger.quoting.issuing import FIRST_JOB
from app.ledger.quoting.line_supply import RequestSupply
from app.ledger.quoting.lost_keys import require_none_lost_of_job
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.cylinders import making_way
from app.ledger.stock.needs import make_needs
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import next_number, record
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import (
    BorneBy,
    Cylinder,
    CylinderOperator,
    CylinderState,
    Job,
    JobLine,
    LineKind,
    RecordsHolder,
    Role,
    Stage,
    Warranty,
)
from app.pricing import NO_DISCOUNT, KeyingKind, half_up

CAME_BACK, CLAIM_NOTED = "cylinder came back", "warranty claim noted"
_AT_NO_CHARGE = "warranty"
_COPIED = (
    "door_id", "position", "maker_id", "part_number", "words", "type", "length", "chambers", "drilled", "keyway",
    "cam", "tailpiece", "finish", "keyset_id", "is_nmk",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class CameBackForm:
    """What came back and why. borne_by: house or maker. claim: what the maker was told of it. is_here: that the old
    piece is in the shop, so that it is on its door no more. cost_cents and promised_on: None leaves them to the price
    book and the bench. lost_reason: why the owner of the house goes on where a lost key opens it.
    """

    reason: str
    borne_by: str
    claim: str = ""
    goes_back: bool = False
    is_here: bool = False
    cost_cents: int | None = None
    promised_on: date | None = None
    lost_reason: str = ""


def open_warranty(work: Work, cylinder_id: int, version: int, form: CameBackForm) -> Job:
    """Open the job for a fitted cylinder that was read at `version`: another of its kind on the same door and keyset,
    by the same operators, at no charge; what it costs is on record. The old one is removed when the new one is
    handed over, at once where it is here, or hung on no door.

    Problems by field; LedgerError where it was not sold by this house, or another is on its way already; Stale.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if work.actor.user_id is None:
        raise LedgerError("", "A job is opened by a person who is logged in.")
    _check(work, form)
    with transaction(work.session):
        old = get_version(work.session, Cylinder, cylinder_id, "cylinder", version)
        sold_by = _require_back(work.session, old)
        line, ask = _asked(work, sold_by, old)
        priced = price_request(work, ask)
        job = _open(work, sold_by, old, form, ask, priced)
        _add_line(job, line, sold_by, old)
        cylinder = Cylinder(**{name: getattr(old, name) for name in _COPIED})
        cylinder.job_id, cylinder.line_number, cylinder.state = job.id, 1, CylinderState.ORDERED
        cylinder.remarks = f"Warranty: {' '.join(form.reason.split())}"
        cylinder.operators = [CylinderOperator(keyset_id=one.keyset_id) for one in old.operators]
        work.session.add(cylinder)
        warranty = Warranty(
            job=job,
            cylinder=old,
            reason=" ".join(form.reason.split()),
            borne_by=BorneBy(form.borne_by),
            claim=" ".join(form.claim.split()),
            goes_back=form.goes_back,
            opened_at=work.now,
        )
        work.session.add(warranty)
        if form.is_here or old.door_id is None:
            freeze_pins(work, [old])
            old.state, old.removed_on = CylinderState.REMOVED, work.today
        work.session.flush()
        supply = RequestSupply(work, priced.ask, priced.ask.lines)
        make_needs(work, job, supply.wants(priced.keying, Plan(), job.promised_on))
        require_none_lost_of_job(work, job, ask, form.lost_reason)
        if warranty.borne_by is BorneBy.MAKER and old.maker_id is not None:
            what = old.part_number or old.words
            open_claim(work, old.maker_id, None, 1, form.reason, words=what, job_id=job.id, warranty_id=warranty.id)
        goes = "; the old one goes back to the maker" if form.goes_back else ""
        said = f"{_place(old)} of job {sold_by.number} came back: {' '.join(form.reason.split())}. At the "
        said += f"{form.borne_by}'s cost{goes}"
        record(work, CAME_BACK, f"job {job.number}", said, job_id=job.id)
        record(work, CAME_BACK, f"job {sold_by.number}", f"{said}; job {job.number}", job_id=sold_by.id)
        if old.door_id is not None:
            record(work, CAME_BACK, f"door {old.door_id}", f"{said}; job {job.number}", cylinder=old.id)
        return job


def note_claim(work: Work, warranty_id: int, version: int, claim: str) -> Warranty:
    """Write down what the maker was told, or said, of what came back, read at `version`. LedgerError, Stale."""
    work.require(Role.COUNTER, Role.BENCH)
    claim = " ".join(claim.split())
    with transaction(work.session):
        found = get_version(work.session, Warranty, warranty_id, "warranty", version)
        if faults := text_problems(CameBackForm("", "", claim=claim), Warranty):
            raise Problems(faults)
        found.claim = claim
        number = found.job.number
        record(work, CLAIM_NOTED, f"job {number}", f"Claim: {claim or 'none'}", job_id=found.job_id)
        return found


def _check(work: Work, form: CameBackForm) -> None:
    problems = text_problems(form, Warranty)
    if not form.reason.strip():
        problems.append(Problem("reason", "Say what is wrong with it."))
    if form.borne_by not in set(BorneBy):
        problems.append(Problem("borne_by", "Say who bears the cost: the house or the maker."))
    if form.promised_on is not None and form.promised_on < work.today:
        problems.append(Problem("promised_on", "This day has passed: enter today or a later day."))
    if problems:
        raise Problems(problems)


def _require_back(session: Session, old: Cylinder) -> Job:
    """The job that sold it."""
    if old.job_id is None:
        raise LedgerError("", "This cylinder was found on its door, no job of this house sold it: quote a new one.")
    sold_by = session.get_one(Job, old.job_id)
    if old.state is not CylinderState.FITTED:
        raise LedgerError("", f"Only a cylinder that was handed over comes back; this one is {old.state.value}.")
    if (told := making_way(session, sold_by.customer_id).get(old.id)) is not None:
        raise LedgerError("", f"{told} already.")
    if old.keyset is not None:
        require_not_retired([old.keyset], "")
    return sold_by


def _asked(work: Work, sold_by: Job, old: Cylinder) -> tuple[LineRequest, QuoteRequest]:
    """One more of what was sold, without keys, and the request by which the price book knows its cost."""
    sold = next((one for one in sold_by.lines if one.number == old.line_number), None)
    if sold is None:
        raise LedgerError("", f"Job {sold_by.number} has no line for this cylinder any more: quote a new one.")
    line = LineRequest.from_json(sold.ask)
    system = old.keyset.system if old.keyset is not None else None
    joins = system is not None and line.joins_system
    keying = replace(line.keying, set_size=None, alike_with=0)
    if system is not None and system.levels == 1 and line.keying.kind is not KeyingKind.OWN:
        keying = replace(keying, kind=KeyingKind.KD, master="")
    line = replace(
        line, quantity=1, keys_each=0, keys_in_all=0, unit_cents=None, discount=NO_DISCOUNT, price_reason="",
        price_meant="", remark="", need_by=None, keying=keying,
        standing=(old.id,) if line.kind is LineKind.REKEY else (),
    )  # fmt: skip
    ask = QuoteRequest(
        sold_by.customer_id,
        (line,),
        site_id=sold_by.site_id,
        system=SystemRequest(existing_id=system.id) if joins and system is not None else None,
    )
    return line, ask


def _without_extension(work: Work, ask: QuoteRequest, priced: PricedQuote) -> tuple[int, int]:
    """Minutes of the bench, and cents of cost, of one more on a keyset that is there: no system is extended by it."""
    minutes = priced.bench_minutes or 0
    if ask.system is None or not minutes:
        return minutes, priced.cost_cents
    terms = bench_terms_on(work.session, work.today)
    spared = min(Fraction(terms.extension_minutes), Fraction(minutes))
    return minutes - int(spared), half_up(priced.cost_cents - Fraction(spared * terms.labour_cents_per_hour, 60))


def _open(work: Work, sold_by: Job, old: Cylinder, form: CameBackForm, ask: QuoteRequest, priced: PricedQuote) -> Job:
    minutes, cost = _without_extension(work, ask, priced)
    cost = form.cost_cents if form.cost_cents is not None else cost
    if not cost and form.cost_cents is None:
        raise LedgerError("cost_cents", "The goods do not say what another costs: enter it, 0 for nothing.")
    system = old.keyset.system if old.keyset is not None else None
    here = "factory" if system is not None and system.records is RecordsHolder.FACTORY else "shop"
    symbol = f", {old.keyset.symbol}" if old.keyset is not None else ""
    job = Job(
        number=next_number(work.session, "job", FIRST_JOB),
        customer_id=sold_by.customer_id,
        site_id=sold_by.site_id,
        title=f"Warranty: {_place(old)}{symbol} of job {sold_by.number}"[:200],
        stage=Stage.APPROVED,
        asked_on=work.today,
        promised_on=form.promised_on or priced.ready_on,
        keyed_at=here if system is not None else "",
        cost_cents=cost,
        bench_minutes=minutes if here == "shop" else 0,
        agreed_cents=0,
        accepted_by=sold_by.accepted_by,
        accepted_on=work.today,
        opened_by_id=work.actor.user_id,
    )
    work.session.add(job)
    work.session.flush()
    record(work, "job opened", f"job {job.number}", f"Job {job.number} opened", job_id=job.id)
    return job


def _add_line(job: Job, line: LineRequest, sold_by: Job, old: Cylinder) -> None:
    sold = next(one for one in sold_by.lines if one.number == old.line_number)
    free = replace(line, unit_cents=0, price_reason=_AT_NO_CHARGE)
    job.lines.append(
        JobLine(
            number=1, kind=line.kind.value, description=sold.description, part_number=sold.part_number, quantity=1,
            unit_cents=0, ask=free.to_json(),
        )
    )  # fmt: skip


def _place(cylinder: Cylinder) -> str:
    if cylinder.door is None:
        return "a cylinder"
    inside = "" if cylinder.position in ("", "outside") else f" {cylinder.position}"
    return f"{cylinder.door.opening_number}{inside}"


def warranty_of_job(session: Session, job_id: int) -> Warranty | None:
    """What came back, where a job was opened for it."""
    rows = sa.select(Warranty).where(Warranty.job_id == job_id)
    return session.scalar(rows.options(joinedload(Warranty.cylinder).joinedload(Cylinder.door)))


def came_back(session: Session, job_id: int) -> Sequence[Warranty]:
    """What came back of the cylinders that a job sold, in turn."""
    rows = sa.select(Warranty).join(Cylinder, Cylinder.id == Warranty.cylinder_id).where(Cylinder.job_id == job_id)
    loaded = (joinedload(Warranty.job), joinedload(Warranty.cylinder).joinedload(Cylinder.door))
    return session.scalars(rows.options(*loaded).order_by(Warranty.id)).all()


def came_back_of(session: Session, cylinder_ids: Sequence[int]) -> dict[int, int]:
    """Cylinder id → the number of the job that was opened when it came back."""
    rows = sa.select(Warranty.cylinder_id, Job.number).join(Job, Job.id == Warranty.job_id)
    return dict(session.execute(rows.where(Warranty.cylinder_id.in_(cylinder_ids)).order_by(Warranty.id)).all())
