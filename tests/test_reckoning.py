"""docs/reckoning.md: the figures of its worked tables are those that the house reckons."""

import json
import re
from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import islice, pairwise
from pathlib import Path
from random import Random

import pytest

from app.keying import AccessMatrix, AccessPlan, BittingRules, BittingSpec, key_matrix
from app.keying.arrays import Spread
from app.keying.counting import count_columns
from app.keying.pinning import pin
from app.keying.progression import progress
from app.pricing import (
    BenchTerms,
    CylinderType,
    Discount,
    FactoryTerms,
    KeyingKind,
    KeyingRequest,
    PricedLine,
    PriceKind,
    TaxRule,
    bench_load,
    decide,
    settled_by,
    total,
)
from app.pricing.costs import bench_minutes
from app.pricing.money import show_cents
from app.pricing.workdays import count_working_days, show_day

ROOT = Path(__file__).resolve().parents[1]
PAGE = (ROOT / "docs/reckoning.md").read_text("utf-8")
TERMS = ROOT / "demo_data/terms"
FRIDAY = date(2026, 3, 6)


def table(head: str) -> list[list[str]]:
    """The rows of the table whose head begins so, without the head."""
    found = re.search(rf"^\| {re.escape(head)} .*\n\|[-|]+\|\n((?:\|.*\n)+)", PAGE, re.MULTILINE)
    assert found, f"there is no table {head}"
    return [[cell.strip() for cell in line.strip("|").split("|")] for line in found[1].splitlines()]


def request_of(quantity: int) -> KeyingRequest:
    cylinders = {CylinderType.MORTISE: quantity}
    return KeyingRequest(KeyingKind.GMK, cylinders, 2 * quantity, FRIDAY, goods_cents=quantity * 6_000)


@pytest.fixture(scope="module")
def bench() -> BenchTerms:
    return BenchTerms.from_json(json.loads((TERMS / "bench.json").read_text("utf-8")))


@pytest.fixture(scope="module")
def factory() -> FactoryTerms:
    return FactoryTerms.from_json(json.loads((TERMS / "factory_ard.json").read_text("utf-8")))


def test_the_keying_table() -> None:
    spec = BittingSpec(chambers=4, depths=10, macs=5, step=2)
    assert "Four chambers, ten depths, MACS 5, step 2, under the master 4-1-6-3" in PAGE
    master = (4, 1, 6, 3)
    array = progress(spec, master)
    change = next(iter(Spread(array)))
    pins = pin(spec, {"AA": master, "1AA": change}).chambers
    assert table("chamber") == [
        [
            str(number + 1),
            str(master[number]),
            " ".join(map(str, array.columns[number])),
            str(count_columns(array.columns[: number + 1], spec.macs)),
            str(change[number]),
            str(pins[number].bottom),
            str(pins[number].masters[0]),
        ]
        for number in range(4)
    ]
    assert f"Theoretical changes: {array.theoretical}. Usable changes: {array.usable}." in PAGE


def test_the_tables_of_rules_and_of_the_order_of_issue() -> None:
    rules = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)
    array = progress(BittingSpec(chambers=4, depths=10, macs=5, step=2, rules=rules), (4, 1, 6, 3))
    assert table("rule") == [[rules.words[name], str(count)] for name, count in array.refused.items()]
    assert f"Usable changes within the rules: {array.usable}." in PAGE
    first = list(islice(Spread(array), 5))
    unlike = ["", *(str(sum(a != b for a, b in zip(*pair, strict=True))) for pair in pairwise(first))]
    assert table("number") == [
        [str(number), "-".join(map(str, cuts)), chambers]
        for number, (cuts, chambers) in enumerate(zip(first, unlike, strict=True), start=1)
    ]


def test_the_tables_of_levels_with_exceptions() -> None:
    rows = table("person")
    matrix = AccessMatrix.of({person: set(doors.split()) for person, doors, _ in rows}, rows[0][1].split())
    assert "Six chambers, ten depths, MACS 7, step 2, under the master 4-1-7-2-5-0" in PAGE
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    plan = key_matrix(spec, (4, 1, 7, 2, 5, 0), matrix, Random(1))
    assert isinstance(plan, AccessPlan)
    assert {person: key for person, _, key in rows} == plan.holders
    assert table("door crossed") == [
        [
            " ".join(one.doors),
            one.cylinder,
            " ".join(one.also),
            "controlled" if one.controlled else "uncontrolled",
            str(one.before),
            str(one.after),
            " ".join(one.would_enter) or "nobody",
        ]
        for one in plan.exceptions
    ]


