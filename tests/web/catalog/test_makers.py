"""The makers' pages: read by all, changed by the owner; files shown before they are saved."""

import json
import re
from html import unescape
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.catalog.makers import import_maker
from app.ledger.catalog.sheets import find_sheet, sheet_rows, sheets_of
from app.ledger.tables import Item, Maker, Role
from tests.desk import upload
from tests.factories import MakerFactory
from tests.forms_found import form_with
from tests.web.importing.test_customers import action_of, follow

DEMO = Path(__file__).resolve().parents[3] / "demo_data" / "makers"
HEAD = "part_number,category,description,cost,list,stocked\n"
ITEMS = len(json.loads((DEMO / "ardent_brass.json").read_text())["items"])


def _given() -> dict[str, Any]:
    given: dict[str, Any] = json.loads((DEMO / "ardent_brass.json").read_text())
    return given


@pytest.fixture
def maker(work) -> Maker:
    return import_maker(work, _given())


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_all_read_the_tables_and_the_owner_alone_sees_cost_and_changes(client_as, maker: Maker, role: Role) -> None:
    client = client_as(role)
    page = client.get(f"/makers/{maker.id}").text
    for words in ("AK6-12", "its bolt tail sits deeper", "keyways AQ5 and AQ6 come with six chambers only", "US26D"):
        assert words in page
    assert "tables/keyways" not in page
    items = client.get(f"/goods?maker={maker.id}&q=A18M-Q1-66").text
    assert "A18M-Q1-66.SC" in items and "$30.40" in items and "$15.20" not in items
    for path in ("export.json", "catalogue.csv", "tables/keyways", "tables/keyways.csv"):
        assert client.get(f"/makers/{maker.id}/{path}").status_code == 403
        assert client.post(f"/makers/{maker.id}/tables/keyways").status_code == 403


def test_the_list_counts_items_in_one_question_a_maker_more_or_less(owner_client, maker: Maker) -> None:
    MakerFactory(name="Empty")
    page = owner_client.get("/makers").text
    assert f">{ITEMS}<" in page and "Empty" in page


def test_a_maker_is_added_by_name_and_not_twice(owner_client: FlaskClient) -> None:
    assert owner_client.post("/makers/new", data={"name": "Gannet", "code": "gan"}).status_code == 303
    again = owner_client.post("/makers/new", data={"name": "GANNET", "code": "x"})
    assert again.status_code == 422 and "is on record already" in again.text
    assert owner_client.post("/makers/new", data={"name": "x" * 9000, "code": "x"}).status_code == 422


def test_a_table_is_changed_cell_by_cell(owner_client: FlaskClient, maker: Maker, session) -> None:
    place = f"/makers/{maker.id}/tables/keyways"
    assert 'value="AQ6"' in owner_client.get(place).text
    cells = {
        "version": "1",
        "cell-0": ["AQ1", "AQ9", ""],
        "cell-1": ["AQ", "AQ", ""],
        "cell-2": ["Ardent AQ"] * 2 + [""],
    }
    assert owner_client.post(place, data=cells).status_code == 303
    session.commit()
    session.expire_all()
    assert [row["name"] for row in session.get(Maker, maker.id).tables["keyways"]] == ["AQ1", "AQ9"]
    assert owner_client.post(place, data=cells).status_code == 409
    bad = owner_client.post(place, data={**cells, "version": "2", "cell-2": ["Ardent AQ", "Old spec", ""]})
    assert bad.status_code == 422
    assert 'id="fault-2-2"' in bad.text and 'value="Old spec"' in bad.text and 'value="2"' in bad.text
    assert owner_client.get(f"/makers/{maker.id}/tables/nothing").status_code == 404


def test_a_new_makers_keyways_are_entered_with_a_spec_on_record(owner_client: FlaskClient, maker: Maker) -> None:
    place = owner_client.post("/makers/new", data={"name": "Gannet", "code": "GAN"}).headers["Location"]
    page = owner_client.get(f"{place}/tables/keyways").text
    assert "Bitting specs on record: Ardent AQ" in page and page.count('name="cell-0"') == 12
    cells = {"version": "1", "cell-0": ["GK1"], "cell-1": ["GK"], "cell-2": ["Ardent AQ"]}
    assert owner_client.post(f"{place}/tables/keyways", data=cells).status_code == 303
    shown = owner_client.get(place).text
    assert "GK1" in shown and "Bitting specs" in shown


