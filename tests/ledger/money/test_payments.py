"""Money in and out of a job: the balance rules, card numbers are refused, receipts keep their figures."""

from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import BitternError, Problems
from app.ledger.care.opening import open_ledger
from app.ledger.money.owing import owed_jobs
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.store.errors import LedgerError, NotAllowed, NotFound, Stale
from app.ledger.store.events import first_broken_link, record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, Job, Payment, Role, Stage, User
from tests import factories
from tests.conftest import NOW
from tests.ledger.conftest import by

K = PaymentKind


@pytest.fixture
def work(config: Config):
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW)
    ledger.close()


@pytest.fixture
def job(work: Work) -> Job:
    found: Job = factories.JobFactory(number=1042, stage=Stage.APPROVED)
    factories.QuoteRevisionFactory(job=found, revision=1, total_cents=9_000)
    factories.QuoteRevisionFactory(job=found, revision=2, total_cents=10_725)
    return found


def form(kind: PaymentKind, cents: int, note: str = "") -> PaymentForm:
    return PaymentForm(kind, cents, "cash", NOW.date(), note)


def rows(work: Work) -> tuple[int, int]:
    work.session.rollback()
    return tuple(
        work.session.scalar(sa.select(sa.func.count()).select_from(table)) or 0 for table in (Payment, Event)
    )  # type: ignore[return-value]


def test_deposit_payment_and_refund_make_the_balance(work: Work, job: Job) -> None:
    counter = by(work, Role.COUNTER)
    deposit = take_payment(counter, 1042, 1, form(K.DEPOSIT, 5_000, "for the parts"))
    assert (deposit.number, deposit.kind, deposit.note, deposit.taken_by) == (
        "R-1042-1", K.DEPOSIT, "for the parts", counter.actor.name,
    )  # fmt: skip
    assert (deposit.total_cents, deposit.paid_cents, deposit.balance_cents) == (10_725, 5_000, 5_725)
    rest = take_payment(counter, 1042, 2, form(K.PAYMENT, 5_725))
    assert (rest.balance_cents, rest.number) == (0, "R-1042-2")
    back = take_payment(counter, 1042, 3, form(K.REFUND, 700, "one key too many"))
    assert (back.kind, back.cents, back.paid_cents) == (K.REFUND, 700, 10_025)
    page = payments_of(work.session, 1042)
    assert (page.money.total_cents, page.money.paid_cents, page.money.balance_cents) == (10_725, 10_025, 700)
    assert [payment.cents for payment in page.job.payments] == [5_000, 5_725, -700]
    assert page.job.payments[0].note == "Deposit: for the parts"
    events = work.session.scalars(sa.select(Event).where(Event.job_id == job.id).order_by(Event.id)).all()
    assert [event.kind for event in events] == ["deposit taken", "payment taken", "refund given"]
    assert events[0].summary == "$50.00 deposit received, cash; $50.00 of $107.25 paid. for the parts"
    assert first_broken_link(work.session) is None


def test_what_goes_back_off_the_price_is_due_no_more(work: Work, job: Job) -> None:
    refused = "accepted job can be lessened"
    with pytest.raises(LedgerError, match=refused):
        take_payment(work, 1042, 1, form(K.OFF_PRICE, 100, "a ring came back"))
    job.agreed_cents, job.stage = 10_725, Stage.CLOSED
    work.session.commit()
    take_payment(work, 1042, 1, form(K.PAYMENT, 10_000))
    back = take_payment(work, 1042, 2, form(K.OFF_PRICE, 525, "a ring came back"))
    assert (back.kind, back.cents, back.total_cents, back.paid_cents, back.balance_cents) == (
        K.OFF_PRICE, 525, 10_200, 9_475, 725,
    )  # fmt: skip
    assert [(one.number, one.owed_cents) for one in owed_jobs(work.session, work.today)] == [(1042, 725)]
    take_payment(work, 1042, 3, form(K.PAYMENT, 725))
    take_payment(work, 1042, 4, form(K.OFF_PRICE, 100, "another ring came back"))
    page = payments_of(work.session, 1042)
    assert (page.money.total_cents, page.money.balance_cents, page.off_price_cents) == (10_100, 0, 625)
    assert owed_jobs(work.session, work.today) == ()
    with pytest.raises(LedgerError, match="is more than was paid"):
        take_payment(work, 1042, 5, form(K.OFF_PRICE, 10_101, "all of it and more"))
    told = work.session.scalars(
        sa.select(Event.summary).where(Event.kind == "refund given").order_by(Event.id)
    ).first()
    assert told == "$5.25 given back off the price, cash; $94.75 of $102.00 paid. a ring came back"


