"""What a hand-edited export may not do to jobs, quotes, payments and their story; and what earlier exports lack."""

import ast
import importlib
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import sqlalchemy as sa

import app
from app.errors import Problems
from app.ledger import tables as m
from app.ledger.keys.key_queries import KINDS
from app.ledger.keysystems.lost_keysets import KEYED_UNDER_LOST
from app.ledger.moving.export_file import LONGEST, export_house, split_long
from app.ledger.moving.exported_events import EXPORTED, exported_detail
from app.ledger.moving.importing import import_house, plan_house
from app.ledger.people.users import add_user, has_users, start_house
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.store.errors import Taken
from app.ledger.store.events import first_broken_link, missing_at_the_end
from app.ledger.store.work import Actor, Work
from tests import factories
from tests.ledger.moving.conftest import OTHER_OWNER
from tests.moved import JOB_TABLES, Rows, demo_taken, tables_in, with_table, without_columns

OF_KEYS = set(KINDS)
# What no refusal below is about: without it a plan is made in a moment.
_BESIDE = (
    *("keyways", "prices", "price rules", "operated by", "keys"),
    *("key counts", "key count lines"),
)


@pytest.fixture(scope="module")
def taken() -> bytes:
    """The demo's export without the tables that no job needs."""
    content = demo_taken()
    for name in _BESIDE:
        content = with_table(content, name, None)
    return content


def edited(content: bytes, table: str, change: Callable[[list[dict[str, str]]], object]) -> bytes:
    """The export after somebody edited one table's rows, each a dict by title."""
    head, *rows = tables_in(content)[table]
    told = [dict(zip(head, row, strict=True)) for row in rows]
    change(told)
    return with_table(content, table, [head, *([row[title] for title in head] for row in told)])


def problems_of(work: Work, content: bytes) -> list[tuple[str, str]]:
    plan = plan_house(work, "a.zip", content)
    return [(problem.field, problem.message) for problem in plan.problems]


def first_with(rows: list[dict[str, str]], **values: str) -> dict[str, str]:
    return next(row for row in rows if all(row[name.replace("_", " ")] == value for name, value in values.items()))


