"""Use cases: credit notes. Each names its invoice and says what is changed; one that cancels takes all of it back."""

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.jobs.queries import get_job
from app.ledger.money.invoice_snapshot import InvoicedLine, InvoiceSnapshot, note_of_part, read_invoice
from app.ledger.money.invoicing import (
    AS_QUOTED,
    OFF_PRICE_LABEL,
    issued_with,
    papers_of_money,
    put_invoice,
    standing,
)
from app.ledger.money.settling import invoices_of_jobs, settle
from app.ledger.quoting.sold_lines import give_back_sold
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import next_number
from app.ledger.store.numbers import invoice_number
from app.ledger.store.work import Work
from app.ledger.tables import INVOICE_NUMBERS, Invoice, InvoiceKind, InvoiceLine, Job, PaymentUse, Role, longest
from app.pricing import half_up, show_cents
from app.pricing import restocking_cents as charged_for_restocking
from app.validation import fault_of_length

CREDITED = "credit note issued"
RESTOCKING = "restocking"
EARLY_BACK = "paid early"
"""The label of a credit note's line that takes back the discount for paying early on what is credited."""
_EARLY_WORDS = "Less the discount for paying early"
_EARLY_RULE = (
    "What was taken off the invoice for paying early is not given back: its part that falls on what is credited is "
    "taken off this credit note, with the sales tax in it."
)


_NO_PIECES = (RESTOCKING, EARLY_BACK, OFF_PRICE_LABEL)


def get_invoice(session: Session, number: int) -> Invoice:
    """A paper of the series by its number; NotFound."""
    found = session.scalar(sa.select(Invoice).where(Invoice.number == number))
    if found is None:
        raise NotFound("invoice")
    return found


def credited_of(session: Session, invoice: Invoice) -> list[Invoice]:
    """The credit notes on an invoice."""
    rows = sa.select(Invoice).where(Invoice.refers_to_id == invoice.id)
    return list(session.scalars(rows.order_by(Invoice.number)))


def _left(session: Session, invoice: Invoice) -> Counter[str]:
    """Label → how many pieces of an invoice were not credited yet."""
    left = Counter({line.label: line.quantity for line in invoice.lines if line.label not in _NO_PIECES})
    for note in credited_of(session, invoice):
        left.subtract({line.label: line.quantity for line in note.lines if line.label not in _NO_PIECES})
    return left


def write_credit_notes(
    work: Work, job: Job, lines: Mapping[str, int], reason: str, restocking_cents: int = 0, token: str = ""
) -> list[Invoice]:
    """Credit pieces of a job by their lines' labels, inside the caller's transaction: on its newest invoice that has
    all of them, else on each that has some, the newest first. The price that is agreed is lower by it, and payments
    are freed.

    restocking_cents: what is kept before tax for taking them back; several credit notes share it, and their tokens
    begin with `token`. Raises LedgerError on `lines` where the invoices have fewer, on `restocking` where it is more
    than they come to.
    """
    parts, values = _valued(work.session, job, lines)
    number = next_number(work.session, INVOICE_NUMBERS)
    whole, so_far, kept = sum(values), 0, 0
    notes: list[Invoice] = []
    for place, ((invoice, part), value) in enumerate(zip(parts, values, strict=True)):
        so_far += value
        share = restocking_cents - kept
        if so_far < whole and restocking_cents <= whole:
            share = half_up(Fraction(restocking_cents * so_far, whole)) - kept
        kept += share
        number = number if not notes else next_number(work.session, INVOICE_NUMBERS)
        named = f"{token} {place + 1}" if token else ""
        notes.append(_credit(work, job, invoice, part, reason, share, number, named))
    return notes


def credit_value(session: Session, job: Job, lines: Mapping[str, int]) -> int:
    """What crediting pieces of a job by their lines' labels comes to before tax and before a restocking charge, less
    what was taken off for paying early. LedgerError on `lines` where the invoices have fewer.
    """
    return sum(_valued(session, job, lines)[1])