def test_more_rows_keep_what_was_typed_and_save_nothing(owner_client: FlaskClient, maker: Maker, session) -> None:
    cells = {"version": "1", "cell-0": ["AQ1", "ZZ9"], "cell-1": ["AQ", ""], "cell-2": ["Ardent AQ", ""], "more": "1"}
    page = owner_client.post(f"/makers/{maker.id}/tables/keyways", data=cells)
    assert page.status_code == 200
    assert 'value="ZZ9"' in page.text and page.text.count('name="cell-0"') == 14
    assert page.text.index(">Save</button>") < page.text.index(">More rows</button>")  # Enter in a cell saves
    assert session.get(Maker, maker.id).version == 1


def test_what_a_changed_pattern_no_longer_reads_is_told(owner_client: FlaskClient, maker: Maker, session) -> None:
    tables = session.get(Maker, maker.id).tables
    key = next(sheet.key for sheet in sheets_of(tables) if sheet.title.endswith("codes of finish"))
    rows = [row for row in sheet_rows(tables, find_sheet(tables, key)) if row["code"] != "SC"]
    cells = {f"cell-{n}": [row[name] for row in rows] for n, name in enumerate(("code", "means", "sets"))}
    saved = owner_client.post(
        f"/makers/{maker.id}/tables/{key}", data={"version": "1", **cells}, follow_redirects=True
    )
    assert "of the catalog can no longer be read by this pattern: A16M-Q1-66.SC" in saved.text


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_table_goes_out_and_comes_back_the_same(owner_client: FlaskClient, maker: Maker, kind: str) -> None:
    for key in ("keyways", "blanks", "cams", "locks", "codes-1-6", "rules-1"):
        out = owner_client.get(f"/makers/{maker.id}/tables/{key}.{kind}")
        page = upload(owner_client, f"/makers/{maker.id}/tables/{key}/import", out.data, f"t.{kind}").text
        assert "Rows that come: 0" in page and "Rows that go: 0" in page, key


def test_a_tables_file_is_shown_then_saved(owner_client: FlaskClient, maker: Maker, session) -> None:
    place = f"/makers/{maker.id}/tables/codes-1-4"
    content = b"code,means,sets\nQ1,keyway AQ1,keyway: AQ1\nQ7,<b>new</b>,keyway: AQ7\n"
    refused = upload(owner_client, f"{place}/import", content, "codes.csv")
    assert refused.status_code == 422
    assert "this rule says nothing" in refused.text  # a rule names AQ5 and AQ6, which would be gone
    content = owner_client.get(f"{place}.csv").data + b"Q7,<b>new</b>,keyway: AQ7\r\n"
    shown = upload(owner_client, f"{place}/import", content, "codes.csv")
    assert "Rows that come: 1" in shown.text and "<b>new" not in shown.text
    assert len(session.get(Maker, maker.id).tables["patterns"][0]["segments"][3]["codes"]) == 6
    assert owner_client.post(f"{place}/record", data=form_with(shown.text, "token")).status_code == 303
    session.commit()
    session.expire_all()
    assert len(session.get(Maker, maker.id).tables["patterns"][0]["segments"][3]["codes"]) == 7


def test_a_makers_file_is_shown_then_saved_and_is_the_same_again(owner_client: FlaskClient, session) -> None:
    content = json.dumps(_given()).encode()
    shown = upload(owner_client, "/makers/import", content, "ardent.json")
    assert "is new" in shown.text and session.scalar(sa.select(sa.func.count(Maker.id))) == 0
    session.commit()
    done = owner_client.post("/makers/import/record", data=form_with(shown.text, "token"))
    assert done.status_code == 303
    out = owner_client.get(f"{done.location}/export.json").get_json()
    assert sorted(out["items"], key=str) == sorted(_given()["items"], key=str)
    assert {**out, "items": []} == {**_given(), "items": []}
    for bad, said in ((b"[1", "not JSON"), (b"", "This file is empty."), (b'{"name": "A", "code": 7}', "code")):
        answer = upload(owner_client, "/makers/import", bad, "x.json")
        assert answer.status_code == 422 and said in answer.text


