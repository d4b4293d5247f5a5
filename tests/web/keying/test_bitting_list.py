"""An existing bitting list: studied by the owner alone, never presented as more than it is, and taken over."""

import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from app.keying import BittingSpec, plan_levels, progress, read_bitting, rotate, write_bitting
from app.ledger.keysystems import bitting_lists
from app.ledger.keysystems.bitting_lists import ListAsk, study_bitting_list
from app.ledger.keysystems.bittings import open_plan
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Event, Keyset, KeySystem, Role
from app.spreadsheets import SentSheet, find_table
from tests import factories
from tests.desk import upload
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FlaskClient]
SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TOP = "405904"
WHARF = "528614"
# Seven changes of one two-step system, and its only master: a puzzle thread of 20 Oct 2013 on lockpicking101.com
# (viewtopic.php?p=422886), as printed there.
PUZZLE = ("269766", "241140", "843326", "687366", "241588", "221562", "041348")


def _send(client: FlaskClient, rows: list[tuple[str, ...]], name: str = "list.csv", **data: str) -> TestResponse:
    text = "symbol,bitting,status\n" + "\n".join(",".join(row) for row in rows)
    fields = {"keyway": "AQ1", "chambers": "6", "tmk": "", "constants": "0", **data}
    return upload(client, "/keying/bitting-list", text.encode(), name, **fields)


@pytest.fixture
def keyway(session: Session) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 9, "step": 2}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)


def test_the_one_master_of_a_list_is_named_with_a_caution(
    keyway: None, client_as: ClientAs, session: Session
) -> None:
    rows = [(f"{n}AA", bitting) for n, bitting in enumerate(PUZZLE, start=1)]
    page = _send(client_as(Role.OWNER), rows).text
    assert TOP in page and "One master alone fits" in page and "Hold it against" in page
    session.rollback()
    event = session.query(Event).filter_by(kind="bittings revealed").one()
    assert TOP not in event.summary and "7 rows" in event.summary


def test_several_masters_are_said_to_be_several(keyway: None, client_as: ClientAs) -> None:
    page = _send(client_as(Role.OWNER), [("1AA", PUZZLE[0]), ("2AA", PUZZLE[1])]).text
    assert "the list does not tell which" in page and "One master alone" not in page


def test_doubles_strangers_and_macs_are_told_by_row(client_as: ClientAs) -> None:
    factories.KeywayFactory(code="AQ1")  # MACS 7
    inside = [
        write_bitting(SPEC, bitting)
        for _, bitting in zip(range(3), progress(SPEC, read_bitting(SPEC, WHARF, "")), strict=False)
    ]
    rows = [
        ("1AA", inside[0]),
        ("2AA", inside[0]),
        ("3AA", inside[1], "retired"),
        ("4AA", "111111"),
        ("5AA", "090909"),
    ]
    page = _send(client_as(Role.OWNER), rows, tmk=WHARF).text
    assert "rows 2, 3 are one bitting" in page
    assert "rows 5, 6" in page  # strangers
    assert re.search(r"Break the MACS</dt><dd>row 6<", page)
    assert WHARF not in page  # the master that was typed is not shown again


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("1AA", "12345")], "row 2: bitting"),
        ([("1AA", "12345F")], "Chamber 6"),
        ([("1AA", "123456", "lent")], "row 2: status"),
        ([("W" * 70, "123456")], "row 2: symbol"),
        ([], "no bitting in this list"),
    ],
)
def test_a_bad_list_is_told_by_row_and_kept_nowhere(
    keyway: None, client_as: ClientAs, session: Session, rows: list[tuple[str, ...]], words: str
) -> None:
    answer = _send(client_as(Role.OWNER), rows)
    assert answer.status_code == 422 and words in answer.text
    session.rollback()
    assert session.query(Event).filter_by(kind="bittings revealed").count() == 0


def test_a_list_as_another_shop_kept_it_is_asked_about_and_keeps_its_rows_numbers(
    keyway: None, client_as: ClientAs
) -> None:
    owner = client_as(Role.OWNER)
    known = b"North Hall;;\n;;\nCuts;Door;Key symbol\n241140;1;1AA\n12345;2;2AA\n241588;3;3AA\n"
    fields = {"keyway": "AQ1", "chambers": "6", "tmk": "", "constants": "0"}
    assert "row 5: bitting" in upload(owner, "/keying/bitting-list", known, "list.csv", **fields).text
    strange = b"Pins;Sign\n241140;1AA\n843326;2AA\n"
    asked = upload(owner, "/keying/bitting-list", strange, "list.csv", **fields)
    assert asked.status_code == 422 and "Say which column has the bittings" in asked.text
    boxes = form_with(asked.text, "column-0") | {"column-0": "bitting", "column-1": "symbol"}
    assert "241140" not in boxes["table"]  # it comes along under seal
    studied = owner.post("/keying/bitting-list", data=boxes)
    assert studied.status_code == 200 and "<dt>Rows</dt><dd>2</dd>" in studied.text


@pytest.mark.parametrize(("name", "words"), [("list.pdf", "no PDF that can be read"), ("list.xlsx", "no XLSX")])
def test_a_file_of_another_kind_is_refused(keyway: None, client_as: ClientAs, name: str, words: str) -> None:
    answer = _send(client_as(Role.OWNER), [("1AA", "123456")], name)
    assert answer.status_code == 422 and words in answer.text


