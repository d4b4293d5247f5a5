"""Rekeying what hangs in a door: quoted at the counter, accepted with its door, and what the record says after."""

from collections.abc import Callable
from fractions import Fraction
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Customer, Cylinder, CylinderState, Maker, Role, Site
from tests import factories
from tests.factories import FormClient
from tests.stocked import empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
REKEY = {"kind": "rekey", "type": "mortise", "chambers": "6", "keyway": "AQ1", "quantity": "1", "keying": "KD"}


def _standing(session: Session) -> Cylinder:
    site = session.scalars(sa.select(Site).order_by(Site.id)).first()
    door = factories.DoorFactory(site=site, opening_number="101")
    return factories.CylinderFactory(
        door=door,
        position="Inside",
        words="Mortise cylinder 1-1/4, 6 chambers, AQ1, 613",
        maker_id=session.scalar(sa.select(Maker.id).where(Maker.code == "ARD")),
        part_number="A114M-Q1-13.AR",
        length=Fraction(5, 4),
        chambers=6,
        drilled=7,
        keyway="AQ1",
        cam="adams",
        finish="613",
        remarks="tailpiece filed",
        state=CylinderState.FITTED,
    )


@pytest.mark.parametrize("chambers", ["6", "5/6"])
def test_a_rekeyed_cylinder_keeps_what_it_is_unless_the_job_says_otherwise(
    client_as: ClientAs, session: Session, chambers: str
) -> None:
    there = _standing(session)
    clerk = client_as(Role.COUNTER)
    customer = session.get_one(Customer, there.door.site.customer_id)
    head = {"customer_id": customer.id, "site_id": there.door.site_id}
    answer = clerk.post("/counter/issue", data=posted({**REKEY, "chambers": chambers}, **head))
    assert answer.status_code == 303, unescape(answer.text)
    data = {
        "version": "2",
        "accepted_by": "R. Teal",
        "accepted_on": "2026-11-25",
        "row-1-opening": "101",
        "row-1-position": "inside",
    }
    answer = clerk.post("/quotes/1001/accept", data=data)
    assert answer.status_code == 303, unescape(answer.text)
    session.rollback()
    rekeyed = session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_not(None))).one()
    kept = ("maker_id", "part_number", "length", "keyway", "cam", "tailpiece", "finish", "door_id")
    assert [getattr(rekeyed, name) for name in kept] == [getattr(there, name) for name in kept]
    said = (6, 7) if chambers == "6" else (5, 6)
    assert (rekeyed.chambers, rekeyed.drilled) == said and rekeyed.keyset_id is not None
    assert rekeyed.remarks == "tailpiece filed"
    assert (rekeyed.words == there.words) is (chambers == "6")
    assert rekeyed.part_number in clerk.get(f"/doors/{there.door_id}").text


def test_another_type_than_the_one_on_record_is_not_taken_for_it(client_as: ClientAs, session: Session) -> None:
    there = _standing(session)
    clerk = client_as(Role.COUNTER)
    head = {"customer_id": there.door.site.customer_id, "site_id": there.door.site_id}
    answer = clerk.post("/counter/issue", data=posted({**REKEY, "type": "rim"}, **head))
    assert answer.status_code == 303, unescape(answer.text)
    data = {"version": "2", "accepted_by": "R. Teal", "accepted_on": "2026-11-25"}
    rows = {"row-1-opening": "101", "row-1-position": "Inside"}
    assert clerk.post("/quotes/1001/accept", data={**data, **rows}).status_code == 303
    session.rollback()
    rekeyed = session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_not(None))).one()
    assert (rekeyed.type, rekeyed.part_number, rekeyed.finish, rekeyed.maker_id) == ("rim", "", "", None)
