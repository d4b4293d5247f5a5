"""What customers bought and what lost money: figures worked out by hand, and against the quotes themselves."""

from datetime import date
from fractions import Fraction

from app.ledger.reports.sales import (
    GOODS,
    KEYING,
    LABOR,
    OFF,
    TRIPS,
    LossQuestion,
    SalesQuestion,
    find_bought,
    find_purchases,
    find_unprofitable,
    margin_of_job,
)
from app.ledger.store.work import Work
from app.ledger.tables import (
    SHELF,
    BorneBy,
    Customer,
    Job,
    MovementKind,
    Need,
    OrderKind,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    Stage,
    StockMovement,
)
from tests import factories
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import BENCH_TERMS

__all__ = ["config", "work"]  # the bare house
SPAN = (date(2024, 1, 1), date(2026, 12, 31))


def sold(customer: Customer, day: date, *lines: tuple[str, str, int, int, int], **given: object) -> Job:
    """A job accepted on a day with lines of (kind, part number or words, quantity, cents, cost)."""
    given = {"stage": Stage.CLOSED, "customer": customer, "accepted_on": day, **given}
    job: Job = factories.JobFactory(**given)
    for place, (kind, what, quantity, amount, cost) in enumerate(lines):
        said = {"part_number": what, "words": f"The {what}"} if what.startswith("A18") else {"words": what}
        said |= {"job_id": job.id, "label": str(place), "kind": kind}
        factories.SoldLineFactory(quantity=quantity, amount_cents=amount, cost_cents=cost, **said)
    return job


def test_what_a_customer_bought_stands_by_item_with_days_and_amounts(work: Work) -> None:
    mill, other = factories.CustomerFactory(name="Mill School"), factories.CustomerFactory(name="Old Mill")
    cylinder, keys = ("cylinder", "A18M", 4, 20_000, 9_000), ("keys", "Keys, 2 a cylinder", 8, 2_600, 0)
    sold(mill, date(2024, 5, 6), cylinder, keys, ("discount", "Discount", 1, -1_000, 0))
    sold(mill, date(2026, 2, 3), ("cylinder", "A18M", 1, 5_500, 2_400), ("keys", "Keys to AA", 3, 975, 270))
    sold(mill, date(2026, 2, 4), ("cylinder", "A18M-66", 1, 6_000, 2_500))
    sold(mill, date(2023, 12, 31), cylinder)  # before the span
    sold(mill, date(2026, 2, 3), cylinder, stage=Stage.CANCELED)
    sold(other, date(2026, 2, 3), ("trip", "Trip", 1, 8_500, 3_200))

    found = find_bought(work, SalesQuestion("mill school", *SPAN))
    told = [
        (row.item or row.part_number, row.quantity, row.jobs, row.first, row.last, row.amount_cents, row.cost_cents)
        for row in found.rows
    ]
    assert told == [
        ("A18M", 5, 2, date(2024, 5, 6), date(2026, 2, 3), 25_500, 11_400),
        ("A18M-66", 1, 1, date(2026, 2, 4), date(2026, 2, 4), 6_000, 2_500),
        ("Keys", 11, 2, date(2024, 5, 6), date(2026, 2, 3), 3_575, 270),
        ("Discount", 1, 1, date(2024, 5, 6), date(2024, 5, 6), -1_000, 0),
    ]
    assert [row.customer_name for row in find_bought(work, SalesQuestion("mill", *SPAN)).rows] == [
        *["Mill School"] * 4,
        "Old Mill",
    ]
    # A figure's rows: what is called just so, and no longer number that begins with it.
    lines = find_purchases(work, SalesQuestion("Mill School", *SPAN, item="A18M"))
    assert [(row.accepted_on, row.quantity) for row in lines.rows] == [(date(2026, 2, 3), 1), (date(2024, 5, 6), 4)]
    assert find_purchases(work, SalesQuestion("Mill School", *SPAN, item="a18")).count == 3
    assert find_purchases(work, SalesQuestion("Mill School", *SPAN, item="keys")).count == 2
    assert find_bought(work, SalesQuestion("", *SPAN)).count == 0  # nobody is named


def terms(rate: int, day: date) -> None:
    factories.BenchTermsFactory(valid_from=day, terms={**BENCH_TERMS, "labour_cents_per_hour": rate})


