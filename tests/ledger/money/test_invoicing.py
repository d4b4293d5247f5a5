"""Invoices of parts add up to what was agreed; numbers have no gaps; what was issued is never changed."""

import secrets
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
import sqlalchemy as sa

from app.documents.invoices import invoice_pdf
from app.ledger.catalog.money_rules import put_terms, set_money_rules
from app.ledger.catalog.price_editing import set_deciding_day, set_tax_rule, set_tier
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.money.crediting import CreditForm, cancel_invoice, credit_lines
from app.ledger.money.invoice_snapshot import read_invoice
from app.ledger.money.invoicing import InvoiceForm, Invoicing, invoice_job, next_invoice, papers_of_money, value_of
from app.ledger.money.owing import aging, statement_of
from app.ledger.money.payments import PaymentKind
from app.ledger.money.settling import invoices_of_jobs
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event, Invoice, InvoiceKind, Job, PaymentUse, SoldLine
from app.pricing import Dating, Discount, MoneyRules, PaymentTerms, TaxCents, TaxRounding, TaxRule
from tests.ledger.money.conftest import invoiced, later, paid, went
from tests.ledger.quoting.test_discounts import CABINETS, RINGS, TWELVE, ask
from tests.ledger.test_main_job import accept, issued
from tests.reading import pdf_text


def sums(one: Invoice) -> tuple[int, int, int]:
    return one.subtotal_cents, one.tax_cents, one.total_cents


def open_cents(work: Work, job: Job) -> dict[int, int]:
    return {one.invoice.number: one.open_cents for one in invoices_of_jobs(work.session, [job.id])}


def test_the_invoices_of_two_parts_add_up_to_the_cent(work: Work, job: Job) -> None:
    """1 cabinet 56.32, 4 rings 34.50 (34.496), the trip 85.00: 175.82 + 4.08 + 2.50 = 182.40; the rest is 176.30."""
    with pytest.raises(LedgerError, match="Nothing of this job was handed over yet"):
        invoiced(work, job)
    went(work, job, 1, line_1=1, line_2=4)
    assert value_of(work.session, job, {1: (0, 0, 2), 2: (0, 0, 6)}) == 176_30
    first = invoiced(work, job)
    assert (first.number, first.kind, sums(first)) == (1, InvoiceKind.INVOICE, (175_82, 6_58, 182_40))
    paper = read_invoice(first.snapshot)
    assert [(one.label, one.quantity, one.amount_cents) for one in paper.lines] == [
        ("1", 1, 64_00), ("2", 4, 39_20), ("3", 1, 85_00),
    ]  # fmt: skip
    assert (paper.discount_cents, paper.number_words, paper.po_number) == (12_38, "I-0001", "PO 7")
    assert first.sha256 == snapshot_hash(first.snapshot)
    with pytest.raises(
        LedgerError, match="All that was handed over is invoiced already: I-0001 of Monday 2 March 2026"
    ):
        invoiced(work, job)
    went(work, job, 2, line_1=2, line_2=6)
    second = invoiced(work, job)
    assert (second.number, sums(second)) == (2, (164_38, 11_92, 176_30))
    assert read_invoice(second.snapshot).is_last
    assert first.total_cents + second.total_cents == get_job(work.session, job.number).agreed_cents == 358_70
    with pytest.raises(LedgerError, match="I-0001 of Monday 2 March 2026, I-0002 of Monday 2 March 2026"):
        invoiced(work, job, Invoicing.ALL)