def test_a_list_of_a_hundred_thousand_rows_is_studied(keyway: None, work: Work) -> None:
    table = [["symbol", "bitting"], *([f"{n}AA", f"{n % 100_000:06d}"] for n in range(1, 100_001))]
    found = study_bitting_list(
        work, ListAsk("AQ1", 6), find_table(SentSheet(tuple(table))), {"symbol": 0, "bitting": 1}
    )
    assert found.rows == 100_000 and found.study.doubles == ()
    assert found.sealed == ""  # too long to be carried to a take-over


def _take(client: FlaskClient, rows: list[tuple[str, ...]], customer_id: int) -> object:
    page = _send(client, rows).text
    sealed = re.search(r'name="sealed"[^>]*value="([^"]+)"', page)
    assert sealed is not None
    data = {"sealed": sealed[1], "keyway": "AQ1", "chambers": "6", "customer": str(customer_id), "name": "Old wharf"}
    return client.post("/keying/bitting-list/take", data=data)


def test_a_three_level_list_is_taken_over_with_its_array(client_as: ClientAs, session: Session, work: Work) -> None:
    factories.KeywayFactory(code="AQ1")
    planned = plan_levels(SPEC, read_bitting(SPEC, WHARF, ""), levels=3, masters=2, changes_per_master=9)
    rows: list[tuple[str, ...]] = [(k.symbol, write_bitting(SPEC, k.bitting)) for k in planned.keysets]
    rows[-1] = (*rows[-1], "retired")
    answer = _take(client_as(Role.OWNER), rows, factories.CustomerFactory().id)
    assert answer.status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    assert system.levels == 3 and system.sealed_plan is not None and system.capacity
    assert session.query(Bitting).count() == len(rows)
    retired = session.scalars(sa.select(Keyset).where(Keyset.purpose == "retired")).one()
    assert retired.parent is not None and retired.parent.symbol == "AB"


def test_a_list_without_its_master_is_taken_over_and_cannot_be_extended(
    keyway: None, client_as: ClientAs, session: Session
) -> None:
    rows: list[tuple[str, ...]] = [(f"{n}AA", bitting) for n, bitting in enumerate(PUZZLE, start=1)]
    client = client_as(Role.OWNER)
    assert _take(client, rows, factories.CustomerFactory().id).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    assert system.levels == 2 and system.sealed_plan is None
    page = client.get(f"/keying/systems/{system.id}/extend").text
    assert "came as a list without the master, so what that opens is not known" in page and "single (SKD)" in page


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([("1AA", "269766"), ("2AA", "269766")], "have one bitting"),
        ([("1AA", "269766"), ("1AA", "241140")], "two bittings"),
        ([("the owner", "269766")], "no standard symbol"),
        ([("X1X", "269766")], "no key of its own"),
    ],
)
def test_a_list_that_contradicts_itself_is_not_taken_over(
    keyway: None, client_as: ClientAs, session: Session, rows: list[tuple[str, ...]], words: str
) -> None:
    answer = _take(client_as(Role.OWNER), rows, factories.CustomerFactory().id)
    assert answer.status_code == 422 and words in answer.text and "269766" not in answer.text
    session.rollback()
    assert session.query(KeySystem).count() == 0


def test_the_bench_does_not_open_a_list(client_as: ClientAs) -> None:
    client = client_as(Role.BENCH)
    assert client.get("/keying/bitting-list").status_code == 403
    assert client.post("/keying/bitting-list/take").status_code == 403


def test_a_list_whose_masters_all_break_the_macs_is_told_so(client_as: ClientAs) -> None:
    """The puzzle's only master steps from 5 to 9 to 0: under a MACS of 7 it is none, but the list is not at fault."""
    factories.KeywayFactory(code="AQ1")  # MACS 7
    page = _send(client_as(Role.OWNER), [(f"{n}AA", bitting) for n, bitting in enumerate(PUZZLE, start=1)]).text
    assert "breaks the MACS of this spec" in page and TOP not in page and "made another way" not in page
    assert "The changes of AA" in page


def test_a_list_too_long_to_take_over_says_so(
    client_as: ClientAs, monkeypatch: pytest.MonkeyPatch, keyway: None
) -> None:
    monkeypatch.setattr(bitting_lists, "MOST_SEALED", 6)
    rows = [(f"{n}AA", bitting) for n, bitting in enumerate(PUZZLE, start=1)]
    page = _send(client_as(Role.OWNER), rows).text
    assert "at most 6 rows at once" in page and ">Import<" not in page


def test_a_list_of_rotating_constants_is_taken_over_with_its_array(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """Its changes match the master in one place each, never the same one: no fixed chamber serves them."""
    factories.KeywayFactory(code="AQ1")
    changes = [write_bitting(SPEC, next(iter(turn))) for turn in rotate(SPEC, read_bitting(SPEC, WHARF, ""), 1).turns]
    rows = [("AA", WHARF), *((f"{number}AA", bitting) for number, bitting in enumerate(changes, start=1))]
    client = client_as(Role.OWNER)
    assert _take(client, rows, factories.CustomerFactory().id).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    plan = open_plan(work.vault, system)
    assert plan is not None and plan.constants == 1 and plan.under(SPEC, "C", plan.tmk).usable == system.capacity
    page = client.get(f"/keying/systems/{system.id}/extend").text
    assert "Key single instead" not in page
