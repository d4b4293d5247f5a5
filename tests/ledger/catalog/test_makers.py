"""A maker's file and tables: taken whole or not at all, and the same after a round trip."""

import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.errors import BitternError, Problems
from app.fitting import CatalogItem, read_maker
from app.ledger.catalog.maker_items import put_items
from app.ledger.catalog.maker_queries import get_item, shelf
from app.ledger.catalog.makers import add_maker, change_table, import_maker, maker_json, plan_maker, read_table_file
from app.ledger.catalog.sheet_reading import read_sheet
from app.ledger.catalog.sheets import find_sheet, sheet_rows, sheets_of
from app.ledger.catalog.specs import read_spec
from app.ledger.keysystems.bittings import change_spec
from app.ledger.store.errors import NotAllowed, Stale, Taken
from app.ledger.tables import Event, Item, Keyway, Maker, Role, SpecRow
from tests.ledger.conftest import by
from tests.ledger.test_main_job import accept, flats, issued, openings

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers"


@pytest.fixture
def ardent(work) -> Maker:
    maker: Maker = work.session.scalar(sa.select(Maker).where(Maker.code == "ARD"))
    return maker


def _count(work, maker: Maker) -> int:
    return int(work.session.scalar(sa.select(sa.func.count(Item.list_cents)).where(Item.maker == maker)))


def test_two_makers_have_no_name_or_code_in_common(work) -> None:
    add_maker(work, "Gannet Works", "gan")
    for name, code in (("gannet works", "G2"), ("Other", "GAN")):
        with pytest.raises(Taken):
            add_maker(work, name, code)


def test_only_the_owner_changes_a_maker(work, ardent: Maker) -> None:
    counter = by(work, Role.COUNTER)
    with pytest.raises(NotAllowed):
        change_table(counter, ardent.id, 1, "keyways", [])
    with pytest.raises(NotAllowed):
        add_maker(counter, "X", "X")


@pytest.mark.parametrize("name", ["ardent_brass", "northlight", "pell_and_rowe"])
def test_a_makers_file_survives_the_way_out_and_in(work, name: str) -> None:
    given = json.loads((DEMO / f"{name}.json").read_text())
    maker = work.session.scalar(sa.select(Maker).where(Maker.code == given["code"]))
    out = maker_json(work.session, maker)
    again, known = plan_maker(work.session, json.dumps(out).encode())
    assert known is maker
    first, second = read_maker(given), read_maker(again)
    assert sorted(first.items, key=str) == sorted(second.items, key=str)
    for part in ("patterns", "keyways", "blanks", "cams", "locks", "lengths", "rings", "bitting_specs"):
        assert getattr(first, part) == getattr(second, part)
    import_maker(work, again)
    assert read_maker(maker_json(work.session, maker)) == second


@pytest.mark.parametrize("name", ["ardent_brass", "northlight", "pell_and_rowe"])
def test_every_sheet_reads_back_to_the_same_maker(name: str) -> None:
    given = json.loads((DEMO / f"{name}.json").read_text())
    given["items"] = []
    for sheet in sheets_of(given):
        rows = list(enumerate(sheet_rows(given, sheet), 2))
        assert read_maker(read_sheet(given, sheet, rows)) == read_maker(given), sheet.key


def test_a_table_is_changed_and_its_keyways_follow(work, ardent: Maker) -> None:
    rows = list(enumerate(sheet_rows(ardent.tables, find_sheet(ardent.tables, "keyways")), 1))
    rows.append((9, {"name": "AQ7", "family": "AQ", "bitting spec": "Ardent AQ"}))
    version = ardent.version
    changed = change_table(work, ardent.id, version, "keyways", rows).maker
    assert [keyway["name"] for keyway in changed.tables["keyways"]][-1] == "AQ7"
    assert work.session.scalar(sa.select(Keyway.maker_id).where(Keyway.code == "AQ7")) == ardent.id
    with pytest.raises(Stale):
        change_table(work, ardent.id, version, "keyways", rows)
    events = work.session.scalar(sa.select(sa.func.count(Event.id)).where(Event.kind == "maker's table changed"))
    change_table(work, ardent.id, changed.version, "keyways", rows)
    assert events == work.session.scalar(
        sa.select(sa.func.count(Event.id)).where(Event.kind == "maker's table changed")
    )