def test_a_part_of_a_line_says_its_part_of_the_discount_on_it(work: Work) -> None:
    """3 cabinets of 64.00 less 10% are 192.00 - 19.20 = 172.80: one is 57.60, less 6.40; two 115.20, less 12.80."""
    off = Discount(percent=Decimal(10))
    cabinets = replace(CABINETS, discount=off, price_reason="three at once")
    job = accept(work, issued(work, ask(work, Discount(), cabinets, discount_reason="")))
    notes = []
    for place, count in ((1, 1), (2, 2)):
        went(work, job, place, line_1=count)
        [line] = read_invoice(invoiced(work, job).snapshot).lines
        notes.append((line.quantity * line.unit_cents, line.note, line.amount_cents))
    assert notes == [(64_00, "Less 10%, $6.40", 57_60), (128_00, "Less 10%, $12.80", 115_20)]
    [line] = read_invoice(credit_lines(work, 2, 3, CreditForm({"1": 1}, "not wanted", "one")).snapshot).lines
    assert (line.note, line.amount_cents) == ("Less 10%, $6.40", -57_60)


def test_a_refused_press_uses_up_no_number_and_a_second_press_finds_the_first(work: Work, job: Job) -> None:
    for _ in range(3):
        with pytest.raises(LedgerError):
            invoiced(work, job)
    form = InvoiceForm(Invoicing.ALL, secrets.token_hex(8))
    first = invoice_job(work, job.number, 1, form)
    assert invoice_job(work, job.number, 1, form).id == first.id
    assert first.number == 1
    with pytest.raises(Stale):
        invoice_job(work, job.number, 1, InvoiceForm(Invoicing.ALL, secrets.token_hex(8)))
    other = accept(work, issued(work, ask(work, TWELVE)))
    assert invoiced(work, other, Invoicing.ALL).number == 2


def test_an_invoice_is_never_changed_by_anybody(work: Work, job: Job) -> None:
    one = invoiced(work, job, Invoicing.ALL)
    one.reason = "another"
    with pytest.raises(RuntimeError, match="write a credit note"):
        work.session.flush()
    work.session.rollback()
    for deed in ("UPDATE invoices SET total_cents = 1", "DELETE FROM invoices", "DELETE FROM payment_uses"):
        if "uses" in deed:
            paid(work, job, 10_00)
        with pytest.raises(sa.exc.DBAPIError, match="never changed"):
            work.session.execute(sa.text(deed))
        work.session.rollback()


def test_an_invoice_asks_for_what_is_left_of_it_after_what_was_received_before(work: Work, job: Job) -> None:
    """Of 232.40 received 182.40 pay the first part and 50.00 a part of the second, 176.30: 126.30 are left, 1 % of
    which is 1.26.
    """
    tier = set_tier(work, "net thirty", Decimal(0))
    put_terms(tier, PaymentTerms(30, Decimal(1), 10))
    job.customer.tier = "net thirty"
    work.session.commit()
    paid(work, job, 232_40, PaymentKind.DEPOSIT)
    went(work, job, 1, line_1=1, line_2=4)
    first = pdf_text(invoice_pdf(read_invoice(invoiced(work, job).snapshot)))
    assert "Total $182.40 Received before −$182.40 To pay $0.00" in first
    assert "To pay nothing" in first and "lease pay by" not in first and "Paid by" not in first
    went(work, job, 2, line_1=2, line_2=6)
    second = pdf_text(invoice_pdf(read_invoice(invoiced(work, job).snapshot)))
    assert "Total $176.30 Received before −$50.00 To pay $126.30" in second
    assert "Please pay by" in second and "it is $125.04: $1.26 less" in second
    assert open_cents(work, job) == {1: 0, 2: 126_30}
    note = pdf_text(invoice_pdf(read_invoice(cancel_invoice(work, 1, 3, "another address", "one").snapshot)))
    assert "Credited −$182.40" in note and "Received" not in note