CELLS = [
    ("jobs", {}, "stage", "on the moon", "Write one of: asked, quoted"),
    ("jobs", {"stage": "quoted"}, "stage", "asked", "it is no longer asked"),
    ("jobs", {"stage": "quoted"}, "stage", "approved", "job lines has no line of it"),
    ("jobs", {"stage": "on the bench"}, "stage", "quoted", "A quote of this job was accepted, so it is not quoted"),
    ("jobs", {"stage": "on the bench"}, "stage", "handed over", "The job's story ends with on the bench"),
    ("jobs", {"stage": "on the bench"}, "accepted by", "", "somebody accepted its quote: enter who"),
    ("jobs", {"stage": "on the bench"}, "accepted on", "", "its quote was accepted: enter the day"),
    ("jobs", {"stage": "lost"}, "reason", " ", "Say why the job is lost"),
    ("jobs", {}, "number", "0", "begin at 1"),
    ("jobs", {"number": "1004"}, "number", "1005", "stands there already in another row"),
    ("jobs", {"number": "1004"}, "number", "2004", "The quote itself is of job 1004"),
    ("jobs", {}, "value cents", "12.5", "Write a whole number"),
    ("jobs", {}, "value cents", "-1", "whole cents from 0"),
    ("jobs", {}, "value cents", "1" + "0" * 30, "Write a whole number"),
    ("jobs", {}, "bench minutes", "-1", "whole minutes, 0 or more"),
    ("jobs", {}, "keyed at", "elsewhere", "Write one of: nothing, shop"),
    ("jobs", {}, "accepted option", "C", "Write A or B"),
    ("jobs", {}, "opened by", "", "Enter a name"),
    ("jobs", {}, "opened by", "x" * 100, "at most 80 characters"),
    ("jobs", {"number": "1007"}, "site row", "4", "another customer's"),
    ("job lines", {}, "unit cents", "0.5", "Write a whole number"),
    ("job lines", {}, "quantity", "0", "1 or more"),
    ("job lines", {}, "number", "0", "begin at 1"),
    ("job lines", {}, "kind", "gift", "Write one of: cylinder"),
    ("job lines", {}, "ask", "{}", "no request that the counter can make"),
    ("job lines", {}, "ask", "[1]", "no request that the counter can make"),
    ("quotes", {}, "sha256", "0" * 64, "does not read as it was issued"),
    ("quotes", {}, "revision", "3", "The quote itself says 1"),
    ("quotes", {}, "total cents", "1", "The quote itself says"),
    ("quotes", {}, "valid until", "2030-01-01", "The quote itself says"),
    ("quotes", {}, "issued by", "Somebody else", "The quote itself says"),
    ("quotes", {}, "issued at", "0001-01-01T00:00:00+14:00", "Write the moment as"),
    ("payments", {}, "job row", "4040", "There is no row 4040 in jobs"),
    ("payments", {}, "cents", "12.50", "Write a whole number"),
    ("payments", {}, "cents", "0", "not 0"),
    ("payments", {}, "cents", "-999999", "More is given back here than had come in"),
    ("payments", {}, "means", "shells", "Write one of: cash"),
    ("payments", {}, "note", "4000 0000 0000 0000", "12 digits or more"),
    ("payments", {}, "received on", "1999-01-01", "The job was opened on"),
    ("bench times", {}, "minutes", "9e999999999", "such as 42.5"),
    ("bench times", {}, "task", "resting", "Write one of: set-up"),
    ("bench times", {}, "pieces", "0", "1 or more"),
    ("stock movements", {"kind": "reserved"}, "reserved", "900000", "on hand and 899,99"),
    ("last numbers", {"name": "job"}, "value", "1003", "The job 1010 was given out already"),
    ("last numbers", {"name": "key receipt"}, "value", "0", "The key receipt"),
    ("last numbers", {"name": "purchase order"}, "value", "0", "The purchase order 1 was given out already"),
    ("cylinders", {"line_number": "1"}, "line number", "900", "There is no line 900 of job"),
    ("cylinders", {"line_number": "1"}, "job row", "", "a cylinder of no job"),
    ("story", {}, "kind", "clock accepted", "Write one of: job opened"),
    ("story", {}, "kind", "backup made", "Write one of: job opened"),
    ("story", {}, "job row", "", "all but those of keys and arrays with their job's row"),
    ("story", {"kind": "stage moved"}, "detail", '{"token":"x"}', "'token' is no detail of this event"),
    ("story", {"kind": "deposit taken"}, "detail", '{"payment":4040}', "There is no payment 4040 of this job"),
    ("story", {"kind": "deposit taken"}, "detail", '{"kind_of_payment":"gift"}', "not what it was exported as"),
    ("story", {"kind": "deposit taken"}, "detail", '{"payment":true}', "not what it was exported as"),
    ("story", {"kind": "keys issued"}, "detail", '{"receipt":1}', "Words of this event are missing"),
    ("story", {"kind": "keys issued"}, "subject", "key system 4040", "'key system' and its row"),
    ("story", {"kind": "stage moved"}, "subject", "job 1", "the number of the job"),
    ("story", {}, "actor", "Somebody else", "not the actor name of this row"),
    ("story", {}, "at", "2126-01-01T00:00:00+00:00", "has not come yet"),
    ("story", {}, "detail", '{"a":"\\u0000"}', "no JSON object"),
    ("story", {}, "detail", '{"a":"\\ud800"}', "no JSON object"),
]


@pytest.mark.parametrize(("table", "where", "column", "text", "part"), CELLS)
def test_what_no_use_case_could_have_brought_about_is_told_by_table_row_and_column(
    table: str, where: dict[str, str], column: str, text: str, part: str, taken: bytes, empty: Work
) -> None:
    def change(rows: list[dict[str, str]]) -> None:
        first_with(rows, **where)[column] = text

    problems = problems_of(empty, edited(taken, table, change))
    assert [field for field, message in problems if part in message], problems
    assert all(field.partition(",")[0] in tables_in(taken) for field, _ in problems)
    assert all(", row " in field for field, _ in problems)
    with pytest.raises(Problems):
        import_house(empty, "a.zip", edited(taken, table, change))
    assert empty.session.scalar(sa.select(sa.func.count()).select_from(m.User)) == 1
    assert empty.session.scalar(sa.select(sa.func.count()).select_from(m.Customer)) == 0


def test_a_quote_that_was_altered_is_refused_with_its_row_and_column(taken: bytes, empty: Work) -> None:
    def cheaper(rows: list[dict[str, str]]) -> None:
        rows[0]["snapshot"] = rows[0]["snapshot"].replace('"need_by":', '"need_by" :', 1)

    assert [field for field, _ in problems_of(empty, edited(taken, "quotes", cheaper))] == ["quotes, row 2, snapshot"]

    def sealed_anew(rows: list[dict[str, str]], **values: object) -> None:
        said = json.loads(rows[0]["snapshot"]) | values
        rows[0]["snapshot"] = json.dumps(said)
        rows[0]["sha256"] = snapshot_hash(rows[0]["snapshot"])

    for values, part in (
        ({"lines": [{"label": 1}]}, "no quote of Bittern's"),
        ({"house": None}, "no quote of Bittern's"),
        ({"title": "\0"}, "no quote of Bittern's"),
        ({"cost_cents": True}, "no quote of Bittern's"),
        ({"cost_cents": 1}, "The quote itself says 1"),
        ({"color": "red"}, "no quote of Bittern's"),
        ({"ask": {}}, "no request that the counter can make"),
        ({"job_number": 9}, "The quote itself is of job 9"),
    ):
        problems = problems_of(empty, edited(taken, "quotes", lambda rows, said=values: sealed_anew(rows, **said)))
        assert [part in message for _, message in problems] == [True], values


