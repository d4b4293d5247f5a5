"""Accounts, ages, deposits, returns and the day that decides the tax, in a house of their own: values from outside.

P: printed in the source; C: computed by us; D: derived by us from printed inputs. OA1: Principles of Accounting,
Volume 1, OpenStax 2019. Where states differ the rule is set first, as the owner of a house there would.
"""

import secrets
from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from app.ledger.catalog.money_rules import set_money_rules
from app.ledger.catalog.price_editing import set_deciding_day, set_tax_rule
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.money.crediting import CreditForm, credit_lines
from app.ledger.money.invoicing import Invoicing
from app.ledger.money.owing import aging, statement_of
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.quoting.low_prices import ASK
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.reports.books import book_rows
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Invoice, InvoiceKind, Job, LineKind, Payment, Stage
from app.pricing import NO_DISCOUNT, MoneyRules, PaymentTerms, TaxRule
from tests import factories
from tests.ledger.conftest import config, customer_id, house_folder, work
from tests.ledger.money.conftest import invoiced, later, paid, went
from tests.ledger.quoting.test_discounts import TRIP
from tests.ledger.test_main_job import accept, issued

__all__ = ["config", "house_folder", "work"]


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    with factories.saving_into(work.session):
        yield


def entered(
    work: Work, cents: int, on: date, due: date | None = None, customer: Customer | None = None, of: int | None = None
) -> Job:
    """An invoice, below zero a credit note, of a job that is handed over and comes to as much."""
    kind = InvoiceKind.INVOICE if cents > 0 else InvoiceKind.CREDIT_NOTE
    there = work.session.query(Invoice).filter(Invoice.number == of).one() if of else None
    job = there.job if there else factories.JobFactory(customer=customer, stage=Stage.HANDED_OVER, agreed_cents=0)
    job.agreed_cents = (job.agreed_cents or 0) + cents
    number = work.session.query(Invoice).count() + 1
    work.session.add(
        Invoice(
            number=number,
            kind=kind,
            job_id=job.id,
            issued_at=work.now,
            issued_by_id=1,
            invoiced_on=on,
            due_on=due or on,
            subtotal_cents=cents,
            tax_cents=0,
            deposit_cents=0,
            total_cents=cents,
            refers_to_id=there.id if there else None,
            snapshot="{}",
            sha256="",
            request_token=f"published {number}",
        )
    )
    work.session.commit()
    return job


def came(work: Work, job: Job, cents: int, on: date) -> None:
    work.session.add(Payment(job_id=job.id, received_on=on, cents=cents, means="check", taken_by_id=1))
    work.session.commit()


def test_a_running_balance(work: Work) -> None:
    """SL1, P: Business Breakthrough (school text) p. 264, content.yudu.com."""
    someone, day = factories.CustomerFactory(), work.today
    first = entered(work, 5808_00, day, customer=someone)
    entered(work, -132_00, day + timedelta(1), of=1)
    entered(work, 448_00, day + timedelta(2), customer=someone)
    came(work, first, 5808_00, day + timedelta(3))
    found = statement_of(work.session, someone.id, day + timedelta(9))
    assert [one.balance_cents for one in found.entries] == [5808_00, 5676_00, 6124_00, 316_00]


def test_one_customer_and_the_sum_of_all(work: Work) -> None:
    """SL3, P: OA1 7.1-7.3, Baker Co.; SL2, P: OA1 7.4 (2,248 once for 2,428, a slip): 328 and 2,661 are 2,989."""
    baker, day = factories.CustomerFactory(), work.today
    job = entered(work, 850_00, day, customer=baker)
    entered(work, 600_00, day + timedelta(1), customer=baker)
    came(work, job, 1450_00, day + timedelta(2))
    found = statement_of(work.session, baker.id, day + timedelta(2))
    assert [one.balance_cents for one in found.entries] == [850_00, 1450_00, 0]
    for cents in (328_00, 2661_00):
        entered(work, cents, day, customer=factories.CustomerFactory())
    rest = [row for row in aging(work.session, day).rows if row.customer_id != baker.id]
    assert sorted(row.total_cents for row in rest) == [328_00, 2661_00]
    assert sum(row.total_cents for row in rest) == 2989_00