def test_a_deposit_invoice_comes_off_part_by_part(work: Work, job: Job) -> None:
    """100.00 of 358.70: with 182.40 goes 50.85 (50.8503), with the last the other 49.15."""
    asked = invoiced(work, job, Invoicing.DEPOSIT, 100_00)
    assert (asked.kind, sums(asked), asked.deposit_cents) == (InvoiceKind.DEPOSIT, (0, 0, 100_00), 100_00)
    with pytest.raises(LedgerError, match=r"\$258.70 of this job is not invoiced yet"):
        invoiced(work, job, Invoicing.DEPOSIT, 258_71)
    paid(work, job, 100_00, PaymentKind.DEPOSIT)
    assert open_cents(work, job) == {1: 0}
    went(work, job, 1, line_1=1, line_2=4)
    first = invoiced(work, job)
    assert (first.deposit_cents, first.total_cents) == (-50_85, 131_55)
    went(work, job, 2, line_1=2, line_2=6)
    second = invoiced(work, job)
    assert (second.deposit_cents, second.total_cents) == (-49_15, 127_15)
    assert 100_00 + first.total_cents + second.total_cents == 358_70
    paid(work, job, 131_55)
    assert open_cents(work, job) == {1: 0, 2: 0, 3: 127_15}


@pytest.mark.parametrize(("is_paid", "owed"), [(False, 49_15), (True, -50_85)])
def test_what_comes_back_of_an_invoice_that_a_deposit_came_off_lessens_the_deposit(
    work: Work, job: Job, is_paid: bool, owed: int
) -> None:
    """182.40 went, 50.85 of the deposit came off it: 131.55. All of it comes back, so of the deposit's 100.00 no more
    than 49.15 is asked for; who paid it has 50.85 too much. The rest, 176.30, has the other 49.15 off.
    """
    invoiced(work, job, Invoicing.DEPOSIT, 100_00)
    if is_paid:
        paid(work, job, 100_00, PaymentKind.DEPOSIT)
    went(work, job, 1, line_1=1, line_2=4)
    first = invoiced(work, job)
    credit_lines(work, first.id, 3, CreditForm({"1": 1, "2": 4, "3": 1}, "not wanted", "one"))
    assert open_cents(work, job) == {1: max(owed, 0), 2: 0}
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == owed
    went(work, job, 2, line_1=2, line_2=6)
    last = invoiced(work, job)
    assert last.total_cents == 127_15
    left = owed + 127_15
    assert open_cents(work, job) == {1: max(owed, 0), 2: 0, 4: left - max(owed, 0)}
    [row] = aging(work.session, work.today).rows
    assert row.total_cents == statement_of(work.session, job.customer_id, work.today).balance_cents == left


def test_money_that_came_before_is_used_for_the_invoice(work: Work, job: Job) -> None:
    paid(work, job, 200_00, PaymentKind.DEPOSIT)
    went(work, job, 1, line_1=1, line_2=4)
    invoiced(work, job)
    assert open_cents(work, job) == {1: 0}
    went(work, job, 2, line_1=2, line_2=6)
    invoiced(work, job)
    assert open_cents(work, job) == {1: 0, 2: 158_70}  # 176.30 less the 17.60 that were left
    uses = work.session.execute(sa.select(PaymentUse.invoice_id, PaymentUse.cents).order_by(PaymentUse.id)).all()
    assert [tuple(one) for one in uses] == [(1, 182_40), (2, 17_60)]


def test_a_credit_note_names_its_invoice_and_gives_back_its_tax(work: Work, job: Job) -> None:
    """A cabinet of the second part: 56.32, tax 8.17 - 4.08 = 4.08 (112.64 → 8.17, 56.32 → 4.08): 60.41."""
    went(work, job, 1, line_1=1, line_2=4)
    invoiced(work, job)
    went(work, job, 2, line_1=2, line_2=6)
    second = invoiced(work, job)
    paid(work, job, 358_70)
    form = CreditForm({"1": 1}, "one cabinet back, a dent", secrets.token_hex(8))
    note = credit_lines(work, second.id, 3, form)
    assert credit_lines(work, second.id, 3, form).id == note.id
    assert (note.kind, note.number, sums(note)) == (InvoiceKind.CREDIT_NOTE, 3, (-56_32, -4_09, -60_41))
    paper = read_invoice(note.snapshot)
    assert (paper.refers_to, paper.reason) == (2, "one cabinet back, a dent")
    money = job_money(get_job(work.session, job.number))
    assert (money.total_cents, money.paid_cents, money.balance_cents) == (298_29, 358_70, -60_41)
    assert open_cents(work, job) == {1: 0, 2: 0}
    off = work.session.scalars(sa.select(SoldLine).where(SoldLine.job_id == job.id, SoldLine.label == "off price"))
    assert off.one().amount_cents == -57_29  # 60.41 × 340.20 / 358.70
    paid(work, job, 60_41, PaymentKind.REFUND, "as agreed")
    assert job_money(get_job(work.session, job.number)).balance_cents == 0
    with pytest.raises(LedgerError, match="1 of line 1 are left to credit"):
        credit_lines(work, second.id, 4, CreditForm({"1": 2}, "again", secrets.token_hex(8)))


