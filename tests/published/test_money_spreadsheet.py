"""Whole invoices against a spreadsheet: drawn jobs go through the house's use cases, and a workbook written from what
the papers print is worked out by the `formulas` library (P: the engine's own results).

A row is a job: two lines of goods and one of labor, handed over and invoiced in two parts, a deposit before, a part
payment, goods credited in two notes with a restocking charge. Its cells are whole cents, so that an engine of binary
numbers meets each half exactly; each column is one formula filled down.
"""

import random
import re
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import formulas
import numpy as np
from openpyxl import Workbook, load_workbook
from openpyxl.formula.translate import Translator
from openpyxl.utils import get_column_letter

from app.ledger.catalog.money_rules import set_money_rules
from app.ledger.catalog.price_editing import set_tax_rule
from app.ledger.goods.handing_over import PartForm, hand_over_part
from app.ledger.jobs.queries import get_job
from app.ledger.money.crediting import CreditForm, credit_lines
from app.ledger.money.invoicing import Invoicing, papers_of_money
from app.ledger.money.owing import aging
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.money.settling import invoices_of_jobs
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Invoice, Job, LineKind
from app.pricing import AGE_CLASSES, Discount, MoneyRules, PaymentTerms, TaxCents, TaxRounding, TaxRule
from tests.ledger.conftest import config, customer_id, house_folder, work
from tests.ledger.money.conftest import invoiced, later
from tests.ledger.test_main_job import accept, issued

__all__ = ["config", "house_folder", "work"]

JOBS = 6
CREDITED_ON, LAST_DAY, DAYS_APART = 12, 130, 12
DRAWN = (
    *("quantity1", "unit1", "permille1", "off1", "quantity2", "unit2", "permille2", "off2", "unit3"),
    *("permille", "off", "rate", "by_invoice", "steps", "labor_taxed", "went1", "went2", "deposit"),
    *("paid", "paid_on", "early_percent", "part_discount", "back1", "back2", "again1"),
    *("restocking", "restocking_taxed", "second_on", "asked_on"),
)


def taxed(*bases: str) -> str:
    """The tax on these amounts, by the rule in the row: half up or any part of a cent, of each or of all of them."""

    def cents(of: str) -> str:
        exact = f"({of})*{{rate}}/10000"
        return f"IF({{steps}}=1,ROUNDUP({exact},0),ROUND({exact},0))"

    return f"IF({{by_invoice}}=1,{cents('+'.join(bases))},{'+'.join(map(cents, bases))})"


def line_less(own: str) -> str:
    """A line less its own discount: an amount, or so many in a thousand, half up."""
    whole = f"{{quantity{own}}}*{{unit{own}}}"
    return f"{whole}-MIN({whole},IF({{off{own}}}>0,{{off{own}}},ROUND({whole}*{{permille{own}}}/1000,0)))"


def bucket(due: str) -> str:
    """Days from the due day, which itself counts as not due: 1 to 30, 31 to 60, 61 to 90, more."""
    days = f"({{asked_on}}-{due})"
    return f"IF({days}<=0,0,IF({days}<=30,1,IF({days}<=60,2,IF({days}<=90,3,4))))"