def test_a_receipt_keeps_its_figures_when_the_job_is_quoted_anew(work: Work, job: Job) -> None:
    first = take_payment(work, 1042, 1, form(K.DEPOSIT, 5_000))
    factories.QuoteRevisionFactory(job=job, revision=3, total_cents=20_000)
    again = payments_of(work.session, 1042)
    assert again.receipts == (first,)
    assert again.money.balance_cents == 15_000


@pytest.mark.parametrize(
    ("kind", "cents", "says"),
    [
        (K.PAYMENT, 5_726, r"\$57.26 is more than is due: the total is \$107.25, \$50.00 is paid, \$57.25 is left"),
        (K.DEPOSIT, 10_725, "is more than is due"),
        (K.REFUND, 5_001, r"\$50.01 is more than was paid: \$50.00 came in for job 1042"),
        (K.PAYMENT, 0, "above zero"),
        (K.PAYMENT, -100, "above zero"),
        (K.PAYMENT, 10**30, "at most"),
    ],
)
def test_more_than_is_due_or_was_paid_is_refused_with_the_figures(
    work: Work, job: Job, kind: PaymentKind, cents: int, says: str
) -> None:
    take_payment(work, 1042, 1, form(K.DEPOSIT, 5_000))
    before = rows(work)
    with pytest.raises(BitternError, match=says) as refused:
        take_payment(work, 1042, 2, form(kind, cents, "a reason"))
    assert refused.value.field == "cents"
    assert rows(work) == before


@pytest.mark.parametrize(
    "note",
    [
        "4111111111111111",
        "card 4111 1111 1111 1111 exp 12/30",
        "4111 - 1111 - 1111 - 1111",
        "4111/1111/1111/1111",
        "\u0664\u0661" + "\u0661" * 14,  # the same digits of another script
        "4111\u200b1111\u200b1111\u200b1111",
        "4111-1111-1111-1111",
        "123456789012",
        "1234567890123456789",
        "４１１１１１１１１１１１１１１１",
        "4111.1111.1111.1111",
    ],
)
def test_a_card_number_is_not_kept(work: Work, job: Job, note: str) -> None:
    before = rows(work)
    with pytest.raises(Problems) as refused:
        take_payment(work, 1042, 1, form(K.PAYMENT, 100, note))
    assert (refused.value.field, "Do not write card numbers here" in refused.value.message) == ("note", True)
    assert note not in str(refused.value)
    assert rows(work) == before


@pytest.mark.parametrize("note", ["check 20417", "order 12345678901", "555-0147, paid 2 of 3", "12 keys, 24 doors"])
def test_other_numbers_may_stand_in_the_note(work: Work, job: Job, note: str) -> None:
    assert take_payment(work, 1042, 1, form(K.PAYMENT, 100, note)).note == note


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"means": "shells"}, "means"),
        ({"means": "x" * 10_000}, "means"),
        ({"note": "x" * 10_000}, "note"),
        ({"received_on": NOW.date() + timedelta(days=1)}, "received_on"),
        ({"received_on": NOW.date() - timedelta(days=400)}, "received_on"),
        ({"kind": K.REFUND}, "note"),
    ],
)
def test_a_form_that_says_nonsense_is_refused_by_field(
    work: Work, job: Job, changed: dict[str, object], field: str
) -> None:
    before = rows(work)
    with pytest.raises(Problems) as refused:
        take_payment(work, 1042, 1, replace(form(K.PAYMENT, 100), **changed))  # type: ignore[arg-type]
    assert refused.value.field == field
    assert rows(work) == before


def test_a_press_repeated_is_one_payment(work: Work, job: Job) -> None:
    take_payment(work, 1042, 1, form(K.PAYMENT, 100))
    with pytest.raises(Stale):
        take_payment(work, 1042, 1, form(K.PAYMENT, 100))
    assert len(payments_of(work.session, 1042).receipts) == 1


def test_nothing_is_due_before_a_quote_nor_for_a_job_that_is_over(work: Work, job: Job) -> None:
    factories.JobFactory(number=1050)
    with pytest.raises(LedgerError, match="Nothing is quoted"):
        take_payment(work, 1050, 1, form(K.DEPOSIT, 100))
    take_payment(work, 1042, 1, form(K.DEPOSIT, 5_000))
    job.stage = Stage.CANCELED
    work.session.commit()
    with pytest.raises(LedgerError, match="only a refund"):
        take_payment(work, 1042, 2, form(K.PAYMENT, 100))
    with pytest.raises(LedgerError, match="write it as a refund"):
        take_payment(work, 1042, 2, form(K.OFF_PRICE, 100, "x"))
    back = take_payment(work, 1042, 2, form(K.REFUND, 5_000, "cancelled"))
    assert (back.paid_cents, back.total_cents, back.balance_cents) == (0, 0, 0)  # nothing was left to pay


