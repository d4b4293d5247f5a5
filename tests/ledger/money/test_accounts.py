"""A check for several invoices, credit, age of debts, the account's entries, the credit limit: figures by hand."""

import secrets
from dataclasses import replace
from decimal import Decimal

import pytest
import sqlalchemy as sa

from app.ledger.catalog.money_rules import set_money_rules
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.jobs.stages import move_job
from app.ledger.money.accounts import (
    AccountForm,
    account_receipt,
    give_credit_back,
    open_invoices,
    take_account_payment,
    use_credit,
)
from app.ledger.money.credit import require_credit_for, set_credit_limit
from app.ledger.money.crediting import CreditForm, credit_lines
from app.ledger.money.invoicing import Invoicing
from app.ledger.money.owing import aging, credit_of, owed_by_customer, statement_of
from app.ledger.money.payments import PaymentKind, money_of
from app.ledger.money.settling import invoices_of_jobs
from app.ledger.reports.books import book_rows
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import AccountPayment, Event, Job, Payment, Role, Stage
from app.pricing import MAX_CENTS, MoneyRules, PaymentTerms, UseOrder
from tests.ledger.conftest import by
from tests.ledger.money.conftest import invoiced, later, paid, went
from tests.ledger.quoting.test_discounts import CABINETS, TWELVE, ask
from tests.ledger.test_main_job import accept, issued


@pytest.fixture
def second(work: Work) -> Job:
    """Another job of the same customer: three cabinets at 64.00 less 12%, 168.96 + 12.25 = 181.21."""
    return accept(work, issued(work, ask(work, TWELVE, CABINETS)))


def check(cents: int, work: Work, **more: object) -> AccountForm:
    return replace(AccountForm(cents, "check", work.today, secrets.token_hex(8), "no. 4471"), **more)  # type: ignore[arg-type]


def open_cents(work: Work, job: Job) -> list[int]:
    return [one.open_cents for one in open_invoices(work.session, job.customer_id)]


def test_a_receipt_adds_up_after_a_credit_note_too(work: Work, job: Job) -> None:
    """One cabinet of three: 56.32 of 168.96, tax 12.25 less 8.17, so 60.40 of the 358.70 are free; 298.30 stay."""
    invoiced(work, job, Invoicing.ALL)
    take_account_payment(work, job.customer_id, check(358_70, work))
    credit_lines(work, 1, 2, CreditForm({"1": 1}, "not wanted", "one"))
    receipt = account_receipt(work.session, 1)
    assert (receipt.uses, receipt.over_cents, receipt.freed_cents) == (((1, 298_30, 0),), 0, 60_40)


def test_one_check_pays_several_invoices_and_what_is_over_is_credit(work: Work, job: Job, second: Job) -> None:
    """358.70 + 181.21 = 539.91; 550.00 leave 10.09, which goes to the next invoice."""
    invoiced(work, job, Invoicing.ALL)
    invoiced(work, second, Invoicing.ALL)
    form = check(550_00, work)
    account = take_account_payment(work, job.customer_id, form)
    assert take_account_payment(work, job.customer_id, form).id == account.id
    assert open_cents(work, job) == []
    receipt = account_receipt(work.session, 1)
    assert (receipt.number, receipt.uses, receipt.over_cents) == (
        "M-0001", ((1, 358_70, 0), (2, 181_21, 0)), 10_09,
    )  # fmt: skip
    assert credit_of(work.session) == {job.customer_id: 10_09}
    told = work.session.scalars(sa.select(Event).where(Event.kind == "account payment taken")).one()
    assert told.summary == (
        "M-0001: $550.00 received, check; $358.70 for I-0001; $181.21 for I-0002; $10.09 stays as credit. no. 4471"
    )
    third = accept(work, issued(work, ask(work, TWELVE, CABINETS)))
    invoiced(work, third, Invoicing.ALL)
    use_credit(work, job.customer_id, work.today, secrets.token_hex(8))
    assert open_cents(work, job) == [171_12]
    assert credit_of(work.session) == {}
    with pytest.raises(LedgerError, match="no credit"):
        use_credit(work, job.customer_id, work.today, secrets.token_hex(8))
    books = book_rows(work, "payments", work.today, work.today)
    assert [(row[0], row[5]) for row in books] == [("M-0001", "550.00")]
    papers = book_rows(work, "invoices", work.today, work.today)
    assert [(row[0], row[1], *row[8:]) for row in papers] == [
        ("I-0001", "invoice", "340.20", "18.50", "0.00", "358.70"),
        ("I-0002", "invoice", "168.96", "12.25", "0.00", "181.21"),
        ("I-0003", "invoice", "168.96", "12.25", "0.00", "181.21"),
    ]