def _told(page: str) -> dict[str, list[str]]:
    """Where the page says that something is wrong, and what, in its order."""
    rows = re.findall(r'<td data-label="Where" class="where">([^<]*)</td><td[^>]*>([^<]*)</td>', page)
    found: dict[str, list[str]] = {}
    for where, what in rows:
        found.setdefault(where, []).append(unescape(what))
    return found


def test_every_fault_of_a_makers_file_is_told_by_its_field(owner_client: FlaskClient, session) -> None:
    mark = {"name": "mark", "kind": "text", "text": "G", "sets": {"type": "mortise"}, "words": "Gannet"}
    # Shape and meaning at once: a kind and a type that do not exist, a column that nobody knows, codes that stand
    # twice in a sound table and in one that is not, digits, a name twice, and rules on what no code gives.
    faulty = [
        mark,
        {"name": "finish", "kind": "color", "codes": []},
        {"name": "way", "kind": "codes", "shade": "red", "codes": [
            {"code": "A", "sets": {"keyway": "GQ1"}, "words": "first"},
            {"code": "a", "sets": {"keyway": "GQ2"}, "words": "second"},
            {"code": "C", "sets": {"type": "hinge", "thread": "1"}, "words": ""},
        ]},
        {"name": "Way", "kind": "codes", "codes": [
            {"code": "X", "sets": {"cam": "long"}, "words": "long"},
            {"code": "X", "sets": {"cam": "short"}, "words": "short"},
        ]},
        {"name": "length", "kind": "number", "attribute": "weight", "digits": 9, "least": 0, "most": 7, "unit": "0"},
    ]  # fmt: skip
    # Sound in shape, yet two pairs of pieces run together, a rule speaks of nothing, and a code stands twice.
    blurred = [
        mark,
        {"name": "way", "kind": "codes", "separator": "-", "codes": [
            {"code": code, "sets": {"keyway": f"GQ{code}"}, "words": code} for code in ("1", "11", "1")
        ]},
        {"name": "cam", "kind": "codes", "codes": [{"code": "1", "sets": {"cam": "long"}, "words": "long"}],
         "missing": [{"sets": {"cam": "plain"}, "words": "plain"}]},
        {"name": "tail", "kind": "codes", "separator": ".", "codes": [
            {"code": code, "sets": {"tailpiece": f"T{code}"}, "words": code} for code in ("2", "22")
        ]},
        {"name": "finish", "kind": "codes", "codes": [{"code": "2", "sets": {"finish": "626"}, "words": "626"}],
         "missing": [{"sets": {"finish": "606"}, "words": "606"}]},
    ]  # fmt: skip
    rules = [
        {"kind": "refuse", "when": {"keyway": ["GQ1"]}, "reason": ""},
        {"kind": "allow", "when": {"keyway": ["GQ1"]}, "reason": "so"},
    ]
    stray = {"kind": "forbid", "when": {"keyway": ["GQ7"], "cam": ["none such"]}, "reason": "not made"}
    given = {
        "name": "Gannet", "code": "GAN", "color": 1,
        "patterns": [
            {"name": "faulty", "segments": faulty, "rules": rules},
            {"name": "blurred", "segments": blurred, "rules": [stray]},
        ],
        "keyways": [{"name": "GQ1", "family": "", "bitting_spec": "gone"}, {"name": "GQ2", "bitting_spec": "gone"}],
        "bitting_specs": {}, "locks": [{"name": "L", "case": "wide", "bore_min": "no"}],
        "lengths": ["1", "long", "1"],
    }  # fmt: skip
    answer = upload(owner_client, "/makers/import", json.dumps(given).encode(), "gannet.json")
    told = _told(answer.text)
    assert answer.status_code == 422 and session.scalar(sa.select(sa.func.count(Maker.id))) == 0
    wanted = {
        "color": "not known", "keyways[1].family": "Enter text", "keyways[2].family": "Enter text",
        "keyways[1].bitting_spec": "gone", "keyways[2].bitting_spec": "gone",
        "locks[1].series": "Enter text", "locks[1].takes": "Enter text", "locks[1].case": "wide",
        "locks[1].bore_min": "no", "lengths[2]": "long", "lengths[3]": "twice",
    }  # fmt: skip
    one = "patterns[1].segments"
    wanted |= {
        f"{one}[2].kind": "no kind of segment", f"{one}[3].shade": "not known", f"{one}[3].codes[2]": "stands twice",
        f"{one}[3].codes[3].sets.type": "no cylinder type", f"{one}[3].codes[3].sets.thread": "not known",
        f"{one}[3].codes[3].words": "Enter text", f"{one}[4].codes[2]": "stands twice in Way",
        f"{one}[5].attribute": "A number is", f"{one}[5].digits": "whole number", f"{one}[5].unit": "more than 0",
        "patterns[1].rules[1].kind": "no kind of rule", "patterns[1].rules[1].reason": "Enter text",
        "patterns[1].rules[2].then": "what is allowed",
        "patterns[2].segments[2].codes[3]": "stands twice in way", "patterns[2].rules[1].keyway": "'GQ7'",
        "patterns[2].rules[1].cam": "'none such'",
    }  # fmt: skip
    assert {
        where: any(words in what for what in told.get(where, [])) for where, words in wanted.items()
    } == dict.fromkeys(wanted, True)
    alike = told["patterns[2].segments"]
    assert [re.findall(r"by its (.*): its", what) for what in alike] == [["cam and keyway"], ["finish and tailpiece"]]
    assert told.keys() - wanted.keys() == {"patterns[2].segments"}  # and nothing that is not so