def _valued(
    session: Session, job: Job, lines: Mapping[str, int]
) -> tuple[list[tuple[Invoice, Counter[str]]], list[int]]:
    """How many of each label are credited on which invoice, and what each of these parts comes to before tax."""
    wanted = Counter({label: count for label, count in lines.items() if count})
    if not wanted or min(wanted.values()) < 0:
        raise LedgerError("lines", "Enter how many pieces are credited.")
    parts = _parts(session, job, wanted)
    return parts, [_Credit.of(session, invoice, part).cents for invoice, part in parts]


def _parts(session: Session, job: Job, wanted: Counter[str]) -> list[tuple[Invoice, Counter[str]]]:
    """How many of each label are credited on which invoice."""
    found, rest, most = [], Counter(wanted), Counter[str]()
    for invoice in reversed(standing(papers_of_money(session, job), InvoiceKind.INVOICE)):
        left = _left(session, invoice)
        if all(left[label] >= count for label, count in wanted.items()):
            return [(invoice, wanted)]
        most += left
        if part := Counter({label: min(count, max(left[label], 0)) for label, count in rest.items()}) + Counter():
            found.append((invoice, part))
            rest -= part
    for label in rest:
        told = f"{most[label]} of line {label} stand on invoices of job {job.number} and are left to credit"
        raise LedgerError("lines", f"{told}: enter at most that.")
    return found


@dataclass(frozen=True, slots=True)
class _Credit:
    """What so many pieces of an invoice come to. discount_cents: of the quote's discount; early_cents: of what was
    taken off for paying early, without the tax in it, early_tax_cents; tax_cents: on the lines.
    """

    lines: tuple[InvoicedLine, ...]
    discount_cents: int
    percent: str
    taxed: Counter[str]  # label → what of it is taxed still
    tax_cents: int
    early_cents: int = 0
    early_tax_cents: int = 0

    @property
    def cents(self) -> int:
        """Before tax and before a restocking charge."""
        return -sum(line.taxed_cents for line in self.lines) - self.early_cents

    @classmethod
    def of(cls, session: Session, invoice: Invoice, wanted: Mapping[str, int]) -> "_Credit":
        """Of pieces that are left to credit."""
        frozen, left = read_invoice(invoice.snapshot), _left(session, invoice)
        lines, discount, rest = [], 0, 0
        was = _taxed_now(session, invoice)
        now = Counter(was)
        for line in frozen.lines:
            count, first = wanted.get(line.label, 0), line.quantity - left[line.label]
            last = first + count
            rest += line.taxed_cents - _share(line.taxed_cents, first, line.quantity)
            if not count or line.label == OFF_PRICE_LABEL:
                continue
            amount = _share(line.amount_cents, last, line.quantity) - _share(line.amount_cents, first, line.quantity)
            base = _share(line.taxed_cents, last, line.quantity) - _share(line.taxed_cents, first, line.quantity)
            discount += amount - base
            off = line.unit_cents * line.quantity - line.amount_cents
            note = note_of_part(line.note, off, line.unit_cents * count - amount)
            lines.append(replace(line, quantity=count, amount_cents=-amount, taxed_cents=-base, note=note))
            if line.tax_percent:
                now[line.label] -= base
        percent = next((line.tax_percent for line in frozen.lines if line.tax_percent), "")
        tax = _tax(frozen, percent, was) - _tax(frozen, percent, now)
        worth = rest + _tax(frozen, percent, _of_goods(was))
        given = _OffPrice.of(frozen, percent, credited_of(session, invoice))
        after = given.at_most(worth + sum(line.taxed_cents for line in lines) - tax)
        if kept := given.cents - after.cents:
            lines.append(
                InvoicedLine(OFF_PRICE_LABEL, "Given back off the price before", "", 1, kept, kept, kept, "")
            )
        found = cls(tuple(lines), discount, percent, now, tax - (given.tax_cents - after.tax_cents))
        early = _early_left(session, invoice)
        return found._less_early(early, worth - given.whole_cents) if early else found

    def _less_early(self, early_cents: int, whole_cents: int) -> "_Credit":
        """The same less its share of what was taken off `whole_cents`, tax included, for paying early."""
        worth = self.cents + self.tax_cents
        off = _share(early_cents, min(worth, whole_cents), whole_cents) if whole_cents > 0 else 0
        in_tax = _share(off, self.tax_cents, worth) if worth else 0
        return replace(self, early_cents=off - in_tax, early_tax_cents=in_tax)


