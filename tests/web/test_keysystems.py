"""Pages about key systems: the tree, the records, and bittings for bench and owner alone."""

from collections.abc import Callable
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.ledger.keysystems.system_queries import get_system, system_tree
from app.ledger.store.work import Work
from app.ledger.tables import CylinderOperator, Event, KeyState, KeySystem, Level, RecordsHolder, Role
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.keyed import BITTINGS, Keyed, bitting_in, counted, keyed_job
from tests.reading import pdf_text

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def keyset_id(keyed: Keyed, symbol: str) -> int:
    return next(one.id for one in keyed.system.keysets if one.symbol == symbol)


def revealed(work: Work) -> list[Event]:
    work.session.rollback()
    return list(work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")))


def reread(work: Work, keyed: Keyed) -> KeySystem:
    work.session.rollback()
    work.session.refresh(keyed.system)
    return keyed.system


def test_systems_are_listed_by_customer_with_what_is_left(keyed: Keyed, client_as: ClientAs) -> None:
    other = factories.KeySystemFactory(
        customer=factories.CustomerFactory(name="Aster House"), name="Old plant", records=RecordsHolder.NOBODY
    )
    page = client_as(Role.COUNTER).get("/key-systems").text
    assert page.index("Aster House") < page.index("Harbourmaster")
    assert "98 of 100" in page and "no plan here" in page and "nobody" in page
    found = client_as(Role.COUNTER).get("/key-systems?q=old+plant").text
    assert f"/key-systems/{other.id}" in found and "The Flats" not in found


def test_the_list_asks_as_often_for_many_systems_as_for_few(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    client.get("/key-systems")

    def asked() -> int:
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            client.get("/key-systems")
        return len(statements)

    few = asked()
    for _ in range(20):
        factories.KeysetFactory()
    assert asked() == few <= 7


def test_a_system_shows_its_tree_with_cylinders_and_keys(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    keys = {key.keyset.symbol: key for keyset in keyed.system.keysets for key in keyset.keys}
    keys["AA"].state, keys["AA"].holder = KeyState.OUT, "P. Harbour"
    keys["AA"].due_back = NOW.date() - timedelta(days=1)
    keys["2AA"].state, keys["2AA"].holder = KeyState.LOST, "Flat 2"
    factories.CylinderOperatorFactory(
        cylinder_id=keyed.cylinders[0].id, keyset=next(one for one in keyed.system.keysets if one.symbol == "2AA")
    )
    work.session.commit()
    page = client_as(Role.COUNTER).get(f"/key-systems/{keyed.system.id}").text
    assert page.index(">AA</b>") < page.index(">1AA</b>") < page.index(">2AA</b>")
    for told in (
        "master: turns 2 cylinders", ">F1</a>", ">F2</a>", "X with 2AA", "keys: 1 out", "P. Harbour", "overdue",
        "<b>lost</b>, last with Flat 2", "98 of 100",
    ):  # fmt: skip
        assert told in page, told
    assert bitting_in(page) is None and "Show bittings" not in page and "Bitting list" not in page


def test_a_system_asks_as_often_for_many_keysets_as_for_few(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.OWNER), f"/key-systems/{keyed.system.id}"
    client.get(address)

    def asked() -> int:
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            assert client.get(address).status_code == 200
        return len(statements)

    few = asked()
    master = next(one for one in keyed.system.keysets if one.level is Level.MASTER)
    for number in range(40):
        keyset = factories.KeysetFactory(system=keyed.system, symbol=f"{number + 10}AA", parent=master)
        factories.CylinderFactory(keyset=keyset, door=keyed.doors[0])
        factories.KeyFactory(keyset=keyset)
    assert asked() == few <= 12  # one of them for what was sent to a factory


def test_one_keysets_bitting_opens_by_post_and_is_recorded(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.BENCH), f"/key-systems/{keyed.system.id}"
    assert bitting_in(client.get(address).text) is None
    assert client.get(f"{address}/bittings").status_code == 405
    answer = client.post(f"{address}/bittings", data={"keyset": keyset_id(keyed, "1AA")})
    assert answer.status_code == 200 and answer.headers["Cache-Control"] == "no-store"
    assert BITTINGS["1AA"] in answer.text
    assert BITTINGS["2AA"] not in answer.text and BITTINGS["AA"] not in answer.text
    (event,) = revealed(work)
    assert event.at == NOW and "keyset 1AA" in event.summary and event.actor_name in event.summary
    assert bitting_in(event.summary) is None
    assert "keyset 1AA" in client.get(address).text
    assert "keyset 1AA" not in client_as(Role.COUNTER).get(address).text


@pytest.mark.parametrize("sent", ["", "x", "999", "9" * 30])
def test_a_keyset_that_is_not_in_the_system_opens_nothing(
    work: Work, keyed: Keyed, client_as: ClientAs, sent: str
) -> None:
    answer = client_as(Role.BENCH).post(f"/key-systems/{keyed.system.id}/bittings", data={"keyset": sent})
    assert answer.status_code == 404 and bitting_in(answer.text) is None
    assert revealed(work) == []


def test_a_keyset_of_the_factorys_has_nothing_to_open(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    keyset = factories.KeysetFactory(system=keyed.system, symbol="3AA")
    answer = client_as(Role.BENCH).post(f"/key-systems/{keyed.system.id}/bittings", data={"keyset": keyset.id})
    assert answer.status_code == 400 and "holds no bitting of 3AA" in answer.text
    assert revealed(work) == []
    # Nor is the list of a system offered of which the house has none.
    other = factories.KeysetFactory(symbol="4AA").system_id
    work.session.commit()
    owner = client_as(Role.OWNER)
    assert "Bitting list, PDF" in owner.get(f"/key-systems/{keyed.system.id}").text
    page = owner.get(f"/key-systems/{other}").text
    assert "Bitting list, PDF" not in page and "The house has no bitting of this system." in page


def test_the_bitting_list_is_the_owners(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    address = f"/key-systems/{keyed.system.id}/bitting-list.pdf"
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).post(address).status_code == 403
    assert revealed(work) == []
    answer = client_as(Role.OWNER).post(address)
    assert answer.mimetype == "application/pdf" and answer.headers["Cache-Control"] == "no-store"
    text = pdf_text(answer.data)
    for digits in BITTINGS.values():
        assert digits in text.replace(" ", "")
    (event,) = revealed(work)
    assert event.actor_name == "Owner" and "bitting list" in event.summary


def test_whatever_shows_a_key_says_its_own_keyway_where_a_system_has_several(
    work: Work, keyed: Keyed, client_as: ClientAs
) -> None:
    """The same cuts on the system's keyway are another's key: a copy of the wrong blank opens that one's doors."""
    system, on = keyed.system, keyed.system.keyway
    keyset = next(one for one in system.keysets if one.symbol == "2AA")
    keyset.keyway = "Z3"
    key = factories.KeyFactory(keyset=keyset, holder="Bo Quay", state=KeyState.OUT, copy_number=7)
    work.session.commit()
    owner = client_as(Role.OWNER)
    text = " ".join(pdf_text(owner.post(f"/key-systems/{system.id}/bitting-list.pdf").data).split())
    for told in (f"{on}, Z3, ", "change, on Z3", f"change, on {on}", f"master, on {on} and Z3"):
        assert told in text, told
    page = owner.post(f"/key-systems/{system.id}/bittings", data={"keyset": keyset.id}).text
    assert '<span class="code">Z3</span>' in page and "no blank on record, for Z3" in page
    assert "<dt>Keyway</dt><dd>Z3</dd>" in owner.get(f"/keys/{key.id}").text
    for words in ("2AA", "2AA-7"):
        found = owner.get(f"/search?q={words}").text
        assert "keyway Z3" in found and f"keyway {on}" not in found, words


def test_the_owner_writes_who_may_ask_for_keys(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.OWNER), f"/key-systems/{keyed.system.id}"
    sent = {
        "version": keyed.system.version,
        "owner_of_record": "P. Harbour",
        "authority_note": "Letter of 2 Nov,\r\nin the green folder",
    }
    assert client.post(f"{address}/records", data=sent).status_code == 303
    saved = reread(work, keyed)
    assert (saved.owner_of_record, saved.authority_note) == ("P. Harbour", "Letter of 2 Nov,\nin the green folder")
    page = client_as(Role.COUNTER).get(address).text
    assert "green folder" in page and "only with the written authority of P. Harbour" in page
    assert "owner of record none → P. Harbour" in page
    assert "<textarea" not in page


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_nobody_else_writes_it(work: Work, keyed: Keyed, client_as: ClientAs, role: Role) -> None:
    sent = {"version": keyed.system.version, "owner_of_record": "Me", "authority_note": ""}
    assert client_as(role).post(f"/key-systems/{keyed.system.id}/records", data=sent).status_code == 403
    assert reread(work, keyed).owner_of_record == ""


def test_an_older_page_does_not_overwrite(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, address = client_as(Role.OWNER), f"/key-systems/{keyed.system.id}/records"
    version = keyed.system.version
    client.post(address, data={"version": version, "owner_of_record": "First", "authority_note": ""})
    answer = client.post(address, data={"version": version, "owner_of_record": "Second", "authority_note": ""})
    assert answer.status_code == 409 and "none → First" in answer.text and "Second" in answer.text
    assert reread(work, keyed).owner_of_record == "First"


@pytest.mark.parametrize(("field", "most"), [("owner_of_record", 200), ("authority_note", 2000)])
def test_too_long_a_text_is_said_and_kept(
    work: Work, keyed: Keyed, client_as: ClientAs, field: str, most: int
) -> None:
    text = "y" * (most + 1)
    sent = {"version": keyed.system.version, "owner_of_record": "", "authority_note": "", field: text}
    answer = client_as(Role.OWNER).post(f"/key-systems/{keyed.system.id}/records", data=sent)
    assert answer.status_code == 422 and f'id="{field}-error"' in answer.text and text in answer.text
    assert reread(work, keyed).version == keyed.system.version


def test_names_are_shown_as_text(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    keyed.system.name = keyed.system.owner_of_record = "<script>alert(1)</script>"
    work.session.commit()
    for address in ("/key-systems", f"/key-systems/{keyed.system.id}", "/search?q=1AA"):
        page = client_as(Role.OWNER).get(address).text
        assert "<script>alert" not in page and "&lt;script&gt;" in page


def test_a_system_without_records_must_not_be_extended(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    keyed.system.records = RecordsHolder.NOBODY
    work.session.commit()
    assert "must not be extended" in client_as(Role.COUNTER).get(f"/key-systems/{keyed.system.id}").text


def test_the_tree_counts_what_a_key_turns_nmk_and_cross_keyed(keyed: Keyed, work: Work) -> None:
    master, first, second = keyed.system.keysets
    keyed.cylinders[0].is_nmk = True
    work.session.add(CylinderOperator(cylinder_id=keyed.cylinders[0].id, keyset_id=second.id))
    work.session.commit()
    [top] = system_tree(work.session, get_system(work.session, keyed.system.id))
    turned = {node.keyset.symbol: node.all_cylinders for node in (top, *top.children)}
    assert turned == {master.symbol: 1, first.symbol: 1, second.symbol: 2}
