"""A house taken out and into an empty one gives the same bytes; never a bitting; refusals name table, row, column."""

import io
import random
import tracemalloc
import zipfile
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import openpyxl
import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import BitternError, Problems
from app.ledger import tables as m
from app.ledger.care.opening import open_ledger
from app.ledger.catalog.item_prices import coming_prices
from app.ledger.catalog.price_queries import price_book
from app.ledger.importing.price_lists import bring_in_prices
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.rows_aside import rows_aside, why_rows_aside
from app.ledger.keysystems.sent_arrays import ArrayState, SendForm, note_array, sealed_letter, send_array, sent_arrays
from app.ledger.moving.export_file import export_house
from app.ledger.moving.importing import MOST_PROBLEMS, import_house, plan_house
from app.ledger.moving.tables import LEFT_OUT, TABLES
from app.ledger.store.errors import LedgerError, NotAllowed, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Base
from tests import factories
from tests.conftest import NOW
from tests.houses import copy_house, remove_database
from tests.keyed import BITTINGS, bitting_in, keyed_job, mark_lost
from tests.ledger.conftest import by
from tests.moved import make_whole, tables_in, with_table, without_columns

HOSTILE = (
    *("=1+1", "'=1+1", "+43 1", "-x", "@SUM(A1)", "\t=1"),
    *("two\r\nlines", "two\nlines", " 'quoted' ", "ſ¾☃", "a,b;c\td", "_x000D_", "_x005F_", "\uffff"),
)


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    """The demo's house, and a keyed job of which the tests know the bittings."""
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        made = Work(session, ledger.vault, Actor.of(session.get_one(m.User, 1)), NOW, random.Random(8))
        keyed = keyed_job(made)
        make_whole(made, keyed.job)
        door = keyed.doors[0]
        door.remarks, door.location = HOSTILE[0], HOSTILE[1]
        factories.CylinderOperatorFactory(cylinder_id=keyed.cylinders[0].id, keyset=keyed.system.keysets[-1])
        factories.CylinderFactory(door=door, state=m.CylinderState.REMOVED, words="old rim cylinder")
        factories.KeyFactory(
            keyset=keyed.system.keysets[-1],
            copy_number=77,
            state=m.KeyState.OUT,
            holder="Ann",
            due_back=date(2027, 1, 2),
        )
        customer = factories.CustomerFactory(name="Zinnia", phone="+43 1 555", exempt_until=date(2028, 2, 29))
        for text in HOSTILE:
            factories.SiteFactory(customer=customer, name=text, address=text)
            factories.ContactFactory(customer=customer, name=text)
        pins = factories.ItemFactory(kind=m.ItemKind.PIN, spec_id=keyed.system.spec_id, pin_kind="top", pin_size=3)
        factories.StockMovementFactory(item_id=pins.id, why=HOSTILE[2], by_id=1)
        session.commit()
        yield made
    ledger.close()


@pytest.fixture
def empty(empty_house: Path, tmp_path: Path) -> Iterator[Work]:
    """The owner's work in a house with nothing on record."""
    config = copy_house(empty_house, tmp_path / "empty")
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        owner = factories.UserFactory(role=m.Role.OWNER)
        yield Work(session, ledger.vault, Actor.of(owner), NOW, random.Random(8))
    ledger.close()
    remove_database(config)


_taken: list[bytes] = []


@pytest.fixture
def taken(request: pytest.FixtureRequest) -> bytes:
    """The export of `work`'s house as ZIP, made once a run."""
    if not _taken:
        _taken.append(export_house(request.getfixturevalue("work"), "zip"))
    return _taken[0]


@pytest.mark.postgresql
@pytest.mark.parametrize("kind", ["zip", "xlsx"])
def test_out_of_a_house_and_into_an_empty_one_gives_the_same_bytes(kind: str, work: Work, empty: Work) -> None:
    taken = export_house(work, kind)
    assert export_house(work, kind) == taken
    told = work.session.scalars(sa.select(m.Event.summary).where(m.Event.kind == "house taken out")).all()
    assert told == [f"Everything but what is secret was exported as .{kind}"] * 2
    plan = plan_house(empty, f"house.{kind}", taken)
    assert plan.problems == () and plan.rows > 300
    import_house(empty, f"house.{kind}", taken, plan.seal)
    assert export_house(empty, kind) == taken
    # Taken in once more, it changes nothing.
    assert import_house(empty, f"house.{kind}", taken).rows == 0
    names = set(empty.session.scalars(sa.select(m.Site.name)))
    assert set(HOSTILE) <= names
    customer = empty.session.scalars(sa.select(m.Customer).where(m.Customer.name == "Zinnia")).one()
    assert customer.phone_digits == "431555"


