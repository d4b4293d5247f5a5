"""Use case: invoice a job by what was handed over, or all of it, or a deposit; the parts add up to what is agreed."""

import re
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session, defer

from app.errors import BitternError
from app.ledger.catalog.money_rules import money_rules_on, terms_of_tier
from app.ledger.catalog.price_queries import get_house, rule_in_words, tax_table
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.money.invoice_snapshot import (
    InvoicedLine,
    InvoiceSnapshot,
    note_of_part,
    read_invoice,
)
from app.ledger.money.settling import settle, unused_cents
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.snapshot import QuoteSnapshot, SnapshotLine, as_accepted, read_snapshot, snapshot_hash
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import invoice_number, quote_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    INVOICE_NUMBERS,
    HandedLine,
    HandOverRow,
    Invoice,
    InvoiceKind,
    InvoiceLine,
    Job,
    LineKind,
    QuoteRevision,
    Role,
    SoldLine,
    Stage,
)
from app.pricing import (
    Discount,
    Exemption,
    TaxCents,
    half_up,
    show_cents,
    show_day,
    terms_sentences,
)
from app.validation import WordedEnum

INVOICED = "invoice issued"
OFF_PRICE_LABEL = "off price"
Handed = Mapping[int, tuple[int, int, int]]
"""Line of the job → how many of its cylinders, keys and other pieces."""
_OF_CYLINDERS = (*(kind.value for kind in LineKind if kind.is_keyed), "keying")
_NUMBER = re.compile(r"[0-9]+")


class Invoicing(WordedEnum):
    """What of a job is invoiced."""

    HANDED_OVER = "handed over", "what was handed over"
    ALL = "all", "all that was ordered"
    DEPOSIT = "deposit", "a deposit, asked with the order"


@dataclass(frozen=True, slots=True)
class InvoiceForm:
    """What the counter presses: which, of a deposit how much, and the token of the page."""

    which: Invoicing
    token: str
    cents: int | None = None


@dataclass(frozen=True, slots=True)
class SoldTax:
    """The tax on lines that were sold: percent (decimal text, "" where nothing is taxed), on which kinds, and how it
    comes to whole cents. share: of a quote of an earlier release, tax and what it was on: its rate is not known.
    """

    percent: str
    goods: bool
    labor: bool
    by: TaxCents
    note: str
    share: tuple[int, int] | None = None

    def of_line(self, line: SnapshotLine) -> str:
        """The percent on a line, "" where it is not taxed."""
        return self.percent if (self.labor if line.is_labour else self.goods) else ""

    def cents(self, amounts: Sequence[int]) -> int:
        """The tax on the amounts of taxed lines."""
        if self.share is not None:
            tax, whole = self.share
            return half_up(Fraction(tax * sum(amounts), whole)) if whole else 0
        return self.by.tax(amounts, Decimal(self.percent)) if self.percent else 0


AS_QUOTED = "as quoted"


@dataclass(frozen=True, slots=True)
class SoldShare:
    """A line of the accepted quote: what it comes to without the quote's discount, and with its share of it."""

    line: SnapshotLine
    base_cents: int

    @property
    def number(self) -> int:
        """The job's line that it belongs to."""
        found = _NUMBER.match(self.line.label)
        return int(found[0]) if found else 0

    def amount(self, quantity: int) -> int:
        """What so many of its pieces come to, without the quote's discount."""
        return half_up(Fraction(self.line.amount_cents * quantity, self.line.quantity))

    def base(self, quantity: int) -> int:
        """The same with their share of it: what is taxed."""
        return half_up(Fraction(self.base_cents * quantity, self.line.quantity))

    def went(self, handed: Handed) -> int:
        """How many of its pieces were handed over; labor, a trip, a set-up have none and go with the first."""
        cylinders, keys, goods = handed.get(self.number, (0, 0, 0))
        if self.line.kind in _OF_CYLINDERS:
            return min(cylinders or goods, self.line.quantity)
        if self.line.kind == LineKind.KEYS.value:
            return min(keys or goods, self.line.quantity)
        if self.line.kind == LineKind.HARDWARE.value:
            return min(goods, self.line.quantity)
        return self.line.quantity if any(map(any, handed.values())) else 0


