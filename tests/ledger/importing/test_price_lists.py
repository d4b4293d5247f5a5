"""A maker's new price list: what it changes, what it touches, taken by its day, undone.

Ardent Brass has 47 items on record. Figures by hand: A18M-Q1-66.SC goes from a list price of $30.40 and a cost of
$15.20 to $33.44 and $16.72, 10 % each; A22M-Q1-66.SC from $33.80 to $32.00, which is 5.3 % less.
"""

from dataclasses import replace
from datetime import date, timedelta
from typing import NamedTuple

import pytest
import sqlalchemy as sa

from app.ledger.catalog.item_prices import ListedPrice
from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.price_editing import set_price
from app.ledger.importing.imports import KINDS, SentTable, leaning_on, open_table, propose_choice, undo_import
from app.ledger.importing.price_list_rows import ListState
from app.ledger.importing.price_lists import (
    ListAnswer,
    ListComparison,
    bring_in_prices,
    compare_list,
    day_of_list,
    take_price_list,
    thin_items,
)
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.reports.rises import coming_days, touched_by_list
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Event, Import, Item, ItemPrice, LineKind, Maker
from app.pricing import PriceKind, PriceRow
from app.spreadsheets import PASTED
from tests.ledger.conftest import config as config
from tests.ledger.conftest import customer_id
from tests.ledger.conftest import work as work
from tests.ledger.test_main_job import issued

LIST = """Ardent Brass list prices effective January 1, 2031,,,
,,Prices in US dollars,
Part No.,Description,List,Dealer net
A18M-Q1-66.SC,Mortise cylinder,$33.44,$16.72
A20M-Q1-66.SC,Mortise cylinder,$31.80,$15.90
A22M-Q1-66.SC,Mortise cylinder,32.00,16.90
A20M-Q5-66.SC,Mortise cylinder AQ5,"$1,034.50",15.95
A18M-Q1-66.SC,Mortise cylinder,$40.00,$20.00
A24M-Q1-66.SC,Mortise cylinder,0.00,17.95
A99M-Q1-66.SC,No such length,1.00,0.50
AC-10,Standard cam,4.10,1.85
"""
CYLINDER = "A18M-Q1-66.SC"


class Sent(NamedTuple):
    table: SentTable
    comparison: ListComparison


def maker(work: Work, code: str = "ARD") -> Maker:
    return work.session.scalars(sa.select(Maker).where(Maker.code == code)).one()


def sent(work: Work, text: str = LIST, day: date | None = None, code: str = "ARD") -> Sent:
    table = open_table(PASTED, text.encode(), KINDS["price list"], maker(work, code).id)
    return Sent(
        table, compare_list(work.session, table, propose_choice(work.session, table).choice, day or work.today)
    )


def taken(work: Work, given: Sent, *left: str, gone: bool = False, **more: bool) -> Import:
    unnamed = () if gone else tuple(one.code for one in given.comparison.by_state[ListState.GONE])
    answer = ListAnswer(given.comparison.day, frozenset((*left, *unnamed)))
    choice = propose_choice(work.session, given.table).choice
    return take_price_list(work, given.table, choice, answer, given.comparison.seal, **more)


def prices(work: Work, code: str) -> tuple[int | None, int]:
    work.session.expire_all()
    item = get_item(work.session, maker(work).id, code)
    assert item is not None
    return item.list_cents, item.cost_cents


def codes(comparison: ListComparison) -> dict[str, list[str]]:
    return {state.value: [one.code for one in comparison.by_state[state]] for state in ListState}


def test_a_list_is_compared_with_what_is_on_record(work: Work) -> None:
    comparison = sent(work).comparison
    found = codes(comparison)
    assert len(found.pop("gone")) == 42 and comparison.names_part and not comparison.is_foreign
    assert found == {
        "new": ["A20M-Q5-66.SC"],
        "dearer": [CYLINDER],
        "cheaper": ["A22M-Q1-66.SC"],
        "as it is": ["A20M-Q1-66.SC", "AC-10"],
    }
    dearer, cheaper = (comparison.by_state[state][0] for state in (ListState.DEARER, ListState.CHEAPER))
    assert (dearer.before, dearer.after) == (ListedPrice(3040, 1520), ListedPrice(3344, 1672))
    assert (str(dearer.percent), str(cheaper.percent), str(comparison.mean_rise)) == ("10.0", "-5.3", "10.0")
    assert comparison.by_state[ListState.NEW][0].after.list_cents == 103450
    assert [(one.row, one.message.partition(":")[0]) for one in comparison.problems] == [
        (8, f"{CYLINDER} stands in row 4 already, which counts."),
        (9, "A price of 0 is none"),
        (10, "Nobody knows this number"),
    ]
    assert comparison.problems[-1].message.endswith("Send the list under Learn its numbers as well, or add the item.")
    assert prices(work, CYLINDER) == (3040, 1520)


