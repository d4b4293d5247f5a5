"""What was sold, as rows that can be asked for by item, maker and customer: made from the accepted quote."""

from collections.abc import Mapping, Sequence
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.quoting.snapshot import QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.store.engine import in_steps
from app.ledger.tables import Job, Maker, QuoteRevision, SoldLine
from app.pricing import half_up

DISCOUNT, OFF_PRICE = "discount", "off price"
_GIVEN_BACK = "Given back off the price"


def put_sold_lines(session: Session, job: Job, accepted: QuoteSnapshot) -> None:
    """The lines of what a job accepted, inside the caller's transaction."""
    makers = dict(session.execute(sa.select(Maker.code, Maker.id)).all())
    session.add_all(_sold(job, accepted, makers))


def give_back_sold(session: Session, job: Job) -> None:
    """Have what was given back off an accepted job's price stand among what was sold, without the tax in it.

    Inside the caller's transaction, once the job's agreed price is the lesser one.
    """
    lines = {one.kind: one for one in session.scalars(sa.select(SoldLine).where(SoldLine.job_id == job.id))}
    if not lines:
        return
    newest = sa.select(QuoteRevision.snapshot).where(QuoteRevision.job_id == job.id)
    text = session.scalars(newest.order_by(QuoteRevision.revision.desc()).limit(1)).one()
    back = _given_back(job, as_accepted(read_snapshot(text), job.accepted_option))
    if OFF_PRICE in lines:
        lines[OFF_PRICE].amount_cents = -back
    else:
        session.add(_line(job, OFF_PRICE, _GIVEN_BACK, -back))


def put_missing_sold_lines(session: Session) -> None:
    """The same for every accepted job that has none, as those that were imported."""
    makers = dict(session.execute(sa.select(Maker.code, Maker.id)).all())
    has_some = sa.exists().where(SoldLine.job_id == Job.id)
    ids = session.scalars(sa.select(Job.id).where(Job.accepted_on.is_not(None), ~has_some).order_by(Job.id)).all()
    for some in in_steps(ids, 500):
        rows = sa.select(Job, QuoteRevision.snapshot).join(QuoteRevision).where(Job.id.in_(some))
        newest = dict(session.execute(rows.order_by(Job.id, QuoteRevision.revision)).all())
        for job, snapshot in newest.items():
            session.add_all(_sold(job, as_accepted(read_snapshot(snapshot), job.accepted_option), makers))
        session.flush()


def _sold(job: Job, accepted: QuoteSnapshot, makers: Mapping[str, int]) -> Sequence[SoldLine]:
    asked = accepted.ask["lines"]
    sold = []
    for line in accepted.lines:
        typed = asked[int("".join(sign for sign in line.label if sign.isdigit())) - 1]
        code = typed.get("maker_code") or (typed.get("attributes") or {}).get("maker") or ""
        sold.append(
            SoldLine(
                job_id=job.id,
                label=line.label,
                kind=line.kind,
                part_number=line.part_number,
                words=line.words,
                maker_id=makers.get(code),
                quantity=line.quantity,
                amount_cents=line.amount_cents,
                cost_cents=line.cost_cents,
            )
        )
    totals = accepted.totals
    if off := sum(line.amount_cents for line in sold) - totals.subtotal_cents:
        sold.append(_line(job, DISCOUNT, "Discount", -off))
    if back := _given_back(job, accepted):
        sold.append(_line(job, OFF_PRICE, _GIVEN_BACK, -back))
    return sold


def _given_back(job: Job, accepted: QuoteSnapshot) -> int:
    """What was given back off the price, without the tax in it, as far as the whole price has any."""
    totals = accepted.totals
    back = 0 if job.agreed_cents is None else totals.total_cents - job.agreed_cents
    return half_up(Fraction(back * totals.subtotal_cents, totals.total_cents)) if totals.total_cents else back


def _line(job: Job, kind: str, words: str, cents: int) -> SoldLine:
    return SoldLine(
        job_id=job.id,
        label=kind,
        kind=kind,
        part_number="",
        words=words,
        quantity=1,
        amount_cents=cents,
        cost_cents=0,
    )