@dataclass(frozen=True, slots=True)
class Sold:
    """What a job's accepted quote says, as invoices share it out."""

    quote: QuoteSnapshot
    shares: tuple[SoldShare, ...]

    def all_of_it(self) -> dict[str, int]:
        """Every line's label with its whole quantity."""
        return {one.line.label: one.line.quantity for one in self.shares}

    def went(self, handed: Handed) -> dict[str, int]:
        """Every line's label with how many of it were handed over."""
        return {one.line.label: one.went(handed) for one in self.shares}

    def bases(self, counts: Mapping[str, int], tax: SoldTax) -> list[int]:
        """What so many pieces of the taxed lines come to, each line by itself."""
        return [one.base(counts[one.line.label]) for one in self.shares if tax.of_line(one.line)]

    def value(self, counts: Mapping[str, int], tax: SoldTax) -> int:
        """What so many pieces come to, tax included."""
        return sum(one.base(counts[one.line.label]) for one in self.shares) + tax.cents(self.bases(counts, tax))


def sold_of(session: Session, job: Job) -> Sold | None:
    """What was sold to a job's customer; None where no quote was accepted."""
    if job.agreed_cents is None:
        return None
    newest = sa.select(QuoteRevision.snapshot).where(QuoteRevision.job_id == job.id)
    text = session.scalar(newest.order_by(QuoteRevision.revision.desc()).limit(1))
    if text is None:
        return None
    quote = as_accepted(read_snapshot(text), job.accepted_option)
    shared = Discount(cents=quote.totals.discount_cents).shared_out([line.priced for line in quote.lines])
    return Sold(quote, tuple(SoldShare(line, one.net_cents) for line, one in zip(quote.lines, shared, strict=True)))


def tax_as_sold(session: Session, sold: Sold) -> SoldTax:
    """The tax as the accepted quote has it."""
    totals = sold.quote.totals
    if totals.tax_rule is not None:
        rule = totals.tax_rule
        return SoldTax(f"{rule.rate:f}", rule.goods_taxed, rule.labour_taxed, totals.tax_by, totals.tax_note)
    if not totals.tax_cents:
        return SoldTax("", False, False, totals.tax_by, totals.tax_note)
    # A quote of an earlier release names no rate: that of its day, if it comes to the same.
    try:
        rule = tax_table(session).rule(totals.tax_place, sold.quote.issued_on)
        found = SoldTax(f"{rule.rate:f}", rule.goods_taxed, rule.labour_taxed, totals.tax_by, totals.tax_note)
        if found.cents(sold.bases(sold.all_of_it(), found)) == totals.tax_cents:
            return found
    except BitternError:
        pass
    return SoldTax(AS_QUOTED, True, True, totals.tax_by, totals.tax_note, (totals.tax_cents, totals.subtotal_cents))


def tax_of_day(session: Session, job: Job, sold: Sold, day: date) -> SoldTax:
    """The tax that an invoice has, by the rule under which its quote was given: the quote's, or that of a day of
    hand-over. LedgerError on `which` where the place has no tax then.
    """
    agreed = tax_as_sold(session, sold)
    if "tax" not in sold.quote.of_hand_over:
        return agreed
    customer, by = job.customer, sold.quote.totals.tax_by
    place = sold.quote.totals.tax_place or customer.tax_place or get_house(session).tax_place
    try:
        rule = tax_table(session).rule(place, day)
    except BitternError as error:
        raise LedgerError("which", error.message) from error
    note = rule.sentence
    if customer.exempt_certificate and customer.exempt_until:
        exemption = Exemption(customer.exempt_certificate, customer.exempt_until)
        if exemption.holds_on(day):
            return SoldTax("", False, False, by, f"Tax exempt, certificate {exemption.certificate}.")
        note += f" Exemption certificate {exemption.certificate} expired on {show_day(exemption.expires)}."
    return SoldTax(f"{rule.rate:f}" if rule.rate else "", rule.goods_taxed, rule.labour_taxed, by, note)


def handed_of(session: Session, job: Job) -> dict[int, tuple[int, int, int]]:
    """How much of each line of a job was handed over."""
    sums = [sa.func.sum(column) for column in (HandedLine.cylinders, HandedLine.keys, HandedLine.goods)]
    rows = sa.select(HandedLine.line_number, *sums).join(HandedLine.hand_over)
    rows = rows.where(HandOverRow.job_id == job.id).group_by(HandedLine.line_number)
    return {row[0]: (int(row[1]), int(row[2]), int(row[3])) for row in session.execute(rows)}