def test_costs_may_rise_with_a_list_that_says_none(work: Work) -> None:
    table = open_table(PASTED, f"number,list\n{CYLINDER},33.44\n".encode(), KINDS["price list"], maker(work).id)
    choice = propose_choice(work.session, table).choice
    for follow, cost in ((False, 1520), (True, 1672)):
        comparison = compare_list(work.session, table, choice, work.today, costs_follow=follow)
        assert comparison.by_state[ListState.DEARER][0].after == ListedPrice(3344, cost)


def test_the_day_stands_in_the_title(work: Work) -> None:
    table = sent(work).table.table
    assert day_of_list(table, work.today) == date(2031, 1, 1)
    assert day_of_list(sent(work, "number,list\nAC-10,1\n").table.table, work.today) == work.today


def test_the_day_stands_in_a_column_of_its_own(work: Work) -> None:
    said = "number,list,Effective\nAC-10,1,{}\nAC-12,2,{}\n"
    for first, second, day in (
        ("January 4, 2031", "January 4, 2031", date(2031, 1, 4)),
        ("2031-01-04", "", date(2031, 1, 4)),
        ("2031-01-04", "2031-02-04", work.today),  # which of them is for whoever takes the list to say
        ("soon", "soon", work.today),
    ):
        text = said.format(*(f'"{cell}"' for cell in (first, second)))
        assert day_of_list(sent(work, text).table.table, work.today) == day


@pytest.mark.parametrize("heading", ["Valid until", "valid to", "Price holds through"])
def test_the_last_day_of_a_list_is_not_the_day_from_which_it_holds(work: Work, heading: str) -> None:
    text = f"number,list,{heading},Valid from\nAC-10,1,2031-12-31,2031-01-04\n"
    assert day_of_list(sent(work, text).table.table, work.today) == date(2031, 1, 4)
    text = f"number,list,{heading}\nAC-10,1,2031-12-31\n"
    assert day_of_list(sent(work, text).table.table, work.today) == work.today


@pytest.mark.parametrize(
    ("title", "day"),
    [
        ("Prices valid until June 30, 2031", None),
        ("Valid through and including Monday, 6/30/2031", None),
        ("Price list, expires on 2031-06-30", None),
        ("Valid to June 30, 2031, effective January 4, 2031", date(2031, 1, 4)),
        ("January 4, 2031 to June 30, 2031", date(2031, 1, 4)),
        ("Prices to the trade, January 4, 2031", date(2031, 1, 4)),
    ],
)
def test_the_last_day_in_a_title_is_not_the_day_from_which_a_list_holds(
    work: Work, title: str, day: date | None
) -> None:
    """Above the table; a day of another title, or else today, is taken."""
    for others, expected in (("", day or work.today), ('"Of January 2, 2031"\n', day or date(2031, 1, 2))):
        text = f'"{title}"\n{others}number,list\nAC-10,1\nAC-12,2\n'
        assert day_of_list(sent(work, text).table.table, work.today) == expected


def test_another_makers_list_takes_nothing_away(work: Work) -> None:
    comparison = sent(work, code="NOR").comparison
    assert comparison.is_foreign and not comparison.changes
    assert comparison.problems[0].message.startswith("This is a number of Ardent Brass")
    with pytest.raises(LedgerError, match="Nothing of this list is taken"):
        taken(work, sent(work, code="NOR"))


def test_taken_at_once_and_undone_in_one_press(work: Work) -> None:
    with pytest.raises(Stale):
        take_price_list(
            *(work, sent(work).table, propose_choice(work.session, sent(work).table).choice, ListAnswer(work.today)),
            seal="another",
        )
    row = taken(work, sent(work), "A22M-Q1-66.SC")
    assert (row.new, row.changed, row.aside) == (1, 1, 3)
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc())).first()
    assert event is not None and event.summary.endswith(": 1 new, 1 dearer")
    assert prices(work, CYLINDER) == (3344, 1672) and prices(work, "A22M-Q1-66.SC") == (3380, 1690)
    new = get_item(work.session, maker(work).id, "A20M-Q5-66.SC")
    assert new is not None and new.attributes["keyway"] == "AQ5" and new.category == "cylinder"
    # The same list once more has nothing left but what was left.
    assert codes(sent(work).comparison)["dearer"] == [] and codes(sent(work).comparison)["cheaper"] != []
    undo_import(work, row.id, row.version)
    assert prices(work, CYLINDER) == (3040, 1520)
    assert get_item(work.session, maker(work).id, "A20M-Q5-66.SC") is None


def test_what_a_newer_list_changed_is_not_undone(work: Work) -> None:
    first = taken(work, sent(work))
    newer = taken(work, sent(work, f"number,list,cost\n{CYLINDER},35,17\nAC-10,4.10,1.85\n"))
    assert leaning_on(work.session, first) == (f"1 item changed since ({CYLINDER})",)
    with pytest.raises(LedgerError, match="cannot be undone any more: 1 item changed since"):
        undo_import(work, first.id, first.version)
    undo_import(work, newer.id, newer.version)
    undo_import(work, first.id, work.session.get_one(Import, first.id).version)
    assert prices(work, CYLINDER) == (3040, 1520)