@pytest.mark.parametrize(
    ("key", "row", "where", "said"),
    [
        (
            "keyways",
            {"name": "AQ7", "family": "AQ", "bitting spec": "None such"},
            "row 9, bitting spec",
            "no bitting",
        ),
        ("keyways", {"name": "AQ1", "family": "AQ", "bitting spec": "Ardent AQ"}, "row 9, name", "twice"),
        ("keyways", {"name": "x" * 10_000, "family": "A", "bitting spec": "Ardent AQ"}, "row 9, name", "characters"),
        ("blanks", {"number": "N", "keyways": "AQ1", "chambers": "six"}, "row 9, chambers", "whole number"),
        (
            "blanks",
            {"number": "N", "keyways": "AQ1", "chambers": "6", "cross references": "PK-91"},
            "row 9, cross",
            "Ma",
        ),
        ("cams", {"name": "c", "part number": "", "locks": "Ferry"}, "row 9, part number", "Enter text"),
        ("locks", {"name": "l", "series": "s", "takes": "rim", "case": "wide"}, "row 9, case", "not a length"),
        ("codes-1-4", {"code": "Q1", "means": "again", "sets": "keyway: AQ1"}, "row 9, code", "stands twice"),
        ("codes-1-4", {"code": "Q9", "means": "", "sets": "keyway: AQ9"}, "row 9, means", "Enter text"),
        ("codes-1-4", {"code": "Q9", "means": "x", "sets": "shape: odd"}, "row 9, ", "not known"),
        ("codes-1-4", {"code": "Q9", "means": "x", "sets": "keyway"}, "row 9, sets", "Write it as"),
        ("rules-1", {"kind": "maybe", "when": "type: rim", "reason": "r"}, "row 9, kind", "allow or forbid"),
        ("rules-1", {"kind": "forbid", "when": "keyway: AQ9", "reason": "r"}, "row 9, ", "says nothing"),
    ],
)
def test_a_bad_row_is_named_by_row_and_column(work, ardent: Maker, key, row, where, said) -> None:
    sheet = find_sheet(ardent.tables, key)
    rows = [(n, held) for n, held in enumerate(sheet_rows(ardent.tables, sheet), 100)] + [(9, row)]
    with pytest.raises(Problems) as refused:
        change_table(work, ardent.id, ardent.version, key, rows)
    problem = refused.value.problems[-1]
    assert problem.field.startswith(where), problem
    assert said in problem.message


def test_a_pattern_whose_numbers_cannot_be_told_apart_is_refused(work, ardent: Maker) -> None:
    sheet = find_sheet(ardent.tables, "codes-1-5")
    rows = [
        *enumerate(sheet_rows(ardent.tables, sheet), 1),
        (9, {"code": "66L", "means": "x", "sets": "chambers: 6; drilled: 6"}),
    ]
    with pytest.raises(Problems, match="can be read in two ways"):
        change_table(work, ardent.id, ardent.version, "codes-1-5", rows)
    with pytest.raises(BitternError, match="no such table"):
        change_table(work, ardent.id, ardent.version, "codes-9-9", [])


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"{", "not JSON"),
        (b"[]", "Give an object"),
        (b'{"name": "X"}', "Enter text here"),
        (b"\xff\xfe", "not JSON"),
        (b"[" * 100_000, "not JSON"),
        (b'{"name": "Ardent Brass", "code": "ZZZ"}', "is on record with the code ARD"),
        (b'{"name": "N", "code": "N", "bitting_specs": {"s": {"chambers": 99}}}', "bitting_specs.s"),
    ],
)
def test_a_file_that_is_no_makers_is_refused(work, content: bytes, said: str) -> None:
    with pytest.raises(BitternError, match=said):
        plan_maker(work.session, content)


def test_a_tables_file_must_have_the_tables_head(ardent: Maker) -> None:
    with pytest.raises(Problems) as refused:
        read_table_file(ardent.tables, "keyways", "k.csv", b"name,family,color\nAQ1,AQ,red\n")
    assert [problem.message for problem in refused.value.problems] == [
        "There is no column 'bitting spec'.",
        "The column 'color' is not one of name, family, bitting spec.",
    ]
    rows = read_table_file(ardent.tables, "keyways", "k.csv", b"family,name,bitting spec,\nAQ,AQ1,Ardent AQ,\n")
    assert rows == [(2, {"family": "AQ", "name": "AQ1", "bitting spec": "Ardent AQ"})]


def _spec(work, name: str) -> SpecRow:
    found: SpecRow = work.session.scalar(sa.select(SpecRow).where(SpecRow.name == name))
    return found