def test_a_job_that_lost_money_names_the_part_that_did_it(work: Work) -> None:
    """Four jobs below nothing, each by another part; one that the bench's own minutes turn, one just even."""
    mill = factories.CustomerFactory(name="Mill School")
    day = date(2026, 2, 3)
    terms(4600, date(2025, 1, 1))
    terms(6000, date(2026, 2, 3))
    goods = sold(mill, day, ("cylinder", "A18M", 1, 5_000, 7_000), ("keying", "Keying", 1, 1_000, 500))
    trip = sold(mill, day, ("cylinder", "A18M", 1, 5_000, 4_000), ("trip", "Trip", 1, 1_000, 3_000))
    off = sold(mill, day, ("cylinder", "A18M", 1, 5_000, 4_000), ("off price", "Given back", 1, -1_500, 0))
    labor = sold(mill, day, ("labour", "Labor", 1, 100, 130))
    # Reckoned 30 minutes, recorded 44.5: 14.5 at 60 dollars an hour are 14.50, with 12.00 earned so far.
    slow = sold(mill, day, ("keying", "Keying", 4, 6_000, 5_000), ("keys", "Keys", 4, 200, 0), bench_minutes=30)
    # The day before an hour cost 46 dollars: 0.01 minutes beyond are .77 of a cent, a whole one.
    early = sold(mill, date(2026, 2, 2), ("keying", "Keying", 1, 1_000, 1_000), bench_minutes=10)
    even = sold(mill, date(2026, 2, 2), ("keying", "Keying", 1, 1_000, 1_000), bench_minutes=10)
    sold(mill, day, ("cylinder", "A18M", 1, 1, 9_000), stage=Stage.CANCELED)
    sold(mill, date(2023, 1, 1), ("cylinder", "A18M", 1, 1, 9_000))
    by = factories.UserFactory().id
    for job, task, spent in (
        *((slow, "pinning", "40.5"), (slow, "cutting", "4"), (early, "pinning", "10.01"), (even, "pinning", "9")),
    ):
        work.session.add(
            factories.models.BenchTimeRow(
                job_id=job.id, task=task, pieces=1, minutes=spent, finished=day, recorded_by_id=by
            )
        )
    work.session.commit()
    factories.WarrantyFactory(job=goods, borne_by=BorneBy.MAKER)

    found = find_unprofitable(work, LossQuestion(*SPAN))
    told = [(one.number, one.margin_cents, one.part, one.over_cents) for one in found.rows]
    assert told == [
        (goods.number, -1_500, GOODS, 0),
        (trip.number, -1_000, TRIPS, 0),
        (off.number, -500, OFF, 0),
        (slow.number, -250, KEYING, 1_450),
        (labor.number, -30, LABOR, 0),
        (early.number, -1, KEYING, 1),
    ]
    slowest = found.rows[3]
    assert (slowest.reckoned_minutes, slowest.minutes_hundredths) == (30, 4_450)
    assert slowest.shortfalls == {GOODS: 0, KEYING: 250, LABOR: 0, TRIPS: 0, OFF: 0}
    assert [one.warranty for one in found.rows] == ["maker", "", "", "", "", ""]
    assert found.rows[0].minutes_hundredths is None  # nobody recorded any
    for part, count in ((GOODS, 1), (KEYING, 2), (LABOR, 1), (TRIPS, 1), (OFF, 1)):
        assert find_unprofitable(work, LossQuestion(*SPAN, part=part)).count == count, part
    assert find_unprofitable(work, LossQuestion(*SPAN, customer="nobody")).count == 0
    page = find_unprofitable(work, LossQuestion(*SPAN), page=2, size=4)
    assert (page.count, page.pages, [one.number for one in page.rows]) == (6, 2, [labor.number, early.number])


def test_a_house_without_bench_terms_reckons_no_minutes(work: Work) -> None:
    mill = factories.CustomerFactory(name="Mill School")
    sold(mill, date(2026, 2, 3), ("cylinder", "A18M", 1, 5_000, 7_000), bench_minutes=5)
    assert [one.over_cents for one in find_unprofitable(work, LossQuestion(*SPAN)).rows] == [0]


def test_a_job_earns_what_became_of_it(work: Work) -> None:
    """By hand: 4 cylinders for 200.00 at 22.50 and keying for 40.00 at 30.00, accepted: 240.00 less 120.00. The maker
    confirmed 25.00, 10.00 more. The bench took 24.5 minutes of 30, 5.50 less at 60.00 an hour. 50.00 were credited,
    and one cylinder went back on the shelf at 25.00: 190.00 - 120.00 - 10.00 + 5.50 + 25.00 = 90.50.
    """
    day, by = date(2026, 2, 3), factories.UserFactory().id
    terms(6000, date(2025, 1, 1))
    lines = (("keying", "Keying", 4, 4_000, 3_000), ("cylinder", "A18M", 4, 20_000, 9_000))
    job = sold(factories.CustomerFactory(), day, *lines, ("off price", "Given back", 1, -5_000, 0), bench_minutes=30)
    session, item = work.session, factories.ItemFactory(code="A18M", cost_cents=2_250)
    assert margin_of_job(work, job).is_another
    need = Need(job_id=job.id, line_number=1, item_id=item.id, quantity=4, made_at=NOW)
    order = PurchaseOrder(
        number="P-0001",
        maker_id=factories.MakerFactory().id,
        kind=OrderKind.GOODS,
        state=OrderState.CONFIRMED,
        made_at=NOW,
    )
    line = PurchaseLine(order=order, number=1, item_id=item.id, quantity=4, unit_cents=2_250, confirmed_cents=2_500)
    line.shares = [PurchaseShare(need=need, quantity=4)]
    time = {"task": "pinning", "pieces": 4, "minutes": "24.5", "finished": day, "recorded_by_id": by}
    back = {"kind": MovementKind.RETURNED, "on_hand": 1, "cost_cents": 2_500, "job_id": job.id}
    came = StockMovement(item_id=item.id, place_id=SHELF, at=NOW, **back)
    session.add_all([line, came, factories.models.BenchTimeRow(job_id=job.id, **time)])
    session.commit()
    found = margin_of_job(work, job)
    assert (found.value_cents, found.cost_cents, found.quoted_cents) == (24_000, 12_000, 12_000)
    assert (found.charged_cents, found.bench_cents, found.parts_cents) == (19_000, -550, -1_500)
    assert (found.became_cents, found.minutes) == (9_050, Fraction(49, 2))
    # The same in the list, once it lost: 90.51 more of a discount.
    assert find_unprofitable(work, LossQuestion(*SPAN)).count == 0
    factories.SoldLineFactory(job_id=job.id, label="discount", kind="discount", amount_cents=-9_051, cost_cents=0)
    (lost,) = find_unprofitable(work, LossQuestion(*SPAN)).rows
    assert (lost.margin_cents, lost.over_cents, lost.more_cents) == (-1, -550, -1_500)
    assert margin_of_job(work, job).became_cents == -1