def test_a_lost_copy_of_an_array_and_rows_aside_are_known_after_a_move(work: Work, empty: Work) -> None:
    system = work.session.scalars(sa.select(m.KeySystem).where(m.KeySystem.records == m.RecordsHolder.SHOP)).first()
    maker = work.session.scalars(sa.select(m.Maker)).first()
    assert system is not None and maker is not None
    for purpose in ("20 more", "40 more"):
        sent = send_array(work, system.id, SendForm(maker.id, "M. Fern", purpose, "by hand"))
    lost = note_array(work, system.id, sent.number, ArrayState.LOST, "not in the envelope")
    aside = m.ListRowAside(system_id=system.id, row=7, own_symbol="103", reason="Blurred.", could_matter=True)
    aside.sealed = work.vault.seal("7463", "anything")
    settled = m.ListRowAside(system_id=system.id, row=9, reason="Twice.", could_matter=True)
    settled.settled, settled.settled_at, settled.settled_by_id = "No such key any more: sold", work.now, 1
    work.session.add_all([aside, settled])
    work.session.commit()
    import_house(empty, "a.zip", export_house(work, "zip"))
    found = sent_arrays(empty.session, system.id)
    assert [(one.reference, one.state) for one in found] == [
        ("A-2", ArrayState.LOST),
        ("A-1", ArrayState.ON_ITS_WAY),
    ]
    assert found[0] == replace(lost, content="")
    there = empty.session.get_one(m.KeySystem, system.id)
    assert "not settled (103)" in why_rows_aside(empty.session, there)
    assert [(one.row, one.settled, one.sealed) for one in rows_aside(empty.session, system.id)] == [
        (7, "", None),
        (9, "No such key any more: sold", None),
    ]
    with pytest.raises(LedgerError, match="cannot be printed again"):
        sealed_letter(empty, system.id, 2)


def test_prices_of_a_later_day_wait_for_it_in_the_new_house_too(work: Work, empty: Work) -> None:
    item = work.session.scalars(sa.select(m.Item).where(m.Item.list_cents > 0).order_by(m.Item.id)).first()
    assert item is not None
    counts = dict.fromkeys(("new", "changed", "unchanged", "aside"), 1)
    brought = m.Import(kind="price list", file_name="list.csv", made_at=work.now, written={}, **counts)
    work.session.add(brought)
    work.session.flush()
    later = {"valid_from": work.today + timedelta(30), "list_cents": 99_900, "cost_cents": 55_500}
    work.session.add(m.ItemPrice(item_id=item.id, import_id=brought.id, **later))
    work.session.commit()
    import_house(empty, "a.zip", export_house(work, "zip"))
    waiting = coming_prices(empty.session, item.id)
    assert [(one.valid_from, one.list_cents, one.cost_cents) for one in waiting] == [tuple(later.values())]
    assert bring_in_prices(empty) == 0 and bring_in_prices(replace(empty, now=empty.now + timedelta(31))) == 1
    there = empty.session.get_one(m.Item, item.id)
    assert (there.list_cents, there.cost_cents) == (99_900, 55_500)
    told = empty.session.scalars(sa.select(m.Event.summary).where(m.Event.kind == "price list holds")).all()
    assert told == ["1 price of a list that another house took hold from today"]


def test_no_bitting_no_plan_and_no_password_is_in_an_export(work: Work) -> None:
    content = export_house(work, "zip")
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        everything = "\n".join(packed.read(name).decode("utf-8-sig") for name in packed.namelist())
    assert bitting_in(everything) is None and not any(cuts in everything for cuts in BITTINGS.values())
    for table in Base.metadata.tables.values():
        for column in table.columns:
            if isinstance(column.type, sa.LargeBinary) or "password" in column.name or "pin_hash" in column.name:
                assert not any(column in one.columns for one in TABLES), column