WORKED_OUT = {
    # The quote: the discount is shared out over the goods by their amounts; the shares add up to it.
    "line1": line_less("1"),
    "line2": line_less("2"),
    "goods": "{line1}+{line2}",
    "discount": "MIN({goods},IF({off}>0,{off},ROUND({goods}*{permille}/1000,0)))",
    "net1": "{line1}-ROUND({discount}*{line1}/{goods},0)",
    "net2": "{goods}-{discount}-{net1}",
    "subtotal": "{net1}+{net2}+{unit3}",
    "tax": taxed("{net1}", "{net2}", "{unit3}*{labor_taxed}"),
    "total": "{subtotal}+{tax}",
    # The first invoice: what went, and labor, which goes with the first part; less its share of the deposit.
    "first1": "ROUND({net1}*{went1}/{quantity1},0)",
    "first2": "ROUND({net2}*{went2}/{quantity2},0)",
    "labor": "{unit3}*{labor_taxed}",
    "first_subtotal": "{first1}+{first2}+{unit3}",
    "first_tax": taxed("{first1}", "{first2}", "{labor}"),
    "first_whole": "{first_subtotal}+{first_tax}",
    "first_deposit": "ROUND({deposit}*{first_whole}/{total},0)",
    "first_total": "{first_whole}-{first_deposit}",
    # The second one: the invoices of a job add up to what was agreed.
    "second_subtotal": "{subtotal}-{first_subtotal}",
    "second_tax": "{tax}-{first_tax}",
    "second_total": "{second_subtotal}+{second_tax}-({deposit}-{first_deposit})",
    # A part payment within ten days settles itself and the discount on what it settles.
    "early": (
        "IF(AND({paid_on}<=10,{part_discount}=1),"
        "MIN(ROUND({paid}*100/(100-{early_percent}),0),{first_total})-{paid},0)"
    ),
    # The first credit note.
    "a1": "ROUND({first1}*{back1}/{went1},0)",
    "a2": "IF({went2}=0,0,ROUND({first2}*{back2}/{went2},0))",
    "a_left": taxed("{first1}-{a1}", "{first2}-{a2}", "{labor}"),
    "a_tax": "{first_tax}-{a_left}",
    "a_early": "ROUND({early}*({a1}+{a2}+{a_tax})/{first_whole},0)",
    "a_early_tax": "ROUND({a_early}*{a_tax}/({a1}+{a2}+{a_tax}),0)",
    "a_price": "{a1}+{a2}-({a_early}-{a_early_tax})",
    "a_kept": "ROUND({a_price}*{restocking}/100,0)",
    "a_left_kept": taxed("{first1}-{a1}", "{first2}-{a2}", "{labor}", "{a_kept}*{restocking_taxed}"),
    "a_kept_tax": "{a_left_kept}-{a_left}",
    "a_credit": "{a_price}-{a_kept}+{a_tax}-{a_early_tax}-{a_kept_tax}",
    # The second one, on the same invoice.
    "b1": "ROUND({first1}*({back1}+{again1})/{went1},0)-{a1}",
    "b_left": taxed("{first1}-{a1}-{b1}", "{first2}-{a2}", "{labor}", "{a_kept}*{restocking_taxed}"),
    "b_tax": "{a_left_kept}-{b_left}",
    "b_worth": "{b1}+{b_tax}",
    "b_whole": "{first_subtotal}-{a1}-{a2}+{a_left}",
    "b_early": "ROUND(({early}-{a_early})*MIN({b_worth},{b_whole})/{b_whole},0)",
    "b_early_tax": "IF({b_worth}=0,0,ROUND({b_early}*{b_tax}/{b_worth},0))",
    "b_price": "{b1}-({b_early}-{b_early_tax})",
    "b_kept": "ROUND({b_price}*{restocking}/100,0)",
    "b_left_kept": taxed("{first1}-{a1}-{b1}", "{first2}-{a2}", "{labor}", "({a_kept}+{b_kept})*{restocking_taxed}"),
    "b_kept_tax": "{b_left_kept}-{b_left}",
    "b_credit": "{b_price}-{b_kept}+{b_tax}-{b_early_tax}-{b_kept_tax}",
    # What is open. What the first invoice needs no more is used for the second; what that needs no more is credit.
    "balance": "{first_total}-{a_credit}-{b_credit}-{paid}-{early}",
    "first_open": "MAX(0,{balance})",
    "second_open": "MAX(0,{second_total}-MAX(0,-{balance}))",
    "credit": "MAX(0,-{balance}-{second_total})",
    "first_bucket": bucket("30"),
    "second_bucket": bucket("({second_on}+30)"),
}
COLUMNS = {name: get_column_letter(place) for place, name in enumerate((*DRAWN, *WORKED_OUT), start=1)}
Cells = Mapping[str, int]


