"""A maker learned from its price list is undone as any table that came in, until what it brought is used.

The demo's house has Ardent Brass with patterns, keyways and 47 items. The lists are drawn: 2 lengths × 2 keyways ×
3 finishes of a maker that is none.
"""

from dataclasses import replace
from decimal import Decimal
from itertools import product
from typing import Any

import pytest
import sqlalchemy as sa

from app.fitting import learn_patterns
from app.ledger.catalog.learned_makers import LearnedMaker, numbers_to_learn, plan_learned
from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.makers import Ordering, set_ordering
from app.ledger.catalog.price_list import guess_list_columns, open_price_list, read_price_list
from app.ledger.importing.imports import (
    KINDS,
    leaning_on,
    open_table,
    plan_import,
    propose_choice,
    save_import,
    undo_import,
)
from app.ledger.importing.learned_lists import learn_list, list_learned
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotAllowed
from app.ledger.store.work import Work
from app.ledger.tables import Event, Import, Item, ItemKind, KeySystem, Keyway, LineKind, Maker, Role, SpecRow
from app.spreadsheets import PASTED
from tests.ledger.conftest import by, customer_id
from tests.ledger.conftest import config as config
from tests.ledger.conftest import work as work
from tests.ledger.test_main_job import issued

LENGTHS = {"18": "1-1/8 in", "14": "1-1/4 in"}
FINISHES = {"SC": "626 satin chromium", "PB": "605 bright brass", "OB": "613 oil-rubbed bronze"}


def learned(front: str = "T", keyway: str = "TQ", cents: int = 4800, **more: Any) -> LearnedMaker:
    """Tidewell as its list tells it: 12 mortise cylinders, as proposed."""
    lines = [
        f'{front}{length}-Q{number}-{finish},"Mortise cylinder {LENGTHS[length]}, keyway {keyway}{number},'
        f' {FINISHES[finish]}",{cents / 100:.2f}'
        for length, number, finish in product(LENGTHS, (1, 2), FINISHES)
    ]
    table = open_price_list("list.csv", "\n".join(["Part number,Description,List price", *lines]).encode())
    rows = read_price_list(table, guess_list_columns(table)[0]).rows
    patterns = tuple(one.pattern for one in learn_patterns(numbers_to_learn(rows)))
    return replace(LearnedMaker("Tidewell", "TIDE", rows, patterns), **more)


def stands(work: Work) -> dict[str, list[tuple[object, ...]]]:
    """All rows of the tables that learning writes to, but for their versions."""
    work.session.expire_all()
    found = {}
    for model in (Maker, SpecRow, Keyway, Item):
        table = model.__table__
        columns = [column for column in table.columns if column.name != "version"]
        found[table.name] = [tuple(row) for row in work.session.execute(sa.select(*columns).order_by(table.c.id))]
    return found


def undone(work: Work, row: Import) -> Import:
    return undo_import(work, row.id, row.version)


def maker(work: Work, code: str) -> Maker:
    return work.session.scalars(sa.select(Maker).where(Maker.code == code)).one()


def test_a_wrong_list_goes_and_the_right_one_is_learned(work: Work) -> None:
    before = stands(work)
    tidewell, row = learn_list(work, learned("Z", "ZQ"), 0, "wrong.csv", unread=3)
    assert (row.sender, row.new, row.changed, row.unchanged, row.aside) == ("Tidewell", 12, 0, 0, 3)
    assert list_learned(work.session, tidewell) is row and leaning_on(work.session, row) == ()
    after = stands(work)
    assert {name: len(rows) - len(before[name]) for name, rows in after.items()} == {
        "makers": 1, "bitting_specs": 1, "keyways": 2, "items": 12,
    }  # fmt: skip
    with pytest.raises(NotAllowed):
        undo_import(by(work, Role.COUNTER), row.id, row.version)
    assert undone(work, row).undone_by_id == work.actor.user_id
    assert stands(work) == before
    said = work.session.scalars(sa.select(Event.summary).where(Event.kind == "import undone").order_by(Event.id))
    assert said.all() == [
        "Tidewell: what was learned from its list undone",
        "Import of learned maker undone: 12 new rows deleted, 0 as before",
    ]
    tidewell, row = learn_list(work, learned(), 0, "right.csv")
    assert get_item(work.session, tidewell.id, "T18-Q1-PB") is not None
    assert get_item(work.session, tidewell.id, "Z18-Q1-PB") is None
    assert list_learned(work.session, tidewell) is row