def test_every_table_is_moved_or_left_out_for_a_reason() -> None:
    moved = {one.table.name for one in TABLES}
    assert moved & LEFT_OUT.keys() == set()
    assert set(Base.metadata.tables) <= moved | LEFT_OUT.keys()


def test_every_column_that_an_import_needs_is_moved_or_has_its_default() -> None:
    for one in TABLES:
        moved = {column.name for column in one.columns} | {"phone_digits", "request_token", "previous_hash", "hash"}
        for column in one.table.columns:
            assert column.name in moved or column.nullable or column.default is not None, f"{one.name}: {column.name}"


def test_no_cell_of_an_export_is_a_formula(work: Work) -> None:
    for rows in tables_in(export_house(work, "zip")).values():
        for cell in (cell for row in rows for cell in row):
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell
    book = openpyxl.load_workbook(io.BytesIO(export_house(work, "xlsx")))
    assert {cell.data_type for sheet in book for row in sheet for cell in row} <= {"s", "inlineStr", "n"}
    assert not any(str(cell.value).startswith("=") for sheet in book for row in sheet for cell in row)


def test_the_owner_alone_takes_a_house_out_and_in(work: Work) -> None:
    for role in (m.Role.COUNTER, m.Role.BENCH):
        with pytest.raises(NotAllowed):
            export_house(by(work, role), "zip")
        with pytest.raises(NotAllowed):
            import_house(by(work, role), "a.zip", b"")


def test_a_house_that_holds_some_of_the_rows_gets_the_others(taken: bytes, empty: Work) -> None:
    rows = tables_in(taken)["sites"]
    import_house(empty, "a.zip", with_table(with_table(taken, "sites", rows[:-3]), "contacts", None))
    plan = plan_house(empty, "a.zip", taken)
    assert {one.moved.name: len(one.inserts) for one in plan.tables if one.inserts} == {
        "sites": 3,
        "contacts": len(tables_in(taken)["contacts"]) - 1,
    }
    import_house(empty, "a.zip", taken, plan.seal)
    assert export_house(empty, "zip") == taken
    # What is added next gets a number beyond those that came in.
    numbers = set(empty.session.scalars(sa.select(m.Site.id)))
    assert factories.SiteFactory().id > max(numbers)


def test_a_row_that_reads_differently_here_stops_everything(work: Work) -> None:
    taken = export_house(work, "zip")
    site = work.session.scalars(sa.select(m.Site).order_by(m.Site.id)).first()
    assert site is not None
    site.address = "Elsewhere"
    work.session.commit()
    plan = plan_house(work, "a.zip", taken)
    assert [(problem.field, "Elsewhere" in problem.message) for problem in plan.problems] == [
        ("sites, row 2, address", True)
    ]
    with pytest.raises(Problems):
        import_house(work, "a.zip", taken)


def test_the_houses_own_settings_are_brought_to_what_the_file_says(taken: bytes, empty: Work) -> None:
    factories.HouseFactory(name="Another name")
    empty.session.add(m.Counter(name="key receipt", value=900))
    empty.session.commit()
    import_house(empty, "a.zip", taken)
    empty.session.expire_all()
    assert empty.session.scalars(sa.select(m.House.name)).first() == "Fenwick Quay Builders' Hardware"
    assert empty.session.get_one(m.Counter, "key receipt").value == 900