def drawn(place: int, chance: random.Random) -> Cells:
    """A job: its lines, the rules of its house, and what becomes of it."""
    pick, two = chance.choice, (chance.randint(2, 9), chance.randint(1, 9))
    units = (chance.randint(12_00, 60_00), chance.randint(70_00, 150_00), chance.randint(85_00, 120_00))
    went = (chance.randint(1, two[0] - 1), chance.randint(0, two[1]))
    back = (chance.randint(1, went[0]), chance.randint(0, went[1]))
    if place % 4 == 1:  # all but one piece goes and comes back: more was paid than the rest comes to
        back = went = (two[0] - 1, two[1])
    value = went[0] * units[0] + went[1] * units[1]
    return {
        "quantity1": two[0],
        "unit1": units[0],
        "permille1": pick((0, 25, 75)),
        "off1": 0,
        "quantity2": two[1],
        "unit2": units[1],
        "permille2": 0,
        "off2": pick((0, 1_00, 9_99)),
        "unit3": units[2],
        **({"permille": pick((0, 33, 50)), "off": 0} if place % 3 else {"permille": 0, "off": 7_77}),
        "rate": pick((600, 725, 825, 881)),
        "by_invoice": place % 2,
        "steps": place // 2 % 2,
        "labor_taxed": pick((0, 1)),
        "went1": went[0],
        "went2": went[1],
        "deposit": pick((0, 10_00, 33_33)),
        "paid": value * (80 if back == went else chance.randint(10, 60)) // 100,
        "paid_on": pick((5, 10, 11)),
        "early_percent": pick((2, 3)),
        "part_discount": int(place % 4 != 3),
        "back1": back[0],
        "back2": back[1],
        "again1": went[0] - back[0],
        "restocking": pick((0, 10, 15)),
        "restocking_taxed": place // 4 % 2,
        "second_on": chance.randint(12, 60),
        "asked_on": LAST_DAY - place * DAYS_APART,
    }


def by_engine(rows: Sequence[Cells], path: Path) -> list[dict[str, int]]:
    """The rows with every other cell as the engine works it out from the workbook's own formulas."""
    book = Workbook()
    book.active.append([*DRAWN, *WORKED_OUT])
    for number, row in enumerate(rows, start=2):
        named = {name: f"{column}{number}" for name, column in COLUMNS.items()}
        worked_out = (f"={said.format(**named)}" for said in WORKED_OUT.values())
        book.active.append([*(row[name] for name in DRAWN), *worked_out])
    book.save(path)
    sheet = load_workbook(path).active
    known = [{column: float(row[name]) for name, column in COLUMNS.items() if name in DRAWN} for row in rows]
    for name in WORKED_OUT:
        column = COLUMNS[name]
        first = sheet[f"{column}2"].value
        function = formulas.Parser().ast(first)[1].compile()
        asked = [re.sub("[^A-Z]", "", cell) for cell in function.inputs]
        for number, cells in enumerate(known, start=2):
            filled = Translator(first, f"{column}2").translate_formula(f"{column}{number}")
            assert sheet[f"{column}{number}"].value == filled  # so the compiled formula is this row's too
            cells[column] = float(np.asarray(function(*(cells[one] for one in asked))).ravel()[0])
    return [{name: int(cells[column]) for name, column in COLUMNS.items()} for cells in known]


@dataclass(frozen=True)
class Became:
    """What the house reckons of a job."""

    job: Job
    quote: tuple[int, ...]
    papers: tuple[Invoice, ...]


