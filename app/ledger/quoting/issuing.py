"""Use cases: keep a request as asked, issue a quote, issue it anew at today's prices, keep the counter's draft."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.price_queries import get_house
from app.ledger.quoting.loss_lines import quoted_elsewhere
from app.ledger.quoting.lost_keys import allow_lost, as_still_said
from app.ledger.quoting.missing import answered, questions_about
from app.ledger.quoting.quoted import asked_in
from app.ledger.quoting.quoting import PricedQuote, price_option, price_request
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import (
    HouseHead,
    QuoteOption,
    QuoteSnapshot,
    read_snapshot,
    snapshot_hash,
)
from app.ledger.sites.customers import CustomerForm, SiteForm, insert_customer, insert_site
from app.ledger.sites.likeness import require_unlike
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import DISCOUNT_GIVEN, LOW_PRICE, next_number, record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Draft, House, Job, QuoteRevision, Role, Site, Stage
from app.pricing import LineChange, LineStatus, compare_revisions, show_cents

FIRST_JOB = 1001
CAUTIONS = (
    "A lock that needs a key from inside may be unlawful on an exit door: ask the authority having jurisdiction.",
    "On fire-rated doors field drilling and changed hardware are limited by the label and the local code.",
)


@dataclass(frozen=True, slots=True)
class IssueForm:
    """A request to be quoted.

    new_customer and new_site are put on record with the quote, or not at all; they replace the ask's own.
    job_id: the job to revise, read at job_version. token: one press of the button, one revision. is_another: the new
    customer is none on record, whatever is alike; else that is asked first.
    """

    ask: QuoteRequest
    token: str
    new_customer: CustomerForm | None = None
    new_site: SiteForm | None = None
    job_id: int | None = None
    job_version: int | None = None
    is_another: bool = True


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two quotes line by line. The differences of changes and discount add up to that of the subtotals."""

    before: QuoteSnapshot
    after: QuoteSnapshot

    @property
    def changes(self) -> tuple[LineChange, ...]:
        """Every line, with what became of it."""
        before, after = ([line.priced for line in quote.lines] for quote in (self.before, self.after))
        return compare_revisions(before, after)

    @property
    def moved(self) -> tuple[LineChange, ...]:
        """The lines that are not the same on both sides."""
        return tuple(change for change in self.changes if change.status is not LineStatus.SAME)

    @property
    def sums(self) -> tuple[tuple[str, int, int], ...]:
        """Each sum's name and its cents before and after."""
        one, two = self.before.totals, self.after.totals
        discounts = (("Discount", -one.discount_cents, -two.discount_cents),)
        return (
            *(discounts if one.discount_cents or two.discount_cents else ()),
            ("Before tax", one.subtotal_cents, two.subtotal_cents),
            ("Sales tax", one.tax_cents, two.tax_cents),
            ("Total", one.total_cents, two.total_cents),
        )


@dataclass(frozen=True, slots=True)
class Requote:
    """A quote as it would be issued today. `problems`: what stands against it; `notes`: what was left out."""

    job: Job
    ask: QuoteRequest
    comparison: Comparison
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]

    @property
    def mark(self) -> str:
        """Tells whether what was looked at is still what would be issued; 64 hex digits."""
        after, changes = self.comparison.after, self.comparison.changes
        other = after.option_b.totals.total_cents if after.option_b else None
        seen = (after.totals, after.ready_on, after.valid_until, after.where, other, changes)
        return hashlib.sha256(repr(seen).encode()).hexdigest()