@pytest.mark.parametrize(
    ("table", "row", "column", "text", "part"),
    [
        ("doors", 1, "hand", "x" * 9, "At most 8 characters"),
        ("doors", 1, "thickness", "thick", "not a length"),
        ("doors", 1, "is egress", "maybe", "Write yes or no"),
        ("doors", 1, "site row", "4040", "There is no row 4040 in sites"),
        ("doors", 1, "row", "1" + "0" * 30, "Write a whole number"),
        ("doors", 1, "row", "0", "begin at 1"),
        ("doors", 2, "row", "1", "stands twice"),
        ("doors", 2, "opening number", "F1", "stands there already"),
        ("doors", 1, "hand", "up", "Write one of: nothing, LH"),
        ("tax rules", 1, "rate percent", "much", "percentage"),
        ("items", 1, "kind", "air", "Write one of: part"),
        ("prices", 1, "unit cents", "-5", "whole cents from 0"),
        ("prices", 1, "quantity from", "0", "whole quantity"),
        ("items", 1, "attributes", '{"type": "wing"}', "no cylinder type"),
        ("items", 1, "cost cents", "-1", "0 or more"),
        ("house", 1, "paper", "A5", "Letter, A4"),
        ("cylinders", 1, "state", "gone", "Write one of: ordered"),
        ("keys", 1, "due back", "31.1.2026", "Write the day as"),
        ("keys", 1, "changed at", "yesterday", "Write the moment as"),
        ("prices", 1, "unit cents", "", "may not be empty"),
        ("makers", 1, "tables", "[1]", "one JSON object"),
        ("makers", 1, "tables", '{"a": NaN}', "no JSON object"),
        ("bitting specs", 1, "spec", '{"chambers": true}', ""),
        ("bench terms", 1, "terms", "{}", ""),
        ("items", 1, "attributes", "[" * 100_000, "no JSON object"),
    ],
)
def test_what_cannot_be_is_told_by_table_row_and_column(
    table: str, row: int, column: str, text: str, part: str, taken: bytes, empty: Work
) -> None:
    rows = tables_in(taken)[table]
    rows[row][rows[0].index(column)] = text
    changed = with_table(taken, table, rows)
    plan = plan_house(empty, "a.zip", changed)
    first = plan.problems[0]
    assert first.field.startswith(f"{table}, row {row + 1}, ") and part in first.message
    with pytest.raises(Problems):
        import_house(empty, "a.zip", changed)
    assert empty.session.scalars(sa.select(m.Site)).all() == []


@pytest.mark.parametrize(
    ("table", "columns"),
    [
        ("house", ["paper", "least margin percent"]),
        ("quote rules", ["deposit percent", "questions off"]),
        ("prices", ["valid until"]),
        ("items", ["attributes"]),
        ("makers", ["tables"]),
        ("customers", ["phone"]),
        ("doors", ["hand"]),
    ],
)
def test_a_column_that_has_a_default_may_be_missing(
    table: str, columns: list[str], taken: bytes, empty: Work
) -> None:
    changed = with_table(taken, table, without_columns(tables_in(taken)[table], *columns))
    assert import_house(empty, "a.zip", changed).rows > 300


def test_of_very_many_problems_the_first_are_told_and_how_many_more_there_are(taken: bytes, empty: Work) -> None:
    head = tables_in(taken)["sites"][0]
    rows = [["x" if title == "row" else "" for title in head] for _ in range(MOST_PROBLEMS + 20)]
    *problems, last = plan_house(empty, "a.zip", with_table(taken, "sites", [head, *rows])).problems
    assert len(problems) == MOST_PROBLEMS and last.field == "file"
    more = int(last.message.removeprefix("There are ").partition(" ")[0].replace(",", ""))
    assert more > 20 and "Mend these first" in last.message


def test_heads_are_checked(taken: bytes, empty: Work) -> None:
    head = ["row", "name", "color", "name"]
    plan = plan_house(empty, "a.zip", with_table(taken, "sites", [head]))
    told = [problem.message for problem in plan.problems]
    assert [problem.field for problem in plan.problems] == ["sites, row 1"] * 3
    assert "There is no column 'customer row'." in told and "The column 'name' stands twice." in told


def zipped(**files: bytes) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name), content)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "content", "part"),
    [
        ("a.zip", b"not a zip", "no ZIP file"),
        ("a.xlsx", b"not a book", "no XLSX workbook"),
        ("a.csv", b"number", "a .zip of CSV files"),
        ("a.zip", zipped(**{"../../etc/passwd": b"x"}), "which no export of a house has"),
        ("a.zip", zipped(**{"README.txt": b"x"}), "no table of a house"),
    ],
)
def test_a_file_that_is_no_export_is_refused(name: str, content: bytes, part: str, empty: Work) -> None:
    with pytest.raises(BitternError, match=part) as refused:
        import_house(empty, name, content)
    assert refused.value.field == "file"