@pytest.mark.parametrize(("is_kept", "tax", "total"), [(False, -4_08, -54_77), (True, -3_67, -54_36)])
def test_tax_on_a_restocking_charge_is_kept_or_given_back(
    work: Work, job: Job, is_kept: bool, tax: int, total: int
) -> None:
    """56.32 back less 5.63: all 4.08 of tax back, or 0.41 of it kept (5.63 → 0.41)."""
    set_money_rules(work, work.today, MoneyRules(restocking_taxed=is_kept))
    went(work, job, 1, line_1=1)
    invoiced(work, job)
    note = credit_lines(work, 1, 2, CreditForm({"1": 1}, "not wanted", secrets.token_hex(8), 5_63))
    assert sums(note) == (-50_69, tax, total)
    assert ("not given back" in read_invoice(note.snapshot).restocking_rule) is is_kept


def test_no_more_is_credited_than_an_invoice_came_to_after_something_was_given_back_before(
    work: Work, job: Job
) -> None:
    """20.00 off before: 18.97 (20 × 340.20 / 358.70) and 1.03 of tax; invoiced are 321.23 + 17.47 = 338.70.

    A cabinet of 56.32 brings 12.25 - 8.17 = 4.08 of tax back. The rest comes to 283.88 + 14.42, less the 20.00.
    """
    paid(work, job, 338_70)
    paid(work, job, 20_00, PaymentKind.OFF_PRICE, "late")
    one = invoiced(work, job, Invoicing.ALL)
    paid(work, job, 20_00)
    assert sums(one) == (321_23, 17_47, 338_70)
    first = credit_lines(work, one.id, 2, CreditForm({"1": 1}, "a dent", "one"))
    assert sums(first) == (-56_32, -4_08, -60_40)
    rest = credit_lines(work, one.id, 3, CreditForm({"1": 2, "2": 10, "3": 1}, "not wanted", "two"))
    assert sums(rest) == (-264_91, -13_39, -278_30)
    assert [(line.label, line.amount_cents) for line in read_invoice(rest.snapshot).lines][-1] == ("off price", 18_97)
    assert first.total_cents + rest.total_cents == -338_70
    money = job_money(get_job(work.session, job.number))
    assert (money.total_cents, money.balance_cents) == (0, -338_70)


def test_what_is_left_of_an_invoice_is_never_below_zero(work: Work, job: Job) -> None:
    """338.70 invoiced as above. All but a ring come to 349.45, 9.25 (8.62 + 0.63) less than 358.70: 9.25 of the 20.00
    stays for the ring, so 338.70 is credited, and nothing for the ring itself.
    """
    paid(work, job, 100_00)
    paid(work, job, 20_00, PaymentKind.OFF_PRICE, "late")
    one = invoiced(work, job, Invoicing.ALL)
    most = credit_lines(work, one.id, 2, CreditForm({"1": 3, "2": 9, "3": 1}, "not wanted", "one"))
    assert most.total_cents == -338_70
    ring = credit_lines(work, one.id, 3, CreditForm({"2": 1}, "nor this one", "two"))
    assert ring.total_cents == 0 and most.tax_cents + ring.tax_cents == -17_47
    assert open_cents(work, job) == {1: 0}


