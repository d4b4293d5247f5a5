"""Another shop's bitting list: read by row, asked about, taken over at once; what stands aside is settled."""

import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.config import Config
from app.keying import BittingSpec, KeyingError, plan_levels, read_bitting, read_cuts, rotate, write_bitting
from app.ledger.importing.imports import KINDS, open_table, remember_choice
from app.ledger.importing.reading import TableChoice
from app.ledger.keys.keys import order_copies
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, open_plan
from app.ledger.keysystems.extending import ExtendForm, extend_system, make_extension_ready, seal_extension
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, BlindCode, Event, Import, ImportMapping, Keyset, KeySystem, ListRowAside, Role
from app.spreadsheets import PASTED
from tests import factories
from tests.desk import led_to, list_taken, send_list, upload
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FlaskClient]
SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
WHARF = "528614"
# Seven changes of one two-step system, and its only master: a puzzle thread of 20 Oct 2013 on lockpicking101.com
# (viewtopic.php?p=422886), as printed there.
PUZZLE, TOP = ("269766", "241140", "843326", "687366", "241588", "221562", "041348"), "405904"


@pytest.fixture
def keyway(session: Session) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 9, "step": 2}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)


@pytest.fixture
def customer(session: Session) -> int:
    return int(factories.CustomerFactory(name="Old Wharf Trust").id)


def read(client: FlaskClient, text: str, **boxes: str) -> tuple[str, str]:
    address, page = send_list(client, text)
    return address, press(client, address, page, "update", **boxes).text


def press(client: FlaskClient, address: str, page: str, act: str, **boxes: str):
    return client.post(address, data=form_with(page, "chambers") | {"act": act, "keyway": "AQ1", **boxes})


def take(client: FlaskClient, text: str, customer: int, **boxes: str) -> str:
    return list_taken(client, text, customer, "Old wharf", keyway="AQ1", **boxes)


def rows(*listed: tuple[str, ...]) -> str:
    return "symbol,bitting,level\n" + "\n".join(",".join(row) for row in listed)


OWN = rows(
    ("GMK", "4 1 7 2 5 0", "GMK"),
    ("MK1", "8-3-6-2-5-0", "MK"),
    ("101", "83.84.72", "change"),
    ("102", "83647", "change"),
    ("103", "838472", "change"),
    ("104", "036294", "change"),
)