@pytest.mark.parametrize(
    ("encoding", "begin", "piece", "times", "part"),
    [
        ("utf-8", "", "x", 60_000_000, "Row 2 is longer than 10 MB"),
        ("utf-16", "", "x", 30_000_000, "Row 2 is longer than 10 MB"),
        ("utf-8", '"', "line\n", 12_000_000, "Row 2 cannot be read: look for a quotation mark"),
    ],
    ids=["one line", "in UTF-16", "one cell of many lines"],
)
def test_a_cell_of_sixty_megabytes_is_refused_before_it_is_unpacked(
    encoding: str, begin: str, piece: str, times: int, part: str, empty: Work
) -> None:
    """Five hundred of them, half a megabyte packed, took gigabytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("customers.csv", f"row,name\r\n1,{begin}{piece * times}".encode(encoding))
    content = out.getvalue()
    assert len(content) < 400_000
    tracemalloc.start()
    try:
        plan = plan_house(empty, "a.zip", content)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert any(part in problem.message for problem in plan.problems)
    assert peak < 40_000_000


def test_a_row_of_many_long_lines_is_refused_before_it_is_put_together(empty: Work) -> None:
    """Twelve lines, a hundred kilobytes packed, took a gigabyte: each is short enough, and none ends its row."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        line = b'"' + b"," * 9_900_000 + b'"\n'  # its end stands within the marks
        packed.writestr("customers.csv", b"row,name\n" + line[1:] + line * 5 + b'"\n')
    tracemalloc.start()
    try:
        plan = plan_house(empty, "a.zip", out.getvalue())
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert any("Row 2 is longer than 10 MB" in problem.message for problem in plan.problems)
    assert peak < 200_000_000


@pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_a_packing_that_unfolds_without_bounds_is_refused(method: int, empty: Work) -> None:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", method) as packed:
        packed.writestr("customers.csv", b"row,name\r\n")
    plan = plan_house(empty, "a.zip", out.getvalue())
    assert "customers.csv in this ZIP file is damaged or locked." in [problem.message for problem in plan.problems]


def test_a_plan_that_is_not_true_any_more_is_stale(taken: bytes, empty: Work) -> None:
    seal = plan_house(empty, "a.zip", taken).seal
    import_house(empty, "a.zip", with_table(taken, "contacts", None))
    with pytest.raises(Stale):
        import_house(empty, "a.zip", taken, seal)


def test_a_system_without_its_bittings_is_not_keyed_further(taken: bytes, empty: Work) -> None:
    import_house(empty, "a.zip", taken)
    system = empty.session.scalars(sa.select(m.KeySystem).order_by(m.KeySystem.id)).first()
    assert system is not None
    with pytest.raises(LedgerError, match="is not in this house"):
        add_keysets(empty, system, 1, under=m.Level.SINGLE)


@pytest.mark.postgresql
@pytest.mark.parametrize("kind", ["zip", "xlsx"])
def test_a_text_longer_than_a_workbooks_cell_comes_back_whole(kind: str, work: Work, empty: Work) -> None:
    long = ("=" + "=long" * 44_000, "a line\r\n" * 5_000, "_x000D_" * 6_000)
    for text in long:
        work.session.add(m.Customer(name="Long", notes=text, created_at=NOW))
    work.session.commit()
    taken = export_house(work, kind)
    import_house(empty, f"a.{kind}", taken)
    assert set(long) <= set(empty.session.scalars(sa.select(m.Customer.notes)))
    assert export_house(empty, kind) == taken


def test_keysets_stand_under_none_of_another_system_and_not_under_themselves(taken: bytes, empty: Work) -> None:
    rows = tables_in(taken)["keysets"]
    head = rows[0]
    number, parent, system = (head.index(one) for one in ("row", "parent row", "system row"))
    below = next(row for row in rows[1:] if row[parent])
    above = next(row for row in rows[1:] if row[number] == below[parent])
    above[parent] = below[number]
    plan = plan_house(empty, "a.zip", with_table(taken, "keysets", rows))
    told = {problem.message for problem in plan.problems}
    assert told == {"This keyset stands under itself."}
    systems = tables_in(taken)["key systems"]
    title = systems[0].index("name")
    systems.append(["4040" if n == 0 else "Other" if n == title else cell for n, cell in enumerate(systems[1])])
    above[parent], above[system] = "", "4040"
    both = with_table(with_table(taken, "keysets", rows), "key systems", systems)
    plan = plan_house(empty, "a.zip", both)
    assert {problem.message for problem in plan.problems} == {"This keyset stands under one of another key system."}


