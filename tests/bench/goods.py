"""Prints how long a promise and the pages of stock take on 50,000 part numbers with 1,000,000 movements of stock.

The floor of a promise is every statement that it asked, through sqlite3, its rows fetched as they lie in the file.
A promise that takes over five times that, and over ten milliseconds, says so. Turns are taken one of each, and the
least processor time of each counts. The pages are held against their own statements as in tests/bench/ledger.py:
the list sums a page's items alone, out of an index that holds all that is summed; `at or below` sums every movement
of the items that have a reorder point, a tenth of them, since there is no table of balances.

Run: python tests/bench/goods.py
"""

import random
import sqlite3
import sys
import tempfile
from fractions import Fraction
from pathlib import Path
from time import process_time
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import sqlalchemy as sa

from app import create_app
from app.config import Config
from app.fitting import CylinderAttributes
from app.ledger.care.opening import open_ledger
from app.ledger.quoting.line_supply import RequestSupply
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Item, ItemKind, LineKind, Maker, MovementKind, StockMovement, User
from app.pricing import KeyingKind
from tests.bench.ledger import measure
from tests.ledger.conftest import NOW, make_house

ITEMS, MOVEMENTS, LINES = 50_000, 1_000_000, 10
BOUND, ENOUGH_MS = 5, 10.0
PAGES = (
    ("goods: the first page", "/goods"),
    ("goods: the last page", f"/goods?page={ITEMS // 25}"),
    ("goods: words", "/goods?q=mortise+4999"),
    ("goods: a bin", "/goods?q=B-0417"),
    ("goods: counted", "/goods?shown=counted"),
    ("goods: a maker's blanks", "/goods?maker=1&kind=blank"),
    ("goods: at a place", "/goods?place=1"),
    ("goods: at or below", "/goods?shown=below"),
    ("goods: without a price", "/goods?shown=unpriced"),
    ("an item and its movements", "/goods/777"),
    ("to order", "/stock/to-order"),
)
_STEP = 50_000


def goods_house(folder: Path) -> Config:
    """The demo's house with so many part numbers and movements; each twentieth is of mortises without pins."""
    config, chance = make_house(folder), random.Random(1)
    ledger = open_ledger(config)
    with ledger.sessions() as session:
        maker = session.scalars(sa.select(Maker.id).where(Maker.code == "ARD")).one()
        part = {"maker_id": maker, "kind": ItemKind.PART, "cylinder_type": "mortise", "version": 1}
        items = [
            {**part, "code": f"A18M-Q1-66.{number}", "bin": f"B-{number // 25:04}", "words": "Mortise cylinder"}
            | {"reorder_point": 20 if number % 10 == 0 else None}
            for number in range(ITEMS - 1)
        ]
        session.execute(sa.insert(Item), [{**item, "is_counted": True} for item in items])
        parts = session.scalars(sa.select(Item.id).where(Item.is_counted).order_by(Item.id)).all()
        every = sa.and_(Item.kind == ItemKind.UNPINNED, Item.code == "mortise")
        unpinned = session.scalars(sa.select(Item.id).where(every)).one()
        session.execute(sa.update(Item).where(every).values(is_counted=True))
        came = {"place_id": 1, "kind": MovementKind.RECEIVED, "on_hand": 1, "at": NOW}
        for start in range(0, MOVEMENTS, _STEP):
            ids = [unpinned if n % 20 == 0 else chance.choice(parts) for n in range(start, start + _STEP)]
            session.execute(sa.insert(StockMovement), [{**came, "item_id": item_id} for item_id in ids])
        session.commit()
    ledger.close()
    return config


def promise(work: Work) -> None:
    """Where ten part numbers' pieces come from."""
    mortise = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
    keyed = KeyingInstruction(KeyingKind.KD)
    numbers = [f"A18M-Q1-66.{number}" for number in range(LINES)]
    lines = tuple(LineRequest(LineKind.PART, 30, "ARD", number, mortise, keyed) for number in numbers)
    RequestSupply(work, QuoteRequest(1, lines), lines).take_all(())


def least(turns: int, *acts: Any) -> list[float]:
    """The least processor time of each act in milliseconds, turns taken one of each."""
    found = [float("inf")] * len(acts)
    for _ in range(turns):
        for place, act in enumerate(acts):
            began = process_time()
            act()
            found[place] = min(found[place], (process_time() - began) * 1000)
    return found


def main() -> None:
    """Make the house, and print the promise beside its bare statements."""
    with tempfile.TemporaryDirectory() as folder:
        config = goods_house(Path(folder))
        ledger = open_ledger(config)
        asked: list[tuple[str, Any]] = []
        sa.event.listen(ledger.engine, "before_cursor_execute", lambda *told: asked.append((told[2], told[3])))
        with ledger.sessions() as session:
            work = Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW, random.Random(1))
            promise(work)
            asked.clear()
            promise(work)
            statements = [*asked]
            path = str(ledger.engine.url.database)
            bare = sqlite3.connect(path)
            ours, floor = least(
                20,
                lambda: promise(work),
                lambda: [bare.execute(sql, values).fetchall() for sql, values in statements],
            )
            bare.close()
        over = " OVER" if ours > BOUND * floor and ours > ENOUGH_MS else ""
        print(f"{ITEMS:,} part numbers, {MOVEMENTS:,} movements, {len(statements)} statements")
        print(f"promise of {LINES} lines: {ours:.1f} ms, {ours / floor:.1f} times their bare SQL{over}")
        measure(create_app(config, ledger), ledger, path, PAGES)
        ledger.close()


if __name__ == "__main__":
    main()
