"""What the demo's jobs leave on record: keys with holders, one back, one overdue, one lost; money; bench times."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import timedelta
from decimal import Decimal

from app.commands.demo_jobs import DemoShop
from app.ledger.bench.times import job_tasks, record_times
from app.ledger.jobs.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.jobs.queries import get_job
from app.ledger.keys.keys import IssueForm, issue_keys, lose_key, return_key
from app.ledger.store.work import Work
from app.ledger.tables import Key, KeySystem, Role
from app.pricing import BenchTask

# Minutes a piece: keys take longer than the book says, the rest as it says.
_EACH = {BenchTask.SET_UP: Decimal(40), BenchTask.PINNING: Decimal("9.5"), BenchTask.CUTTING: Decimal("1.5")}
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
    cylinders = get_job(base.session, jobs["dental"]).cylinders
    (system,) = {cylinder.keyset.system for cylinder in cylinders if cylinder.keyset}
    for symbol, copies, holder, phone, ago, days in _ISSUED:
        counter = shop.work(base, Role.COUNTER, ago)
        due = counter.today + timedelta(days=days) if days is not None else None
        issue_keys(counter, IssueForm(system.id, symbol, copies, holder, phone, due))
    back, lost = _key(system, "3AA", 2), _key(system, "4AA", 1)
    return_key(shop.work(base, Role.COUNTER, 3), back.id, back.version)
    lose_key(shop.work(base, Role.COUNTER, 2), lost.id, lost.version, "Left on the ferry.")


def _key(system: KeySystem, symbol: str, copy: int) -> Key:
    keys = next(keyset.keys for keyset in system.keysets if keyset.symbol == symbol)
    return next(key for key in keys if key.copy_number == copy)


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


def load_times(bench: Work, numbers: Iterable[int]) -> int:
    """Record what each job of these numbers took, a little more with each; gives how many times were recorded."""
    count = 0
    for place, number in enumerate(numbers):
        tasks = job_tasks(bench.session, get_job(bench.session, number))
        slower = 1 + Decimal(place) / 20
        taken = {task.key: round(_EACH[task.task] * task.pieces * slower, 1) for task in tasks}
        count += record_times(bench, number, taken)
    return count