def test_a_lost_key_of_an_earlier_release_s_export_becomes_an_open_loss(work: Work, empty: Work) -> None:
    """Copy 77 of 2AA is lost; such a file has no losses."""
    mark_lost(work.session, work.session.scalars(sa.select(m.Key).where(m.Key.copy_number == 77)).one())
    import_house(empty, "a.zip", with_table(export_house(work, "zip"), "losses", None))
    [loss] = empty.session.scalars(sa.select(m.Loss))
    assert (loss.keyset.symbol, loss.copies, loss.closed_at, loss.system_id) == (
        "2AA",
        [77],
        None,
        loss.keyset.system_id,
    )


def test_an_earlier_release_s_export_says_in_words_what_a_keyset_is(taken: bytes, empty: Work) -> None:
    """It has no columns for that; a list's remark, which has the list's own symbol beside it, names nobody."""
    head, *rows = tables_in(taken)["keysets"]
    at = {name: head.index(name) for name in head}
    for row, purpose in zip(rows, ("warden, porter", "clerk, retired, really cut so", "gate"), strict=False):
        row[at["purpose"]] = purpose
    rows[2][at["own symbol"]] = "G 1"
    kept = [place for name, place in at.items() if name not in ("carriers", "is retired", "is really cut so")]
    older = [[row[place] for place in kept] for row in (head, *rows)]
    import_house(empty, "a.zip", with_table(taken, "keysets", older))
    columns = (m.Keyset.purpose, m.Keyset.carriers, m.Keyset.is_retired, m.Keyset.is_really_cut_so)
    ids = [int(row[at["row"]]) for row in rows[:3]]
    said = ("warden, porter", 2, False, False), ("clerk", 1, True, True), ("gate", 0, False, False)
    found = empty.session.execute(sa.select(m.Keyset.id, *columns).where(m.Keyset.id.in_(ids)))
    assert {one: tuple(rest) for one, *rest in found} == dict(zip(ids, said, strict=True))
    assert plan_house(empty, "a.zip", with_table(taken, "keysets", older)).problems == ()


def test_the_catalog_and_the_price_book_of_the_first_release_are_read_into_items(taken: bytes, empty: Work) -> None:
    """A part number with a price is one item; a code that no catalog has becomes one; what every house has stays."""
    needed = {"house", "makers", "bitting specs", "keyways", "tiers"}
    for name in set(tables_in(taken)) - needed:
        taken = with_table(taken, name, None)
    maker = tables_in(taken)["makers"][1][0]
    titles = "row,maker row,part number,category,description,attributes,cost cents,list cents,is stocked"
    sold = [titles.split(","), ["1", maker, "R-18", "hardware", "Trim ring 1/8 in", "{}", "120", "300", "yes"]]
    said = "row,code,description,category,kind,unit cents,cost cents,tier,quantity from,valid from,valid until"
    prices = [
        said.split(","),
        ["1", "R-18", "Our ring", "rings", "goods", "250", "120", "", "1", "2026-01-01", ""],
        ["2", "TRIP", "A trip of ours", "trip", "labour", "8500", "0", "", "1", "2026-01-01", ""],
    ]
    taken = with_table(with_table(taken, "catalogue", sold), "prices", prices)
    import_house(empty, "a.zip", taken)
    items = {one.code: one for one in empty.session.scalars(sa.select(m.Item)) if one.kind is not m.ItemKind.UNPINNED}
    ring, trip = items["R-18"], items["TRIP"]
    assert (ring.kind, ring.category, ring.words, ring.list_cents) == ("ring", "hardware", "Trim ring 1/8 in", 300)
    assert (trip.kind, trip.words, trip.maker_id) == ("labor", "A trip of ours", None)
    assert items["KEYING-MK"].words == "Keying a cylinder under a master"
    book = {row.code: (row.description, row.unit_cents) for row in price_book(empty.session).rows}
    assert book == {"R-18": ("Trim ring 1/8 in", 250), "TRIP": ("A trip of ours", 8500)}