def test_a_check_for_named_invoices_pays_these(work: Work, job: Job, second: Job) -> None:
    first, other = invoiced(work, job, Invoicing.ALL), invoiced(work, second, Invoicing.ALL)
    with pytest.raises(LedgerError, match=r"\$181.21 is left to pay of I-0002"):
        take_account_payment(work, job.customer_id, check(300_00, work, named={other.id: 181_22}))
    with pytest.raises(LedgerError, match=r"more than the \$100.00 that came in"):
        take_account_payment(work, job.customer_id, check(100_00, work, named={first.id: 60_00, other.id: 41_00}))
    take_account_payment(work, job.customer_id, check(200_00, work, named={other.id: 181_21, first.id: 18_79}))
    assert {one.invoice.number: one.open_cents for one in invoices_of_jobs(work.session)} == {1: 339_91, 2: 0}


@pytest.mark.parametrize(
    ("order", "left"), [(UseOrder.OLDEST_FIRST, [258_70, 181_21]), (UseOrder.IN_PROPORTION, [292_26, 147_65])]
)
def test_a_part_payment_is_used_by_the_rule_of_the_house(
    work: Work, job: Job, second: Job, order: UseOrder, left: list[int]
) -> None:
    """100.00 over 358.70 and 181.21: 66.44 (66.437) and 33.56."""
    set_money_rules(work, work.today, MoneyRules(use_order=order))
    invoiced(work, job, Invoicing.ALL)
    invoiced(work, second, Invoicing.ALL)
    take_account_payment(work, job.customer_id, check(100_00, work))
    assert open_cents(work, job) == left


def test_a_check_takes_the_discounts_of_all_that_it_pays_early(work: Work, job: Job, second: Job) -> None:
    """2% of 358.70 is 7.17 and of 181.21 3.62: 351.53 + 177.59 = 529.12."""
    set_money_rules(work, work.today, MoneyRules(terms=PaymentTerms(30, Decimal(2), 10)))
    invoiced(work, job, Invoicing.ALL)
    invoiced(work, second, Invoicing.ALL)
    take_account_payment(later(work, 10), job.customer_id, check(529_12, later(work, 10)))
    assert open_cents(work, job) == []
    assert [job_money(get_job(work.session, one.number)).balance_cents for one in (job, second)] == [0, 0]
    taken = book_rows(work, "discounts", work.today, later(work, 10).today)
    assert [(row[0], row[4]) for row in taken] == [("I-0001", "-7.17"), ("I-0002", "-3.62")]


def test_credit_of_one_job_pays_another_and_the_rest_goes_back(work: Work, job: Job, second: Job) -> None:
    """A cabinet back: 56.32 and 4.08 of 12.25 are 60.40 of credit; 50.00 of the other job is open, 10.40 is left."""
    one = invoiced(work, job, Invoicing.ALL)
    paid(work, job, 358_70)
    credit_lines(work, one.id, 2, CreditForm({"1": 1}, "not wanted", secrets.token_hex(8)))
    invoiced(work, second, Invoicing.ALL)
    paid(work, second, 131_21)
    assert credit_of(work.session) == {job.customer_id: 60_40}
    use_credit(work, job.customer_id, work.today, secrets.token_hex(8))
    assert open_cents(work, job) == []
    assert credit_of(work.session) == {job.customer_id: 10_40}
    with pytest.raises(
        LedgerError, match=r"\$0.00 of this account is credit.*\$10.40 more is paid too much for jobs"
    ):
        give_credit_back(work, job.customer_id, check(10_40, work))
    assert work.session.scalar(sa.select(sa.func.sum(Payment.cents))) == 489_91
    assert work.session.scalar(sa.select(sa.func.sum(AccountPayment.cents))) == 0


