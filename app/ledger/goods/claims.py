"""Use cases: claims to makers for pieces that were not as they should be, followed until they are settled."""

from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.ledger.store.engine import Page, get_version, page_of, transaction
from app.ledger.store.events import record
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import ClaimState, Maker, MakerClaim, Role
from app.pricing import MAX_CENTS, show_cents, show_day

CLAIM_OPENED, CLAIM_SETTLED = "claim opened", "claim settled"


def open_claim(
    work: Work,
    maker_id: int,
    item_id: int | None,
    quantity: int,
    note: str,
    *,
    words: str = "",
    delivery_id: int | None = None,
    job_id: int | None = None,
    return_id: int | None = None,
    warranty_id: int | None = None,
) -> MakerClaim:
    """Open a claim for so many pieces, inside the caller's transaction. words: what they are without an item."""
    claim = MakerClaim(
        maker_id=maker_id,
        item_id=item_id,
        words=words[:300],
        quantity=quantity,
        job_id=job_id,
        return_id=return_id,
        delivery_id=delivery_id,
        warranty_id=warranty_id,
        opened_at=work.now,
        opened_by_id=work.actor.user_id,
        note=" ".join(note.split())[:300],
    )
    work.session.add(claim)
    work.session.flush()
    maker = work.session.get_one(Maker, maker_id)
    said = f"Claim to {maker.name}: {quantity} × {claim.what}. {claim.note}".strip()
    record(work, CLAIM_OPENED, _subject(claim), said, job_id=job_id)
    return claim


@dataclass(frozen=True, slots=True)
class SettleClaimForm:
    """How a claim stands, since when, what it came to, None for nothing, and what the maker says."""

    state: ClaimState
    settled_on: date | None = None
    cents: int | None = None
    answer: str = ""


def settle_claim(work: Work, claim_id: int, version: int, form: SettleClaimForm) -> MakerClaim:
    """Write down how a claim, read at `version`, stands: still open, or settled by a credit, other pieces, or a no.

    Raises Problems on `settled_on`, `cents`, `answer`; Stale; NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        claim = get_version(work.session, MakerClaim, claim_id, "claim", version)
        if problems := _problems(work, claim, form):
            raise Problems(problems)
        claim.state, claim.answer = form.state, " ".join(form.answer.split())
        claim.settled_on = form.settled_on if form.state.is_settled else None
        claim.cents = form.cents if form.state in _COMES_TO else None
        came = f", {show_cents(claim.cents)}" if claim.cents is not None else ""
        what = f"Claim to {claim.maker.name}, {claim.quantity} × {claim.what}"
        said = f"{what}: {claim.state.value}{came}. {claim.answer}".strip()
        record(work, CLAIM_SETTLED, _subject(claim), said, job_id=claim.job_id)
        return claim


def _subject(claim: MakerClaim) -> str:
    return f"job {claim.job.number}" if claim.job is not None else f"claim {claim.id}"


_COMES_TO = (ClaimState.CREDITED, ClaimState.REPLACED)


def _problems(work: Work, claim: MakerClaim, form: SettleClaimForm) -> list[Problem]:
    problems = text_problems(form, MakerClaim)
    if form.state.is_settled:
        opened = claim.opened_at.astimezone().date()
        if form.settled_on is None or not opened <= form.settled_on <= work.today:
            told = f"Enter the day on which it was settled, from {show_day(opened)} to today."
            problems.append(Problem("settled_on", told))
    if form.state is ClaimState.CREDITED and form.cents is None:
        problems.append(Problem("cents", "Enter what the maker credits."))
    if form.cents is not None and not 0 <= form.cents <= MAX_CENTS:
        problems.append(Problem("cents", f"Enter an amount of 0 or more, at most {show_cents(MAX_CENTS)}."))
    return problems


_LOADED = (
    joinedload(MakerClaim.maker),
    joinedload(MakerClaim.item),
    joinedload(MakerClaim.job),
    joinedload(MakerClaim.goods_return),
)


def list_claims(session: Session, *, with_settled: bool = False, page: int = 1) -> Page[MakerClaim]:
    """Open claims, the oldest first; with the settled ones, if asked, after them."""
    rows = sa.select(MakerClaim).options(*_LOADED)
    if not with_settled:
        rows = rows.where(MakerClaim.state == ClaimState.OPEN)
    is_over = sa.case((MakerClaim.state == ClaimState.OPEN, 0), else_=1)
    return page_of(session, rows.order_by(is_over, MakerClaim.opened_at, MakerClaim.id), page, 50)