@pytest.mark.parametrize(
    ("table", "part"),
    [
        ("quotes", "quotes has none of it"),
        ("job lines", "job lines has no line of it"),
        ("jobs", "There is no row 1 in jobs"),
        ("last numbers", "There is no row 'job': add one with the value 1010"),
        ("payments", " in payments"),
    ],
)
def test_a_table_that_others_need_is_missed(table: str, part: str, taken: bytes, empty: Work) -> None:
    assert any(part in message for _, message in problems_of(empty, with_table(taken, table, None)))


def test_a_revision_left_out_is_missed(taken: bytes, empty: Work) -> None:
    def leave_out(rows: list[dict[str, str]]) -> None:
        rows.remove(first_with(rows, job_row=first_with(rows, revision="2")["job row"], revision="1"))

    told = [message for _, message in problems_of(empty, edited(taken, "quotes", leave_out))]
    assert told == ["The quotes of a job are numbered 1, 2, 3 …, and revision 1 of this job is missing."]


def test_a_receipt_is_given_out_once(taken: bytes, empty: Work) -> None:
    def twice(rows: list[dict[str, str]]) -> None:
        first, second = [row for row in rows if row["kind"] == "keys issued"][:2]
        second["detail"] = first["detail"]

    assert any(
        "stands in another row too" in message for _, message in problems_of(empty, edited(taken, "story", twice))
    )


# The columns of an export before jobs went with it.
_EARLIER = {"cylinders": ("job row", "line number"), "keys": ("job row",)}


@pytest.mark.database
def test_an_export_of_before_jobs_went_with_it_goes_in(empty: Work) -> None:
    content = demo_taken()
    others = (
        *("key counts", "key count lines", "appointments", "reminders", "invoices", "invoice lines", "payment uses"),
        *("needs", "stock movements", "stock counts", "stock count lines", "orders to makers", "order lines"),
        *("order shares", "deliveries", "delivery lines", "promise moves", "returns", "return lines", "claims"),
    )
    for name in (*JOB_TABLES, *others):
        content = with_table(content, name, None)
    for name, columns in _EARLIER.items():
        content = with_table(content, name, without_columns(tables_in(content)[name], *columns))
    plan = import_house(empty, "a.zip", content)
    assert plan.people == () and plan.rows > 1000
    again = tables_in(export_house(empty, "zip"))
    assert [len(again[name]) for name in JOB_TABLES] == [1] * len(JOB_TABLES)
    for name, rows in tables_in(content).items():
        assert without_columns(again[name], *_EARLIER.get(name, ())) == rows, name
    # The house that it came from, where it is whole, has nothing against it either; what it lacks goes in after it.
    assert import_house(empty, "a.zip", content).rows == 0


def test_jobs_go_in_after_an_export_that_had_none_once_what_points_to_them_is_taken_in_with_them(
    taken: bytes, empty: Work
) -> None:
    import_house(empty, "a.zip", with_table(taken, "story", None))
    assert first_broken_link(empty.session) is None
    plan = import_house(empty, "a.zip", taken)
    assert {one.moved.name: len(one.inserts) for one in plan.tables if one.inserts} == {
        "story": len(tables_in(taken)["story"]) - 1
    }
    assert first_broken_link(empty.session) is None and missing_at_the_end(empty.session) == 0
    assert tables_in(export_house(empty, "zip"))["story"] == tables_in(taken)["story"]


@pytest.mark.database
def test_a_story_goes_on_and_never_says_otherwise(taken: bytes, empty: Work) -> None:
    whole: Rows = tables_in(taken)["story"]
    job = whole[0].index("job row")
    of_jobs = [row for row in whole if row[job] or not OF_KEYS & set(row)]
    import_house(empty, "a.zip", with_table(taken, "story", of_jobs))
    plan = plan_house(empty, "a.zip", taken)
    assert plan.problems == () and plan.rows == len(whole) - len(of_jobs) > 5

    def another(rows: list[dict[str, str]]) -> None:
        first_with(rows, kind="note")["summary"] = "It never happened"

    field, message = problems_of(empty, edited(taken, "story", another))[0]
    assert field.startswith("story, row ") and field.endswith(", summary") and "never changed" in message
    # A file with less of it leaves what is here.
    assert import_house(empty, "a.zip", with_table(taken, "story", whole[:5])).rows == 0


