"""Pages that add doors, change many together, take changes back, and merge."""

import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Role, Site
from tests import factories
from tests.factories import FormClient
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FormClient]


@pytest.fixture
def site(work: Work) -> Site:
    place: Site = factories.SiteFactory(name="North Hall")
    return place


def openings(work: Work, site: Site) -> dict[str, str]:
    work.session.rollback()
    work.session.expire_all()
    rows = sa.select(Door.opening_number, Door.location).where(Door.site_id == site.id)
    return dict(work.session.execute(rows).all())


@pytest.mark.postgresql
def test_doors_are_changed_together_and_taken_back(work: Work, site: Site, clerk: FormClient) -> None:
    ids = [factories.DoorFactory(site=site, opening_number=str(n), location=f"Room {n}").id for n in (1, 2, 3)]
    page = clerk.get(f"/sites/{site.id}/doors/change?door={ids[0]}&door={ids[1]}").text
    assert "Change 2 doors together" in page
    wrong = {"door": f"{ids[0]},{ids[1]}", "set-thickness": "1", "thickness": "thick", "hand": "", "egress": "no",
             "fire_rated": "no"}  # fmt: skip
    refused = clerk.post(f"/sites/{site.id}/doors/change", data=wrong)
    assert refused.status_code == 422 and 'id="thickness-error"' in refused.text and 'value="thick"' in refused.text

    good = wrong | {"set-fire_rated": "1", "fire_rated": "yes", "thickness": "1-3/4", "set-location": "1"}
    plan = clerk.post(f"/sites/{site.id}/doors/change", data=good)
    assert plan.status_code == 200 and "<del>Room 1</del>" in plan.text and "Room 3" not in plan.text
    saved = clerk.post(f"/sites/{site.id}/doors/change", data=good | {"seen": form_with(plan.text, "seen")["seen"]})
    assert saved.status_code == 303 and openings(work, site) == {"1": "", "2": "", "3": "Room 3"}
    stale = clerk.post(f"/sites/{site.id}/doors/change", data=good | {"seen": f"{ids[0]}:1", "location": "Attic"})
    assert stale.status_code == 409

    address = re.search(rf"/sites/{site.id}/doors/history/\d+", clerk.get(f"/sites/{site.id}/doors").text)
    assert address
    shown = clerk.get(address[0]).text
    assert ">Undo</button>" in shown and "Room 1" in shown
    assert clerk.post(address[0], data={"seen": form_with(shown, "seen")["seen"]}).status_code == 303
    assert openings(work, site) == {"1": "Room 1", "2": "Room 2", "3": "Room 3"}
    assert clerk.post(address[0], data={"seen": form_with(shown, "seen")["seen"]}).status_code == 409
    assert "nothing to undo" in clerk.get(address[0]).text
    assert "Undone on 2 doors" in clerk.get(f"/doors/{ids[0]}").text
    assert "Undone on" in clerk.get(f"/sites/{site.id}/doors/history").text


@pytest.mark.postgresql
def test_all_doors_that_answer_are_changed(work: Work, site: Site, clerk: FormClient) -> None:
    for n in range(105):
        factories.DoorFactory(site=site, opening_number=f"N{n}", location="Hall" if n % 2 else "Stair")
    page = clerk.get(f"/sites/{site.id}/doors?q=Stair").text
    assert "Page 1 of" not in page and 'name="all"' not in page
    assert 'name="all"' in clerk.get(f"/sites/{site.id}/doors").text
    assert "Change 53 doors together" in clerk.get(f"/sites/{site.id}/doors/change?all=1&q=Stair").text
    assert "No door was chosen" in clerk.get(f"/sites/{site.id}/doors/change?door=x&door=99999999999").text


@pytest.mark.postgresql
def test_a_door_is_added_by_hand_with_its_refusals_beside_the_fields(
    work: Work, site: Site, clerk: FormClient
) -> None:
    typed = {"opening_number": "12", "location": "Stair", "hand": "RH", "thickness": "thick"}
    refused = clerk.post(f"/sites/{site.id}/doors/new", data=typed)
    assert refused.status_code == 422 and 'id="thickness-error"' in refused.text and 'value="Stair"' in refused.text
    assert clerk.post(f"/sites/{site.id}/doors/new", data=typed | {"thickness": "1-3/4"}).status_code == 303
    again = clerk.post(f"/sites/{site.id}/doors/new", data=typed | {"thickness": ""})
    assert again.status_code == 422 and "has an opening 12 already" in again.text
    assert clerk.get("/sites/4040/doors/new").status_code == 404
    other = clerk.post(f"/sites/{site.id}/doors/new", data={"opening_number": "0-12", "hand": ""})
    assert "It may be 12, written differently" in clerk.get(other.location).text


def test_doors_that_may_be_one_are_shown_and_merged(work: Work, site: Site, clerk: FormClient) -> None:
    one = factories.DoorFactory(site=site, opening_number="101A", location="Hall")
    two = factories.DoorFactory(site=site, opening_number="101-a")
    factories.CylinderFactory(door=one)
    clash = factories.CylinderFactory(door=two)
    address = f"/sites/{site.id}/doors/alike"
    assert "one number, written differently" in clerk.get(address).text
    sent = {"keep": f"{one.id}:{one.version}", "gone": f"{two.id}:{two.version}"}
    refused = clerk.post(address, data=sent)
    assert refused.status_code == 422 and "have a cylinder outside" in refused.text
    assert "Choose which door stays" in clerk.post(address, data={"keep": "x"}).text
    clash.position = "inside"
    work.session.commit()
    assert clerk.post(address, data=sent).status_code == 303
    assert openings(work, site) == {"101A": "Hall"}
    assert "No two doors" in clerk.get(address).text


def test_a_cylinder_as_found_goes_on_and_comes_out(work: Work, site: Site, clerk: FormClient) -> None:
    door = factories.DoorFactory(site=site)
    keyset = factories.KeysetFactory(symbol="AA1", system=factories.KeySystemFactory(customer=site.customer))
    address = f"/doors/{door.id}/cylinders"
    empty = clerk.post(address, data={"position": "outside", "words": "", "keyset_id": "0"})
    assert empty.status_code == 422 and "Say what it is." in empty.text
    sent = {"position": "outside", "words": "rim cylinder, worn", "keyset_id": str(keyset.id)}
    assert clerk.post(address, data=sent).status_code == 303
    page = clerk.get(f"/doors/{door.id}").text
    assert "rim cylinder, worn" in page and "AA1" in page and "Removed from the door" in page
    cylinder = work.session.scalars(sa.select(Cylinder)).one()
    out = clerk.post(f"{address}/{cylinder.id}/out", data={"version": str(cylinder.version), "why": "worn"})
    assert out.status_code == 303
    work.session.rollback()
    work.session.expire_all()
    assert work.session.get_one(Cylinder, cylinder.id).state is CylinderState.REMOVED


def test_these_pages_are_for_those_who_keep_doors(site: Site, client_as: ClientAs) -> None:
    for address in ("doors/new", "doors/change", "doors/alike", "doors/history", "doors.csv"):
        assert client_as(Role.BENCH).get(f"/sites/{site.id}/{address}").status_code == 200
        assert client_as(None).get(f"/sites/{site.id}/{address}").status_code == 303
