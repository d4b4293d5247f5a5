"""Prints how long the ledger page, a search, a report and a job page take on 100,000 jobs with 1,000,000 cylinders.

Each page is asked for as the server asks for it, by WSGI, logged in as the owner. Its floor is every statement that
it asked when it was shown, the login's own among them: all that the page tells (cylinders, doors, keysets, keys,
events, payments, files, papers signed), nothing that it does not, and none may read a large table from end to end.
Beside each page stand its milliseconds and three ratios.

- To those statements through SQLAlchemy's Core, their rows read as the page needs them: days, stages, lengths.
- To the same statements through sqlite3, prepared, their rows fetched as they lie in the file.
- To these and the emptiest page of the same application together: the login, the layout and the template are paid
  for by a page that shows nothing too, and where the SQL takes a fifth of a millisecond they are all there is.

A page that is over five times the one or the other says of which. The emptiest page alone takes more than four times
what the SQL of a small job takes in sqlite3, so that page is over the second whatever it asks. Turns are taken one
of each, and the least processor time of each counts, so that other work on the machine is borne by all alike.

Run: python tests/bench/ledger.py
"""

import itertools
import json
import re
import sqlite3
import sys
import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from time import perf_counter, process_time

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

import sqlalchemy as sa
from werkzeug.test import EnvironBuilder, run_wsgi_app

from app import create_app
from app.config import Config
from app.ledger.care.opening import migrate, open_ledger
from app.ledger.people.sessions import begin
from app.ledger.quoting.snapshot import HouseHead, QuoteSnapshot, SnapshotLine
from app.ledger.search.words import SEARCHED
from app.ledger.store.work import Actor
from app.ledger.tables import Stage, User
from app.pricing import Totals
from tests.factories import BENCH_TERMS

JOBS, CYLINDERS, CUSTOMERS, SITES, SYSTEMS = 100_000, 1_000_000, 20_000, 30_000, 20_000
NOW = datetime(2026, 11, 25, 15, 30, tzinfo=UTC)
TODAY = NOW.date()
BOUND = 5
LARGE = {
    "sold_lines",
    "items",
    "stock_movements",
    "needs",
    "bench_times",
    "jobs",
    "job_lines",
    "doors",
    "cylinders",
    "keys",
    "keysets",
    "events",
    "payments",
    "quote_revisions",
}
PAGES = (
    ("ledger", "/ledger"),
    ("search: a name", "/search?q=lantern"),
    ("search: as one types", "/search?q=la"),
    ("search: a job", "/search?q=51234"),
    ("search: a phone", "/search?q=555-01234"),
    ("search: door and site", "/search?q=101+flats"),
    ("search: a part number", "/search?q=ab-m3-aq1"),
    ("search: a key copy", "/search?q=1aa-1"),
    ("doors: a series", "/reports/cylinders?part=ab-m3"),
    ("doors: a finish", "/reports/cylinders?finish=613"),
    (
        "doors: a maker's, fitted in a week",
        "/reports/cylinders?maker=NOR&fitted_from=2025-03-03&fitted_to=2025-03-09",
    ),
    ("doors: a keyset of a customer", "/reports/cylinders?keyset=5AA&customer=Lantern+Row+Chandlers"),
    ("doors: a key system", "/reports/cylinders?system=system+777"),
    ("doors: a site, removed", "/reports/cylinders?site=Dental+41&where=removed"),
    ("recall: a part number", "/reports/recall?part=ab-m3-aq1"),
    ("who saw a bitting: newest", "/reports/reveals"),
    ("who saw a bitting: a door", "/reports/reveals?door=105&site=Parish+Hall+139"),
    ("bought in three years", "/reports/bought?customer=Lantern+Row+Chandlers+140"),
    ("promises by place of keying", "/reports/promises"),
    ("promises by maker", "/reports/promises?by=maker"),
    ("promises by month", "/reports/promises?by=month"),
    ("the jobs that were late", "/reports/due?outcome=late"),
    ("jobs that lost money", "/reports/unprofitable"),
    ("makers", "/reports/makers"),
    ("a job of 10 cylinders", "/jobs/51234"),
    ("a job of 1,000 cylinders", f"/jobs/{1000 + JOBS}"),
)
STREETS = ("Lantern Row", "Mill Lane", "Quay Street", "Ferry Hill", "Reed Bank", "Salt Road", "Chapel Walk")
TRADES = ("Chandlers", "Dental", "Flats", "School", "Bakery", "Boatyard", "Hotel", "Clinic", "Stores", "Parish Hall")
ROOMS = ("Office", "Store", "Plant room", "Classroom", "Reception", "Cloakroom", "Kitchen", "Stair", "Yard door")
SOLD = (
    ("1", "cylinder", "Mortise cylinder"),
    ("1a", "keying", "Keying: master keyed (MK)"),
    ("1b", "keys", "Keys, 2 a cylinder"),
)
OPEN = (Stage.ASKED, Stage.QUOTED, Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.ON_THE_BENCH, Stage.CHECKED)
OPEN += (Stage.READY, Stage.HANDED_OVER)