def _went(session: Session, job: Job, sold: Sold) -> dict[str, int]:
    return sold.all_of_it() if job.stage.is_with_customer else sold.went(handed_of(session, job))


def value_of(session: Session, job: Job, lines: Handed) -> int:
    """What pieces of a job come to, tax included, that go after those that went already; 0 where nothing was sold."""
    sold = sold_of(session, job)
    if sold is None:
        return 0
    tax, before = tax_as_sold(session, sold), handed_of(session, job)
    after = dict(before)
    for number, went in lines.items():
        cylinders, keys, goods = before.get(number, (0, 0, 0))
        after[number] = (cylinders + went[0], keys + went[1], goods + went[2])
    return sold.value(sold.went(after), tax) - sold.value(sold.went(before), tax)


def handed_value(session: Session, job: Job) -> int:
    """What all that was handed over of a job comes to, tax included, less what came off its price since: credit notes
    and discounts for paying early.
    """
    if job.stage.is_with_customer:
        return job_money(job).total_cents
    handed = handed_of(session, job)
    sold = sold_of(session, job) if handed else None
    if sold is None or job.agreed_cents is None:
        return 0
    went = sold.value(sold.went(handed), tax_as_sold(session, sold))
    return max(0, went + job.agreed_cents - sold.quote.totals.total_cents)


def has_invoices(session: Session, job: Job) -> bool:
    """Whether goods of a job stand on an invoice that was not canceled."""
    return bool(standing(papers_of_money(session, job), InvoiceKind.INVOICE))


def papers_of_money(session: Session, job: Job) -> Sequence[Invoice]:
    """Every invoice and credit note of a job, in the order of their numbers."""
    rows = sa.select(Invoice).where(Invoice.job_id == job.id).options(defer(Invoice.snapshot))
    return session.scalars(rows.order_by(Invoice.number)).all()


def standing(papers: Sequence[Invoice], kind: InvoiceKind) -> list[Invoice]:
    """The papers of a kind that no credit note canceled."""
    gone = {one.refers_to_id for one in papers if one.cancels}
    return [one for one in papers if one.kind is kind and one.id not in gone]


@dataclass(frozen=True, slots=True)
class InvoicedSoFar:
    """What stands on a job's invoices: by label its pieces, their amounts without and with the quote's discount; by
    percent of tax what of each label was taxed, and the tax on it. tax_cents, tax_change_cents: of all of them; the
    tax in what was given back off the price is left out.
    """

    pieces: Counter[str]
    amounts: Counter[str]
    bases: Counter[str]
    taxed: dict[str, Counter[str]]
    tax_by_percent: Counter[str]
    tax_change_cents: int

    @property
    def tax_cents(self) -> int:
        """The tax on all invoices."""
        return sum(self.tax_by_percent.values())


def _invoiced(papers: Sequence[Invoice], tax: SoldTax) -> InvoicedSoFar:
    so_far = InvoicedSoFar(Counter(), Counter(), Counter(), defaultdict(Counter), Counter(), 0)
    change = 0
    for frozen in (read_invoice(one.snapshot) for one in standing(papers, InvoiceKind.INVOICE)):
        own: Counter[str] = Counter()
        percent = next((line.tax_percent for line in frozen.lines if line.tax_percent), "")
        for line in frozen.lines:
            if line.label == OFF_PRICE_LABEL:
                continue
            so_far.pieces[line.label] += line.quantity
            so_far.amounts[line.label] += line.amount_cents
            so_far.bases[line.label] += line.taxed_cents
            if line.tax_percent:
                own[line.label] += line.taxed_cents
        so_far.taxed[percent].update(own)
        is_less = any(line.label == OFF_PRICE_LABEL for line in frozen.lines)  # on a job's first invoice alone
        whole = replace(tax, percent=percent).cents(list(own.values())) if is_less else frozen.tax_cents
        so_far.tax_by_percent[percent] += whole
        change += frozen.tax_change_cents
    return replace(so_far, tax_change_cents=change)