def by_house(work: Work, row: Cells) -> Became:
    """The same through the use cases, day by day."""
    rounding = TaxRounding.STEPS if row["steps"] else TaxRounding.HALF_UP
    rules = MoneyRules(
        terms=PaymentTerms(30, Decimal(row["early_percent"]), 10),
        discount_on_part=bool(row["part_discount"]),
        tax=TaxCents(rounding, bool(row["by_invoice"])),
        restocking_taxed=bool(row["restocking_taxed"]),
    )
    set_money_rules(work, work.today, rules)
    place = f"Drawn, {row['rate']} {row['labor_taxed']}"
    set_tax_rule(work, TaxRule(place, Decimal(row["rate"]) / 100, True, bool(row["labor_taxed"]), work.today))
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tier = ""
    customer.tax_place = place
    for site in customer.sites:
        site.tax_place = place
    work.session.commit()
    goods = [
        LineRequest(
            LineKind.HARDWARE,
            row[f"quantity{place}"],
            price_code=code,
            keys_each=0,
            unit_cents=row[f"unit{place}"],
            discount=Discount(Decimal(row[f"permille{place}"]) / 10, row[f"off{place}"]),
            price_reason="drawn",
        )
        for place, code in ((1, "RING-SET"), (2, "KEY-CABINET"))
    ]
    trip = LineRequest(
        LineKind.TRIP, 1, price_code="TRIP", keys_each=0, unit_cents=row["unit3"], price_reason="drawn"
    )
    off = Discount(Decimal(row["permille"]) / 10, row["off"])
    ask = QuoteRequest(customer.id, (*goods, trip), discount=off, discount_reason="drawn")
    job = accept(work, issued(work, ask))
    quote = read_snapshot(job.revisions[-1].snapshot)
    said = (*(line.amount_cents for line in quote.lines[:2]), quote.totals.subtotal_cents, quote.totals.tax_cents)
    if row["deposit"]:
        invoiced(work, job, Invoicing.DEPOSIT, row["deposit"])
        pay(work, job, row["deposit"])
    hand_over(work, job, {1: row["went1"], 2: row["went2"]})
    first = invoiced(work, job)
    pay(later(work, row["paid_on"]), job, row["paid"])
    for lines in ({"1": row["back1"], "2": row["back2"]}, {"1": row["again1"]}):
        if any(lines.values()):
            version = len(papers_of_money(work.session, job)) + 1
            percent = Decimal(row["restocking"])
            form = CreditForm(lines, "drawn", secrets.token_hex(8), restocking_percent=percent)
            credit_lines(later(work, CREDITED_ON), first.id, version, form)
    second = later(work, row["second_on"])
    hand_over(second, job, {1: row["quantity1"] - row["went1"], 2: row["quantity2"] - row["went2"]})
    invoiced(second, job)
    return Became(job, said, tuple(papers_of_money(work.session, job)))


def hand_over(work: Work, job: Job, goods: Mapping[int, int]) -> None:
    gone = {line: count for line, count in goods.items() if count}
    hand_over_part(work, job.id, get_job(work.session, job.number).version, PartForm("R. Teal", (), {}, gone))


def pay(work: Work, job: Job, cents: int) -> None:
    form = PaymentForm(PaymentKind.PAYMENT, cents, "check", work.today)
    take_payment(work, job.number, payments_of(work.session, job.number).version, form)


def test_a_spreadsheet_comes_to_the_same_invoices_credits_and_debts(work: Work, tmp_path: Path) -> None:
    chance = random.Random(1917)
    rows = [drawn(place, chance) for place in range(JOBS)]
    sheet = by_engine(rows, tmp_path / "invoices.xlsx")
    by_age, credit = [0] * len(AGE_CLASSES), 0
    for place, row in enumerate(sheet):
        became = by_house(later(work, place * DAYS_APART), row)
        assert became.quote == tuple(row[name] for name in ("line1", "line2", "subtotal", "tax")), row
        papers = iter(one for one in became.papers if one.kind.value != "deposit")
        first = next(papers)
        notes = [one for one in papers if one.kind.value == "credit note"]
        second = became.papers[-1]
        for paper, name in ((first, "first"), (second, "second")):
            found = (paper.subtotal_cents, paper.tax_cents, paper.total_cents)
            assert found == tuple(row[f"{name}_{sums}"] for sums in ("subtotal", "tax", "total")), (name, row)
        credited = [row[f"{name}_credit"] for name, count in (("a", 1), ("b", row["again1"])) if count]
        assert [-one.total_cents for one in notes] == credited, row
        open_now = {one.invoice.id: one.open_cents for one in invoices_of_jobs(work.session, [became.job.id])}
        assert (open_now[first.id], open_now[second.id]) == (row["first_open"], row["second_open"]), row
        by_age[row["first_bucket"]] += row["first_open"]
        by_age[row["second_bucket"]] += row["second_open"]
        credit += row["credit"]
    asked_on = work.today + timedelta(LAST_DAY)
    owed = aging(work.session, asked_on).total
    assert (list(owed.cents), owed.credit_cents, owed.not_invoiced_cents) == (by_age, credit, 0)
    assert credit and sum(map(bool, by_age)) > 3  # so that the draw met credit, and many ages