def test_every_fault_of_a_makers_table_is_told_by_its_row_and_column(owner_client: FlaskClient, maker: Maker) -> None:
    def saved(key: str, rows: list[dict[str, str]]) -> dict[str, list[str]]:
        sheet = find_sheet(maker.tables, key)
        form: dict[str, Any] = {"version": str(maker.version)}
        for place, column in enumerate(sheet.columns):
            form[f"cell-{place}"] = [row.get(column, "") for row in rows]
        answer = owner_client.post(f"/makers/{maker.id}/tables/{key}", data=form)
        assert answer.status_code == 422
        return _told(answer.text)

    told = saved(
        "rules-1",
        [
            {"kind": "refuse", "when": "keyway AQ1", "then": "cam long", "reason": ""},
            {"kind": "forbid", "when": "keyway: ZZ9", "reason": "not made"},
            {"kind": "allow", "when": "finish: 626", "reason": ""},
        ],
    )
    assert list(told) == ["row 1, when", "row 1, then", "row 2, keyway", "row 3, reason", "row 3, then"]
    segments = sheet_rows(maker.tables, find_sheet(maker.tables, "segments"))
    bad = {"pattern": "new", "segment": "mark", "kind": "text", "text": "ä", "separator": "§", "digits": "4"}
    told = saved("segments", [*segments, bad, {**bad, "segment": "Mark", "kind": "guess", "left out": "plain = cam"}])
    last = len(segments)
    assert list(told) == [
        *(f"row {last + 1}, {column}" for column in ("digits", "separator", "text")),
        *(f"row {last + 2}, {column}" for column in ("kind", "left out", "segment")),
    ]


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_catalog_goes_in_as_a_table_of_goods_from_its_makers_page(
    owner_client: FlaskClient, maker: Maker, kind: str, session
) -> None:
    page = owner_client.get(f"/makers/{maker.id}").text
    address = unescape(re.search(r'href="([^"]*)">Send its catalog as a table', page)[1])
    saved = owner_client.get(f"/makers/{maker.id}/catalogue.{kind}").data
    shown = follow(owner_client, upload(owner_client, address, saved, f"saved.{kind}", kind="goods").location)
    assert "Everything in this table is saved already" in shown
    rows = "H-1,hardware,Part 1,1.00,2.00,no\nA18M-Q1-66.SC,cylinder,Changed,15.20,31.00,no\n"
    sent = upload(owner_client, address, (HEAD + rows).encode(), "all.csv", kind="goods")
    shown = follow(owner_client, sent.location)
    assert "1 new" in shown and "1 changed" in shown
    assert owner_client.post(action_of(shown), data=form_with(shown, "seal")).status_code == 303
    assert session.scalar(sa.select(sa.func.count(Item.list_cents))) == ITEMS + 1