def test_too_much_on_the_account_is_given_back(work: Work, job: Job) -> None:
    invoiced(work, job, Invoicing.ALL)
    take_account_payment(work, job.customer_id, check(360_00, work))
    give_credit_back(work, job.customer_id, check(1_30, work, means="cash", note="paid too much"))
    assert credit_of(work.session) == {}
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == 0


def test_debts_by_age_and_the_account_entry_by_entry(work: Work, job: Job, second: Job) -> None:
    """Due April 1 and April 11. On May 2 the first is 31 days overdue, the second 21."""
    invoiced(work, job, Invoicing.ALL)
    tenth = later(work, 10)
    went(tenth, second, 1, line_1=1)
    invoiced(tenth, second)  # 56.32 + 4.08
    went(tenth, second, 2, line_1=1)  # 60.41 more, not invoiced
    paid(tenth, job, 100_00)
    day = later(work, 61).today
    found = aging(work.session, day)
    (row,) = found.rows
    assert row.cents == (0, 60_40, 258_70, 0, 0)
    assert (row.not_invoiced_cents, row.credit_cents, row.total_cents) == (60_41, 0, 379_51)
    assert found.total.total_cents == 379_51 and "the due day itself not counted" in found.rule
    assert aging(work.session, tenth.today).rows[0].cents == (319_10, 0, 0, 0, 0)
    account = statement_of(work.session, job.customer_id, day)
    assert [(one.number, one.cents, one.balance_cents) for one in account.entries] == [
        ("I-0001", 358_70, 358_70),
        ("I-0002", 60_40, 419_10),
        ("R-1001-1", -100_00, 319_10),
        ("", 60_41, 379_51),
    ]
    assert account.entries[2].used == (("I-0001", 100_00),)
    assert account.entries[0].open_cents == 258_70
    part = statement_of(work.session, job.customer_id, day, since=tenth.today)
    assert (part.before_cents, len(part.entries), part.balance_cents) == (358_70, 3, 379_51)
    (owing,) = owed_by_customer(work.session, day)
    assert (owing.owed_cents, owing.overdue_cents, owing.jobs, owing.since) == (379_51, 319_10, 2, work.today)


def test_what_is_owed_stands_until_it_is_paid(work: Work, job: Job) -> None:
    assert owed_by_customer(work.session, work.today) == ()
    invoiced(work, job, Invoicing.ALL)
    assert [one.owed_cents for one in owed_by_customer(work.session, work.today)] == [358_70]
    paid(work, job, 358_70)
    assert owed_by_customer(work.session, work.today) == ()
    get_job(work.session, job.number).stage = Stage.HANDED_OVER
    work.session.commit()
    assert owed_by_customer(work.session, work.today) == ()


def test_what_was_paid_ahead_stands_beside_the_debts(work: Work, job: Job, second: Job) -> None:
    """100.00 for the second job, of which a cabinet went, 60.40: 39.60 ahead. Of the first 358.70 is owed."""
    invoiced(work, job, Invoicing.ALL)
    paid(work, second, 100_00, PaymentKind.DEPOSIT)
    row = aging(work.session, work.today).rows[0]
    assert (row.ahead_cents, row.credit_cents, row.total_cents) == (100_00, 0, 258_70)
    went(work, second, 1, line_1=1)
    (row,) = aging(work.session, work.today).rows
    assert (row.ahead_cents, row.not_invoiced_cents, row.total_cents) == (39_60, 0, 319_10)
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == 319_10
    invoiced(work, second)
    assert aging(work.session, work.today).total.ahead_cents == 39_60