def test_what_a_list_does_not_say_stays_when_a_maker_is_learned_anew(work: Work) -> None:
    """The list has no costs, and nothing is said this time of what comes off: costs went to nothing."""
    tidewell, _ = learn_list(work, learned(off=Decimal(40)), 0, "list.csv")
    item = get_item(work.session, tidewell.id, "T18-Q1-PB")
    assert item is not None and item.cost_cents == 2880  # 48.00 less 40 %
    with transaction(work.session):
        item.is_stocked = True
    again = learned(cents=5000, maker_id=tidewell.id)
    assert "12 list prices of items on record, from today on." in plan_learned(work.session, again).changes
    learn_list(work, again, tidewell.version, "list.csv")
    work.session.expire_all()
    assert (item.list_cents, item.cost_cents, item.is_stocked) == (5000, 2880, True)
    tidewell = maker(work, "TIDE")
    learn_list(work, learned(cents=5000, maker_id=tidewell.id, off=Decimal(30)), tidewell.version, "list.csv")
    work.session.expire_all()
    assert (item.list_cents, item.cost_cents) == (5000, 3500)


def test_a_new_maker_takes_nothing_over_from_the_goods_that_are_the_houses_own(work: Work) -> None:
    own = Item(
        code="T18-Q1-PB", words="Our own", category="hardware", kind=ItemKind.GOODS, cost_cents=7, is_stocked=True
    )
    with transaction(work.session):
        work.session.add(own)
    tidewell, _ = learn_list(work, learned(), 0, "list.csv")
    item = get_item(work.session, tidewell.id, own.code)
    assert item is not None and (item.cost_cents, item.is_stocked) == (0, False)


def test_the_pattern_that_stood_before_comes_back_and_reads_what_came_since(work: Work) -> None:
    learn_list(work, learned(), 0, "right.csv")
    before, tidewell = stands(work), maker(work, "TIDE")
    again = learned("Z", "ZQ", maker_id=tidewell.id)
    _, row = learn_list(work, again, tidewell.version, "wrong.csv")
    item = get_item(work.session, tidewell.id, "T18-Q1-PB")
    assert item is not None and item.attributes == {}  # what stands in its place reads it no more
    assert (row.new, row.changed, row.unchanged) == (12, 12, 0)
    sent = open_table(PASTED, b"number,words,list\nT14-Q3-PB,Cylinder,50.00\n", KINDS["goods"], tidewell.id)
    choice = propose_choice(work.session, sent).choice
    seal = plan_import(work.session, sent, choice).seal
    save_import(work, sent, choice, seal, leaves_problems_aside=False)
    assert leaning_on(work.session, row) == ()
    undone(work, row)
    after = stands(work)
    new = after["items"].pop()
    assert after == before and "T14-Q3-PB" in new


def test_prices_that_a_list_sent_again_changed_stand_as_before(work: Work) -> None:
    tidewell, _ = learn_list(work, learned(), 0, "list.csv")
    before = stands(work)
    given = learned(cents=5250, patterns=None, maker_id=tidewell.id)
    _, row = learn_list(work, given, tidewell.version, "list.csv")
    assert (row.new, row.changed, row.unchanged) == (0, 12, 0) and stands(work) != before
    undone(work, row)
    assert stands(work) == before


def refused(work: Work, row: Import) -> str:
    """Why an import cannot be undone; nothing of it is."""
    before = stands(work)
    with pytest.raises(LedgerError) as error:
        undone(work, row)
    assert stands(work) == before and row.undone_at is None
    return error.value.message


@pytest.mark.postgresql
def test_an_issued_quote_holds_it(work: Work) -> None:
    _, row = learn_list(work, learned(), 0, "list.csv")
    line = LineRequest(LineKind.PART, 2, maker_code="TIDE", part_number="T18-Q1-SC")
    job = issued(work, QuoteRequest(customer_id(work, "Harbourmaster"), (line,)))
    assert refused(work, row) == (
        f"This import cannot be undone any more: quotes issued with them (Q-{job.number}-1)."
    )
    # What a list that came later brought is on no quote.
    tidewell = maker(work, "TIDE")
    _, later = learn_list(work, learned("Z", "ZQ", maker_id=tidewell.id), tidewell.version, "more.csv")
    assert leaning_on(work.session, later) == ()


@pytest.mark.postgresql
def test_a_key_system_or_a_change_since_holds_it(work: Work) -> None:
    tidewell, row = learn_list(work, learned(), 0, "list.csv")
    ardent = work.session.scalars(sa.select(Keyway).where(Keyway.maker_id != tidewell.id)).first()
    assert ardent is not None
    for keyway in ("TQ2", ardent.code):
        work.session.add(
            KeySystem(
                customer_id=customer_id(work, "Harbourmaster"), spec_id=ardent.spec_id, name=f"On {keyway}",
                levels=1, keyway=keyway, chambers=6, created_at=work.now,
            )
        )  # fmt: skip
    work.session.commit()
    assert refused(work, row).endswith("key systems on its keyways (On TQ2).")
    set_ordering(work, tidewell.id, tidewell.version, Ordering("", "", "A-1", None, 5, ""))
    assert "1 maker changed since (TIDE)" in refused(work, row)
