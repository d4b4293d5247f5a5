"""Prints how long the preview of a table of 50,000 rows takes, and of a maker's price list of 50,000 numbers that are
on record, in times of reading the file bare.

Run: python tests/bench/importing.py
"""

import random
import tempfile
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from time import perf_counter

import sqlalchemy as sa

from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.importing.imports import KINDS, ask_questions, open_table, plan_import, propose_choice
from app.ledger.importing.kinds import RowState
from app.ledger.importing.price_list_rows import ListState
from app.ledger.importing.price_lists import compare_list
from app.ledger.sites.customers import CustomerForm, insert_customers
from app.ledger.store.engine import transaction
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Item, ItemKind, Maker, Role
from app.spreadsheets import table_bytes, table_rows

ROWS = 50_000
HEAD = ["Company", "Street", "Town", "State", "Zip", "Telephone", "E-mail", "Contact name", "Notes"]


def table():
    """Customers as somebody else kept them, a tenth of them on record, one in a hundred with a problem."""
    chance = random.Random(18)
    yield HEAD
    for number in range(ROWS):
        phone = f"555 {chance.randrange(10**7):07d}"
        street = "4-Mar" if number % 100 == 99 else f"{number % 900 + 1} Quay Street"
        yield [
            f"Firm {number}", street, "Saltmarsh", "NS", "4-Mar" if number % 100 == 99 else f"{number % 90_000:05d}",
            phone, f"firm{number}@saltmarsh.example", f"Person {number}", "asks for Ann",
        ]  # fmt: skip


def price_list():
    """A maker's list: every second item a tenth dearer, the others as they are."""
    yield ["Part No.", "Description", "List", "Dealer net"]
    for number in range(ROWS):
        cents = 1000 + number % 9000
        now = cents * 11 // 10 if number % 2 else cents
        yield [f"H-{number:05d}", f"Hinge {number}", f"${now / 100:,.2f}", f"{now / 200:.2f}"]


def put_goods(session):
    """A maker, whose items the list names; its id."""
    maker = Maker(code="ARD", name="Ardent Brass", tables={})
    session.add(maker)
    session.flush()
    columns = {"maker_id": maker.id, "kind": ItemKind.GOODS, "category": "hardware"}
    rows = [
        {**columns, "code": f"H-{number:05d}", "list_cents": 1000 + number % 9000, "cost_cents": 500}
        for number in range(ROWS)
    ]
    session.execute(sa.insert(Item), rows)
    return maker.id


def timed(function):
    """The seconds that the best of three calls takes, and what the last one gave."""
    best = 1e9
    for _ in range(3):
        start = perf_counter()
        given = function()
        best = min(best, perf_counter() - start)
    return best, given


def main():
    rows = list(table())
    with tempfile.TemporaryDirectory() as folder:
        config = Config(instance=Path(folder) / "instance")
        migrate(config)
        ledger = open_ledger(config)
        with ledger.sessions() as session:
            work = Work(session, ledger.vault, Actor(None, "bench", Role.OWNER), datetime.now(UTC))
            with transaction(session):
                insert_customers(work, [CustomerForm(row[0], row[5]) for row in rows[1::10]])

            def preview(name, content):
                session.expunge_all()
                sent = open_table(name, content, KINDS["customers"])
                choice = propose_choice(session, sent).choice
                assert ask_questions(session, sent, choice).is_empty
                return plan_import(session, sent, choice)

            files = {f"customers.{kind}": table_bytes(kind, "Customers", rows) for kind in ("csv", "xlsx")}
            rows.clear()
            for name, content in files.items():
                bare, _ = timed(partial(lambda *file: list(table_rows(*file)), name, content))
                ours, plan = timed(partial(preview, name, content))
                counts = (plan.count(RowState.NEW), plan.count(RowState.CHANGED), len(plan.rows_aside))
                print(
                    f"preview {ROWS} customers from {name}: {ours / bare:.1f} times reading it bare "
                    f"({ours:.1f} s here; {counts[0]} new, {counts[1]} changed, {counts[2]} aside)"
                )
            with transaction(session):
                maker_id = put_goods(session)
            rows = list(price_list())
            files = {f"list.{kind}": table_bytes(kind, "List", rows) for kind in ("csv", "xlsx")}
            rows.clear()

            def compare(name, content):
                session.expunge_all()
                sent = open_table(name, content, KINDS["price list"], maker_id)
                return compare_list(session, sent, propose_choice(session, sent).choice, work.today)

            for name, content in files.items():
                bare, _ = timed(partial(lambda *file: list(table_rows(*file)), name, content))
                ours, comparison = timed(partial(compare, name, content))
                dearer = len(comparison.by_state[ListState.DEARER])
                print(
                    f"compare {ROWS} prices of {name}: {ours / bare:.1f} times reading it bare "
                    f"({ours:.1f} s here; {dearer} dearer)"
                )
        ledger.close()


if __name__ == "__main__":
    main()