def test_what_was_let_off_on_account_comes_in_where_nothing_was_paid(taken: bytes, empty: Work) -> None:
    def let_off(rows: list[dict[str, str]]) -> None:
        first_with(rows, note="Deposit").update({"cents": "-525", "means": "on account"})

    assert plan_house(empty, "a.zip", edited(taken, "payments", let_off)).problems == ()


def test_a_person_who_came_is_let_in_by_the_owner(taken: bytes, empty: Work) -> None:
    import_house(empty, "a.zip", taken)
    came = empty.session.scalars(sa.select(m.User.id).where(m.User.name == "Cora")).one()
    user = add_user(empty, "cora", m.Role.BENCH, "reed bed at low water")
    assert (user.id, user.name, user.role, user.active) == (came, "Cora", m.Role.BENCH, True)
    with pytest.raises(Taken):
        add_user(empty, "Cora", m.Role.BENCH, "reed bed at low water")
    with pytest.raises(Taken):
        add_user(empty, OTHER_OWNER, m.Role.BENCH, "reed bed at low water")


@pytest.mark.database
def test_a_house_that_was_filled_before_anybody_had_a_login_is_still_begun(taken: bytes, empty: Work) -> None:
    empty.session.execute(sa.delete(m.User))
    empty.session.commit()
    house = replace(empty, actor=Actor(None, "the house", m.Role.OWNER))  # as a command works, with nobody logged in
    import_house(house, "a.zip", taken)
    assert not has_users(empty.session)
    wren = start_house(house, "Another name", "Wren", "reed bed at low water")
    assert has_users(empty.session) and wren.role is m.Role.OWNER and wren.active
    assert export_house(house, "zip") == export_house(house, "zip")


def test_two_spellings_of_a_name_are_one_person(taken: bytes, empty: Work) -> None:
    with factories.saving_into(empty.session):
        factories.UserFactory(name="CORA")
    assert set(plan_house(empty, "a.zip", taken).people) == {"Bram", "Wren"}
    import_house(empty, "a.zip", taken)
    assert import_house(empty, "a.zip", taken).rows == 0
    opened = tables_in(export_house(empty, "zip"))["jobs"]
    assert {row[opened[0].index("opened by")] for row in opened[1:]} == {"CORA"}


def kind_named(node: ast.expr, path: Path) -> str:
    """The kind that a call of `record` gives, as it stands there or as a constant of the module."""
    if isinstance(node, ast.Constant):
        return str(node.value)
    name = ".".join(path.relative_to(Path(app.__file__).parent.parent).with_suffix("").parts)
    return str(getattr(importlib.import_module(name), node.id, "")) if isinstance(node, ast.Name) else ""


def test_every_kind_of_event_that_belongs_to_a_job_is_moved() -> None:
    found = set()
    for path in Path(app.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            is_record = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "record"
            if is_record and any(one.arg == "job_id" for one in node.keywords):
                found.add(kind_named(node.args[1], path))
    assert len(found) > 10 and KEYED_UNDER_LOST in found
    assert found - EXPORTED.keys() <= {""}  # "": a kind that the code chooses among several


def test_a_detail_that_was_not_looked_at_stays_in_the_house() -> None:
    for kind, fields in EXPORTED.items():
        assert exported_detail(
            kind, {"bitting": "528614", "token": "press", **dict.fromkeys(fields, 1)}
        ).keys() == set(fields)


@pytest.mark.parametrize("kind", ["zip", "xlsx"])
def test_a_quote_longer_than_a_cell_travels_whole(kind: str, taken: bytes, empty: Work) -> None:
    def long(rows: list[dict[str, str]]) -> None:
        said = json.loads(rows[0]["snapshot"])
        said["terms"] = "=A term. " * 30_000  # beyond what a workbook's cell, or a CSV reader's field, holds
        rows[0]["snapshot"] = json.dumps(said, sort_keys=True, ensure_ascii=False, separators=(",", ":"))
        rows[0]["sha256"] = snapshot_hash(rows[0]["snapshot"])
        assert len(rows[0]["snapshot"]) > 8 * LONGEST

    import_house(empty, "a.zip", with_long(taken, long))
    made = export_house(empty, kind)
    plan = plan_house(empty, f"a.{kind}", made)
    assert plan.problems == () and plan.rows == 0
    longest = empty.session.scalar(sa.select(sa.func.max(sa.func.length(m.QuoteRevision.snapshot))))
    assert longest is not None and longest > 8 * LONGEST


def with_long(content: bytes, change: Callable[[list[dict[str, str]]], object]) -> bytes:
    """The export with a text in its quotes that goes on in further columns, as `export_house` writes it."""
    head, *rows = tables_in(content)["quotes"]
    told = [dict(zip(head, row, strict=True)) for row in rows]
    change(told)
    return with_table(content, "quotes", split_long([head, *([row[title] for title in head] for row in told)]))
