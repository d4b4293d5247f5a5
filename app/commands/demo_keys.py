"""The demo's keys and money: keys with holders, one back, one overdue, one lost; deposits, payments, a refund."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta

import sqlalchemy as sa

from app.commands.demo_jobs import DemoShop
from app.ledger.jobs.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.keys.keys_out import IssueForm, issue_keys, lose_key, return_key
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeySystem, Role

# Who takes which copies of the practice's keys, how many days ago, and for how many days (None: until asked for).
_ISSUED: tuple[tuple[str, tuple[int, ...], str, str, int, int | None], ...] = (
    ("AA", (1,), "Dr A. Lantern", "555-0133", 11, None),
    ("1AA", (1, 2), "M. Sandpiper, reception", "555-0133", 11, None),
    ("2AA", (1,), "Dr A. Lantern", "555-0133", 11, None),
    ("3AA", (1,), "J. Curlew, joiner", "555-0177", 10, 4),
    ("3AA", (2,), "R. Dunlin", "", 9, 7),
    ("4AA", (1,), "R. Dunlin", "", 9, 30),
)


def load_keys(shop: DemoShop, base: Work, jobs: Mapping[str, int]) -> None:
    """Hand out the keys of the dental practice; one comes back, one is overdue, one is lost."""
    system = base.session.scalars(
        sa.select(KeySystem)
        .join(Keyset)
        .join(Cylinder, Cylinder.keyset_id == Keyset.id)
        .join(Job, Job.id == Cylinder.job_id)
        .where(Job.number == jobs["dental"])
        .distinct()
    ).one()
    for symbol, copies, holder, phone, ago, days in _ISSUED:
        counter = shop.work(base, Role.COUNTER, ago)
        due = counter.today + timedelta(days=days) if days is not None else None
        issue_keys(counter, IssueForm(system.id, symbol, copies, holder, phone, due))
    back, lost = _key(base, system, "3AA", 2), _key(base, system, "4AA", 1)
    return_key(shop.work(base, Role.COUNTER, 3), back.id, back.version)
    lose_key(shop.work(base, Role.COUNTER, 2), lost.id, lost.version, "Left on the ferry.")


def _key(work: Work, system: KeySystem, symbol: str, copy: int) -> Key:
    rows = sa.select(Key).join(Keyset).where(Keyset.system_id == system.id, Keyset.symbol == symbol)
    return work.session.scalars(rows.where(Key.copy_number == copy)).one()


def load_payments(shop: DemoShop, base: Work, jobs: Mapping[str, int]) -> None:
    """One job half paid with a little given back off its price, two with half as a deposit, the others owe."""
    _pay(shop, base, jobs["closed"], 57, PaymentKind.PAYMENT, 2, "card")
    _pay(shop, base, jobs["closed"], 55, PaymentKind.OFF_PRICE, 20, "cash", "One ring was brought back unused.")
    _pay(shop, base, jobs["dental"], 14, PaymentKind.DEPOSIT, 2, "check")
    _pay(shop, base, jobs["college"], 3, PaymentKind.DEPOSIT, 2, "bank transfer")


def _pay(
    shop: DemoShop, base: Work, job: int, ago: int, kind: PaymentKind, part: int, means: str, note: str = ""
) -> None:
    """The deposit that was asked, or else one `part`-th of the job's total, comes in or goes back."""
    counter = shop.work(base, Role.COUNTER, ago)
    held = payments_of(counter.session, job)
    asked = held.money.deposit_cents if kind is PaymentKind.DEPOSIT else 0
    form = PaymentForm(kind, asked or held.money.total_cents // part, means, counter.today, note)
    take_payment(counter, job, held.version, form)
