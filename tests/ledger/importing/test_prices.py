"""A table of prices goes in: from the day that it names or today, and is undone."""

from datetime import date

import pytest
import sqlalchemy as sa

from app.ledger.catalog.price_editing import set_price
from app.ledger.importing.imports import KINDS, open_table, plan_import, propose_choice, save_import, undo_import
from app.ledger.store.work import Work
from app.ledger.tables import PriceBookRow, PriceTier
from app.pricing import PriceKind, PriceRow
from app.spreadsheets import PASTED

PINNING = PriceRow("PIN", "Pinning", "shop", PriceKind.LABOR, 600, 200, date(2026, 1, 1))


def prices(work: Work) -> list[tuple[str, str, int, int, date]]:
    columns = (PriceBookRow.code, PriceBookRow.tier, PriceBookRow.unit_cents, PriceBookRow.cost_cents)
    rows = sa.select(*columns, PriceBookRow.valid_from)
    order = (PriceBookRow.code, PriceBookRow.tier, PriceBookRow.valid_from)
    return [tuple(row) for row in work.session.execute(rows.order_by(*order))]


def test_prices_hold_from_today_or_their_own_day_and_are_undone(work: Work) -> None:
    work.session.add(PriceTier(name="trade", percent_off="10"))
    work.session.commit()
    set_price(work, PINNING)
    before = prices(work)
    rows = (
        "Code\tDescription\tUnit price\tOur cost\tPrice level\tEffective\n"
        "PIN\t\t$6.50\t2,00\t\t\n"  # from today, named by the book
        "PIN\t\t5.85\t2.00\tTRADE\t1/31/2027\n"
        "KEY\tCut key\t1.234,50\t0\t\t13/12/2026\n"  # a thirteenth month there is not
        "NEW\t\t3.00\t1.00\t\t\n"
        "PIN\t\t7.00\t2.00\t\t\n"  # the same price once more
    )
    sent = open_table(PASTED, rows.encode(), KINDS["prices"], today=work.today)
    choice = propose_choice(work.session, sent).choice
    plan = plan_import(work.session, sent, choice)
    assert [(one.row, one.fields["price"]) for one in plan.plans] == [
        (2, ("$6.00", "$6.50")), (3, ("", "$5.85")), (4, ("", "$1,234.50")),
    ]  # fmt: skip
    assert [one.row for one in plan.problems] == [5, 6]
    row = save_import(work, sent, choice, plan.seal, leaves_problems_aside=True)
    assert prices(work) == [
        ("KEY", "", 123450, 0, date(2026, 12, 13)),
        ("PIN", "", 600, 200, date(2026, 1, 1)),
        ("PIN", "", 650, 200, work.today),
        ("PIN", "trade", 585, 200, date(2027, 1, 31)),
    ]
    undo_import(work, row.id, row.version)
    assert prices(work) == before


def test_what_a_table_has_no_column_for_is_named_as_the_page_names_it(work: Work) -> None:
    sent = open_table(PASTED, b"Code\tUnit price\nNEW\t3.00\n", KINDS["prices"], today=work.today)
    [problem] = plan_import(work.session, sent, propose_choice(work.session, sent).choice).problems
    assert (problem.row, problem.place) == (2, "Description")


def test_what_is_more_than_twenty_thousand_prices_waits_for_another_table(
    work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("app.ledger.importing.prices.MOST_PRICES", 2)
    rows = "Code\tDescription\tUnit price\n" + "".join(f"P{one}\tPart\t3.00\n" for one in range(4))
    sent = open_table(PASTED, rows.encode(), KINDS["prices"], today=work.today)
    choice = propose_choice(work.session, sent).choice
    plan = plan_import(work.session, sent, choice)
    told = "At most 2 prices go in at once: send this in another table."
    assert [(one.row, one.message) for one in plan.problems] == [(4, told), (5, told)]
    before = len(prices(work))
    save_import(work, sent, choice, plan.seal, leaves_problems_aside=True)
    assert len(prices(work)) == before + 2