SNAPSHOT = (
    QuoteSnapshot(
        house=HouseHead("Fenwick Quay", "3 Fenwick Quay", "555-0100", "", "Letter"), job_number=0, revision=1,
        issued_on=TODAY, valid_until=TODAY, issued_by="Wren", customer_name="P. Harbour", customer_phone="",
        customer_address="", site_name="", site_address="", title="", need_by=None, exclusions="", terms="",
        cautions=(), ask={}, ready_on=TODAY, lead_time="", keying=(), cost_cents=40_000,
        lines=tuple(SnapshotLine(label, kind, words, "", "", 10, 2_000, 20_000, False, 13_333)
                    for label, kind, words in SOLD),
        totals=Totals(60_000, 0, 60_000, 4_000, 64_000, "", ""),
    ).to_text()
)  # fmt: skip


def fill(path):
    """The record of a long-lived house, one job in ten still open: rows straight into the migrated file."""
    database = sqlite3.connect(path, isolation_level=None)
    database.execute("PRAGMA synchronous=OFF")
    database.execute("PRAGMA foreign_keys=OFF")
    triggers = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
    indexes = database.execute("SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql <> ''").fetchall()
    for name, _ in triggers:
        database.execute(f'DROP TRIGGER "{name}"')
    for name, _ in indexes:
        database.execute(f'DROP INDEX "{name}"')
    database.execute("BEGIN")
    for table, rows in tables():
        first = next(rows)
        rest = unsaid(database, table, first)
        columns = [*first, *rest]
        head = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"  # noqa: S608
        more = tuple(rest.values())
        database.executemany(head, (tuple(row.values()) + more for row in itertools.chain([first], rows)))
    database.execute("COMMIT")
    for _, sql in (*indexes, *triggers):
        database.execute(sql)
    for model in SEARCHED:
        name = f"search_{model.__tablename__}"
        database.execute(f"INSERT INTO {name}({name}) VALUES ('rebuild')")  # noqa: S608
    database.execute("ANALYZE")
    database.close()


def unsaid(database, table, row):
    """What a table's other columns hold where nothing is said: nothing, as its type has it."""
    found = {}
    for _, name, kind, is_needed, default, _ in database.execute(f"PRAGMA table_info({table})"):
        if is_needed and default is None and name not in row:
            found[name] = "{}" if kind == "JSON" else "" if "CHAR" in kind or kind == "TEXT" else 0
    return found