def test_a_makers_keyway_takes_any_spec_on_record(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    row = {"name": "GK1", "family": "GK", "bitting spec": "Ardent AQ"}
    change_table(work, maker.id, maker.version, "keyways", [(1, row)])
    keyway = work.session.scalar(sa.select(Keyway).where(Keyway.code == "GK1"))
    assert keyway.spec is _spec(work, "Ardent AQ")
    assert list(maker.tables["bitting_specs"]) == ["Ardent AQ"]
    with pytest.raises(Problems, match="no bitting spec named 'Gannet GK'"):
        change_table(work, maker.id, maker.version, "keyways", [(1, {**row, "bitting spec": "Gannet GK"})])


def test_a_file_changes_no_spec_that_keys_were_cut_by(work, ardent: Maker) -> None:
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="here")), openings(2))
    given = json.loads(json.dumps(maker_json(work.session, ardent)))
    given["bitting_specs"]["Ardent AQ"]["increment_in"] = "0.0149"
    with pytest.raises(Problems) as refused:
        import_maker(work, given)
    [problem] = refused.value.problems
    assert problem.field.endswith("increment_in") and "change this on the spec's page" in problem.message
    work.session.expire_all()
    assert read_spec(_spec(work, "Ardent AQ")).increment_in != Fraction("0.0149")


def test_a_spec_mended_on_its_own_page_stays_so_when_a_table_changes(work, ardent: Maker) -> None:
    spec = _spec(work, "Ardent AQ")
    change_spec(work, spec.id, spec.version, replace(read_spec(spec), name="Ardent AQ, 2026", macs=6))
    cams = sheet_rows(ardent.tables, find_sheet(ardent.tables, "cams"))
    change_table(work, ardent.id, ardent.version, "cams", list(enumerate(cams[:-1], 1)))
    work.session.expire_all()
    assert _spec(work, "Ardent AQ") is None
    assert read_spec(_spec(work, "Ardent AQ, 2026")).macs == 6
    assert {keyway.spec.name for keyway in ardent.keyways} == {"Ardent AQ, 2026"}
    written = maker_json(work.session, ardent)
    assert written["bitting_specs"]["Ardent AQ, 2026"]["macs"] == 6
    assert {keyway["bitting_spec"] for keyway in written["keyways"]} == {"Ardent AQ, 2026"}


def test_the_catalog_follows_a_changed_code(work, ardent: Maker) -> None:
    item = get_item(work.session, ardent.id, "A18M-Q1-66.SC")
    assert item is not None and item.attributes["finish"] == "626"
    key = next(sheet.key for sheet in sheets_of(ardent.tables) if sheet.title.endswith("codes of finish"))
    rows = sheet_rows(ardent.tables, find_sheet(ardent.tables, key))
    mended = [{**row, "sets": "finish: 630"} if row["code"] == "SC" else row for row in rows]
    changed = change_table(work, ardent.id, ardent.version, key, list(enumerate(mended, 1)))
    assert changed.unread == ()
    assert item.attributes["finish"] == "630"
    found = [each for each in shelf(work.session) if each.part_number == "A18M-Q1-66.SC"]
    assert found[0].attributes is not None and found[0].attributes.finish == "630"
    without = [row for row in rows if row["code"] != "SC"]
    changed = change_table(work, ardent.id, ardent.version, key, list(enumerate(without, 1)))
    assert "A18M-Q1-66.SC" in changed.unread and item.attributes == {}
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc())).first()
    assert f"{len(changed.unread)} not understood any more" in event.summary
    change_table(work, ardent.id, ardent.version, key, list(enumerate(rows, 1)))
    assert item.attributes["finish"] == "626"


def test_a_pattern_entered_after_the_catalog_reads_it(work) -> None:
    maker = add_maker(work, "Gannet", "GAN")
    put_items(work.session, maker.id, [(CatalogItem("GM-SC", maker.name, "cylinder", "Gannet", 500, 900, True), {})])
    work.session.commit()
    item = get_item(work.session, maker.id, "GM-SC")
    assert item is not None and not item.attributes
    row = {"pattern": "all", "kind": "text", "segment": "all", "text": "GM-SC", "sets": "type: mortise; finish: 626"}
    change_table(work, maker.id, maker.version, "segments", [(1, row)])
    assert item.attributes["type"] == "mortise"


def test_an_item_that_a_makers_file_leaves_out_is_read_by_its_new_pattern(work, ardent: Maker) -> None:
    given = maker_json(work.session, ardent)
    for segment in given["patterns"][0]["segments"]:
        for code in segment.get("codes", []):
            if code["code"] == "SC":
                code["sets"] = {"finish": "630"}
    import_maker(work, {**given, "items": []})
    item = get_item(work.session, ardent.id, "A18M-Q1-66.SC")
    assert item is not None and item.attributes["finish"] == "630"