def test_a_credit_limit_is_an_amount_that_can_be_owed(work: Work, job: Job) -> None:
    for cents in (-1, MAX_CENTS + 1):
        with pytest.raises(LedgerError, match=r"Enter an amount from \$0.00 to \$10,000,000.00") as refused:
            set_credit_limit(work, job.customer_id, job.customer.version, cents)
        assert refused.value.field == "limit"
    assert set_credit_limit(work, job.customer_id, job.customer.version, 0).credit_limit_cents == 0


def test_the_credit_limit_is_asked_and_the_owner_may_go_on_with_a_reason(work: Work, job: Job, second: Job) -> None:
    """358.70 is owed; a cabinet of the second job is 60.40 more: 419.10."""
    invoiced(work, job, Invoicing.ALL)
    goes, counter = {1: (0, 0, 1)}, by(work, Role.COUNTER)
    second.customer.credit_limit_cents = 419_10
    require_credit_for(counter, second, goes)
    second.customer.credit_limit_cents = 419_09
    said = r"owes \$358.70 and this is \$60.40 more: that is above the credit limit of \$419.09"
    with pytest.raises(LedgerError, match=f"^Ask the owner, or take a payment first: .* {said}") as refused:
        require_credit_for(counter, second, goes, "he is good for it")
    assert refused.value.field == ""  # the box for a reason is the owner's alone
    with pytest.raises(LedgerError, match="say why it goes all the same") as refused:
        require_credit_for(work, second, goes)
    assert refused.value.field == "credit"
    require_credit_for(work, second, goes, "he is good for it")
    told = work.session.scalars(sa.select(Event).where(Event.kind == "credit limit exceeded")).one()
    assert told.summary.endswith("Reason: he is good for it")
    work.session.commit()
    paid(work, second, 60_40)
    require_credit_for(counter, second, goes)  # what goes is paid


def test_what_is_credited_of_a_part_that_was_handed_over_is_owed_no_more(work: Work, job: Job) -> None:
    """Two cabinets and the trip: 112.64 + 85.00 + 8.17 tax = 205.81. One comes back: 56.32 + 4.09 = 60.41."""
    went(work, job, 1, line_1=2)
    invoice = invoiced(work, job)
    assert (invoice.total_cents, owed_by_customer(work.session, work.today)[0].owed_cents) == (205_81, 205_81)
    credit_lines(work, invoice.id, 2, CreditForm({"1": 1}, "one too many", secrets.token_hex(8)))
    assert owed_by_customer(work.session, work.today)[0].owed_cents == 145_40
    assert aging(work.session, work.today).total.total_cents == 145_40
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == 145_40


def test_what_a_customer_took_of_a_job_stays_owed_when_the_rest_is_canceled(work: Work, job: Job) -> None:
    """205.81 were taken and 50.00 paid; 155.81 are owed, invoiced and paid after the cancellation too."""
    paid(work, job, 50_00, PaymentKind.DEPOSIT)
    went(work, job, 1, line_1=2)
    move_job(work, job.id, job.version, Stage.CANCELED, "the rest is not needed")
    assert money_of(work.session, get_job(work.session, job.number))[0].balance_cents == 155_81
    [owed] = owed_by_customer(work.session, work.today)
    statement = statement_of(work.session, job.customer_id, work.today)
    assert (owed.owed_cents, statement.balance_cents, statement.aging.total_cents) == (155_81, 155_81, 155_81)
    assert credit_of(work.session) == {}
    with pytest.raises(LedgerError, match="this one is canceled"):
        invoiced(work, job, Invoicing.ALL)
    assert invoiced(work, job).total_cents == 205_81
    with pytest.raises(LedgerError, match=r"the total is \$205.81, \$50.00 is paid, \$155.81 is left"):
        paid(work, job, 155_82)
    paid(work, job, 155_81)
    assert owed_by_customer(work.session, work.today) == ()
    assert statement_of(work.session, job.customer_id, work.today).balance_cents == 0