def test_the_bench_takes_no_money_and_no_job_takes_none(work: Work, job: Job) -> None:
    with pytest.raises(NotAllowed):
        take_payment(by(work, Role.BENCH), 1042, 1, form(K.PAYMENT, 100))
    for use in (lambda: take_payment(work, 9, 1, form(K.PAYMENT, 100)), lambda: payments_of(work.session, 9)):
        with pytest.raises(NotFound):
            use()


def test_a_payment_without_an_event_still_has_a_receipt(work: Work, job: Job) -> None:
    factories.PaymentFactory(job_id=job.id, cents=4_000, note="brought over")
    receipt = payments_of(work.session, 1042).receipts[0]
    assert (receipt.kind, receipt.note, receipt.paid_cents, receipt.total_cents) == (
        K.PAYMENT, "brought over", 4_000, 10_725,
    )  # fmt: skip


@pytest.mark.parametrize("kind", list(K))
def test_on_account_is_an_invoice_and_no_payment(work: Work, job: Job, kind: PaymentKind) -> None:
    take_payment(work, 1042, 1, form(K.PAYMENT, 5_000))
    before = rows(work)
    with pytest.raises(Problems, match="On account is no payment: nothing came in") as refused:
        take_payment(work, 1042, 2, replace(form(kind, 100, "a reason"), means="on account"))
    assert refused.value.field == "means"
    assert rows(work) == before


def test_what_was_put_on_account_before_stays_owed_until_it_is_paid(work: Work, job: Job) -> None:
    job.stage, job.agreed_cents, job.deposit_cents = Stage.CLOSED, 10_725, 4_000
    factories.PaymentFactory(job_id=job.id, cents=6_000, means="on account")
    work.session.commit()
    money = payments_of(work.session, 1042).money
    assert (money.paid_cents, money.balance_cents, money.on_account_cents) == (0, 10_725, 6_000)
    assert money.deposit_left_cents == 4_000
    (owed,) = owed_jobs(work.session, work.today)
    assert (owed.paid_cents, owed.owed_cents) == (0, 10_725)
    take_payment(work, 1042, 2, form(K.PAYMENT, 7_000))
    money = payments_of(work.session, 1042).money
    assert (money.paid_cents, money.balance_cents, money.on_account_cents) == (7_000, 3_725, 3_725)
    last = take_payment(work, 1042, 3, form(K.PAYMENT, 3_725))
    money = payments_of(work.session, 1042).money
    assert (last.balance_cents, money.balance_cents, money.on_account_cents) == (0, 0, 0)
    assert owed_jobs(work.session, work.today) == ()


def test_what_an_earlier_bittern_counted_as_paid_on_account_is_owed(work: Work, job: Job) -> None:
    """Such a row stays on record as it is, its event with the figures that were thought right then."""
    job.stage, job.agreed_cents, job.deposit_cents = Stage.CLOSED, 10_725, 5_000
    old = factories.PaymentFactory(job_id=job.id, cents=5_000, means="on account", note="Deposit")
    figures = {"total_cents": 10_725, "paid_cents": 5_000}
    record(
        *(work, "deposit taken", f"job {job.number}", "$50.00 deposit received, on account; $50.00 of $107.25 paid"),
        job_id=job.id,
        payment=old.id,
        kind_of_payment="deposit",
        note="",
        **figures,
    )
    work.session.commit()
    page = payments_of(work.session, 1042)
    assert (page.money.paid_cents, page.money.balance_cents, page.money.deposit_left_cents) == (0, 10_725, 5_000)
    (slip,) = page.receipts
    assert (slip.cents, slip.means, slip.paid_cents, slip.balance_cents) == (5_000, "on account", 0, 10_725)
    assert [one.owed_cents for one in owed_jobs(work.session, work.today)] == [10_725]
    assert take_payment(work, 1042, 2, form(K.PAYMENT, 10_725)).balance_cents == 0


def test_money_is_received_on_the_day_a_job_was_opened_and_not_before(work: Work, job: Job) -> None:
    early = replace(form(K.PAYMENT, 1_000), received_on=job.asked_on - timedelta(days=1))
    with pytest.raises(Problems) as refused:
        take_payment(work, 1042, job.version, early)
    assert [problem.field for problem in refused.value.problems] == ["received_on"]
    work.session.rollback()
    taken = take_payment(work, 1042, job.version, replace(early, received_on=job.asked_on))
    assert taken.received_on == job.asked_on