def test_an_old_list_is_asked_about_and_taken_over(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    address, page = read(owner_client, OWN)
    assert "<dt>Taken</dt><dd><b>4</b>" in page and "<dt>Asked</dt><dd><b>1</b>" in page
    assert "5 of 6 cuts: was a leading zero lost?" in page and "put the zero back" in page
    assert "The same bitting as row 4, 101: one must be another." in page
    refused = press(owner_client, address, page, "save")
    assert refused.status_code == 422
    for words in ("Choose the customer.", "Enter a name for the system.", "1 row ask something"):
        assert words in refused.text
    session.rollback()
    assert session.query(KeySystem).count() == 0

    said = {"customer": str(customer), "name": "Old wharf", "zero-5": "083647"}
    assert press(owner_client, address, page, "save", **said).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    symbols = {one.symbol: (one.own_symbol, one.parent.symbol if one.parent else "") for one in system.keysets}
    assert symbols == {
        "A": ("GMK", ""), "AA": ("MK1", "A"), "AA1": ("101", "AA"), "AA2": ("102", "AA"), "AA3": ("104", "AA"),
    }  # fmt: skip
    assert session.query(Bitting).count() == 5
    [aside] = session.query(ListRowAside).all()
    assert (aside.row, aside.own_symbol, aside.could_matter) == (6, "103", True) and aside.sealed
    assert b"838472" not in aside.sealed


def test_every_page_of_a_list_stands_under_key_systems(keyway: None, owner_client: FlaskClient) -> None:
    sent = upload(owner_client, "/imports", b"name,cuts,x\nGMK,417250,\n", "list.csv", kind="bitting list")
    columns = sent.headers["Location"] + "/columns"
    for page in (owner_client.get(to) for to in ("/imports?kind=bitting+list", columns)):
        assert re.search(r'href="/key-systems" aria-current="page">Key systems<', page.text)


def test_new_symbols_skip_what_keys_of_the_list_may_be_stamped_with(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(
        ("A", "4 1 7 2 5 0", ""),
        ("AA", "8-3-5-2-5-0", ""),
        ("AA1", "835472", ""),
        ("AA-2", "835472", ""),
        ("AA 04", "835472", ""),
    )
    page = take(owner_client, listed, customer, leaves_asked="y", order_tells="y")
    for link in re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page):
        boxes = form_with(owner_client.get(link).text, "why")
        assert owner_client.post(link, data=boxes | {"why": "gone, nobody knows where"}).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    assert [one.symbol for one in system.keysets] == ["A", "AA", "AA1"]
    extend = f"/keying/systems/{system.id}/extend"
    boxes = form_with(owner_client.get(extend).text, "changes") | {"deed": "extend", "master": "AA", "changes": "3"}
    answer = owner_client.post(extend, data=boxes)
    assert answer.status_code in (200, 303), re.findall('(?s)role="alert".*?</div>', answer.text)
    session.rollback()
    assert [one.symbol for one in session.query(KeySystem).one().keysets][3:] == ["AA3", "AA5", "AA6"]


def test_a_zero_that_was_put_back_can_be_taken_away_again(keyway: None, owner_client: FlaskClient) -> None:
    address, page = read(owner_client, OWN, **{"zero-5": "083647"})
    box = re.search(r'<input type="checkbox" id="zero-5"[^>]*>', page)
    assert box is not None and "checked" in box[0] and "<dt>Asked</dt><dd><b>0</b>" in page
    again = press(owner_client, address, page, "update", **{"zero-5": ""}).text
    assert "<dt>Asked</dt><dd><b>1</b>" in again and "was a leading zero lost?" in again


def test_a_heading_that_speaks_of_the_tip_is_asked_about(keyway: None, owner_client: FlaskClient) -> None:
    text = "symbol,bitting (tip first),level\nA,052714,\nAA,052638,\nAA1,919999,\n"
    address, page = read(owner_client, text)
    assert "is headed &#39;bitting (tip first)&#39;: say which way" in page
    page = press(owner_client, address, page, "update", cuts="tip").text
    assert "Taken</dt><dd><b>3</b>" in page
    with pytest.raises(KeyingError, match="Chambers 1 and 2 from the tip differ"):  # as the list counts
        read_cuts(BittingSpec(chambers=6, depths=10, macs=7), "919999", is_tip_first=True)


def test_what_is_settled_stands_at_a_level_of_its_system(
    keyway: None, owner_client: FlaskClient, customer: int
) -> None:
    page = take(owner_client, OWN, customer, **{"zero-5": "083647"})
    [link] = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    shown = owner_client.get(link).text
    levels = re.findall("<option[^>]*>([^<]*)", shown.split('name="level"')[1].split("</select>")[0])
    assert levels[1:] == ["grand master", "master", "change", "single keyed", "control"]
    refused = owner_client.post(link, data=form_with(shown, "why")).text
    assert "Passwords are not saved" not in refused and "A bitting is not shown again" in refused


def test_what_waits_is_under_seal_and_on_record(keyway: None, owner_client: FlaskClient, config: Config) -> None:
    send_list(owner_client, OWN)
    waiting = [path.read_bytes() for path in (config.instance / "waiting").iterdir()]
    assert waiting and not any(b"838472" in content or b"83.84" in content for content in waiting)


def test_what_is_said_of_a_list_waits_under_seal_and_is_remembered_for_no_other(
    keyway: None, owner_client: FlaskClient, customer: int, config: Config, session: Session
) -> None:
    """Its own words for levels, and its very bittings where somebody takes their column for the levels'."""
    text = "symbol,bitting,rank\nGMK,417250,Chief\nMK1,836250,MK\n101,838472,Door\n"
    answer = upload(owner_client, "/imports", text.encode(), "list.csv", kind="bitting list")
    _, page = led_to(owner_client, answer.headers["Location"])
    [address] = re.findall(r'href="([^"]*/columns)"', page)
    page = owner_client.get(address).text
    assert "read the same way" not in page
    mistaken = {**form_with(page, "head"), "column-0": "symbol", "column-1": "level", "column-2": "bitting"}
    asked = owner_client.post(address, data=mistaken).text
    said = {**form_with(asked, "head"), "word-level-838472": "change", "word-level-417250": "-"}
    _, page = led_to(owner_client, owner_client.post(address, data=said).headers["Location"])
    waiting = [path.read_bytes() for path in (config.instance / "waiting").iterdir()]
    assert len(waiting) == 2 and not any(word in content for content in waiting for word in (b"838472", b"Chief"))
    words = form_with(owner_client.get(address).text, "head")
    assert words["word-level-838472"] == "change"  # nothing of it is lost
    right = {**words, "column-1": "bitting", "column-2": "level"}
    right |= {"word-level-Chief": "grand master", "word-level-Door": "change"}
    address, page = led_to(owner_client, owner_client.post(address, data=right).headers["Location"])
    page = press(owner_client, address, page, "update").text
    said = {**form_with(page, "chambers"), "act": "save", "customer": str(customer), "name": "Old wharf"}
    answer = owner_client.post(address, data={**said, "keyway": "AQ1"})
    assert answer.status_code == 303, answer.text
    assert session.query(KeySystem).count() == 1 and session.query(ImportMapping).count() == 0


def test_how_a_list_was_read_is_remembered_by_nobody(work: Work) -> None:
    """Its headings, and the words of a column that was taken for another, may be cuts."""
    sent = open_table(PASTED, b"symbol\tbitting\nAA\t111111\n1AA\t222222\n", KINDS["bitting list"])
    choice = TableChoice({"symbol": 0, "bitting": 1}, {"level": {"222222": "change"}})
    remember_choice(work, sent, choice, "Old wharf")
    assert work.session.query(ImportMapping).count() == 0


def test_that_a_list_was_read_is_on_record_without_a_cut(
    keyway: None, owner_client: FlaskClient, session: Session
) -> None:
    send_list(owner_client, OWN)
    event = session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).one()
    assert "6 rows" in event.summary and "838472" not in event.summary


