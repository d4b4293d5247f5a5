"""Prints how fast a catalog of 50,000 items goes in as a table and is looked up, as ratios to the plainest way.

Run: python tests/bench/catalogue.py
"""

import itertools
import json
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from statistics import median
from time import perf_counter

import sqlalchemy as sa

from app.config import Config
from app.fitting import (
    CatalogItem,
    catalog_table,
    combinations,
    read_maker,
)
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.makers import import_maker
from app.ledger.importing.imports import KINDS, open_table, plan_import, propose_choice, save_import
from app.ledger.importing.kinds import RowState
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Item as Row
from app.ledger.tables import Role
from app.spreadsheets import table_bytes
from app.spreadsheets.writing import csv_bytes

ROWS = 50_000
DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "makers" / "ardent_brass.json"


def large_maker():
    """The demo's first maker with sixty keyways, so that its pattern has 50,000 legal numbers."""
    given = json.loads(DEMO.read_text())
    pattern = given["patterns"][0]
    pattern["segments"][3]["codes"] = [
        {"code": f"K{n:02d}", "sets": {"keyway": f"KW{n}"}, "words": f"keyway KW{n}"} for n in range(60)
    ]
    pattern["rules"] = pattern["rules"][:-1]  # it names two of the keyways that are gone
    return {**given, "keyways": [], "key_blanks": [], "items": [], "bitting_specs": {}}


def timed(function):
    """The seconds one call takes."""
    start = perf_counter()
    function()
    return perf_counter() - start


def main():
    given = large_maker()
    read = read_maker(given)
    numbers = itertools.islice(combinations(read.patterns[0]), ROWS)
    items = [CatalogItem(n, read.name, "cylinder", f"Cylinder {n}", 1480, 2960, True) for n, _ in numbers]
    text = csv_bytes(catalog_table(items))
    with tempfile.TemporaryDirectory() as folder:
        config = Config(instance=Path(folder) / "instance")
        migrate(config)
        ledger = open_ledger(config)
        with ledger.sessions() as session:
            work = Work(session, ledger.vault, Actor(None, "bench", Role.OWNER), datetime.now(UTC))
            maker_id = import_maker(work, given).id
            clear = sa.delete(Row)

            def preview(name="all.csv", content=text):
                sent = open_table(name, content, KINDS["goods"], maker_id)
                choice = propose_choice(session, sent).choice
                return sent, choice, plan_import(session, sent, choice)

            def load(name="all.csv", content=text):
                sent, choice, plan = preview(name, content)
                assert (plan.count(RowState.NEW), plan.count(RowState.CHANGED)) == (ROWS, 0)
                save_import(work, sent, choice, plan.seal, leaves_problems_aside=False)

            ours = timed(load)
            names = [column.name for column in Row.__table__.columns if column.name != "id"]
            rows = [row._asdict() for row in session.execute(sa.select(*(Row.__table__.c[name] for name in names)))]
            again = timed(preview)
            plain, turns = [], [ours]
            for _ in range(3):
                session.execute(clear)
                session.commit()

                def insert():
                    session.execute(sa.insert(Row), rows)
                    session.commit()

                plain.append(timed(insert))
                session.execute(clear)
                session.commit()
                turns.append(timed(load))
            ours, bulk = median(turns), median(plain)
            print(
                f"load {ROWS} cylinders from CSV, each decoded: {ours / bulk:.1f} plain bulk inserts "
                f"({ours:.1f} s here)"
            )
            print(f"  the same file once more, nothing changed: {again / bulk:.1f}")
            session.execute(clear)
            session.commit()
            book = table_bytes("xlsx", "Catalog", catalog_table(items))
            print(f"  the same as XLSX: {timed(lambda: load('all.xlsx', book)) / bulk:.1f}")
            look_up(session, maker_id, [item.part_number for item in items[::50]])
        ledger.close()


def look_up(session, maker_id, numbers):
    """The indexed query as SQLAlchemy's own ORM asks it, against the house's look-up of a part number."""

    def bare():
        for number in numbers:
            session.expunge_all()
            session.scalar(sa.select(Row).where(Row.maker_id == maker_id, Row.code == number))

    def ours():
        for number in numbers:
            session.expunge_all()
            assert get_item(session, maker_id, number) is not None

    bare(), ours()
    plain, own = min(timed(bare) for _ in range(3)), min(timed(ours) for _ in range(3))
    print(f"look up {len(numbers)} part numbers: {own / plain:.2f} times the bare indexed query")
    unknown = [f"{number}?" for number in numbers]

    def missing():
        for number in unknown:
            assert get_item(session, maker_id, number) is None

    missing()
    print(f"  as many that no catalog has: {min(timed(missing) for _ in range(3)) / plain:.2f} times")


if __name__ == "__main__":
    main()