def tables():
    """(table, its rows as dicts), whatever hangs on another after it."""
    moment = NOW.isoformat(sep=" ").replace("+00:00", ".000000")
    yield "users", iter([
        {"id": 1, "name": "Wren", "name_key": "wren", "role": "owner", "password_hash": "none", "active": 1,
         "session_stamp": 1, "created_at": moment, "version": 1}
    ])  # fmt: skip
    yield "house", iter([
        {"id": 1, "name": "Fenwick Quay", "address": "3 Fenwick Quay", "phone": "555-0100", "email": "",
         "tax_place": "Saltmarsh", "paper": "Letter", "quote_days": 30, "exclusions": "", "terms": "",
         "second_check": 0, "version": 1}
    ])  # fmt: skip
    yield "bitting_specs", iter([{"id": 1, "name": "AQ", "spec": "{}", "version": 1}])
    yield "makers", iter([
        {"id": n, "code": code, "name": name, "tables": "{}", "version": 1}
        for n, code, name in ((1, "ARD", "Ardent Brass"), (2, "NOR", "Northlight"), (3, "PEL", "Pell & Rowe"))
    ])  # fmt: skip
    yield "bench_terms", iter([{"id": 1, "valid_from": "2010-01-01", "terms": json.dumps(BENCH_TERMS)}])
    yield "customers", (
        {"id": n, "name": f"{STREETS[n % 7]} {TRADES[n % 10]} {n}", "phone": f"555-{n:05d}",
         "phone_digits": f"555{n:05d}", "email": f"desk{n}@place{n}.example", "address": "", "tier": "",
         "tax_place": "", "exempt_certificate": "", "exempt_until": None, "notes": "", "created_at": moment,
         "version": 1}
        for n in range(1, CUSTOMERS + 1)
    )  # fmt: skip
    yield "contacts", (
        {"id": n, "customer_id": n, "name": f"P. {STREETS[n % 7].split()[0]}", "duty": "caretaker",
         "phone": f"556-{n:05d}", "phone_digits": f"556{n:05d}", "email": ""}
        for n in range(1, CUSTOMERS + 1)
    )  # fmt: skip
    yield "sites", (
        {"id": n, "customer_id": n % CUSTOMERS + 1, "name": f"{TRADES[n % 10]} {n}",
         "address": f"{n % 90} {STREETS[n % 7]}", "tax_place": "", "version": 1}
        for n in range(1, SITES + 1)
    )  # fmt: skip
    yield "key_systems", (
        {"id": n, "customer_id": n, "site_id": None, "name": f"{STREETS[n % 7]} system {n}", "levels": 2,
         "keyway": "AQ1", "chambers": 6, "spec_id": 1, "records": "shop", "owner_of_record": "",
         "authority_note": "", "sealed_plan": None, "capacity": 1000, "created_at": moment, "version": 1}
        for n in range(1, SYSTEMS + 1)
    )  # fmt: skip
    # Twenty changes under one master in each system.
    yield "keysets", (
        {"id": n * 21 + m - 20, "system_id": n, "symbol": f"{m or ''}AA", "level": "change" if m else "master",
         "parent_id": n * 21 - 20 if m else None, "purpose": "", "keys_ordered": 2, "version": 1}
        for n in range(1, SYSTEMS + 1) for m in range(21)
    )  # fmt: skip
    yield "jobs", (job(n) for n in range(1, JOBS + 1))
    yield "job_lines", (
        {"id": 2 * n + m, "job_id": n, "number": m + 1, "kind": "cylinder", "description": "Mortise cylinder",
         "part_number": f"AB-M{m}-AQ{n % 6}", "quantity": 5, "unit_cents": 4850, "ask": "{}"}
        for n in range(1, JOBS + 1) for m in range(2)
    )  # fmt: skip
    yield "quote_revisions", (
        {"id": n, "job_id": n, "revision": 1, "issued_at": moment, "issued_by_id": 1,
         "valid_until": (TODAY + timedelta(days=n % 60 - 30)).isoformat(), "snapshot": SNAPSHOT, "sha256": "0" * 64,
         "subtotal_cents": 60_000, "total_cents": 64_000, "cost_cents": 40_000, "request_token": f"token {n}"}
        for n in range(1, JOBS + 1)
    )  # fmt: skip
    yield "sold_lines", (
        {"id": 3 * n + m, "job_id": n, "label": label, "kind": kind, "words": words,
         "part_number": f"AB-M{n % 40}-AQ{n % 6}" if m == 0 else "", "maker_id": n % 3 + 1,
         "quantity": 10, "amount_cents": 20_000, "cost_cents": (21_500 if n % 50 else 45_000) * (m < 2)}
        for n in range(1, JOBS + 1) for m, (label, kind, words) in enumerate(SOLD)
    )  # fmt: skip
    yield "bench_times", (
        {"id": n, "job_id": n, "task": "pinning", "kind": "MK", "cylinder": "mortise", "pieces": 10,
         "minutes": str(80 + n % 40), "finished": TODAY.isoformat(), "recorded_by_id": 1}
        for n in range(1, JOBS + 1)
    )  # fmt: skip
    yield "payments", (
        {"id": n, "job_id": n, "received_on": TODAY.isoformat(), "cents": 64_000, "means": "cash", "note": "",
         "taken_by_id": 1}
        for n in range(1, JOBS + 1)
    )  # fmt: skip
    yield "doors", (
        {"id": n, "site_id": (n // 20) % SITES + 1, "opening_number": f"{n // 20 // SITES + 1}{n % 20:02d}",
         "location": f"{ROOMS[n % 9]} {n % 400}", "hand": "RH", "thickness": "7/4", "stile": None, "is_egress": 0,
         "is_fire_rated": 0, "remarks": "", "version": 1}
        for n in range(1, CYLINDERS + 1)
    )  # fmt: skip
    yield "cylinders", (
        {"id": n, "job_id": job_of(n), "line_number": 1, "door_id": n, "position": "outside", "maker_id": n % 3 + 1,
         "fitted_on": (TODAY - timedelta(days=n % 4000)).isoformat(), "removed_on": None,
         "part_number": f"AB-M{n % 40}-AQ{n % 6}", "words": "mortise cylinder 1-1/8", "type": "mortise",
         "length": "9/8", "chambers": 6, "drilled": 6, "keyway": "AQ1", "cam": "standard", "tailpiece": "",
         "finish": ("605", "606", "612", "613", "626", "630")[n % 6],
         "keyset_id": ((job_of(n) - 1) % SYSTEMS) * 21 + 2 + n % 20, "is_nmk": 0,
         "state": "fitted" if n % 20 else "removed", "remarks": "", "version": 1}
        for n in range(1, CYLINDERS + 1)
    )  # fmt: skip
    yield "keys", (
        {"id": n, "keyset_id": n % (SYSTEMS * 21) + 1, "job_id": job_of(n),
         "copy_number": n // (SYSTEMS * 21) + 1, "state": "out", "holder": "P. Harbour", "due_back": None,
         "changed_at": moment, "version": 1}
        for n in range(1, CYLINDERS + 1)
    )  # fmt: skip
    yield "events", (
        {"id": n, "at": moment, "actor_id": 1, "actor_name": "Wren", "kind": "stage moved",
         "subject": f"job {(n - 1) // 5 + 1001}", "job_id": (n - 1) // 5 + 1, "summary": "approved → on the bench",
         "detail": "{}", "previous_hash": b"", "hash": n.to_bytes(32, "big")}
        for n in range(1, 5 * JOBS + 1)
    )  # fmt: skip
    yield "events", (
        {"id": 5 * JOBS + n, "at": moment, "actor_id": 1, "actor_name": "Wren", "kind": "bittings revealed",
         "subject": f"key system {(n - 1) % SYSTEMS + 1}", "job_id": n,
         "summary": f"Bittings of a system shown to Wren: bench sheet of job {1000 + n}", "detail": "{}",
         "previous_hash": b"", "hash": (5 * JOBS + n).to_bytes(32, "big")}
        for n in range(1, JOBS + 1)
    )  # fmt: skip


def job_of(n):
    """The job of cylinder n: ten to each, but the last has a thousand."""
    return JOBS if n > CYLINDERS - 1000 else (n - 1) // 10 + 1


def job(n):
    """Every tenth job is open, in one of the stages in turn."""
    stage = OPEN[n // 10 % len(OPEN)] if n % 10 == 0 else Stage.CLOSED
    promised_on = TODAY + timedelta(days=n // 10 % 40 - 10 if n % 10 == 0 else -(n % 4000))
    return {
        "id": n, "number": 1000 + n, "customer_id": n % CUSTOMERS + 1, "site_id": n % SITES + 1,
        "title": f"{ROOMS[n % 9]} doors, {5 + n % 30} cylinders", "stage": stage.value,
        "asked_on": (TODAY - timedelta(days=n % 4000)).isoformat(), "need_by": None,
        "promised_on": promised_on.isoformat(),
        "ready_on": (promised_on + timedelta(days=n % 13 - 9)).isoformat() if n % 10 else None,
        "keyed_at": ("shop", "factory", "shop/factory")[n % 3],
        "value_cents": 60_000 + n % 1000, "cost_cents": 40_000, "bench_minutes": 90, "opened_by_id": 1,
        "accepted_by": "P. Harbour", "accepted_on": (TODAY - timedelta(days=n % 4000 + 20)).isoformat(),
        "po_number": f"PO-{n}", "reason": "", "version": 1,
    }  # fmt: skip


def best(*functions, turns=25):
    """The least processor time of each function, in seconds, of turns taken in rotation."""
    seconds = [[] for _ in functions]
    for turn in range(turns + 1):
        for function, taken in zip(functions, seconds, strict=True):
            start = process_time()
            function()
            if turn:  # the first fills caches
                taken.append(process_time() - start)
    return [min(taken) for taken in seconds]


def asking(app, cookie, address):
    """A function that asks for the page as the server does, and gives its text."""
    environ = EnvironBuilder(path=address, headers={"Cookie": f"{app.config['SESSION_COOKIE_NAME']}={cookie}"})
    environ = environ.get_environ()

    def ask():
        chunks, status, _ = run_wsgi_app(app, dict(environ))
        assert status.startswith("200"), (address, status)
        return b"".join(chunks).decode()

    return ask


def asked(engine, function):
    """What a page asked when it was shown: (statement, parameters) as sqlite3 got them, and as Core did."""
    by_hand, by_core = [], []

    def note(connection, cursor, statement, parameters, context, many):
        if statement.startswith(("SELECT", "WITH")):
            by_hand.append((statement, parameters))

    def note_core(connection, statement, many, parameters, options):
        by_core.append((statement, many or parameters))

    sa.event.listen(engine, "before_cursor_execute", note)
    sa.event.listen(engine, "before_execute", note_core)
    function()
    sa.event.remove(engine, "before_cursor_execute", note)
    sa.event.remove(engine, "before_execute", note_core)
    assert len(by_core) == len(by_hand)
    return by_hand, by_core


def whole_scans(bare, statements):
    """Large tables that a statement reads from end to end: then it asks for more than it needs."""
    plans = (
        f"{step[3]} " for sql, values in statements for step in bare.execute(f"EXPLAIN QUERY PLAN {sql}", values)
    )
    found = [re.match(r"SCAN (\w+) (?!VIRTUAL)", plan) for plan in plans]
    return sorted({scan[1] for scan in found if scan} & LARGE)


def main():
    with tempfile.TemporaryDirectory() as folder:
        config = Config(instance=Path(folder))
        migrate(config)
        start = perf_counter()
        fill(config.instance / "bittern.sqlite3")
        print(f"{JOBS:,} jobs, {CYLINDERS:,} cylinders, made in {perf_counter() - start:.0f} s")
        ledger = open_ledger(config)
        measure(create_app(config, ledger), ledger, config.instance / "bittern.sqlite3")
        ledger.close()


def measure(app, ledger, path, pages=PAGES):
    """Each page against its own statements through sqlite3, and against the emptiest page of the same application."""
    app.extensions["clock"] = lambda: NOW
    client = app.test_client()
    with ledger.sessions() as session:
        user = session.get_one(User, 1)
    with ledger.work(Actor.of(user), NOW) as work, client.session_transaction() as held:
        held.update(_user_id="1", _fresh=True, login=begin(work, user, "127.0.0.1"))
    client.get("/my-password")  # from here on the cookie holds the token too, and stays as it is
    cookie = client.get_cookie(app.config["SESSION_COOKIE_NAME"]).value
    bare, core = sqlite3.connect(path), ledger.engine.connect()
    (empty,) = best(asking(app, cookie, "/my-password"))
    print(f"the emptiest page takes {1000 * empty:.1f} ms: login, layout, no list")
    for name, address in pages:
        ask = asking(app, cookie, address)
        assert "Nothing on record" not in ask(), address
        statements, typed = asked(ledger.engine, ask)

        def by_hand(statements=statements):
            for sql, values in statements:
                bare.execute(sql, values).fetchall()

        def by_core(typed=typed):
            for statement, values in typed:
                core.execute(statement, values).all()

        alone, read, page = best(by_hand, by_core, ask)
        scans = whole_scans(bare, statements)
        over = [how for how, floor in (("Core", read), ("sqlite3", alone)) if page > BOUND * floor]
        print(
            f"{name:25} {1000 * page:5.1f} ms; {page / read:3.1f} times its {len(statements)} statements in Core "
            f"({1000 * read:5.2f} ms), {page / alone:4.1f} times them in sqlite3 ({1000 * alone:5.2f} ms), "
            f"{page / (alone + empty):.1f} times them and the emptiest page"
            + (f"; over {BOUND} times the SQL in {' and '.join(over)}" if over else "")
            + (f"; reads all of {', '.join(scans)}" if scans else "")
        )
    core.close()


if __name__ == "__main__":
    main()
