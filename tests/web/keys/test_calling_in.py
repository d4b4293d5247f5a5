"""A key system retired from its page, its keys called in by letter and ticked off, and the system put back in use."""

import io
from datetime import timedelta

import pypdf
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.ledger.tables import Key, KeyState, KeySystem
from tests.conftest import NOW
from tests.factories import (
    CylinderFactory,
    DoorFactory,
    FormClient,
    HouseFactory,
    KeyFactory,
    KeysetFactory,
    KeySystemFactory,
)

DAY = NOW.date() + timedelta(days=14)


def old_house(session: Session) -> KeySystem:
    """A system with one standing cylinder on F1 and three keys out, two with one person and one with another."""
    system: KeySystem = KeySystemFactory(name="Old House", levels=2)
    keyset = KeysetFactory(system=system, symbol="1AA", blind_code="7Q")
    CylinderFactory(door=DoorFactory(opening_number="F1"), keyset_id=keyset.id)
    for copy, holder in ((1, "Ada Marsh"), (2, "Ada Marsh"), (3, "Ben Reed")):
        KeyFactory(keyset=keyset, copy_number=copy, state=KeyState.OUT, holder=holder)
    return system


def test_from_the_page_of_a_system_to_its_last_key(owner_client: FormClient, session: Session) -> None:
    system = old_house(session)
    HouseFactory()
    show, retire = f"/key-systems/{system.id}", f"/key-systems/{system.id}/retire"
    assert retire in owner_client.get(show).text
    page = owner_client.get(retire).text
    assert "1 cylinder stands keyed to it" in page and ">F1</span>" in page
    version = {"version": str(system.version)}
    refused = owner_client.post(retire, data={**version, "reason": ""})
    assert refused.status_code == 422
    assert "Say why it goes out of use" in refused.text
    assert "1 cylinder still stands keyed to it: F1. Tick those" in refused.text
    [cylinder] = session.scalars(sa.select(sa.column("id")).select_from(sa.table("cylinders")))
    sent = {**version, "reason": "the house is pulled down", "staying": str(cylinder)}
    called = owner_client.post(retire, data=sent, follow_redirects=True).text
    assert "Old House is retired." in called and "Still out: <b>3 keys</b> with 2 holders" in called
    told = owner_client.get(show).text
    assert "Old House is retired since" in told and "(the house is pulled down)" in told
    url = f"/keys/system/{system.id}/call-in"
    done = owner_client.post(url, data={"back_by": DAY.strftime("%m/%d/%Y")}, follow_redirects=True).text
    assert "3 keys called in. Print the letters." in done
    paper = pypdf.PdfReader(io.BytesIO(owner_client.get(f"{url}.pdf").data))
    letters = [" ".join(leaf.extract_text().split()) for leaf in paper.pages]
    assert len(letters) == 2  # a page a holder
    assert "Ada Marsh" in letters[0] and "1AA 2 7Q 2" in letters[0] and "Ben Reed" in letters[1]
    first = session.scalars(sa.select(Key.id).order_by(Key.copy_number)).first()
    ticked = owner_client.post(url, data={"deed": "tick", "key": str(first)}, follow_redirects=True).text
    assert "1 key marked as returned." in ticked and "Still out: <b>2 keys</b> with 2 holders" in ticked
    twice = owner_client.post(url, data={"deed": "tick", "key": str(first)})
    assert (twice.status_code, "came back in between" in twice.text) == (422, True)
    session.expire_all()
    session.rollback()
    version = {"version": str(session.get_one(KeySystem, system.id).version)}
    again = owner_client.post(f"/key-systems/{system.id}/use-again", data=version, follow_redirects=True).text
    assert "Old House is in use again." in again and "Put it back in use" not in again


def test_only_the_owner_retires(clerk: FlaskClient, session: Session) -> None:
    system = old_house(session)
    assert clerk.get(f"/key-systems/{system.id}/retire").status_code == 403
    assert "Retire" not in clerk.get(f"/key-systems/{system.id}").text