@pytest.mark.postgresql
def test_rows_aside_keep_the_system_as_it_is_until_the_owner_settles_them(
    keyway: None, owner_client: FlaskClient, client_as: ClientAs, customer: int, session: Session
) -> None:
    page = take(owner_client, OWN, customer, **{"zero-5": "083647"})
    system = session.query(KeySystem).one()
    why = "1 key of the list that Old wharf came from is not settled (103)"
    assert why in page and "Row 6," in page and "The same bitting as row 4" in page and "838472" not in page
    extend = f"/keying/systems/{system.id}/extend"
    assert why in owner_client.get(extend).text and "Key single instead" in owner_client.get(extend).text
    refused = owner_client.post(extend, data={"deed": "extend", "master": "AA", "changes": "1"})
    assert refused.status_code == 422 and why in refused.text

    [link] = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    assert client_as(Role.BENCH).get(link).status_code == 403
    shown = owner_client.get(link).text
    assert "838472" not in shown
    assert "The list says: 838472." in owner_client.post(f"{link}/bitting").text
    assert session.query(Event).filter(Event.summary.contains("row 6 of its list")).count() == 1
    boxes = form_with(shown, "why")
    for said, words in (
        ({}, "Enter the bitting, or else say why"),
        ({"bitting": "838472"}, "AA1 has this bitting"),
        ({"bitting": "83847"}, "5 of 6 cuts"),
        ({"bitting": "8 3 8-4 7 2"}, "AA1 has this bitting"),  # as the list itself may have it
        ({"why": "typed 83 84 72 twice"}, "leave the cuts out"),
    ):
        answer = owner_client.post(link, data=boxes | said)
        assert answer.status_code == 422 and words in answer.text
    assert owner_client.post(link, data=boxes | {"bitting": "836094"}).status_code == 303
    session.rollback()
    keyset = session.query(Keyset).filter_by(own_symbol="103").one()
    assert (keyset.symbol, keyset.parent.symbol) == ("AA4", "AA")
    assert why not in owner_client.get(extend).text
    assert owner_client.post(link, data=boxes | {"bitting": "036694"}).status_code == 409


def test_a_key_that_is_no_more_is_settled_by_its_reason(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    page = take(owner_client, OWN, customer, leaves_asked="y")
    assert "2 keys of the list that Old wharf came from are not settled (102, 103)" in page
    for link in re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page):
        boxes = form_with(owner_client.get(link).text, "why") | {"why": "Melted in the fire of 2019"}
        assert owner_client.post(link, data=boxes).status_code == 303
    session.rollback()
    system = session.query(KeySystem).one()
    page = owner_client.get(f"/key-systems/{system.id}").text
    assert "not settled" not in page and "No such key any more: Melted in the fire of 2019." in page


