"""Locks at the counter: a deadbolt is typed as a cylinder is, keyed, and its keys counted each or in all."""

from collections.abc import Callable

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.fitting import CatalogItem
from app.ledger.catalog.maker_items import put_items
from app.ledger.catalog.makers import add_maker
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Key, Role
from tests.desk import accepted, quoted
from tests.factories import FormClient
from tests.stocked import empty_house
from tests.web.counter.test_two_places import worked_out

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
DEADBOLTS = {
    "kind": "cylinder",
    "type": "deadbolt",
    "chambers": "6",
    "keyway": "aq1",
    "finish": "626",
    "quantity": "2",
    "keying": "KA",
    "keys_in_all": "4",
}


def test_two_deadbolts_keyed_alike_and_four_keys(client_as: ClientAs, session: Session) -> None:
    """Two at 46.80, keying 15.00, four keys at 3.25: 121.60, with 7.73 tax on goods of 106.60 129.33."""
    clerk = client_as(Role.COUNTER)
    page = worked_out(clerk, DEADBOLTS)
    assert "CAP2-Q1-66.SC" in page and "Keys, 4 in all" in page and "$129.33" in page
    accepted(clerk, quoted(clerk, DEADBOLTS))
    assert session.query(Key).count() == 4


def test_keys_that_cannot_be_shared_out_are_told_on_the_line(client_as: ClientAs) -> None:
    page = worked_out(client_as(Role.COUNTER), {**DEADBOLTS, "keying": "KD", "keys_in_all": "3"})
    assert 'data-for="lines-0-keys_in_all"' in page
    assert "The cylinders of line 1 are on 2 keysets: enter 2 keys or a multiple of that" in page
    assert 'name="lines-0-keys_in_all" value="3"' in page


def test_a_code_of_the_price_book_is_taken_as_a_part_number_and_nothing_is_keyed_on_it(client_as: ClientAs) -> None:
    page = worked_out(client_as(Role.COUNTER), {"kind": "part number", "part_number": "Ring-Set", "quantity": "2"})
    assert "2 × $9.80" in page and "Keying:" not in page and "$21.02" in page  # 19.60 with 1.42 tax


def test_a_line_stays_alike_with_the_line_that_it_names_when_one_above_is_removed(client_as: ClientAs) -> None:
    clerk = client_as(Role.COUNTER)
    cylinder = {"kind": "part number", "part_number": "A18M-Q1-66.SC", "quantity": "1", "keying": "KA"}
    deadbolt = {**cylinder, "part_number": "CAP2-Q1-66.SC", "alike_with": "2"}
    lines = ({"kind": "trip", "price_code": "TRIP", "quantity": "1"}, cylinder, deadbolt)
    assert "Keying: keyed alike with line 2 (KA)" in worked_out(clerk, *lines)
    page = worked_out(clerk, *lines, remove="0")
    assert "Keying: keyed alike with line 1 (KA)" in page and "4 keys come with it: 4 to SKD1" in page


def test_a_lock_of_a_price_list_is_keyed_with_the_houses_keyway(
    client_as: ClientAs, work: Work, session: Session
) -> None:
    """No pattern reads the number, so the line asks what is to be known; 21.00, keying 6.50, two keys at 3.25."""
    maker = add_maker(work, "Aldgrave", "ALD")
    deadbolt = CatalogItem("AL-9", maker.name, "lock", "Deadbolt Heron 9", 1200, 2100, True)
    put_items(session, maker.id, [(deadbolt, {})])
    session.commit()
    clerk = client_as(Role.COUNTER)
    lock = {"kind": "part number", "part_number": "AL-9", "quantity": "1", "keying": "KD"}
    page = worked_out(clerk, lock)
    assert "do not say what AL-9 is" in page and 'data-for="lines-0-type"' in page
    said = {**lock, "type": "deadbolt", "chambers": "6", "keyway": "AQ1"}
    assert 'name="lines-0-keyway" value="AQ1"' in worked_out(clerk, said)
    number = quoted(clerk, said)
    assert 'name="lines-0-keyway" value="AQ1"' in clerk.get(f"/counter?job={number}").text
    accepted(clerk, number)
    session.rollback()
    [cylinder] = session.scalars(sa.select(Cylinder))
    assert (cylinder.type, cylinder.keyway, cylinder.part_number) == ("deadbolt", "AQ1", "AL-9")
    assert cylinder.words == "Deadbolt Heron 9" and cylinder.keyset and session.query(Key).count() == 2
    page = worked_out(clerk, {**said, "part_number": "CAP2-Q1-66.SC"})
    assert "what was typed of type, pins and keyway does not count" in page