def _of_goods(taxed: Mapping[str, int]) -> Counter[str]:
    return Counter({label: cents for label, cents in taxed.items() if label != RESTOCKING})


@dataclass(frozen=True, slots=True)
class _OffPrice:
    """What was given back off the price before an invoice, and no credit note took into account yet: without tax, of
    how much at first, and the tax in all of that.
    """

    cents: int
    of_cents: int
    of_tax_cents: int

    @classmethod
    def of(cls, frozen: InvoiceSnapshot, percent: str, notes: Sequence[Invoice]) -> "_OffPrice":
        """Of an invoice with these credit notes."""
        whole = -sum(line.taxed_cents for line in frozen.lines if line.label == OFF_PRICE_LABEL)
        kept = sum(line.amount_cents for note in notes for line in note.lines if line.label == OFF_PRICE_LABEL)
        return cls(whole - kept, whole, _off_price_tax(frozen, percent))

    @property
    def tax_cents(self) -> int:
        """The tax in what is left of it."""
        return _share(self.of_tax_cents, self.cents, self.of_cents) if self.of_cents else 0

    @property
    def whole_cents(self) -> int:
        """With the tax in it."""
        return self.cents + self.tax_cents

    def at_most(self, worth: int) -> "_OffPrice":
        """So much of it as pieces of this worth bear, tax included: what is left of an invoice is not below zero."""
        if self.whole_cents <= worth:
            return self
        return replace(self, cents=self.of_cents * max(worth, 0) // (self.of_cents + self.of_tax_cents))


def _off_price_tax(frozen: InvoiceSnapshot, percent: str) -> int:
    """The tax in what was given back off the price before an invoice was issued."""
    if percent == AS_QUOTED or all(line.label != OFF_PRICE_LABEL for line in frozen.lines):
        return 0
    taxed = [line.taxed_cents for line in frozen.lines if line.tax_percent]
    return (frozen.tax_by.tax(taxed, Decimal(percent)) if percent else 0) - frozen.tax_cents


def _early_left(session: Session, invoice: Invoice) -> int:
    """What was taken off an invoice for paying early, less what credit notes on it took back of that."""
    rows = sa.select(sa.func.coalesce(sa.func.sum(PaymentUse.discount_cents), 0))
    taken = int(session.scalar(rows.where(PaymentUse.invoice_id == invoice.id)) or 0)
    for frozen in (read_invoice(note.snapshot) for note in credited_of(session, invoice)):
        taken -= sum(line.amount_cents for line in frozen.lines if line.label == EARLY_BACK) + frozen.early_tax_cents
    return taken


def _credit(
    work: Work,
    job: Job,
    invoice: Invoice,
    wanted: Mapping[str, int],
    reason: str,
    restocking_cents: int,
    number: int,
    token: str,
    restocking_percent: Decimal = Decimal(0),
) -> Invoice:
    session, frozen = work.session, read_invoice(invoice.snapshot)
    rules, credit = money_rules_on(session, work.today), _Credit.of(session, invoice, wanted)
    lines, tax = list(credit.lines), credit.early_tax_cents - credit.tax_cents
    if credit.early_cents or credit.early_tax_cents:
        off = (credit.early_cents, credit.early_cents, credit.early_cents)
        lines.append(InvoicedLine(EARLY_BACK, _EARLY_WORDS, "", 1, *off, ""))
    if restocking_percent:
        restocking_cents = charged_for_restocking(credit.cents, restocking_percent)
    if not 0 <= restocking_cents <= max(credit.cents, 0):
        raise LedgerError(
            "restocking", f"What comes back comes to {show_cents(credit.cents)} before tax: keep at most that."
        )
    if restocking_cents:
        is_taxed = rules.restocking_taxed and credit.percent
        charge = (restocking_cents, restocking_cents, restocking_cents, credit.percent if is_taxed else "")
        lines.append(InvoicedLine(RESTOCKING, "Restocking charge", "", 1, *charge))
        if is_taxed:
            kept = credit.taxed + Counter({RESTOCKING: restocking_cents})
            tax += _tax(frozen, credit.percent, kept) - _tax(frozen, credit.percent, credit.taxed)
    return _put(
        work, job, invoice, frozen, tuple(lines), -credit.discount_cents, tax, 0, reason, number, token,
        restocking_rule=rules.restocking_sentence if restocking_cents else "",
        early_rule=_EARLY_RULE if credit.early_cents else "",
        early_tax_cents=credit.early_tax_cents,
    )  # fmt: skip


def _share(cents: int, count: int, whole: int) -> int:
    return half_up(Fraction(cents * count, whole))


def _taxed_now(session: Session, invoice: Invoice) -> Counter[str]:
    """Label → what of it is still taxed after the credit notes until now."""
    taxed: Counter[str] = Counter()
    for one in (invoice, *credited_of(session, invoice)):
        for line in one.lines:
            if line.is_taxed:
                taxed[line.label] += line.amount_cents
    return taxed


def _tax(frozen: InvoiceSnapshot, percent: str, taxed: Mapping[str, int]) -> int:
    """The tax on pieces that are left of an invoice, by the rule that it names."""
    whole = sum(line.taxed_cents for line in frozen.lines if line.tax_percent)
    left = sum(taxed.values())
    if left == whole:
        return frozen.tax_cents + _off_price_tax(frozen, percent)
    if percent == AS_QUOTED:
        return half_up(Fraction(frozen.tax_cents * left, whole)) if whole else 0
    return frozen.tax_by.tax([one for one in taxed.values() if one], Decimal(percent)) if percent else 0


def _put(
    work: Work,
    job: Job,
    invoice: Invoice,
    frozen: InvoiceSnapshot,
    lines: tuple[InvoicedLine, ...],
    discount: int,
    tax: int,
    deposit: int,
    reason: str,
    number: int,
    token: str,
    *,
    cancels: bool = False,
    restocking_rule: str = "",
    early_rule: str = "",
    early_tax_cents: int = 0,
) -> Invoice:
    reason = " ".join(reason.split())
    if not reason:
        raise Problems([Problem("reason", "Say what is changed and why: the credit note prints it.")])
    if fault := fault_of_length(reason, longest(Invoice.reason)):
        raise Problems([Problem("reason", fault)])
    subtotal = sum(line.amount_cents for line in lines) - discount
    snapshot = replace(
        frozen,
        number=number,
        kind=InvoiceKind.CREDIT_NOTE,
        issued_on=work.today,
        due_on=work.today,
        issued_by=work.actor.name,
        customer_name=job.customer.name,
        customer_address=job.customer.address,
        lines=lines,
        discount_cents=discount,
        subtotal_cents=subtotal,
        tax_cents=tax,
        deposit_cents=deposit,
        total_cents=subtotal + tax + deposit,
        received_cents=0,
        tax_change_cents=-frozen.tax_change_cents if cancels else 0,
        terms=(),
        cash_percent=Decimal(0),
        discount_until=None,
        refers_to=frozen.number,
        reason=reason,
        restocking_rule=restocking_rule,
        early_rule=early_rule,
        early_tax_cents=early_tax_cents,
        is_last=False,
    )
    token = token or f"credit note {number}"
    note = put_invoice(work, job, snapshot, token, refers_to=invoice, cancels=cancels, event=CREDITED)
    if job.agreed_cents is not None:
        if cancels:
            job.agreed_cents += snapshot.tax_change_cents + _discounts_undone(work, invoice)
        else:
            job.agreed_cents += note.total_cents
        give_back_sold(work.session, job)
    settle(work, job)
    return note


def _discounts_undone(work: Work, invoice: Invoice) -> int:
    """Take back what was taken off a canceled invoice for paying early; its payment settles something else."""
    rows = sa.select(PaymentUse).where(PaymentUse.invoice_id == invoice.id, PaymentUse.discount_cents != 0)
    taken = list(work.session.scalars(rows.order_by(PaymentUse.id)))
    for one in taken:
        work.session.add(
            PaymentUse(
                payment_id=one.payment_id,
                invoice_id=invoice.id,
                cents=0,
                discount_cents=-one.discount_cents,
                used_on=work.today,
            )
        )
    work.session.flush()
    return sum(one.discount_cents for one in taken)


@dataclass(frozen=True, slots=True)
class CreditForm:
    """What is credited of an invoice: pieces by their lines' labels, why, and what is kept before tax for taking them
    back. token: of the page.
    """

    lines: Mapping[str, int]
    reason: str
    token: str
    restocking_cents: int = 0
    restocking_percent: Decimal = Decimal(0)  # of what comes back, instead


def credit_lines(work: Work, invoice_id: int, version: int, form: CreditForm) -> Invoice:
    """Credit pieces of one invoice whose job's papers were read at `version`; see `write_credit_notes`. The same
    token gives the same credit note. Raises LedgerError, Problems, Stale, NotFound.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        job, invoice, number = _begin(work, invoice_id, version, form.token)
        if isinstance(number, Invoice):
            return number
        left = _left(work.session, invoice)
        for label, count in form.lines.items():
            if not 0 <= count <= left[label]:
                told = f"{max(left[label], 0)} of line {label} are left to credit: enter at most that."
                raise LedgerError("lines", told)
        wanted = {label: count for label, count in form.lines.items() if count}
        if not wanted:
            raise LedgerError("lines", "Enter how many pieces of a line are credited, or cancel the whole invoice.")
        return _credit(
            work,
            job,
            invoice,
            wanted,
            form.reason,
            form.restocking_cents,
            number,
            form.token,
            form.restocking_percent,
        )


def cancel_invoice(work: Work, invoice_id: int, version: int, reason: str, token: str) -> Invoice:
    """Cancel all of an invoice or deposit invoice by a credit note; its goods can be invoiced again, its payments are
    free. LedgerError on `reason` where pieces of it were credited already, or a deposit has come off an invoice.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        job, invoice, number = _begin(work, invoice_id, version, token)
        if isinstance(number, Invoice):
            return number
        if credited_of(work.session, invoice):
            raise LedgerError(
                "reason", "Something of this invoice was credited already: credit the rest line by line."
            )
        papers = papers_of_money(work.session, job)
        if invoice.kind is InvoiceKind.DEPOSIT and any(
            one.deposit_cents < 0 for one in standing(papers, InvoiceKind.INVOICE)
        ):
            raise LedgerError("reason", "This deposit came off an invoice already: cancel that one first.")
        frozen = read_invoice(invoice.snapshot)
        lines = tuple(
            replace(one, amount_cents=-one.amount_cents, taxed_cents=-one.taxed_cents) for one in frozen.lines
        )
        sums = (-frozen.discount_cents, -frozen.tax_cents, -frozen.deposit_cents)
        return _put(work, job, invoice, frozen, lines, *sums, reason, number, token, cancels=True)


def _begin(work: Work, invoice_id: int, version: int, token: str) -> tuple[Job, Invoice, int | Invoice]:
    """The job, the invoice and the credit note's number; what was issued with this token before instead of it."""
    number = next_number(work.session, INVOICE_NUMBERS)
    if (done := issued_with(work.session, token)) is not None:
        work.session.rollback()
        return done.job, done, done
    invoice = work.session.get(Invoice, invoice_id)
    if invoice is None:
        raise NotFound("invoice")
    job = get_job(work.session, invoice.job.number)
    if len(papers_of_money(work.session, job)) + 1 != version:
        raise Stale()
    papers = papers_of_money(work.session, job)
    if invoice.kind is InvoiceKind.CREDIT_NOTE or any(
        one.cancels and one.refers_to_id == invoice.id for one in papers
    ):
        raise LedgerError("lines", f"{invoice_number(invoice.number)} is no invoice that stands: choose another.")
    return job, invoice, number


def credit_left(session: Session, invoice: Invoice) -> tuple[tuple[InvoiceLine, int], ...]:
    """Each line of an invoice with how many of its pieces can be credited."""
    left = _left(session, invoice)
    return tuple((line, max(left[line.label], 0)) for line in invoice.lines if line.label not in _NO_PIECES)


def open_of(session: Session, invoice: Invoice) -> int:
    """What is left to pay of an invoice."""
    return next(
        (one.open_cents for one in invoices_of_jobs(session, [invoice.job_id]) if one.invoice.id == invoice.id), 0
    )