def issue_quote(work: Work, form: IssueForm) -> QuoteRevision:
    """Issue the next revision of a quote: frozen, hashed, numbered. The same token gives the same revision.

    What acceptance would refuse is refused here, by the plan, before a customer has it in hand.

    Raises Problems with every field at fault, Stale when somebody changed the job in between; then nothing
    at all is saved.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        if (done := issued_from(work.session, form.token)) is not None:
            return done
        ask = _with_customer(work, form)
        priced = price_request(work, ask, is_issued=True)
        if problems := (*priced.problems, *quoted_elsewhere(work.session, ask, form.job_id)):
            raise Problems(problems)
        other = price_option(work, ask, priced, is_issued=True)
        job = _job(work, form, ask)
        priced = replace(priced, ask=allow_lost(work, job, priced.ask))
        snapshot = next_snapshot(work, job, priced, other)
        text = snapshot.to_text()
        revision = QuoteRevision(
            job_id=job.id,
            revision=snapshot.revision,
            issued_at=work.now,
            issued_by_id=work.actor.user_id,
            valid_until=snapshot.valid_until,
            snapshot=text,
            sha256=snapshot_hash(text),
            subtotal_cents=priced.totals.subtotal_cents,
            total_cents=priced.totals.total_cents,
            cost_cents=priced.cost_cents,
            request_token=form.token,
        )
        work.session.add(revision)
        job.stage = Stage.QUOTED
        job.title, job.need_by, job.site_id = ask.title.strip(), ask.need_by, ask.site_id
        job.loss_id = ask.loss_id
        job.value_cents, job.cost_cents = priced.totals.subtotal_cents, priced.cost_cents
        job.bench_minutes, job.deposit_cents = priced.bench_minutes or 0, priced.deposit_cents
        job.promised_on, job.keyed_at, job.urgency = priced.ready_on, priced.keyed_at, ask.urgency
        # A revision that repeats the last one changes no column, yet whoever read the job before it is late.
        flag_modified(job, "stage")
        work.session.flush()
        _record_issue(work, job, snapshot, priced)
        work.session.execute(sa.delete(Draft).where(Draft.token == form.token))
        return revision


def issued_from(session: Session, token: str) -> QuoteRevision | None:
    """The revision that was issued from the page with this token already, if one was."""
    return session.scalar(sa.select(QuoteRevision).where(QuoteRevision.request_token == token))


def _with_customer(work: Work, form: IssueForm) -> QuoteRequest:
    ask = form.ask
    try:
        if form.new_customer is not None:
            if not form.is_another:
                require_unlike(work.session, form.new_customer)
            ask = replace(ask, customer_id=insert_customer(work, form.new_customer).id, site_id=None)
    except BitternError as error:
        raise Problems([Problem(f"customer_{error.field}", error.message)]) from error
    customer = work.session.get(Customer, ask.customer_id)
    if customer is None:
        raise Problems([Problem("customer", "Choose a customer from the list, or enter a new one's name.")])
    if customer.merged_into_id is not None:  # since the page was opened
        ask = replace(ask, customer_id=customer.merged_into_id)
    if form.new_site is not None:
        ask = replace(ask, site_id=insert_site(work, ask.customer_id, form.new_site).id)
    return ask


def _job(work: Work, form: IssueForm, ask: QuoteRequest) -> Job:
    if form.job_id is None:
        return _open_job(work, ask)
    job = get_version(work.session, Job, form.job_id, "job", form.job_version)
    _require_quotable(job)
    job.customer_id = ask.customer_id
    return job


def _require_quotable(job: Job) -> None:
    if job.stage not in (Stage.ASKED, Stage.QUOTED, Stage.LOST):
        raise LedgerError("stage", f"This job is {job.stage.word}: it can no longer be quoted anew. Start another.")


def _open_job(work: Work, ask: QuoteRequest) -> Job:
    if work.actor.user_id is None:
        raise LedgerError("", "A job is opened by a person who is logged in.")
    job = Job(
        number=next_number(work.session, "job", FIRST_JOB),
        customer_id=ask.customer_id,
        site_id=ask.site_id,
        title=ask.title.strip(),
        stage=Stage.ASKED,
        asked_on=work.today,
        need_by=ask.need_by,
        opened_by_id=work.actor.user_id,
        loss_id=ask.loss_id,
    )
    work.session.add(job)
    work.session.flush()
    record(work, "job opened", f"job {job.number}", f"Job {job.number} opened", job_id=job.id)
    return job


def house_head(house: House) -> HouseHead:
    """The head of the house's papers."""
    return HouseHead(house.name, house.address, house.phone, house.email, house.paper)


def next_snapshot(work: Work, job: Job, priced: PricedQuote, other: PricedQuote | None) -> QuoteSnapshot:
    """A job's next revision as it would be issued today."""
    house = get_house(work.session)
    ask = priced.ask
    customer = work.session.get_one(Customer, ask.customer_id)
    site = work.session.get(Site, ask.site_id) if ask.site_id else None
    last = work.session.scalar(sa.select(sa.func.max(QuoteRevision.revision)).where(QuoteRevision.job_id == job.id))
    has_cylinders = any(line.kind.is_keyed for line in ask.lines)
    return QuoteSnapshot(
        **priced.offered,
        house=house_head(house),
        job_number=job.number,
        revision=(last or 0) + 1,
        issued_on=work.today,
        valid_until=work.today + timedelta(days=house.quote_days),
        issued_by=work.actor.name,
        customer_name=customer.name,
        customer_phone=customer.phone,
        customer_address=customer.address,
        site_name=site.name if site else "",
        site_address=site.address if site else "",
        title=ask.title.strip(),
        need_by=ask.need_by,
        exclusions=house.exclusions,
        terms=house.terms,
        cautions=CAUTIONS if has_cylinders else (),
        ask=ask.to_json(),
        option_b=QuoteOption(**other.offered) if other else None,
        questions=answered(questions_about(work, priced), ask),
    )