@dataclass(frozen=True, slots=True)
class NextInvoice:
    """What an invoice of a job would say if it were issued now: see `InvoiceSnapshot`."""

    which: Invoicing
    quote: QuoteSnapshot
    lines: tuple[InvoicedLine, ...]
    discount_cents: int
    tax_cents: int
    tax: SoldTax | None
    deposit_cents: int
    deposit_note: str = ""
    tax_change_cents: int = 0
    is_last: bool = False

    @property
    def subtotal_cents(self) -> int:
        """Before tax."""
        return sum(line.amount_cents for line in self.lines) - self.discount_cents

    @property
    def total_cents(self) -> int:
        """What is to be paid."""
        return self.subtotal_cents + self.tax_cents + self.deposit_cents


def next_invoice(session: Session, job: Job, which: Invoicing, today: date, cents: int | None = None) -> NextInvoice:
    """What would be invoiced now. LedgerError on `which` where there is nothing to, on `cents` of a deposit."""
    sold = sold_of(session, job)
    is_canceled = job.stage is Stage.CANCELED and (which is not Invoicing.HANDED_OVER or not handed_of(session, job))
    if sold is None or is_canceled:
        why = f"this one is {job.stage.word}" if job.agreed_cents is None or sold else "none of this one is on record"
        raise LedgerError("which", f"A job is invoiced once its quote was accepted; {why}.")
    papers = papers_of_money(session, job)
    if which is Invoicing.DEPOSIT:
        return _deposit(job, sold, papers, cents)
    counts = sold.all_of_it() if which is Invoicing.ALL else _went(session, job, sold)
    day = today if which is Invoicing.ALL else last_hand_over(session, job) or today
    return _part(session, job, sold, papers, counts, which, tax_of_day(session, job, sold, day))


def last_hand_over(session: Session, job: Job) -> date | None:
    """The day on which something of a job was handed over last; None where nothing was."""
    rows = sa.select(HandOverRow).where(HandOverRow.job_id == job.id).order_by(HandOverRow.place.desc()).limit(1)
    found = session.scalar(rows)
    return found.event.at.astimezone().date() if found else None


def _deposit(job: Job, sold: Sold, papers: Sequence[Invoice], cents: int | None) -> NextInvoice:
    invoiced = sum(one.subtotal_cents + one.tax_cents for one in papers if one.kind is not InvoiceKind.DEPOSIT)
    held = sum(one.deposit_cents for one in papers)
    most = max(0, job_money(job).total_cents - invoiced - held)
    asked = min(max(0, job.deposit_cents - held), most) if cents is None else cents
    if not 0 < asked <= most:
        if cents is None:
            raise LedgerError("which", "No deposit is asked of this job, or it is invoiced already.")
        raise LedgerError("cents", f"{show_cents(most)} of this job is not invoiced yet: enter at most that.")
    return NextInvoice(Invoicing.DEPOSIT, sold.quote, (), 0, 0, None, asked)


def _part(
    session: Session,
    job: Job,
    sold: Sold,
    papers: Sequence[Invoice],
    counts: Mapping[str, int],
    which: Invoicing,
    tax: SoldTax,
) -> NextInvoice:
    """An invoice of so many pieces of each line in all, less those that were invoiced before."""
    so_far = _invoiced(papers, tax)
    before = {label: min(so_far.pieces[label], whole) for label, whole in sold.all_of_it().items()}
    after = {label: max(counts[label], before[label]) for label in before}
    lines, discount = [], 0
    for one in sold.shares:
        line, first, last = one.line, before[one.line.label], after[one.line.label]
        if first == last:
            continue
        # Less what stands on invoices, not less what its pieces came to: one that was canceled had other cents.
        amount, base = one.amount(last) - so_far.amounts[line.label], one.base(last) - so_far.bases[line.label]
        discount += amount - base
        own = line.unit_cents * (last - first) - amount
        lines.append(
            InvoicedLine(
                *(line.label, line.words, line.part_number, last - first, line.unit_cents, amount, base),
                *(tax.of_line(line), note_of_part(line.discount_note, line.discount_cents, own)),
            )
        )
    if not lines:
        raise LedgerError("which", _nothing_left(papers, which))
    now = Counter(so_far.taxed[tax.percent])
    for invoiced in lines:
        if invoiced.tax_percent:
            now[invoiced.label] += invoiced.taxed_cents
    cents = tax.cents(list(now.values())) - so_far.tax_by_percent[tax.percent]
    agreed = tax_as_sold(session, sold)
    # So that the tax on all invoices is the quote's on these pieces, and what changed of it.
    change = so_far.tax_cents + cents - agreed.cents(sold.bases(after, agreed)) - so_far.tax_change_cents
    if not standing(papers, InvoiceKind.INVOICE) and (back := _given_back(session, job, sold)):
        untaxed, tax_in_it = back
        off = (-untaxed, -untaxed, -untaxed)
        lines.append(InvoicedLine(OFF_PRICE_LABEL, "Given back off the price", "", 1, *off, ""))
        cents -= tax_in_it
    plan = NextInvoice(
        which, sold.quote, tuple(lines), discount, cents, tax, 0, "", change, after == sold.all_of_it()
    )
    if plan.total_cents < 0:
        raise LedgerError("which", "More was given back off the price than this part comes to: invoice all of it.")
    return _less_deposit(job, papers, plan)


