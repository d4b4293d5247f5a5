"""A contractor argues: the counter types a discount, says that a low price is meant, and prints what it comes to."""

import re
from html import unescape

import pytest
from sqlalchemy.orm import Session

from app.ledger.tables import Role
from tests.factories import FormClient
from tests.reading import pdf_text
from tests.stocked import HARDWARE, empty_house, posted
from tests.web.quotes.test_views import ClientAs

__all__ = ["empty_house"]

RINGS = {**HARDWARE, "quantity": "10"}  # 98.00, at a cost of 41.00
TRIP = {"kind": "trip", "price_code": "TRIP", "quantity": "1"}  # 85.00
TWELVE = {"discount": "12 %", "discount_reason": "argued"}


def work_out(clerk: FormClient, form: dict[str, str]) -> str:
    return unescape(clerk.post("/counter/work-out", data=form).text)


def told_of(page: str, field: str) -> str:
    found = re.search(rf'id="{field}-told">(?:.*?<span>([^<]*)</span>)?', page)
    assert found
    return found[1] or ""


@pytest.mark.parametrize("typed", ["12 %", "12%", "12.0%", "11.76", "$11.76"])
def test_what_comes_off_stands_between_labor_and_tax(clerk: FormClient, typed: str) -> None:
    """12% of 98.00 is 11.76; 86.24 taxed at 7.25% is 6.25; 86.24 + 85.00 + 6.25 = 177.49."""
    page = work_out(clerk, posted(RINGS, TRIP, discount=typed))
    sums = re.findall(r"<dt>([A-Z]\w+)</dt><dd>([^<]+)</dd>", page)
    assert sums == [
        ("Goods", "$98.00"),
        ("Labor", "$85.00"),
        ("Discount", "−$11.76"),
        ("Tax", "$6.25"),
        ("Total", "$177.49"),
    ]
    assert told_of(page, "discount_reason") == ""  # waits until somebody presses a button
    refused = clerk.post("/counter/issue", data=posted(RINGS, TRIP, discount=typed))
    assert refused.status_code == 422
    assert told_of(unescape(refused.text), "discount_reason").startswith("Say why there is a discount")


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("a tenth", "This is not an amount in dollars"),
        ("110 %", "A percentage may not be above 100."),
        ("-5", "An amount may not be negative"),
        ("200.00", "The goods come to $98.00: take off at most that."),
    ],
)
def test_what_is_no_discount_is_refused_beside_its_box_and_stays(clerk: FormClient, typed: str, said: str) -> None:
    form = posted(RINGS, TRIP, **{**TWELVE, "discount": typed})
    answer = clerk.post("/counter/issue", data=form)
    page = unescape(answer.text)
    assert answer.status_code == 422 and said in told_of(page, "discount") and f'value="{typed}"' in page
    assert 'name="discount_reason" value="argued"' in page


def test_a_low_price_is_asked_at_once_and_its_tick_agrees_to_that_price_alone(clerk: FormClient) -> None:
    low = {**RINGS, "unit_price": "4.00", "price_reason": "old stock"}
    form = posted(low, TRIP, discount="30 %", discount_reason="argued")
    page = work_out(clerk, form)
    assert "$4.00 is below cost. Tick that it is meant, or change it." in page
    # 40.00 less 30% is 28.00; the book says 98.00.
    assert told_of(page, "discount_meant").startswith("With the discount the goods are 71.4% under the book.")
    assert "4.10" not in page  # what it costs is not the counter's to read
    ticks = dict(re.findall(r'type="checkbox" id="[^"]*" name="([a-z0-9_-]+_meant)" value="([^"]*)"', page))
    assert set(ticks) == {"lines-0-price_meant", "discount_meant"}
    agreed = work_out(clerk, form | ticks)
    assert agreed.count(" checked") == 2 and "Tick that it is meant" not in agreed
    lower = clerk.post("/counter/issue", data=form | ticks | {"lines-0-unit_price": "3.00"})
    assert lower.status_code == 422 and "$3.00 is below cost. Tick that it is meant" in unescape(lower.text)
    assert clerk.post("/counter/issue", data=form | ticks).status_code == 303
    revised = unescape(clerk.get("/counter?job=1001").text)
    assert 'name="discount" value="30 %"' in revised and revised.count(" checked") == 2


def test_a_lines_discount_stands_below_the_line_and_its_reason_on_no_paper(
    client_as: ClientAs, session: Session
) -> None:
    """10% of 98.00 is 9.80; 88.20 taxed at 7.25% is 6.3945, so 6.39; 88.20 + 85.00 + 6.39 = 179.59."""
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    off = {**RINGS, "discount": "10 %", "price_reason": "argued"}
    page = work_out(clerk, posted(off, TRIP))
    assert "10 × $9.80<br>less 10%, $9.80" in page and '<p class="amount">$88.20</p>' in page
    assert clerk.post("/counter/issue", data=posted(off, TRIP)).status_code == 303
    paper = " ".join(pdf_text(clerk.get("/quotes/1001/1/quote.pdf").data).split())
    assert "Less 10%, $9.80" in paper and "$88.20" in paper and "Goods $88.20" in paper and "$179.59" in paper
    assert "What comes off one line is rounded to the cent" in paper and "argued" not in paper
    costs = " ".join(pdf_text(owner.get("/quotes/1001/1/owner.pdf").data).split())
    assert "Less 10%, $9.80 Discount, because: argued" in costs
    shown = unescape(clerk.get("/quotes/1001/1").text)
    assert "Line 1 at $9.80, less 10%, $9.80, because: argued" in shown
    revised = clerk.get("/counter?job=1001").text
    assert (
        'name="lines-0-discount" value="10 %"' in revised and 'name="lines-0-price_reason" value="argued"' in revised
    )


def test_the_paper_adds_up_and_gives_no_reason(client_as: ClientAs, session: Session) -> None:
    clerk, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    assert clerk.post("/counter/issue", data=posted(RINGS, TRIP, **TWELVE)).status_code == 303
    paper = pdf_text(clerk.get("/quotes/1001/1/quote.pdf").data)
    sums = paper[paper.index("Goods") :]
    rows = ("Goods $98.00", "Labor $85.00", "Discount, 12% off goods −$11.76", "Subtotal $171.24", "Total $177.49")
    assert all(row in " ".join(sums.split()) for row in rows), sums
    assert "The discount is shared out over the goods by their amounts" in " ".join(paper.split())
    assert "argued" not in paper
    costs = " ".join(pdf_text(owner.get("/quotes/1001/1/owner.pdf").data).split())
    # 171.24 less 41.00 for the rings and 32.00 for the trip.
    assert "Discount $11.76, 12% off goods, because: argued" in costs and "$98.24" in costs