def test_debts_by_customer_and_age(work: Work) -> None:
    """AG2, P (placing of Z's two amounts D): Accounting Principles: A Business Perspective p. 375."""
    rows = {
        "X": (0, 0, 0, 0, 5_000_00),
        "Y": (0, 12_000_00, 2_000_00, 0, 0),
        "Z": (0, 0, 0, 200_00, 200_00),
        "Zz": (560_000_00, 240_000_00, 2_000_00, 600_00, 6_000_00),
    }
    day = work.today
    for name, amounts in rows.items():
        someone = factories.CustomerFactory(name=f"Published {name}")
        for cents, overdue in zip(amounts, (0, 30, 60, 90, 91), strict=True):
            if cents:
                entered(work, cents, day - timedelta(120), day - timedelta(overdue), someone)
    found = aging(work.session, day)
    assert [row.cents for row in found.rows if row.customer_name.startswith("Published")] == list(rows.values())
    assert found.total.cents == (560_000_00, 252_000_00, 4_000_00, 800_00, 11_200_00)
    assert found.total.total_cents == 828_000_00
    # A plain reckoning: every invoice by itself.
    plain = [0] * 5
    for one in work.session.query(Invoice).order_by(Invoice.id):
        days = (day - one.due_on).days
        plain[0 if days <= 0 else min(1 + (days - 1) // 30, 4)] += one.total_cents
    assert tuple(plain) == found.total.cents


def test_the_totals_of_debts_by_age(work: Work) -> None:
    """AG1, P: OA1 9.2: 145,740, 102,100 and 77,010 are 324,850; bad debts are not estimated here."""
    someone, day = factories.CustomerFactory(), work.today
    for cents, overdue in ((145_740_00, 30), (102_100_00, 60), (77_010_00, 90)):
        entered(work, cents, day - timedelta(120), day - timedelta(overdue), someone)
    found = aging(work.session, day).total
    assert (found.cents, found.total_cents) == ((0, 145_740_00, 102_100_00, 77_010_00, 0), 324_850_00)


def test_a_bill_of_1911(work: Work) -> None:
    """SL4, P: New Student's Reference Work p. 2165, wikisource: 6.75, .45, 1.00, .60 and 5 lb at .32 are 10.40; 5.00
    in cash and 3.25 in goods leave 2.15.
    """
    set_tax_rule(work, TaxRule("Published", Decimal(0), False, False, work.today))
    job = sold_lines(work, [(1, 6_75), (1, 45), (1, 1_00), (1, 60), (5, 32)])
    assert invoiced(work, job, Invoicing.ALL).total_cents == 10_40
    for cents, means in ((5_00, "cash"), (3_25, "other")):
        form = PaymentForm(PaymentKind.PAYMENT, cents, means, work.today)
        take_payment(work, job.number, payments_of(work.session, job.number).version, form)
    found = statement_of(work.session, job.customer_id, work.today)
    assert [one.balance_cents for one in found.entries] == [10_40, 5_40, 2_15]


def sold(work: Work, cents: int, quantity: int = 1, place: str = "Published", until: date | None = None) -> Job:
    """Goods at a price of their own, accepted; `until`: the day to which the customer is exempt."""
    return sold_lines(work, [(quantity, cents)], place, until)


def sold_lines(
    work: Work, lines: Sequence[tuple[int, int]], place: str = "Published", until: date | None = None
) -> Job:
    """The same of several lines, quantity and cents each."""
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tax_place, customer.tier = place, ""
    customer.exempt_certificate, customer.exempt_until = ("EX-1", until) if until else ("", None)
    for site in customer.sites:
        site.tax_place = place
    work.session.commit()
    goods = LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET", keys_each=0, price_reason="published")
    asked = tuple(replace(goods, quantity=quantity, unit_cents=cents) for quantity, cents in lines)
    ask = QuoteRequest(customer.id, asked, discount=NO_DISCOUNT)
    low = {one.field: one.message.removesuffix(f" {ASK}") for one in price_request(work, ask).problems}
    meant = [replace(line, price_meant=low.get(f"lines.{place}.price_meant", "")) for place, line in enumerate(asked)]
    return accept(work, issued(work, replace(ask, lines=tuple(meant))))


def taxed(work: Work, rate: str, since: date, place: str = "Published") -> None:
    set_tax_rule(work, TaxRule(place, Decimal(rate), True, False, since))


@pytest.mark.parametrize(("is_kept", "refund"), [(False, 82_65), (True, 81_75)])
def test_tax_on_goods_that_come_back_with_a_charge(work: Work, is_kept: bool, refund: int) -> None:
    """RT1, P: Washington Dept. of Revenue, Merchandise Returns with Restocking Fees (RT2: California CDTFA 490.0223):
    85.00 + 7.65, 10.00 kept, 82.65 back. RT3, rule P (Va. Code 58.1-619), figures C: 81.75.
    """
    set_money_rules(work, work.today, MoneyRules(restocking_taxed=is_kept))
    taxed(work, "9", work.today)
    job = sold(work, 85_00)
    one = invoiced(work, job, Invoicing.ALL)
    assert one.total_cents == 92_65
    note = credit_lines(work, one.id, 2, CreditForm({"1": 1}, "brought back", secrets.token_hex(8), 10_00))
    assert (note.total_cents, note.refers_to_id) == (-refund, one.id)


def test_what_was_paid_early_comes_back_as_it_was_paid(work: Work) -> None:
    """TX13, P: 23VAC10-210-250 example 1: 100.00 and 5.30, 10 % within 30 days: 94.77, 90.00 and 4.77. What comes
    back then is credited at what was paid for it (C): all of it, once for both and once one by one.
    """
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(30, Decimal(10), 30)))
    taxed(work, "5.3", work.today)
    for pieces in ([2], [1, 1]):
        job = sold(work, 50_00, 2)
        one = invoiced(work, job, Invoicing.ALL)
        paid(work, job, 94_77)
        notes = [
            credit_lines(work, one.id, 2 + place, CreditForm({"1": count}, "back", secrets.token_hex(8)))
            for place, count in enumerate(pieces)
        ]
        sums = [(note.subtotal_cents, note.tax_cents) for note in notes]
        assert tuple(map(sum, zip(*sums, strict=True))) == (-90_00, -4_77)
        assert job_money(get_job(work.session, job.number)).total_cents == 0