def _record_issue(work: Work, job: Job, quote: QuoteSnapshot, priced: PricedQuote) -> None:
    about, number = f"job {job.number}", f"Quote {quote_number(job.number, quote.revision)}"
    sums = {"revision": quote.revision, "total_cents": quote.totals.total_cents, "keyed_at": quote.keyed_at}
    record(work, "quote issued", about, f"{number} issued", job_id=job.id, **sums)
    for line in quote.lines:
        if line.face:
            record(work, "face agreed", about, f"{number}, line {line.label}: {line.face}", job_id=job.id)
    for choice in quote.keying:
        if choice.overridden:
            why = f"{choice.group}: {choice.choice}, not {choice.computed or 'neither'}: {choice.override_reason}"
            record(work, "keying overridden", about, why, job_id=job.id)
    _record_prices(work, job, priced, number)


def _record_prices(work: Work, job: Job, priced: PricedQuote, number: str) -> None:
    """What went under the book because somebody said why: a low price of a line, and a discount."""
    about, ask = f"job {job.number}", priced.ask
    for place, found in enumerate(priced.resolved, start=1):
        if found is not None and found.low_price:
            why = f"{number}, line {place}: {found.low_price} Reason: {found.line.price_reason}"
            record(work, LOW_PRICE, about, why, job_id=job.id)
        elif found is not None and found.line.discount.is_given:
            taken = found.line.discount.words_of_line(found.off_cents)
            why = f"{number}, line {place}: {taken}. Reason: {found.line.price_reason}"
            record(work, DISCOUNT_GIVEN, about, why, job_id=job.id)
    if ask.discount.is_given:
        taken = show_cents(priced.totals.discount_cents)
        low = f" {priced.low_discount}" if priced.low_discount else ""
        why = f"{number}: {taken}, {ask.discount.words}.{low} Reason: {ask.discount_reason}"
        record(work, DISCOUNT_GIVEN, about, why, job_id=job.id)


def requote(work: Work, job: Job) -> Requote:
    """The newest revision's request at today's prices, beside what was quoted; nothing is saved.

    A day that has passed and an option that is no longer possible are left out, and said. Raises LedgerError
    on `stage` when the job can no longer be quoted, NotFound when it never was.
    """
    work.require(Role.COUNTER, Role.BENCH)
    if not job.revisions:
        raise NotFound("quote of this job")
    _require_quotable(job)
    quoted = read_snapshot(job.revisions[-1].snapshot)
    ask, notes = _without_past_days(as_still_said(work.session, asked_in(work.session, quoted)), work.today)
    notes += [
        f"Line {number} keeps the price that was typed for it, {show_cents(line.unit_cents)} each."
        for number, line in enumerate(ask.lines, start=1)
        if line.unit_cents is not None
    ]
    notes += ask.kept_discounts
    priced, other = price_request(work, ask), None
    try:
        other = price_option(work, ask, priced)
    except Problems:
        ask = replace(ask, option_b="")
        notes.append("Option B is no longer possible; it is quoted without it.")
    if quoted.where != priced.where:
        notes.append(f"It was {quoted.where}; today the figures say: {priced.where}.")
    comparison = Comparison(quoted, next_snapshot(work, job, priced, other))
    return Requote(job, ask, comparison, tuple(notes), priced.problems)


def _without_past_days(ask: QuoteRequest, today: date) -> tuple[QuoteRequest, list[str]]:
    """The request without the days that have passed, and what to say of each."""
    notes = []
    if ask.need_by is not None and ask.need_by < today:
        ask = replace(ask, need_by=None)
        notes.append("The day on which it was needed has passed; it is quoted without one.")
    lines = list(ask.lines)
    for place, line in enumerate(lines):
        if line.need_by is not None and line.need_by < today:
            lines[place] = replace(line, need_by=None)
            notes.append(f"Line {place + 1}'s own day has passed; it is quoted without one.")
    return replace(ask, lines=tuple(lines)), notes


def keep_requote(work: Work, job: Job, token: str, version: int, shown: str = "") -> QuoteRevision:
    """Issue what `requote` shows as the next revision of a job read at `version`.

    The same token gives the same revision. shown: the `mark` of what was looked at, "" where nobody looked. Raises
    Problems, or Stale when somebody changed the job, or a price, in between.
    """
    today = requote(work, job)
    is_other = shown not in ("", today.mark) and version == job.version
    if is_other and issued_from(work.session, token) is None:
        raise Stale("The prices were changed since this page was made. Nothing was issued; look at it again.")
    return issue_quote(work, IssueForm(today.ask, token, job_id=job.id, job_version=version))