def test_canceling_lets_the_goods_be_invoiced_again(work: Work, job: Job) -> None:
    first = invoiced(work, job, Invoicing.ALL)
    paid(work, job, 358_70)
    note = cancel_invoice(work, first.id, 2, "another address", secrets.token_hex(8))
    assert (note.total_cents, note.cancels) == (-358_70, True)
    assert job_money(get_job(work.session, job.number)).total_cents == 358_70
    again = invoiced(work, job, Invoicing.ALL)
    assert (again.number, again.total_cents) == (3, 358_70)
    assert open_cents(work, job) == {1: 0, 3: 0}
    with pytest.raises(LedgerError, match="I-0001 is no invoice that stands"):
        cancel_invoice(work, first.id, 4, "once more", secrets.token_hex(8))


def test_what_stands_adds_up_after_a_part_was_canceled(work: Work) -> None:
    """3 rings less 12% are 25.87 + 1.88 = 27.75. The second is 8.63 + 0.63; with the first one's invoice canceled the
    other two come to 17.24 + 1.25, though two by themselves were 17.25.
    """
    job = accept(work, issued(work, ask(work, TWELVE, replace(RINGS, quantity=3))))
    went(work, job, 1, line_1=1)
    first = invoiced(work, job)
    assert sums(first) == (8_62, 62, 9_24)
    went(work, job, 2, line_1=1)
    assert sums(invoiced(work, job)) == (8_63, 63, 9_26)
    cancel_invoice(work, first.id, 3, "another address", secrets.token_hex(8))
    went(work, job, 3, line_1=1)
    assert sums(invoiced(work, job)) == (17_24, 1_25, 18_49)
    assert get_job(work.session, job.number).agreed_cents == 27_75 == 9_26 + 18_49


def test_the_terms_of_the_tier_are_on_the_invoice_and_its_discount_is_taken_in_its_days(work: Work, job: Job) -> None:
    """2% of 358.70 is 7.17: 351.53 by March 12."""
    tier = set_tier(work, "net ten", Decimal(0))
    put_terms(tier, PaymentTerms(30, Decimal(2), 10))
    job.customer.tier = "net ten"
    work.session.commit()
    one = invoiced(work, job, Invoicing.ALL)
    assert one.due_on.isoformat() == "2026-04-01"
    assert read_invoice(one.snapshot).terms == (
        "Terms: 2% off if paid within 10 days, due in 30 days. Please pay by Wednesday 1 April 2026.",
        "Paid by Thursday 12 March 2026 it is $351.53: $7.17 less.",
    )
    tenth = later(work, 10)
    paid(tenth, job, 351_53)
    assert open_cents(work, job) == {1: 0}
    money = job_money(get_job(work.session, job.number))
    assert (money.total_cents, money.balance_cents) == (351_53, 0)
    told = work.session.scalars(sa.select(Event).where(Event.kind == "discount for paying early taken")).one()
    assert told.summary == "$7.17 off invoice I-0001 for paying early, by Thursday 12 March 2026"


def test_what_was_off_for_paying_early_is_not_credited(work: Work, job: Job) -> None:
    """2% of 358.70, 7.17, was off. A cabinet is 56.32 and 4.08 of tax: 7.17 x 60.40 / 358.70 = 1.21 of it falls on
    that, 0.08 in the tax, so 55.19 + 4.00, and 15% of 55.19 is 8.28. The rest is 283.88 + 14.42 less 5.96, 0.29 in
    the tax: with both, what was paid comes back, 351.53, but the charge.
    """
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(30, Decimal(2), 10)))
    one = invoiced(work, job, Invoicing.ALL)
    paid(work, job, 351_53)
    form = CreditForm({"1": 1}, "a dent", secrets.token_hex(8), restocking_percent=Decimal(15))
    note = credit_lines(work, one.id, 2, form)
    assert sums(note) == (-46_91, -4_00, -50_91)
    paper = read_invoice(note.snapshot)
    assert [(line.words, line.amount_cents) for line in paper.lines[1:]] == [
        ("Less the discount for paying early", 1_13),
        ("Restocking charge", 8_28),
    ]
    assert "its part that falls on what is credited" in " ".join(pdf_text(invoice_pdf(paper)).split())
    rest = {"1": 2, "2": 10, "3": 1}
    last = credit_lines(work, one.id, 3, CreditForm(rest, "the job fell through", secrets.token_hex(8)))
    assert sums(last) == (-278_21, -14_13, -292_34)
    money = job_money(get_job(work.session, job.number))
    assert (money.total_cents, money.balance_cents) == (8_28, 8_28 - 351_53)
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == 8_28 - 351_53