def test_a_full_and_a_partial_return(work: Work) -> None:
    """RT6, P: 23VAC10-210-3080 B: 20.00 at 5.3 %, 21.06 back. RT8, P: Md. Tax-General 11-403(c): its share of tax."""
    taxed(work, "5.3", work.today)
    one = invoiced(work, sold(work, 10_00, 2), Invoicing.ALL)
    half = credit_lines(work, one.id, 2, CreditForm({"1": 1}, "one back", secrets.token_hex(8)))
    rest = credit_lines(work, one.id, 3, CreditForm({"1": 1}, "the other too", secrets.token_hex(8)))
    assert (half.tax_cents, rest.tax_cents, half.total_cents + rest.total_cents) == (-53, -53, -21_06)


def test_the_day_of_hand_over_or_of_the_contract_decides(work: Work) -> None:
    # RC1, rule P (Kansas Notice 15-02), figure D: 6.15 to 6.5 %; ordered before, handed over after: 65.00.
    taxed(work, "6.15", work.today)
    taxed(work, "6.5", work.today + timedelta(7))
    set_deciding_day(work, work.today, tax_of_hand_over=True, prices_of_hand_over=False)
    job, after = sold(work, 1000_00), later(work, 8)
    went(after, job, 1, line_1=1)
    assert invoiced(after, job).tax_cents == 65_00
    # RC2, P (Comptroller of Maryland, Sales Made Prior to Rate Change for Delivery): the contract's 5 %, not 6 %.
    taxed(work, "5", work.today, "Chesapeake")
    taxed(work, "6", work.today + timedelta(7), "Chesapeake")
    set_deciding_day(work, work.today, tax_of_hand_over=False, prices_of_hand_over=False)
    job = sold(work, 1000_00, place="Chesapeake")
    went(after, job, 1, line_1=1)
    assert invoiced(after, job).tax_cents == 50_00


