"""What was sold stands in rows that add up to the quotes: accepted, given back in part, imported, upgraded."""

import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
import sqlalchemy as sa
from alembic import command

from app.ledger.care.opening import Ledger, alembic_config, open_ledger
from app.ledger.money.crediting import write_credit_notes
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.quoting.sold_lines import put_missing_sold_lines
from app.ledger.reports.sales import SalesQuestion, find_bought, find_purchases
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Customer, Invoice, Job, QuoteRevision, Role, SoldLine, User
from tests.conftest import NOW
from tests.tour import demo_copy


@pytest.fixture
def work(tmp_path: Path) -> Iterator[Work]:
    ledger: Ledger = open_ledger(demo_copy(tmp_path / "demo"))
    with ledger.sessions() as session:
        owner = session.scalars(sa.select(User).where(User.role == Role.OWNER)).one()
        yield Work(session, ledger.vault, Actor.of(owner), NOW)
    ledger.close()


def lines(work: Work) -> list[tuple[object, ...]]:
    columns = [column for column in SoldLine.__table__.columns if column.name != "id"]
    return sorted(map(tuple, work.session.execute(sa.select(*columns))), key=repr)


def test_the_rows_are_the_accepted_quotes_and_say_the_same_made_anew(work: Work) -> None:
    jobs = work.session.scalars(sa.select(Job).where(Job.accepted_on.is_not(None)).order_by(Job.id)).all()
    assert len(jobs) > 3
    by_customer: Counter[int] = Counter()
    for job in jobs:
        newest = (
            sa.select(QuoteRevision).where(QuoteRevision.job_id == job.id).order_by(QuoteRevision.revision.desc())
        )
        quote = work.session.scalars(newest.limit(1)).one()
        accepted = as_accepted(read_snapshot(quote.snapshot), job.accepted_option)
        rows = work.session.scalars(sa.select(SoldLine).where(SoldLine.job_id == job.id)).all()
        printed = [row for row in rows if row.kind not in ("discount", "off price")]
        assert sorted((row.label, row.words, row.amount_cents) for row in printed) == sorted(
            (line.label, line.words, line.amount_cents) for line in accepted.lines
        )
        kept = [row for row in rows if row.kind != "off price"]
        assert sum(row.amount_cents for row in kept) == job.value_cents == accepted.totals.subtotal_cents
        assert sum(row.cost_cents for row in rows) == job.cost_cents == accepted.cost_cents
        by_customer[job.customer_id] += sum(row.amount_cents for row in rows)
    day = min(job.accepted_on for job in jobs if job.accepted_on)
    for customer in work.session.scalars(sa.select(Customer).order_by(Customer.id)):
        for find in (find_bought, find_purchases):
            found = find(work, SalesQuestion(customer.name, day, work.today), size=10_000)
            assert sum(row.amount_cents for row in found.rows) == by_customer[customer.id], customer.name
    before = lines(work)
    work.session.execute(sa.delete(SoldLine))
    put_missing_sold_lines(work.session)
    assert lines(work) == before


def test_what_is_given_back_off_the_price_is_taken_off_what_was_sold_without_its_tax(work: Work) -> None:
    """Of 104.66 with tax (98.60 without) 5.23 came back: 4.93 (4.927). The job is invoiced by now: what is given
    back more goes by a credit note. A cylinder at 30.40 with its half of 4.41 tax, 2.21, is 32.61: the tax in what
    came back before stays off. Then it is 35.65 (37.84 × 98.60 / 104.66 = 35.649).
    """
    job = work.session.scalars(sa.select(Job).where(Job.number == 1001)).one()
    assert (job.agreed_cents, job.value_cents) == (9_943, 9_860)

    def off() -> tuple[object, ...]:
        return tuple(work.session.execute(_OFF).one())

    assert off() == (job.id, -493)
    more = PaymentForm(PaymentKind.OFF_PRICE, 1_000, "cash", work.today, "brought back")
    with pytest.raises(LedgerError, match="write a credit note on its invoice"):
        take_payment(work, 1001, len(job.payments) + 1, more)
    before, invoice = job.agreed_cents, work.session.scalars(sa.select(Invoice).where(Invoice.job_id == job.id)).one()
    line = next(one for one in invoice.lines if one.is_taxed)
    with transaction(work.session):
        [note] = write_credit_notes(work, job, {line.label: 1}, "brought back")
    assert (note.total_cents, job.agreed_cents) == (-3_261, before - 3_261)
    assert off() == (job.id, -3_565)


_OFF = sa.select(SoldLine.job_id, SoldLine.amount_cents).where(SoldLine.kind == "off price")


@pytest.mark.sqlite
def test_a_house_of_before_gets_its_rows_and_days_from_quotes_and_stories(tmp_path: Path) -> None:
    config = demo_copy(tmp_path / "demo")
    asked = (
        "SELECT job_id, label, kind, part_number, words, maker_id, quantity, amount_cents, cost_cents"
        " FROM sold_lines ORDER BY job_id, label",
        "SELECT id, ready_on FROM jobs WHERE ready_on IS NOT NULL ORDER BY id",
        "SELECT id, fitted_on FROM cylinders WHERE fitted_on IS NOT NULL ORDER BY id",
    )

    def told() -> list[list[tuple[object, ...]]]:
        with closing(sqlite3.connect(config.instance / "bittern.sqlite3")) as database:
            return [database.execute(statement).fetchall() for statement in asked]

    before = told()
    assert [len(rows) > 0 for rows in before] == [True] * 3
    command.downgrade(alembic_config(config.url), "0019")
    command.upgrade(alembic_config(config.url), "head")
    assert told() == before