def _given_back(session: Session, job: Job, sold: Sold) -> tuple[int, int] | None:
    """What was given back off the price before the first invoice, without tax, and the tax in it."""
    back = sold.quote.totals.total_cents - (job.agreed_cents or 0)
    rows = sa.select(SoldLine.amount_cents).where(SoldLine.job_id == job.id, SoldLine.kind == OFF_PRICE_LABEL)
    untaxed = -(session.scalar(rows) or 0)
    return (untaxed, back - untaxed) if back > 0 else None


def _less_deposit(job: Job, papers: Sequence[Invoice], plan: NextInvoice) -> NextInvoice:
    """The same less its share of what deposit invoices asked for: with the last one all of it is used."""
    asked = sum(one.deposit_cents for one in standing(papers, InvoiceKind.DEPOSIT))
    parts = standing(papers, InvoiceKind.INVOICE)
    used = -sum(one.deposit_cents for one in parts)
    if not asked:
        return plan
    so_far = sum(one.subtotal_cents + one.tax_cents for one in parts) + plan.total_cents
    whole = max(job_money(job).total_cents + plan.tax_change_cents, so_far)
    share = asked - used if plan.is_last else half_up(Fraction(asked * so_far, whole or 1)) - used
    share = max(0, min(share, plan.total_cents, asked - used))
    named = ", ".join(invoice_number(one.number) for one in standing(papers, InvoiceKind.DEPOSIT))
    return replace(plan, deposit_cents=-share, deposit_note=f"Less deposit, {named}") if share else plan


def _nothing_left(papers: Sequence[Invoice], which: Invoicing) -> str:
    named = ", ".join(
        f"{invoice_number(one.number)} of {show_day(one.invoiced_on)}"
        for one in standing(papers, InvoiceKind.INVOICE)
    )
    if not named:
        return "Nothing of this job was handed over yet: choose to invoice all of it, or a deposit."
    what = "All that was handed over" if which is Invoicing.HANDED_OVER else "All of this job"
    return f"{what} is invoiced already: {named}. A credit note changes or cancels what was invoiced."


def issued_with(session: Session, token: str) -> Invoice | None:
    """The paper that was issued from the page with this token already, if one was."""
    return session.scalar(sa.select(Invoice).where(Invoice.request_token == token))


def invoice_job(work: Work, job_number: int, version: int, form: InvoiceForm) -> Invoice:
    """Issue an invoice of a job whose papers were read at `version` (their number and one): frozen, hashed, with the
    next number of the one series. The same token gives the same invoice. Payments that wait are used for it.

    Raises LedgerError on `which` and `cents`, Stale where another was issued in between; then no number is used up.
    """
    work.require(Role.COUNTER)
    if work.actor.user_id is None:
        raise LedgerError("", "An invoice is issued by a person who is on record; log in.")
    with transaction(work.session):
        number = next_number(work.session, INVOICE_NUMBERS)  # its lock makes two at once queue
        if (done := issued_with(work.session, form.token)) is not None:
            work.session.rollback()
            return done
        job = get_job(work.session, job_number)
        if len(papers_of_money(work.session, job)) + 1 != version:
            raise Stale()
        plan = next_invoice(work.session, job, form.which, work.today, form.cents)
        settle(work, job)  # what is still unused after that is for this paper alone
        received = max(0, min(unused_cents(work.session, job), plan.total_cents))
        snapshot = _snapshot(work, job, number, plan, received)
        if plan.tax_change_cents and job.agreed_cents is not None:
            job.agreed_cents += plan.tax_change_cents
        invoice = put_invoice(work, job, snapshot, form.token)
        settle(work, job)
    return invoice