@pytest.mark.parametrize(
    ("table", "field"),
    [
        ("patterns", "patterns[3].name"),
        ("keyways", "keyways[7].name"),
        ("key_blanks", "key_blanks[7].number"),
        ("cams", "cams[4].name"),
        ("locks", "locks[9].name"),
        ("lengths", "lengths[8]"),
        ("rings", "rings[5]"),
        ("items", "items[48].part_number"),
    ],
)
def test_a_makers_file_that_names_something_twice_is_refused(work, table: str, field: str) -> None:
    given = json.loads((DEMO / "ardent_brass.json").read_text())
    given |= {"name": "Gannet", "code": "GAN"}
    given[table] = [*given[table], given[table][0]]
    with pytest.raises(Problems) as refused:
        plan_maker(work.session, json.dumps(given).encode())
    assert field in [problem.field for problem in refused.value.problems]
    with pytest.raises(Problems):
        import_maker(work, given)
    assert work.session.scalar(sa.select(Maker).where(Maker.code == "GAN")) is None


def test_a_makers_file_has_its_cylinders_in_the_makers_writing(work, ardent: Maker) -> None:
    given = maker_json(work.session, ardent)
    before = _count(work, ardent)
    for item in given["items"]:
        item["part_number"] = item["part_number"].lower() if item["category"] == "cylinder" else item["part_number"]
    import_maker(work, given)
    assert _count(work, ardent) == before


@pytest.mark.parametrize(
    ("key", "row", "where", "said"),
    [
        (
            "cams",
            {"name": "short", "part number": "AC-9", "locks": "Ferry", "exceptions": "Fery 43: too deep"},
            "row 99, exceptions",
            "would never be told",
        ),
        ("cams", {"name": "short", "part number": "AC-9", "locks": "Fery"}, "row 99, locks", "a lock or series Fery"),
        ("blanks", {"number": "AK9", "keyways": "AQ1, AQ11", "chambers": "6"}, "row 99, keyways", "keyway AQ11"),
    ],
)
def test_a_name_that_no_table_has_is_told_by_row(work, ardent: Maker, key, row, where, said) -> None:
    rows = list(enumerate(sheet_rows(ardent.tables, find_sheet(ardent.tables, key)), 1))
    with pytest.raises(Problems) as refused:
        change_table(work, ardent.id, ardent.version, key, [*rows, (98, {}), (99, row)])
    (problem,) = refused.value.problems
    assert problem.field == where and said.casefold() in problem.message.casefold()


def test_a_cam_may_name_another_makers_lock_and_a_blank_another_makers_keyway(work, ardent: Maker) -> None:
    cam = {"name": "guest", "part number": "AC-9", "locks": "Beacon 3 classroom lock"}
    rows = list(enumerate(sheet_rows(ardent.tables, find_sheet(ardent.tables, "cams")), 1))
    changed = change_table(work, ardent.id, ardent.version, "cams", [*rows, (9, cam)]).maker
    blank = {"number": "AK9", "keyways": "AQ1, PR-W", "chambers": "5"}
    rows = list(enumerate(sheet_rows(changed.tables, find_sheet(changed.tables, "blanks")), 1))
    change_table(work, ardent.id, changed.version, "blanks", [*rows, (9, blank)])
    assert changed.tables["key_blanks"][-1]["keyways"] == ["AQ1", "PR-W"]


def _told(tables, key: str, rows) -> list[tuple[str, str]]:
    with pytest.raises(Problems) as refused:
        read_sheet(tables, find_sheet(tables, key), list(enumerate(rows, 2)))
    return [(problem.field, problem.message.split(",")[0]) for problem in refused.value.problems]


def test_every_bad_row_of_a_table_is_told_and_not_the_first_alone(ardent: Maker) -> None:
    codes = [
        {"code": "BB", "means": "bright brass", "sets": "finish: 605"},
        {"code": "SC", "means": "", "sets": "finish: 626"},
        {"code": "", "means": "", "sets": "finish: 626"},
        {"code": "Ü", "means": "odd", "sets": "finish: 626"},
        {"code": "XX", "means": "odd", "sets": "color: red"},
        {"code": "YY", "means": "odd", "sets": "finish"},
        {"code": "bb", "means": "again", "sets": "finish: 605"},
    ]
    assert [field for field, _ in _told(ardent.tables, "codes-1-7", codes)] == [
        *("row 3, means", "row 4, means", "row 5, code", "row 6, sets", "row 7, sets", "row 8, code")
    ]
    blanks = [
        {"number": "N1", "keyways": "AQ1", "chambers": "six"},
        {"number": "N2", "keyways": "AQ1", "chambers": "6", "cross references": "PK"},
        {"number": "", "keyways": "AQ1", "chambers": "6"},
    ]
    assert [field for field, _ in _told(ardent.tables, "blanks", blanks)] == [
        *("row 2, chambers", "row 3, cross references", "row 4, number")
    ]
    rules = [{"kind": "maybe", "when": "type: rim", "reason": "r"}, {"kind": "forbid", "when": "", "reason": "r"}]
    assert [field for field, _ in _told(ardent.tables, "rules-1", rules)] == ["row 2, kind", "row 3, when"]