def test_after_the_last_day_nothing_is_off(work: Work, job: Job) -> None:
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(30, Decimal(2), 10)))
    invoiced(work, job, Invoicing.ALL)
    paid(later(work, 11), job, 351_53)
    assert open_cents(work, job) == {1: 7_17}


def test_terms_from_the_end_of_the_month(work: Work, job: Job) -> None:
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(10, dating=Dating.END_OF_MONTH)))
    assert invoiced(work, job, Invoicing.ALL).due_on.isoformat() == "2026-04-10"


def test_tax_of_the_day_of_hand_over_where_that_is_the_rule(work: Work) -> None:
    """8% from March 9: a cabinet of the first part at 7.25% is 4.08, the other two at 8% 9.01 instead of 8.17."""
    set_deciding_day(work, work.today, tax_of_hand_over=True, prices_of_hand_over=False)
    job = accept(work, issued(work, ask(work, TWELVE)))
    place = work.session.scalars(sa.select(Customer).where(Customer.id == job.customer_id)).one().tax_place
    went(work, job, 1, line_1=1, line_2=10)
    assert invoiced(work, job).tax_cents == 4_08 + 6_25
    set_tax_rule(work, TaxRule(place or "Saltmarsh", Decimal(8), True, False, work.today + timedelta(days=7)))
    after = later(work, 8)
    went(after, job, 2, line_1=2)
    second = invoiced(after, job)
    assert sums(second) == (112_64, 9_01, 121_65)
    assert read_invoice(second.snapshot).tax_change_cents == 84
    assert get_job(work.session, job.number).agreed_cents == 358_70 + 84
    assert "day of hand-over" in read_invoice(second.snapshot).day_rule


def test_tax_by_invoice_and_in_steps_adds_up_too(work: Work) -> None:
    set_money_rules(work, work.today, MoneyRules(tax=TaxCents(TaxRounding.STEPS, by_invoice=True)))
    job = accept(work, issued(work, ask(work, TWELVE)))
    assert job.agreed_cents == 340_20 + 18_51  # 255.20 × 7.25% = 18.502
    went(work, job, 1, line_1=1, line_2=4)
    first = invoiced(work, job)
    assert first.tax_cents == 6_59  # 90.82 × 7.25% = 6.58445
    went(work, job, 2, line_1=2, line_2=6)
    second = invoiced(work, job)
    assert first.total_cents + second.total_cents == job.agreed_cents
    assert "any part of a cent of tax counts as a whole one" in read_invoice(second.snapshot).rule


def test_what_was_given_back_off_the_price_is_on_the_first_invoice(work: Work, job: Job) -> None:
    paid(work, job, 100_00)
    paid(work, job, 20_00, PaymentKind.OFF_PRICE, "late")
    one = invoiced(work, job, Invoicing.ALL)
    assert one.total_cents == get_job(work.session, job.number).agreed_cents == 338_70
    with pytest.raises(LedgerError, match="write a credit note on its invoice"):
        paid(work, job, 1_00, PaymentKind.OFF_PRICE, "later")


def test_a_canceled_job_and_one_that_was_not_accepted_are_not_invoiced(work: Work) -> None:
    job = issued(work, ask(work, TWELVE))
    with pytest.raises(LedgerError, match="invoiced once its quote was accepted; this one is quoted"):
        next_invoice(work.session, job, Invoicing.ALL, work.today)
    assert papers_of_money(work.session, job) == []