def test_what_changed_after_it_was_shown_is_not_overwritten(owner_client: FlaskClient, maker: Maker, session) -> None:
    file = upload(owner_client, "/makers/import", json.dumps(_given()).encode(), "ardent.json").text
    table = upload(
        owner_client,
        f"/makers/{maker.id}/tables/cams/import",
        owner_client.get(f"/makers/{maker.id}/tables/cams.csv").data,
        "cams.csv",
    ).text
    own = session.get(Maker, maker.id)
    own.tables = {**own.tables, "note": "Saved by somebody else."}
    session.commit()
    again = owner_client.post("/makers/import/record", data=form_with(file, "token"))
    assert again.status_code == 409 and "what it would do now" in again.text
    again = owner_client.post(f"/makers/{maker.id}/tables/cams/record", data=form_with(table, "token"))
    assert again.status_code == 409 and "what it would do now" in again.text
    session.expire_all()
    assert session.get(Maker, maker.id).tables["note"] == "Saved by somebody else."
    # Shown anew, the file goes on record as it stands on the page.
    assert (
        owner_client.post(f"/makers/{maker.id}/tables/cams/record", data=form_with(again.text, "token")).status_code
        == 303
    )


def test_what_people_typed_never_becomes_markup(owner_client, maker: Maker, work) -> None:
    given = _given()
    given["note"] = "<script>x</script>"
    given["cams"][0]["exceptions"][0]["reason"] = "<b>why</b>"
    given["patterns"][0]["segments"][3]["codes"][0]["words"] = "<u>word</u>"
    import_maker(work, given)
    for path in ("", "/tables/cams", "/tables/codes-1-4"):
        page = owner_client.get(f"/makers/{maker.id}{path}").text
        for markup in ("<script>x", "<b>why", "<u>word", "“<b>"):
            assert markup not in page


def test_blanks_that_contradict_another_makers_are_refused_by_row_and_column(
    owner_client: FlaskClient, maker
) -> None:
    """Pell & Rowe say that their blank is Ardent's AK5-12, and of another length and keyways than Ardent does."""
    made = owner_client.post("/makers/new", data={"name": "Pell & Rowe", "code": "PAR"}).headers["Location"]
    page = owner_client.get(made).text
    assert "to be mended" not in page
    place = f"{made}/tables/keyways"
    spec = {"version": "1", "cell-0": ["PR-P", "PR-W"], "cell-1": ["PR", "PR"], "cell-2": ["Ardent AQ", "Ardent AQ"]}
    assert owner_client.post(place, data=spec).status_code == 303
    cells: dict[str, Any] = {
        "version": "2",
        "cell-0": ["PK-30", "PK-91"],
        "cell-1": ["PR-P", "PR-P, AQ3"],
        "cell-2": ["5", "6"],
        "cell-3": ["Ardent Brass: AK5-99", "Ardent Brass: AK5-12"],
    }
    refused = owner_client.post(f"{made}/tables/blanks", data=cells)
    assert refused.status_code == 422
    for said in (
        "row 2, keyways",
        "Ardent Brass&#39;s own row of this blank, AK5-12, does not enter AQ3: add it there, or take it out here.",
        "row 2, chambers",
        "Ardent Brass&#39;s AK5-12, the same blank, has room for 5 cuts, not 6",
    ):
        assert said in refused.text, said
    assert 'value="PR-P, AQ3"' in refused.text  # nothing that was typed is lost
    saved = owner_client.post(
        f"{made}/tables/blanks", data={**cells, "cell-1": ["PR-P", "PR-P, AQ1"], "cell-2": ["5", "5"]}
    )
    assert saved.status_code == 303
    page = unescape(owner_client.get(made).text)
    assert "Which key enters which keyway: to be mended" in page
    assert "Ardent Brass has no key blank AK5-99: correct it, or add it there." in page
    assert "No key blank enters PR-W" in page  # what is only missing is told, and not refused
    given = json.loads((DEMO / "pell_and_rowe.json").read_text())
    given["key_blanks"][-1]["keyways"].append("AQ6")
    waiting = upload(owner_client, "/makers/import", json.dumps(given).encode(), "maker.json")
    assert waiting.status_code == 422 and "key_blanks[3].keyways" in waiting.text