def test_the_promises_table(bench: BenchTerms, factory: FactoryTerms) -> None:
    request = request_of(24)
    setup, pinning, cutting = bench_minutes(request, bench)
    assert table("at the bench") == [
        ["set-up", str(setup)],
        [f"pinning and checking 24 cylinders, {pinning / 24} each", str(pinning)],
        [f"cutting 48 keys, {cutting / 48} each", str(cutting)],
        ["in all", str(setup + pinning + cutting)],
    ]
    decision = decide(request, bench, factory)
    assert decision.shop.ready and decision.factory.ready
    days = count_working_days(FRIDAY, decision.shop.ready)
    in_turn = bench.minutes_per_day - bench.reserve_minutes_per_day
    assert f"{bench.minutes_per_day} minutes a day, {bench.reserve_minutes_per_day} of them kept back" in PAGE
    assert table("way") == [
        [
            "bench",
            f"{decision.shop.bench_minutes} minutes of {in_turn} a day: {days} working day later",
            show_day(decision.shop.ready),
        ],
        [
            "factory",
            f"{factory.lead_working_days} working days after the order on {show_day(FRIDAY)}",
            show_day(decision.factory.ready),
        ],
    ]
    assert count_working_days(FRIDAY, decision.factory.ready) == factory.lead_working_days
    assert not bench.minutes_promised


def test_the_decisions_table(bench: BenchTerms, factory: FactoryTerms) -> None:
    columns = []
    for quantity in (12, 24):
        request = request_of(quantity)
        decision = decide(request, bench, factory)
        late = decide(replace(request, need_by=date(2026, 3, 20)), bench, factory)
        minutes = decision.shop.bench_minutes
        labor = round(minutes * bench.labour_cents_per_hour / 60)
        pins = quantity * bench.pins[KeyingKind.GMK] * bench.pin_cents
        cutting, blanks = 2 * quantity * bench.key_cut_cents, 2 * quantity * bench.key_blank_cents
        assert decision.shop.total_cents == labor + pins + cutting + blanks
        setup = factory.setup_cents[KeyingKind.GMK]
        keying = quantity * factory.per_cylinder_cents[KeyingKind.GMK]
        freight = factory.freight[0].cents
        assert decision.factory.total_cents == setup + keying + freight
        cents = [labor, pins, cutting, blanks, decision.shop.total_cents]
        cents += [setup, keying, freight, decision.factory.total_cents]
        columns.append([*map(show_cents, cents), str(decision.choice), str(late.choice)])
        assert decision.break_even and f"Break-even: {decision.break_even.quantity} cylinders." in PAGE
    assert [row[1:] for row in table("line")] == [list(row) for row in zip(*columns, strict=True)]
    labels = " ".join(row[0] for row in table("line"))
    for cents in (bench.labour_cents_per_hour, bench.pin_cents, bench.key_cut_cents, bench.key_blank_cents, 420):
        assert show_cents(cents) in labels


def test_the_load_of_the_bench() -> None:
    days = {show_day(FRIDAY + timedelta(days=days)): FRIDAY + timedelta(days=days) for days in range(-7, 8)}
    due = {days[name]: (1, Fraction(minutes)) for name, minutes in table("promised for")}
    terms = BenchTerms(labour_cents_per_hour=0, type_minutes={}, kind_minutes={}, minutes_per_day=Fraction(360))
    load = bench_load(terms, FRIDAY, due, days=3)
    told = [[show_day(one.day), str(one.due), f"{one.percent} %", str(one.short)] for one in load]
    assert table("day") == told


def test_the_table_of_discounts() -> None:
    discount, taxed = Discount(percent=Decimal(12)), TaxRule("Saltmarsh", Decimal("7.25"), True, False, FRIDAY)
    asked = (
        ("cabinets", 3, 6_400, PriceKind.GOODS, Discount()),
        ("ring sets", 10, 980, PriceKind.GOODS, Discount(percent=Decimal("7.5"))),
        ("trip", 1, 8_500, PriceKind.LABOR, Discount(cents=500)),
    )
    lines = [
        PricedLine(name, count, cents, kind, off_cents=off.taken_cents(count * cents))
        for name, count, cents, kind, off in asked
    ]
    told = []
    for line in discount.shared_out(lines):
        is_taxed = line.kind is PriceKind.GOODS
        amounts = (line.quantity * line.unit_cents, line.off_cents, line.listed_cents, line.discount_cents)
        on = show_cents(line.net_cents) if is_taxed else "nothing"
        told.append([line.description, *map(show_cents, amounts), on, show_cents(taxed.tax_cents(line))])
    sums = total(lines, taxed, None, FRIDAY, discount)
    amount = show_cents(sums.goods_cents + sums.labour_cents)
    told.append(["in all", "", "", amount, show_cents(sums.discount_cents), "", show_cents(sums.tax_cents)])
    assert table("line | quantity and price") == told
    assert f"To pay: {show_cents(sums.total_cents)}." in PAGE
    assert f"$450.00 at 2 % settles {show_cents(settled_by(450_00, Decimal(2)))}" in PAGE