def test_a_count_of_the_shelf_stands_in_no_ones_way(work: Work) -> None:
    row = taken(work, sent(work))
    item = get_item(work.session, maker(work).id, CYLINDER)
    assert item is not None
    item.bin, item.is_counted = "B7", True
    work.session.commit()
    undo_import(work, row.id, row.version)
    assert prices(work, CYLINDER) == (3040, 1520)


def quote_of(work: Work) -> QuoteRequest:
    line = LineRequest(LineKind.PART, 10, part_number=CYLINDER)
    return QuoteRequest(customer_id(work, "Harbourmaster"), (line,), title="10 cylinders")


def test_a_later_list_waits_for_its_day(work: Work) -> None:
    later = work.today + timedelta(days=30)
    row = taken(work, sent(work, day=later))
    assert prices(work, CYLINDER) == (3040, 1520)
    waiting = work.session.scalars(sa.select(ItemPrice.list_cents).order_by(ItemPrice.list_cents)).all()
    assert waiting == [3200, 3344, 103450]
    assert bring_in_prices(work) == 0
    # A list for the same day finds it there already, and a quote of that day has its price.
    assert codes(sent(work, day=later).comparison)["dearer"] == []
    assert coming_days(work.session, work.today) == (later,)
    then = price_request(work, quote_of(work), prices_of=later)
    assert then.cost_cents == 10 * 1672
    assert bring_in_prices(replace(work, now=work.now + timedelta(days=31))) == 3
    assert prices(work, CYLINDER) == (3344, 1672)
    assert work.session.scalars(sa.select(ItemPrice)).all() == []
    undo_import(work, row.id, work.session.get_one(Import, row.id).version)
    assert prices(work, CYLINDER) == (3040, 1520)


def test_what_waits_is_undone_as_well(work: Work) -> None:
    row = taken(work, sent(work, day=work.today + timedelta(days=30)))
    undo_import(work, row.id, row.version)
    assert work.session.scalars(sa.select(ItemPrice)).all() == []
    assert get_item(work.session, maker(work).id, "A20M-Q5-66.SC") is None


def test_what_is_gone_is_marked_and_comes_back_with_a_list_that_names_it(work: Work) -> None:
    row = taken(work, sent(work), gone=True)
    gone = sa.select(sa.func.count(Item.unlisted_from))
    assert (row.changed, work.session.scalar(gone)) == (2 + 42, 42)
    line = LineRequest(LineKind.PART, 1, part_number="A18M-Q1-56.SC")
    told = price_request(work, replace(quote_of(work), lines=(line,))).notes
    assert [note.partition(" since")[0] for _, note in told if "list" in note] == ["No longer in the maker's list"]
    back = sent(work, "number,list,cost\nAC-12,4.70,2.10\n")
    assert codes(back.comparison)["new"] == ["AC-12"] and codes(back.comparison)["gone"] != ["AC-12"]
    taken(work, back)
    assert work.session.scalar(gone) == 41


def test_open_quotes_lose_what_their_goods_cost_more(work: Work) -> None:
    job = issued(work, quote_of(work))
    comparison = sent(work).comparison
    change = comparison.by_state[ListState.DEARER][0]
    assert change.item_id is not None
    touched = touched_by_list(work.session, work.today, work.today, "ARD", [change])
    assert [(one.number, one.cost_cents) for one in touched] == [(job.number, 10 * (1672 - 1520))]


def test_an_open_quote_of_what_the_list_names_no_longer_is_told_though_it_loses_nothing(work: Work) -> None:
    job = issued(work, quote_of(work))
    left_out = sent(work, "number,list,cost\nAC-10,4.70,2.10\n").comparison
    gone = [change for change in left_out.by_state[ListState.GONE] if change.code == CYLINDER]
    (touched,) = touched_by_list(work.session, work.today, work.today, "ARD", gone)
    assert (touched.number, touched.cost_cents, touched.gone) == (job.number, 0, (CYLINDER,))
    # Another maker can have the same number.
    assert touched_by_list(work.session, work.today, work.today, "NLT", gone) == ()


def test_thin_margins_are_asked_about(work: Work) -> None:
    # $20.00 less $15.20 is 24 %, less $16.72 is 16.4 %; the guard is at 20 %.
    set_price(work, PriceRow(CYLINDER, "Own price", "cylinder", PriceKind.GOODS, 2000, 1520, work.today))
    given = sent(work)
    thin = thin_items(work.session, given.comparison, given.comparison.by_state[ListState.DEARER])
    assert [(one.change.code, one.price_cents, one.why) for one in thin] == [
        (CYLINDER, 2000, "Only 16.4 % is left after cost; the guard is at 20 %.")
    ]
    with pytest.raises(LedgerError) as refused:
        taken(work, given)
    assert refused.value.field == "is_thin_meant" and prices(work, CYLINDER) == (3040, 1520)
    row = taken(work, given, is_thin_meant=True)
    assert prices(work, CYLINDER) == (3344, 1672)
    # The house's own price had the item's cost beside it, so it has the new one, until that is undone.
    assert price_request(work, quote_of(work)).cost_cents == 10 * 1672
    undo_import(work, row.id, row.version)
    assert price_request(work, quote_of(work)).cost_cents == 10 * 1520