@pytest.mark.parametrize(
    ("is_of_hand_over", "cents"),
    [
        # RC3, P: New York, Tax Bulletin ST-895: laid away and partly paid before, otherwise the rate at last payment
        # and delivery. RC7, P (second-hand): Kansas Notice 13-08: the new rate, whenever agreed, paid or done.
        (True, 63_50),
        # RC4, P (second-hand): Connecticut, salestaxsupport.com: a binding contract keeps 6 % if delivered within 90
        # days of July 1. RC5, P: California annotation 495.0465: a special order at a fixed price, 20 % down.
        (False, 60_00),
    ],
)
def test_a_deposit_before_the_rate_rises_fixes_it_only_where_the_quote_decides(
    work: Work, is_of_hand_over: bool, cents: int
) -> None:
    """RC4's rates, 6 to 6.35 %, of 1,000.00 with 200.00 paid before (C). Which rule holds is the house's."""
    taxed(work, "6", work.today)
    taxed(work, "6.35", work.today + timedelta(7))
    set_deciding_day(work, work.today, tax_of_hand_over=is_of_hand_over, prices_of_hand_over=False)
    job, after = sold(work, 1000_00), later(work, 89)
    paid(work, job, 200_00, PaymentKind.DEPOSIT)
    went(after, job, 1, line_1=1)
    assert invoiced(after, job).tax_cents == cents


def test_bench_work_given_back_after_the_rate_rose_has_the_new_one(work: Work) -> None:
    """RC7, P (second-hand): Kansas Notice 13-08, report.saltcpa.com; 85.00 of labor at 6.15, then 6.3 % (C)."""
    for rate, since in (("6.15", work.today), ("6.3", work.today + timedelta(7))):
        set_tax_rule(work, TaxRule("Published", Decimal(rate), True, True, since))
    set_deciding_day(work, work.today, tax_of_hand_over=True, prices_of_hand_over=False)
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tax_place = "Published"
    for site in customer.sites:
        site.tax_place = "Published"
    work.session.commit()
    job, after = accept(work, issued(work, QuoteRequest(customer.id, (TRIP,)))), later(work, 8)
    went(after, job, 1, line_1=1)
    found = invoiced(after, job)
    assert (found.subtotal_cents, found.tax_cents) == (85_00, 5_36)


def test_an_order_delivered_in_two_parts_bears_its_tax_part_by_part(work: Work) -> None:
    """DP4, P: COMAR 03.06.01.21 B: tax of a special order is due at the contract, but may wait for each delivery's
    share. 1,000.00 at 5 %, delivered 400.00 before and 600.00 after 6 % came: 20.00 and 30.00 (C).
    """
    taxed(work, "5", work.today)
    taxed(work, "6", work.today + timedelta(7))
    job, after = sold(work, 100_00, 10), later(work, 8)
    went(work, job, 1, line_1=4)
    first = invoiced(work, job)
    went(after, job, 2, line_1=6)
    assert (first.tax_cents, invoiced(after, job).tax_cents, job.agreed_cents) == (20_00, 30_00, 1050_00)