def put_invoice(
    work: Work,
    job: Job,
    snapshot: InvoiceSnapshot,
    token: str,
    *,
    refers_to: Invoice | None = None,
    cancels: bool = False,
    event: str = INVOICED,
) -> Invoice:
    """Put a paper of the series on record with its event, inside the caller's transaction."""
    text = snapshot.to_text()
    invoice = Invoice(
        number=snapshot.number,
        kind=snapshot.kind,
        job_id=job.id,
        issued_at=work.now,
        issued_by_id=work.actor.user_id,
        invoiced_on=snapshot.issued_on,
        due_on=snapshot.due_on,
        subtotal_cents=snapshot.subtotal_cents,
        tax_cents=snapshot.tax_cents,
        deposit_cents=snapshot.deposit_cents,
        total_cents=snapshot.total_cents,
        refers_to_id=refers_to.id if refers_to else None,
        cancels=cancels,
        reason=snapshot.reason,
        snapshot=text,
        sha256=snapshot_hash(text),
        request_token=token,
        lines=[
            InvoiceLine(
                label=line.label,
                words=line.words,
                quantity=line.quantity,
                amount_cents=line.taxed_cents,
                tax_percent=line.tax_percent,
            )
            for line in snapshot.lines
        ],
    )
    work.session.add(invoice)
    work.session.flush()
    about = (
        f"for {snapshot.what}" if refers_to is None else f"on {invoice_number(refers_to.number)}: {snapshot.reason}"
    )
    told = [f"{snapshot.kind.words} {snapshot.number_words}, {show_cents(snapshot.total_cents)}, {about}."]
    if snapshot.tax_change_cents:
        told.append(f"Sales tax of the day is {show_cents(snapshot.tax_change_cents)} more than was quoted.")
    figures = {"invoice": snapshot.number, "total_cents": snapshot.total_cents}
    record(work, event, f"job {job.number}", " ".join(told), job_id=job.id, **figures)
    return invoice


def _snapshot(work: Work, job: Job, number: int, plan: NextInvoice, received_cents: int) -> InvoiceSnapshot:
    session = work.session
    rules = money_rules_on(session, work.today)
    terms = terms_of_tier(session, job.customer.tier, rules)
    counted_from = terms.counted_from(work.today, last_hand_over(session, job), rules.late_in_month)
    is_deposit = plan.which is Invoicing.DEPOSIT
    quote, customer, site = plan.quote, job.customer, job.site
    left = plan.total_cents - received_cents
    if is_deposit:
        told: tuple[str, ...] = ("Terms: due with the order.",)
    else:
        told = terms_sentences(terms, counted_from, left)
    return InvoiceSnapshot(
        house=house_head(get_house(session)),
        number=number,
        kind=InvoiceKind.DEPOSIT if is_deposit else InvoiceKind.INVOICE,
        issued_on=work.today,
        due_on=work.today if is_deposit else terms.due_on(counted_from),
        issued_by=work.actor.name,
        job_number=job.number,
        title=job.title,
        quote=quote_number(job.number, quote.revision) + job.accepted_option,
        po_number=job.po_number,
        customer_name=customer.name,
        customer_address=customer.address,
        site_name=site.name if site else "",
        site_address=site.address if site else "",
        what=plan.which.words,
        lines=plan.lines,
        discount_cents=plan.discount_cents,
        discount_note=quote.totals.discount_note,
        subtotal_cents=plan.subtotal_cents,
        tax_cents=plan.tax_cents,
        tax_note=plan.tax.note if plan.tax else "",
        deposit_cents=plan.deposit_cents,
        deposit_note=plan.deposit_note,
        total_cents=plan.total_cents,
        received_cents=received_cents,
        tax_by=plan.tax.by if plan.tax else rules.tax,
        tax_change_cents=plan.tax_change_cents,
        rule=f"{plan.tax.by.sentence} {_OF_PARTS}" if plan.tax else _OF_DEPOSIT,
        day_rule=rule_in_words("tax" in quote.of_hand_over, "prices" in quote.of_hand_over) if plan.tax else "",
        terms=told if left else (),
        cash_percent=Decimal(0) if is_deposit else terms.cash_percent,
        discount_until=None if is_deposit else terms.discount_until(counted_from),
        is_last=plan.is_last,
    )


_OF_PARTS = "The invoices of a job add up to what was agreed."
_OF_DEPOSIT = "Sales tax is on the invoices for what is handed over; this deposit comes off them."
