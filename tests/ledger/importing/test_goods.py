"""Price lists and counts go in: amounts as they are written, numbers that patterns read, undone at once."""

import json
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.fitting import catalog_table
from app.ledger.catalog.maker_items import items_of
from app.ledger.catalog.makers import import_maker
from app.ledger.catalog.price_list import PriceListColumns, open_price_list, read_price_list
from app.ledger.importing.imports import (
    KINDS,
    ImportPlan,
    SentTable,
    open_table,
    plan_import,
    propose_choice,
    save_import,
    undo_import,
)
from app.ledger.importing.kinds import RowState
from app.ledger.stock.movements import quantity_of
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Import, Item, ItemKind, StockMovement
from app.spreadsheets import PASTED, table_bytes
from tests import factories

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers" / "ardent_brass.json"


def planned(work: Work, sent: SentTable) -> ImportPlan:
    return plan_import(work.session, sent, propose_choice(work.session, sent).choice)


def saved(work: Work, sent: SentTable) -> Import:
    choice = propose_choice(work.session, sent).choice
    seal = plan_import(work.session, sent, choice).seal
    return save_import(work, sent, choice, seal, leaves_problems_aside=True)


def prices(work: Work) -> dict[str, tuple[int | None, int, str]]:
    work.session.expire_all()
    rows = sa.select(Item.code, Item.list_cents, Item.cost_cents, Item.cylinder_type).where(
        Item.list_cents.is_not(None)
    )
    return {code: tuple(rest) for code, *rest in work.session.execute(rows)}


def test_whole_cents_are_read_where_the_heading_says_cents(work: Work) -> None:
    maker = factories.MakerFactory()
    work.session.commit()
    rows = (
        "part_number\tdescription\tcost_cents\tlist_cents\n"
        "H-1\tHinge\t1480\t2960\n"
        "H-2\tLong hinge\t1,500\t3000.0\n"
        "H-3\tWide hinge\t15.00\t30.00\n"
    )
    plan = planned(work, open_table(PASTED, rows.encode(), KINDS["goods"], maker.id))
    assert [(one.fields["cost"][1], one.fields["list"][1]) for one in plan.plans] == [
        ("$14.80", "$29.60"),
        ("$15.00", "$30.00"),
    ]
    assert [(one.row, one.place) for one in plan.problems] == [
        (4, "column C (cost_cents)"),
        (4, "column D (list_cents)"),
    ]


def test_a_makers_first_list_in_cents_is_read_so_too() -> None:
    content = b"part_number,description,cost_cents,list_cents\nH-1,Hinge,1480,2960\nH-2,Long hinge,15.00,3000\n"
    table = open_price_list("list.csv", content)
    found = read_price_list(table, PriceListColumns({"number": 0, "cost": 2, "list": 3}, (1,)))
    assert [(one.number, one.cost_cents, one.list_cents) for one in found.rows] == [("H-1", 1480, 2960)]
    assert [one.field for one in found.problems] == ["row 3, column cost_cents"]


def test_a_makers_price_list_changes_what_it_says_and_adds_what_is_read(work: Work) -> None:
    given = json.loads(DEMO.read_text())
    maker = import_maker(work, {**given, "items": given["items"][:1]})
    assert prices(work) == {"A16M-Q1-66.SC": (2960, 1480, "mortise")}
    rows = (
        "Ardent Brass list 2027\n\n\t\tPrice\t\nItem no.\tDescription\tList\tNet\n"
        "A16M-Q1-66.SC\t\t$1,029.60\t\n"  # cost and words stay
        "A18M-Q1-66.SC\tMortise cylinder 1-1/8 in\t$30.40\t15.20\n"
        "A99M-Q1-66.SC\tno such length\t$30.40\t15.20\n"  # no number of the pattern: hardware, by its words
        "A20M-Q1-66.SC\tMortise cylinder 1-1/4 in\t(31.80)\t1\n"
        "H-1\tHinge\t\t1.00\n"
        "Total\t\t1,090.40\t\n"
    )
    sent = open_table(PASTED, rows.encode(), KINDS["goods"], maker.id)
    plan = planned(work, sent)
    assert [(one.title, one.state) for one in plan.plans] == [
        ("Ardent Brass A16M-Q1-66.SC", RowState.CHANGED),
        ("Ardent Brass A18M-Q1-66.SC", RowState.NEW),
        ("Ardent Brass A99M-Q1-66.SC", RowState.NEW),
    ]
    assert plan.plans[0].fields == {"list": ("$29.60", "$1,029.60")}
    assert [(one.row, one.place) for one in plan.problems] == [
        (8, "column C (Price List)"),
        (9, "column C (Price List)"),
    ]
    row = saved(work, sent)
    assert prices(work) == {
        "A16M-Q1-66.SC": (102960, 1480, "mortise"),
        "A18M-Q1-66.SC": (3040, 1520, "mortise"),
        "A99M-Q1-66.SC": (3040, 1520, ""),
    }
    undo_import(work, row.id, row.version)
    assert prices(work) == {"A16M-Q1-66.SC": (2960, 1480, "mortise")}


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_saved_catalog_changes_nothing_when_it_is_sent(work: Work, kind: str) -> None:
    given = json.loads(DEMO.read_text())
    maker = import_maker(work, given)
    pull = factories.ItemFactory(maker=maker, code="=1+1", words="@Pull", category="hardware", list_cents=2)
    content = table_bytes(kind, "Catalog", catalog_table(items_of(work.session, maker)))
    plan = planned(work, open_table(f"saved.{kind}", content, KINDS["goods"], maker.id))
    assert pull.code in {one.title.partition(" Brass ")[2] for one in plan.plans}
    assert (plan.count(RowState.SAME), plan.problems) == (len(given["items"]) + 1, ())