def test_what_is_laid_away_is_one_sale_in_the_month_of_its_hand_over(work: Work) -> None:
    """DP2, P: Washington Dept. of Revenue, Layaway sales: a watch at 1,500, a fee of 50; 350 paid a month before."""
    taxed(work, "9", work.today)
    job, after = sold_lines(work, [(1, 1500_00), (1, 50_00)]), later(work, 35)
    asked = invoiced(work, job, Invoicing.DEPOSIT, 350_00)
    paid(work, job, 350_00)
    went(after, job, 1, line_1=1, line_2=1)
    invoiced(after, job)
    months = [(work.today, work.today + timedelta(29)), (after.today, after.today)]
    sums = [[row[8:10] for row in book_rows(after, "invoices", *month)] for month in months]
    assert sums == [[("0.00", "0.00")], [("1550.00", "139.50")]] and asked.tax_cents == 0


def test_a_fixed_sum_off_the_price_takes_its_tax_along(work: Work) -> None:
    """TX14, P: 23VAC10-210-250 example 2: 10.00 off 100.00 and 5.30 is 9.50 of the price and .50 of the tax; 95.30
    are paid, 90.50 and 4.80 (its last sentence says 4.50: slip).
    """
    taxed(work, "5.3", work.today)
    job = sold(work, 100_00)
    paid(work, job, 105_30)
    paid(work, job, 10_00, PaymentKind.OFF_PRICE, "paid at once")
    found = invoiced(work, job, Invoicing.ALL)
    assert (found.subtotal_cents, found.tax_cents, found.total_cents) == (90_50, 4_80, 95_30)


def test_a_certificate_that_has_ended_exempts_no_longer(work: Work) -> None:
    """C: exempt to the end of the week, handed over in the next; the day of hand-over decides: 1,000.00 at 6 %."""
    taxed(work, "6", work.today)
    set_deciding_day(work, work.today, tax_of_hand_over=True, prices_of_hand_over=False)
    job, after = sold(work, 1000_00, until=work.today + timedelta(4)), later(work, 8)
    assert job.agreed_cents in (1000_00, 1060_00)  # by the day that is promised
    went(after, job, 1, line_1=1)
    assert invoiced(after, job).tax_cents == 60_00
    job = sold(work, 1000_00, until=work.today + timedelta(30))
    went(work, job, 1, line_1=1)
    assert invoiced(work, job).tax_cents == 0


def test_a_deposit_is_owed_until_hand_over_part_by_part(work: Work) -> None:
    """DP1, P: OA1 12.2: 600.00 for 20 pieces; half handed over, then half: owed 600.00, 300.00, 0. DP3, P (Indiana
    Information Bulletin 78): a deposit is no sale, so it is not taxed.
    """
    set_tax_rule(work, TaxRule("Published", Decimal(0), False, False, work.today))
    job = sold(work, 30_00, 20)
    asked = invoiced(work, job, Invoicing.DEPOSIT, 600_00)
    assert (asked.deposit_cents, asked.tax_cents) == (600_00, 0)
    owed, bills = [600_00], []
    for place in (1, 2):
        went(work, job, place, line_1=10)
        bills.append(invoiced(work, job))
        owed.append(owed[-1] + bills[-1].deposit_cents)
    assert owed == [600_00, 300_00, 0]
    assert [(one.subtotal_cents, one.total_cents) for one in bills] == [(300_00, 0), (300_00, 0)]


def test_numbers_of_invoices_have_no_gap(work: Work) -> None:
    """IN2, IN4, P: CGI annexe II art. 242 nonies A, I, 7°: one number from an unbroken sequence, given at issue."""
    taxed(work, "5", work.today)
    first, second = sold(work, 10_00), sold(work, 20_00)
    with pytest.raises(Exception, match="Nothing of this job was handed over"):
        invoiced(work, first)
    numbers = [invoiced(work, one, Invoicing.ALL).number for one in (first, second)]
    note = credit_lines(work, 1, 2, CreditForm({"1": 1}, "back", secrets.token_hex(8)))
    third = invoiced(replace(work), sold(work, 30_00), Invoicing.ALL)
    assert [*numbers, note.number, third.number] == [1, 2, 3, 4]