def keep_asked(work: Work, form: IssueForm, typed: Mapping[str, Any]) -> Job:
    """Keep a request that is not quoted yet as a job in stage asked, with what was typed."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        draft = work.session.get(Draft, form.token)
        if draft is not None and draft.job_id is not None:
            return work.session.get_one(Job, draft.job_id)
        ask = _with_customer(work, form)
        job = _job(work, form, ask)
        typed = {**typed, "customer_id": ask.customer_id, "site_id": ask.site_id or ""}
        _put_draft(work, draft, form.token, typed, job.id)
        return job


def keep_draft(
    work: Work, token: str, typed: Mapping[str, Any], job_id: int | None = None, *, read: int = 0, apart: str = ""
) -> tuple[str, int]:
    """Keep the counter page as typed so far; only its own user's. Gives the draft's token and version.

    read: the draft's version that the page was made from (0: whatever it is). Where another tab has changed the
    draft since, it stays as it is, and the page is kept as a draft of its own, under the token `apart`. What is
    typed names its `tab`: a page that is sent while the answer to its last change is on its way is no other.
    """
    with transaction(work.session):
        draft = work.session.get(Draft, token)
        if draft is not None and job_id in (None, draft.job_id) and _says_same(draft, typed):
            return draft.token, draft.version
        if apart and read and draft is not None and draft.version != read and not _is_of_tab(draft, typed):
            draft, token = None, apart
        kept = _put_draft(work, draft, token, typed, job_id)
        return kept.token, kept.version


def _is_of_tab(draft: Draft, typed: Mapping[str, Any]) -> bool:
    return bool(typed.get("tab")) and draft.typed.get("tab") == typed["tab"]


def _says_same(draft: Draft, typed: Mapping[str, Any]) -> bool:
    """Whether a draft has what was typed; saving it for later has put its customer and site on record."""

    def work_of(page: Mapping[str, Any]) -> dict[str, Any]:
        put_on_record = ("customer", "site", "is_new") if draft.job_id is not None else ()
        return {n: text for n, text in page.items() if n != "tab" and not n.startswith(put_on_record)}

    return work_of(draft.typed) == work_of(typed)


def _put_draft(work: Work, draft: Draft | None, token: str, typed: Mapping[str, Any], job_id: int | None) -> Draft:
    if work.actor.user_id is None or len(token) > 64:
        raise LedgerError("", "This page has lost its place; open the counter page anew.")
    if draft is None:
        draft = Draft(token=token, user_id=work.actor.user_id)
        work.session.add(draft)
    elif draft.user_id != work.actor.user_id and draft.job_id is None:
        raise LedgerError("", "This page belongs to somebody else; open the counter page anew.")
    draft.typed, draft.saved_at = dict(typed), work.now
    draft.job_id = job_id or draft.job_id
    work.session.flush()
    return draft


def load_drafts(session: Session, user_id: int, job_id: int | None = None, *, most: int = 3) -> Sequence[Draft]:
    """The user's newest drafts, or those kept with a job, the newest first."""
    rows = sa.select(Draft).order_by(Draft.saved_at.desc(), Draft.token).limit(most)
    if job_id is not None:
        return session.scalars(rows.where(Draft.job_id == job_id)).all()
    return session.scalars(rows.where(Draft.user_id == user_id, Draft.job_id.is_(None))).all()


def lying_draft(session: Session, user_id: int | None) -> Draft | None:
    """The draft that the user typed into last and can go on with: of a new quote, or of a job still to be quoted."""
    newest = session.scalar(
        sa.select(Draft).where(Draft.user_id == user_id).order_by(Draft.saved_at.desc(), Draft.token).limit(1)
    )
    if newest is None or newest.job_id is None:
        return newest
    job = session.get_one(Job, newest.job_id)
    is_issued = bool(job.revisions) and newest.saved_at <= job.revisions[-1].issued_at
    if job.stage in (Stage.ASKED, Stage.QUOTED, Stage.LOST) and not is_issued:
        return newest
    return next(iter(load_drafts(session, newest.user_id, most=1)), None)


def drop_draft(work: Work, token: str) -> bool:
    """Throw a draft of one's own away; whether there was one."""
    with transaction(work.session):
        draft = work.session.get(Draft, token)
        is_own = draft is not None and (draft.user_id, draft.job_id) == (work.actor.user_id, None)
        if is_own:
            work.session.delete(draft)
        return is_own