@pytest.mark.postgresql
def test_a_grand_that_is_settled_takes_the_masters_of_its_own_letter_alone(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(
        *(("AA", "283042", "master"), ("AA1", "283064", "change"), ("BA", "601428", "master")),
        ("BA1", "601446", "change"),
    )
    page = take(owner_client, listed, customer, root="one")
    links = re.findall(r'href="(/keying/systems/\d+/aside/\d+)">(?:<b>)?(\w+)', page)
    [link] = [address for address, symbol in links if symbol == "A"]
    settled = owner_client.post(link, data=form_with(owner_client.get(link).text, "why") | {"bitting": "245042"})
    assert settled.status_code == 303, settled.text
    session.rollback()
    above = {one.symbol: one.parent.symbol if one.parent else "" for one in session.query(Keyset)}
    assert above == {"AA": "A", "AA1": "AA", "BA": "", "BA1": "BA", "A": ""}


@pytest.mark.parametrize(
    ("cuts", "stands"), [("99", "AA asks (row 2)"), ("9999999", "AA stands aside (row 2)")], ids=["asks", "aside"]
)
def test_a_top_master_that_the_list_has_and_that_is_not_taken_is_not_said_to_lack(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session, cuts: str, stands: str
) -> None:
    listed = rows(("AA", cuts, "master"), *((f"{n}AA", bitting, "") for n, bitting in enumerate(PUZZLE, start=1)))
    page = read(owner_client, listed)[1]
    assert f"{stands}: settle that row, and add no second AA" in page and "The list lacks" not in page
    page = take(owner_client, listed, customer, leaves_asked="y")
    assert len(re.findall(r'href="/keying/systems/\d+/aside/\d+"', page)) == 1 and "The list lacks" not in page


@pytest.mark.postgresql
def test_a_list_without_its_top_master_is_taken_and_the_top_named_later(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(*((f"{n}AA", bitting, "") for n, bitting in enumerate(PUZZLE, start=1)), ("9AA", "20406"))
    page = read(owner_client, listed)[1]
    assert "The list lacks AA" in page and "One master alone fits" in page and TOP in page and "no proof" in page
    page = take(owner_client, listed, customer, leaves_asked="y")
    system = session.query(KeySystem).one()
    assert (system.levels, system.sealed_plan) == (2, None) and "The list lacks the master over 1AA, 2AA, 3AA" in page
    extend = f"/keying/systems/{system.id}/extend"
    assert "not settled (AA, 9AA)" in owner_client.get(extend).text
    assert owner_client.post(extend, data={"deed": "single", "singles": "1"}).status_code == 303
    link, change = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    boxes = form_with(owner_client.get(change).text, "why") | {"bitting": "861768"}
    assert "Settle AA first" in owner_client.post(change, data=boxes).text
    top = form_with(owner_client.get(link).text, "why") | {"bitting": TOP}
    assert owner_client.post(link, data=top).status_code == 303
    assert owner_client.post(change, data=boxes).status_code == 303
    session.rollback()
    system = session.query(KeySystem).filter_by(name="Old wharf").one()
    assert {one.parent.symbol for one in system.keysets if one.symbol != "AA"} == {"AA"}
    assert system.sealed_plan is not None  # the list is one progression under it
    assert owner_client.post(extend, data={"deed": "extend", "master": "AA", "changes": "5"}).status_code == 303


def test_a_three_level_list_is_taken_over_with_its_array(
    owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    factories.KeywayFactory(code="AQ1")
    planned = plan_levels(SPEC, read_bitting(SPEC, WHARF, ""), levels=3, masters=2, changes_per_master=9)
    text = "symbol;bitting;status\n" + "\n".join(
        f"{one.symbol};{write_bitting(SPEC, one.bitting)};{'retired' if one.symbol == 'AB9' else ''}"
        for one in planned.keysets
    )
    take(owner_client, text + "\nAB10;246802;free\n", customer)
    session.rollback()
    system = session.query(KeySystem).one()
    assert system.levels == 3 and system.sealed_plan is not None and system.capacity
    assert session.query(Bitting).count() == len(planned.keysets)
    retired = session.scalars(sa.select(Keyset).where(Keyset.is_retired)).one()
    assert retired.symbol == "AB9" and retired.parent is not None and retired.parent.symbol == "AB"


def test_a_list_of_rotating_constants_is_taken_over_with_its_array(
    owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    """Its changes match the master in one place each, never the same one: no fixed chamber serves them."""
    factories.KeywayFactory(code="AQ1")
    changes = [write_bitting(SPEC, next(iter(turn))) for turn in rotate(SPEC, read_bitting(SPEC, WHARF, ""), 1).turns]
    take(
        owner_client,
        rows(("AA", WHARF), *((f"{n}AA", bitting) for n, bitting in enumerate(changes, start=1))),
        customer,
    )
    session.rollback()
    system = session.query(KeySystem).one()
    plan = open_plan(work.vault, system)
    assert plan is not None and plan.constants == 1 and plan.under(SPEC, "C", plan.tmk).usable == system.capacity


def test_two_systems_in_one_list_are_asked_about_and_never_mixed(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(("AA", "111111"), ("1AA", "222222"), ("BB", "333333"), ("1BB", "444444"))
    address, page = read(owner_client, listed)
    assert "Nothing in the list stands over AA and BB" in page
    own = read(owner_client, rows(("GMK1", "111111"), ("A-1", "222222"), ("GMK2", "333333")))[1]
    assert "Nothing in the list stands over GMK1 and GMK2" in own and "GMK2 and what stands under it now" in own
    said = {"customer": str(customer), "name": "Old wharf"}
    assert "Say whether these masters are of one system" in press(owner_client, address, page, "save", **said).text
    assert press(owner_client, address, page, "save", root="BB", **said).status_code == 303
    session.rollback()
    assert [one.symbol for one in session.query(KeySystem).one().keysets] == ["BB", "1BB"]


def test_a_list_that_names_its_systems_is_imported_one_by_one(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = "symbol,bitting,key system\nAA,111111,North\n1AA,222222,North\nAA,333333,South\n1AA,444444,South\n"
    address, page = read(owner_client, listed)
    assert "The list names 2 systems" in page
    said = {"customer": str(customer), "name": "Old wharf"}
    assert "say which of them to import now" in press(owner_client, address, page, "save", **said).text
    assert press(owner_client, address, page, "save", system_named="South", **said).status_code == 303
    session.rollback()
    assert session.query(ListRowAside).count() == 0 and session.query(Keyset).count() == 2


def test_what_the_order_of_rows_alone_tells_is_agreed_to(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(
        ("GMK", "111111", "GMK"), ("MK1", "222222", "MK"), ("101", "333333", "change"),
        ("MK2", "444444", "MK"), ("201", "555555", "change"),
    )  # fmt: skip
    address, page = read(owner_client, listed)
    said = {"customer": str(customer), "name": "Old wharf"}
    assert "2 keys stand under the master before them" in page
    assert "Say that the order of the rows tells" in press(owner_client, address, page, "save", **said).text
    assert press(owner_client, address, page, "save", order_tells="y", **said).status_code == 303


def test_columns_nobody_can_guess_are_asked_and_words_for_levels_mapped(
    keyway: None, owner_client: FlaskClient, customer: int
) -> None:
    listed = "North Hall;;\n;;\nPins;Sign;Rang\n111111;0815;Oberste\n222222;0816;Zimmer\n"
    answer = upload(owner_client, "/imports", listed.encode(), "list.csv", kind="bitting list")
    address, page = led_to(owner_client, answer.headers["Location"])
    assert address.endswith("columns") and "Say which column has" in page
    boxes = form_with(page, "head") | {"column-0": "bitting", "column-1": "symbol", "column-2": "level"}
    page = owner_client.post(address, data=boxes).text
    assert "What the words under Level mean" in page
    boxes = form_with(page, "head") | {"word-level-Oberste": "top master", "word-level-Zimmer": "change"}
    address, page = led_to(owner_client, owner_client.post(address, data=boxes).headers["Location"])
    page = press(owner_client, address, page, "update").text
    assert "<dt>Taken</dt><dd><b>2</b>" in page and ">1AA<" in page


@pytest.mark.parametrize(
    ("listed", "words"),
    [
        (rows(("123456", "123456", "change")), "row 2, column A (symbol)"),
        ("symbol,bitting,remarks\n1AA,123456,it is 12 34 56\n", "row 2, column C (remarks)"),
        (rows(("103", "123456", "65-43-21")), "row 2, column C (level)"),
    ],
)
def test_no_name_and_no_remark_gives_the_cuts_away(
    keyway: None, owner_client: FlaskClient, listed: str, words: str
) -> None:
    page = read(owner_client, listed)[1]
    assert words in page and "which stay secret" in page


@pytest.mark.postgresql
def test_an_import_is_undone_and_door_and_remarks_are_kept(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = (
        "symbol,bitting,door,operated by,remarks,blind code\nAA,111111,,,,WH1001K\n"
        '1AA,222222,12,"2AA, AA",boiler,\n1AA,333333,,,,\nX1X,,14,"1AA, AA",,\n'
    )
    take(owner_client, listed, customer)
    session.rollback()
    assert session.query(Keyset).filter_by(symbol="1AA").one().purpose == "door 12; operated by 2AA, AA; boiler"
    crossed = session.query(ListRowAside).filter_by(row=5).one()
    assert crossed.reason.endswith("on the system's page. door 14; operated by 1AA, AA") and not crossed.could_matter
    assert session.query(BlindCode).one().code == "WH1001K"
    row = session.query(Import).one()
    assert (row.kind, row.new, row.aside) == ("bitting list", 2, 2)
    page = owner_client.get(f"/imports/{row.id}").text
    assert owner_client.post(f"/imports/{row.id}/undo", data=form_with(page, "version")).status_code == 303
    session.rollback()
    assert not session.query(KeySystem).count() and not session.query(ListRowAside).count()
    assert not session.query(BlindCode).count()


def test_a_remark_changes_nothing_of_what_a_key_is(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    """A clerk's word for a door is no word of ours: keys are cut of what only a remark calls retired."""
    take(
        owner_client, 'symbol,bitting,remarks\nAA,111111,\n1AA,222222,retired\n2AA,333333,"gate, retired"\n', customer
    )
    session.rollback()
    system = session.query(KeySystem).one()
    assert [order_copies(work, system.id, symbol, 1) for symbol in ("1AA", "2AA")] == [(1,), (1,)]
    page = owner_client.get(f"/key-systems/{system.id}").text
    assert "change, retired" in page and "change, gate, retired" in page and "Keys called in" not in page


@pytest.mark.postgresql
def test_codes_of_another_shop_are_never_given_again(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    """They stand in the register, a code by itself refuses a later list's, and what is none stays in the remarks."""
    listed = (
        "symbol,bitting,blind code\nAA,111111,\n1AA,222222,fq 1001H\n2AA,333333,4417\n3AA,333333,FQ1003R\n"
        "4AA,444444,FQ1001H\n"
    )
    refused = send_list(owner_client, listed)
    said = {"customer": str(customer), "name": "Old wharf", "cuts": "bow", "order_tells": "y", "leaves_asked": "y"}
    answer = press(owner_client, *refused, "save", **said)
    assert answer.status_code == 422 and "FQ1001H stands in row 3 too: a code is one keyset&#39;s" in answer.text
    session.rollback()
    assert session.query(KeySystem).count() == session.query(BlindCode).count() == 0
    take(owner_client, listed.rpartition("4AA")[0], customer)
    session.rollback()
    [code] = session.query(BlindCode).all()
    assert (code.code, code.keyset.symbol, code.keyset.blind_code) == ("FQ1001H", "1AA", "FQ1001H")
    assert session.query(Keyset).filter_by(symbol="2AA").one().purpose == "stamped 4417"
    assert session.query(ListRowAside).filter_by(row=5).one().reason.endswith("stamped FQ1003R")
    assert "FQ1001H" in owner_client.get("/keys/codes").text
    later = send_list(owner_client, "symbol,bitting,blind code\nAA,444444,\n1AA,555555,FQ1001H\n")
    again = press(owner_client, *later, "save", **{**said, "name": "New wharf"})
    assert again.status_code == 422 and "FQ1001H is or was stamped on keys of 1AA of Old wharf" in again.text
    page = owner_client.get(f"/keys/system/{code.keyset.system_id}").text
    given = owner_client.post(
        f"/keys/system/{code.keyset.system_id}/codes", data=form_with(page, "codes-prefix") | {"codes-prefix": "FQ"}
    )
    assert given.status_code == 303
    session.rollback()
    codes = [one.code for one in session.query(BlindCode).order_by(BlindCode.id)]
    assert codes == ["FQ1001H", "FQ1002J", "FQ1003K"]


@pytest.mark.parametrize("encoding", ["utf-16", "cp1252"])
def test_lists_in_other_encodings_and_without_headings_are_read(
    keyway: None, owner_client: FlaskClient, encoding: str
) -> None:
    text = "AA;111111;master\n1AA;222222;change\nCafé;333333;change\n"
    answer = upload(owner_client, "/imports", text.encode(encoding), "list.csv", kind="bitting list")
    address, page = led_to(owner_client, answer.headers["Location"])
    assert address.endswith("columns")
    address, page = led_to(owner_client, owner_client.post(address, data=form_with(page, "head")).headers["Location"])
    assert "Café" in unescape(press(owner_client, address, page, "update").text)


def test_only_the_owner_opens_a_list(client_as: ClientAs, keyway: None, owner_client: FlaskClient) -> None:
    bench = client_as(Role.BENCH)
    assert upload(bench, "/imports", OWN.encode(), "list.csv", kind="bitting list").status_code == 403
    assert "Bitting list" not in bench.get("/imports").text
    address = send_list(owner_client, OWN)[0]
    assert bench.get(address).status_code == 403


def test_of_keys_that_stop_at_the_tip_it_is_asked_which_way_they_are_written(
    owner_client: FlaskClient, session: Session
) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 9, "step": 2, "stop": "tip"}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)
    listed = rows(("AA", "123456"), ("1AA", "345678"))
    address, page = read(owner_client, listed)
    assert "say which it is" in page
    page = press(owner_client, address, page, "update", cuts="tip").text
    assert "<dt>Taken</dt><dd><b>2</b>" in page


def test_a_list_of_five_levels_is_taken_and_its_top_named_later(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session
) -> None:
    listed = rows(("A", "111111"), ("AA", "222222"), ("AAA", "333333"), ("AAA1", "444444"), ("B", "555555"))
    page = take(owner_client, listed, customer, root="one")
    system = session.query(KeySystem).one()
    assert system.levels == 5 and {one.symbol: one.level.value for one in system.keysets} == {
        "A": "great grand master", "AA": "grand master", "AAA": "master", "AAA1": "change", "B": "great grand master",
    }  # fmt: skip
    [link] = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    assert (
        owner_client.post(
            link, data=form_with(owner_client.get(link).text, "why") | {"bitting": "777777"}
        ).status_code
        == 303
    )
    session.rollback()
    top = session.query(Keyset).filter_by(parent_id=None).one()
    assert (top.symbol, top.level.value) == ("GGGM", "great great grand master")
    assert sorted(one.symbol for one in top.children) == ["A", "B"]


def test_a_key_that_is_really_cut_beyond_the_macs_is_kept_with_the_reason(
    owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)
    session.commit()
    listed = rows(("TMK", "417250", "TMK"), ("101", "291478", "change"), ("102", "031012", "change"))
    page = take(owner_client, listed, customer)
    [link] = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    boxes = form_with(owner_client.get(link).text, "why") | {"bitting": "291478"}
    for said, words in (
        ({}, "if it is really cut so, say below how you know"),
        ({"cut_so": "measured as 2 9 1-478"}, "leave the cuts out"),
        ({"bitting": "233478", "cut_so": "Measured twice"}, "These cuts are within the MACS: leave this empty."),
        ({"bitting": "29147", "cut_so": "Measured twice"}, "5 of 6 cuts"),
    ):
        refused = owner_client.post(link, data=boxes | said)
        assert refused.status_code == 422 and words in unescape(refused.text), words
    assert owner_client.post(link, data=boxes | {"cut_so": "Measured, works in 101"}).status_code == 303
    work.session.rollback()
    system = work.session.query(KeySystem).one()
    page = owner_client.get(f"/key-systems/{system.id}").text
    assert "Entered as 2AA, really cut so: Measured, works in 101." in page and "not settled" not in page
    cuts = {
        one.symbol: opened[one.id]
        for opened in [open_bittings(session, work.vault, [system])]
        for one in system.keysets
    }
    assert cuts == {"AA": (4, 1, 7, 2, 5, 0), "1AA": (0, 3, 1, 0, 1, 2), "2AA": (2, 9, 1, 4, 7, 8)}
    assert system.sealed_plan is not None
    extend_system(work, system.id, ExtendForm(master="AA", changes=3))
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_a_top_master_cut_beyond_the_macs_is_kept_and_its_system_searched(
    owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 7, "step": 2}
    factories.KeywayFactory(code="AQ1", spec__spec=spec)
    session.commit()
    listed = rows(("TMK", "491250", "TMK"), ("101", "233478", "change"), ("102", "031012", "change"))
    page = take(owner_client, listed, customer)
    links = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', page)
    for link in dict.fromkeys(links):
        boxes = form_with(owner_client.get(link).text, "why") | {"bitting": "491250", "cut_so": "Measured"}
        if 'name="bitting"' in owner_client.get(link).text:
            answer = owner_client.post(link, data=boxes)
            assert answer.status_code == 303, re.findall("(?s)role=.alert.*?<.div>", answer.text)
    work.session.rollback()
    system = work.session.query(KeySystem).one()
    assert system.sealed_plan is None
    assert [(one.symbol, one.parent.symbol if one.parent else "") for one in system.keysets] == [
        ("1AA", "AA"),
        ("2AA", "AA"),
        ("AA", ""),
    ]
    ready = make_extension_ready(work, system.id, ExtendForm(master="AA", changes=2))
    found = ready.search(work.rng, 5, lambda *_: None)
    assert found.extension is not None
    seal_extension(work, ready, found.extension)
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


@pytest.mark.postgresql
def test_a_list_without_headings_has_its_selective_master_and_withholds_its_depth(
    keyway: None, owner_client: FlaskClient, customer: int, session: Session, work: Work
) -> None:
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    top = read_bitting(spec, WHARF, "tmk")
    plan = plan_levels(spec, top, levels=3, masters=2, changes_per_master=1, roles="CCCMM-")
    used = {bitting[0] for bitting in plan.keys.values()}
    listed = [
        f"{symbol}{'(ENG)' if symbol == 'AA1' else ''},{write_bitting(spec, bitting)},room {number}"
        for number, (symbol, bitting) in enumerate(plan.keys.items())
    ]
    depth = next(d for d in (1, 3, 7, 9) if d not in used)
    selective = f"{depth}{WHARF[1:]}"
    _, page = send_list(owner_client, "\n".join([*listed, f"ENG,{selective},engineers"]))
    assert "What the words under Level mean" not in page
    list_page = take(owner_client, "symbol,bitting,remarks\n" + "\n".join([*listed, f"ENG,{selective},"]), customer)
    assert "not settled" not in list_page and "selective master" in list_page
    work.session.rollback()
    system = work.session.query(KeySystem).one()
    array = open_plan(work.vault, system)
    assert array is not None and array.withheld == (1, depth)
    extend_system(work, system.id, ExtendForm(master="AA", changes=6))
    by_id = open_bittings(work.session, work.vault, [get_system(work.session, system.id)])
    symbols = {one.id: one.symbol for one in get_system(work.session, system.id).keysets}
    assert [symbols[one] for one, cuts in by_id.items() if cuts[0] == depth] == ["ENG"]
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_a_key_that_breaks_the_parity_is_entered_again_where_it_is_really_cut_so(
    keyway: None, owner_client: FlaskClient, customer: int, work: Work
) -> None:
    take(
        owner_client,
        rows(("TMK", "417250", "TMK"), ("101", "131012", "change"), ("102", "031012", "change")),
        customer,
    )
    work.session.rollback()
    system = work.session.query(KeySystem).one()
    ready = make_extension_ready(work, system.id, ExtendForm(master="AA", changes=2))
    found = ready.search(work.rng, 5, lambda *_: None).extension
    assert found is not None
    with pytest.raises(KeyingError, match=r"Key 1AA of Old wharf does not keep the parity .* enters it again there"):
        seal_extension(work, ready, found)
    work.session.rollback()
    page = f"/keying/systems/{system.id}/correct"
    boxes = form_with(owner_client.get(page).text, "why") | {"why": "Measured twice"}
    ids = {one.symbol: str(one.id) for one in system.keysets}
    work.session.rollback()
    refused = owner_client.post(page, data=boxes | {"keyset": ids["2AA"], "bitting": "031012"})
    assert refused.status_code == 422 and "This is the bitting on record." in refused.text
    kept = owner_client.post(page, data=boxes | {"keyset": ids["1AA"], "bitting": "131012"})
    said = owner_client.get(kept.location).text
    assert "1AA is kept as it is cut. Clean: no key operates a cylinder that it must not" in said
    assert "Tried: 3 keys in 0 cylinders on record, and in 3 as keysets on none would have them." in said
    work.session.rollback()
    seal_extension(work, ready, found)
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_listed_keys_that_interchange_are_told_as_their_list_is_imported(
    keyway: None, owner_client: FlaskClient, customer: int
) -> None:
    """103 of the first has in each chamber a cut of 101 or of the master over both."""
    listed = (("TMK", "417250", "TMK"), ("101", "235472", "change"), ("103", "237452", "change"))
    page = unescape(take(owner_client, rows(*listed), customer))
    assert "Old wharf is imported: 3 keysets, their bittings sealed." in page
    assert "Not clean: Key 2AA of Old wharf would also operate any cylinder keyed to 1AA of Old wharf" in page
    clean = rows(*listed[:2], ("103", "053436", "change"))
    page = list_taken(owner_client, clean, factories.CustomerFactory().id, "Mill", keyway="AQ1")
    assert "Clean: no key operates a cylinder that it must not" in page and "3 as keysets on none" in page


@pytest.mark.postgresql
def test_listed_keys_that_interchange_are_told_before_a_cylinder_is_keyed(
    keyway: None, owner_client: FlaskClient, customer: int, work: Work
) -> None:
    """103 has in each chamber a cut of 101 or of the master over both: it turns what is pinned to these two."""
    listed = (("TMK", "417250", "TMK"), ("101", "235472", "change"), ("102", "031012", "change"))
    take(owner_client, rows(*listed, ("103", "255454", "change")), customer)
    system = work.session.query(KeySystem).one()
    ids = {one.own_symbol: one.id for one in system.keysets}
    symbols = {one.own_symbol: one.symbol for one in system.keysets}
    page = f"/keying/systems/{system.id}"
    work.session.rollback()
    assert "Clean: no key" in owner_client.post(f"{page}/audit").text

    told = f"Key {symbols['103']} of Old wharf would also operate any cylinder keyed to {symbols['101']} of Old wharf"
    boxes = form_with(owner_client.get(f"{page}/correct").text, "why") | {"why": "The key was read anew"}
    corrected = owner_client.post(f"{page}/correct", data=boxes | {"keyset": str(ids["103"]), "bitting": "237452"})
    assert corrected.status_code == 303, re.findall("(?s)role=.alert.*?</div>", corrected.text)
    said = f"destroy bench sheets printed before. Not clean: {told}"
    assert said in owner_client.get(corrected.location).text
    audited = owner_client.post(f"{page}/audit").text
    assert told in audited and "notice good" not in audited and "Clean:" not in audited

    boxes |= {"keyset": str(ids["103"]), "bitting": "255454"}
    mended = owner_client.post(f"{page}/correct", data=boxes)
    assert "printed before. Clean: no key" in owner_client.get(mended.location).text


def test_keys_whose_level_nothing_says_are_changes_in_one_tick(keyway: None, owner_client: FlaskClient) -> None:
    listed = "symbol,bitting\nTMK,417250\n101,031012\n102,253434\nTMK 2,675676\n"
    address, page = read(owner_client, listed)
    assert "<dt>Asked</dt><dd><b>3</b>" in page and "What level is 101? Nothing says so." in page
    ticked = press(owner_client, address, page, "update", rest_are_changes="y").text
    assert "<dt>Taken</dt><dd><b>3</b>" in ticked and "<dt>Asked</dt><dd><b>1</b>" in ticked
    assert "A second top master, beside A:" in unescape(ticked)


def test_a_second_selective_master_is_no_change_by_that_tick(keyway: None, owner_client: FlaskClient) -> None:
    """Its key opens what bears its letters, so that something does say what it is."""
    listed = "symbol,bitting\nA,417250\nAA,437250\nAA1(ENG),433250\nAA2(MNT),435450\nENG,417270\nMNT,417290\n"
    address, page = read(owner_client, listed)
    assert "A second selective master, beside ENG" in page
    ticked = press(owner_client, address, page, "update", rest_are_changes="y").text
    assert "A second selective master, beside ENG" in ticked and "AA3" not in ticked