def test_a_cylinder_in_another_writing_is_the_same_item(work: Work) -> None:
    maker = import_maker(work, json.loads(DEMO.read_text()))
    table = "Part\tKind\tList\na18m q1 66 sc\tcylinder\t31.50\nA18M-Q1-66.SC\tcylinder\t32.50\n"
    plan = planned(work, open_table(PASTED, table.encode(), KINDS["goods"], maker.id))
    assert [(one.title, one.state) for one in plan.plans] == [("Ardent Brass A18M-Q1-66.SC", RowState.CHANGED)]
    assert [one.message for one in plan.problems] == ["A18M-Q1-66.SC stands in row 2 already."]


def test_a_keyed_number_that_the_pattern_does_not_read_is_a_problem(work: Work) -> None:
    import_maker(work, json.loads(DEMO.read_text()))
    rows = (
        "Maker\tPart\tDescription\tKind\tList\nArdent Brass\tA99M-Q1-66.SC\tlong\tcylinder\t1\nNobody\tX1\tx\t\t1\n"
    )
    plan = planned(work, open_table(PASTED, rows.encode(), KINDS["goods"]))
    assert not plan.plans and [one.row for one in plan.problems] == [2, 3]
    assert "The nearest legal number is" in plan.problems[0].message
    assert "no maker of this house" in plan.problems[1].message


def test_rows_that_name_no_maker_say_how_to_name_it(work: Work) -> None:
    """They said that 'Nothing' is no maker of this house."""
    plan = planned(work, open_table(PASTED, b"number,list,cost\nAC-30,5.00,2.00\n", KINDS["goods"], None))
    [problem] = plan.problems
    assert problem.message.startswith("Nothing says whose it is: send the table from its maker's page, or name the")


def test_a_count_stands_in_place_of_the_sum_until_something_moves(work: Work) -> None:
    hinge = factories.ItemFactory(code="H-1", words="Hinge")
    factories.StockMovementFactory(item_id=hinge.id, on_hand=7)
    closer = factories.ItemFactory(code="C-2", words="Closer")
    rows = b"SKU\tQty on hand\nh-1\t12.0\nC-2\t3\nZ-9\t1\nH-1\t4\nC-2\t2.5\n"
    sent = open_table(PASTED, rows, KINDS["stock"])
    plan = planned(work, sent)
    assert [one.fields["on hand"] for one in plan.plans] == [("7", "12"), ("never counted", "3")]
    assert [one.row for one in plan.problems] == [4, 5, 6]
    row = saved(work, sent)
    assert [quantity_of(work.session, one.id).on_hand for one in (hinge, closer)] == [12, 3]
    undo_import(work, row.id, row.version)
    assert [quantity_of(work.session, one.id).on_hand for one in (hinge, closer)] == [7, 0]
    assert work.session.scalar(sa.select(sa.func.count(StockMovement.id))) > 3  # nothing that moved is taken away

    again = saved(work, sent)
    factories.StockMovementFactory(item_id=hinge.id, on_hand=-1)
    with pytest.raises(LedgerError, match="1 item moved since"):
        undo_import(work, again.id, again.version)


def test_where_goods_lie_and_when_they_are_ordered_goes_in_with_them(work: Work) -> None:
    maker = factories.MakerFactory(name="Ardent Brass", code="ARD")
    for code in ("H-1", "H-2"):
        factories.ItemFactory(maker=maker, code=code, words="Hinge", list_cents=1000, kind=ItemKind.GOODS, bin="A1")
    work.session.commit()
    table = (
        "Part\tDescription\tList\tBin\tMin\tMax\tPack\tLead time\n"
        "H-1\t\t\tB7\t10\t40\t12\t5\n"
        "H-2\t\t\t\t\t20\t0\t\n"
        "H-3\tPull\t9.00\tC2\t\t\t\t\n"
        "H-4\tStop\t9.00\t\t9\t8\t\t\n"
    )
    sent = open_table(PASTED, table.encode(), KINDS["goods"], maker.id)
    plan = planned(work, sent)
    assert [(one.row, one.place, one.message) for one in plan.problems] == [
        (3, "column E (Min)", "Enter the reorder point too: when is it ordered?"),
        (3, "column G (Pack)", "Enter a whole number, 1 or more."),
        (5, "column F (Max)", "Order up to at least the reorder point."),
    ]
    assert plan.plans[0].fields == {
        "bin": ("A1", "B7"), "reorder point": ("", "10"), "reorder to": ("", "40"), "pack size": ("1", "12"),
        "lead days": ("", "5"),
    }  # fmt: skip
    row = saved(work, sent)

    def kept() -> list[tuple[object, ...]]:
        work.session.expire_all()
        columns = (Item.code, Item.bin, Item.reorder_point, Item.reorder_to, Item.pack_size, Item.lead_days)
        rows = sa.select(*columns).where(Item.maker_id == maker.id).order_by(Item.code)
        return [tuple(one) for one in work.session.execute(rows)]

    before = [("H-1", "A1", None, None, 1, None), ("H-2", "A1", None, None, 1, None)]
    assert kept() == [("H-1", "B7", 10, 40, 12, 5), before[1], ("H-3", "C2", None, None, 1, None)]
    undo_import(work, row.id, row.version)
    assert kept() == before
