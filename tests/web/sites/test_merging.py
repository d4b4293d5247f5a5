"""Customers merged and parted, sites merged, doors moved, each from its page: before, after, and the way back."""

import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.ledger.tables import Customer, Door, FormerName, KeySystem, Role, Site
from tests.desk import list_taken
from tests.factories import (
    ContactFactory,
    CustomerFactory,
    CylinderFactory,
    DoorFactory,
    FormClient,
    JobFactory,
    KeywayFactory,
    PaymentFactory,
    SiteFactory,
)

ClientAs = Callable[[Role | None], FormClient]


def boxes(page: str) -> dict[str, str]:
    """The hidden fields of a page's own form, as a browser would send them."""
    found = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', page))
    found |= dict(re.findall(r'<input id="\w+" name="(\w+)" type="hidden" value="([^"]*)">', page))
    found.pop("csrf_token", None)
    return found


def look_again(session: Session) -> None:
    """Have the test's own session see what the pages saved."""
    session.rollback()
    session.expire_all()


def cells(page: str, row: str) -> list[str]:
    """What a row of the page's table of counts says."""
    found = re.search(rf'<th scope="row">{row}</th>(.*?)</tr>', page, re.S)
    assert found, row
    return re.findall(r"<td[^>]*>([^<]*)</td>", found[1])


@pytest.fixture
def pair(session: Session) -> tuple[Customer, Customer]:
    """A school twice on record: 2 doors and a job with $50 here, 1 door there."""
    kept = CustomerFactory(name="Heron Street School", phone="(555) 010-0144")
    gone = CustomerFactory(name="Heron St School", email="office@heron.example")
    here, there = SiteFactory(customer=kept, name="Main"), SiteFactory(customer=gone, name="Main")
    DoorFactory(site=here, opening_number="1")
    DoorFactory(site=here, opening_number="2")
    DoorFactory(site=there, opening_number="9")
    ContactFactory(customer=gone, name="A. Wader")
    job = JobFactory(customer=kept, site=here)
    PaymentFactory(job_id=job.id, cents=5000)
    return kept, gone


def test_two_customers_become_one_and_two_again(
    owner_client: FormClient, session: Session, pair: tuple[Customer, Customer]
) -> None:
    kept, gone = pair
    assert f"/customers/{kept.id}/merge" in owner_client.get(f"/customers/{kept.id}").text
    found = owner_client.get(f"/customers/{kept.id}/merge?q=heron").text
    assert f"/customers/{kept.id}/merge/{gone.id}" in found
    page = owner_client.get(f"/customers/{kept.id}/merge/{gone.id}").text
    assert cells(page, "doors") == ["2", "1", "3"]
    assert cells(page, "received") == ["$50.00", "$0.00", "$50.00"]
    assert 'value="Main (of Heron St School)"' in page
    assert cells(page, "E-mail") == ["none", "office@heron.example"]  # the third, after, is in bold
    assert '<th scope="row">Phone</th>' in page and ">email<" not in page
    site = session.scalars(sa.select(Site).filter_by(customer_id=gone.id)).one()
    data = {**boxes(page), f"name-site-{site.id}": "Main"}
    refused = owner_client.post(f"/customers/{kept.id}/merge/{gone.id}", data=data)
    assert refused.status_code == 422
    assert "There is a site named Main already: enter another name for Main." in refused.text
    data[f"name-site-{site.id}"] = "Annex"
    done = owner_client.post(f"/customers/{kept.id}/merge/{gone.id}", data=data, follow_redirects=True).text
    assert "They are one customer now: Heron Street School." in done
    assert "Formerly Heron St School." in done and "office@heron.example" in done
    assert (
        "was merged into Heron Street School" in owner_client.get(f"/customers/{gone.id}", follow_redirects=True).text
    )
    undo = re.search(r"/customers/merges/\d+", done)
    assert undo
    shown = owner_client.get(undo[0]).text
    assert cells(shown, "doors") == ["3", "2", "1"]
    again = owner_client.post(undo[0], data=boxes(shown), follow_redirects=True).text
    assert "Heron St School is a customer of its own again." in again
    look_again(session)
    assert (session.get_one(Site, site.id).name, session.get_one(Site, site.id).customer_id) == ("Main", gone.id)
    assert session.scalar(sa.select(sa.func.count()).select_from(FormerName)) == 0
    assert session.get_one(Customer, kept.id).email == ""


def test_only_the_owner_merges_and_parts(clerk: FlaskClient, pair: tuple[Customer, Customer]) -> None:
    kept, gone = pair
    for page in (
        f"/customers/{kept.id}/merge",
        f"/customers/{kept.id}/merge/{gone.id}",
        f"/customers/{kept.id}/split",
    ):
        assert clerk.get(page).status_code == 403
    assert "Merge" not in clerk.get(f"/customers/{kept.id}").text


def test_a_site_goes_to_a_new_customer_and_comes_back(
    owner_client: FormClient, session: Session, pair: tuple[Customer, Customer]
) -> None:
    kept, _ = pair
    annex = SiteFactory(customer=kept, name="Annex")
    old = CylinderFactory(door=DoorFactory(site=annex, opening_number="A1"))
    job = JobFactory(customer=kept, site=annex, stage="closed", title="Annex locks")
    old.job_id = job.id
    session.commit()
    url = f"/customers/{kept.id}/split"
    first = owner_client.get(url).text
    assert "Annex locks" in first
    sent = {**boxes(first), "whose": "new", "name": "Annex Trust", "site": [str(annex.id)]}
    page = owner_client.post(url, data=sent).text
    assert cells(page, "doors") == ["3", "2", "0", "1"]
    assert cells(page, "jobs") == ["2", "2", "0", "0"]
    assert f"Job {job.number} is for Annex" in page
    done = owner_client.post(url, data={**sent, "deed": "save"}, follow_redirects=True).text
    assert "Annex Trust has it now; Heron Street School keeps the rest." in done
    assert "Done on these doors for others" in done and "Annex locks" in done
    undo = re.search(r"/customers/splits/\d+", owner_client.get(f"/customers/{kept.id}").text)
    assert undo
    owner_client.post(undo[0], data=boxes(owner_client.get(undo[0]).text))
    look_again(session)
    assert session.get_one(Site, annex.id).customer_id == kept.id
    assert session.scalar(sa.select(Customer.id).filter_by(name="Annex Trust")) is None


def test_listed_keys_that_would_interchange_are_told_before_customers_merge_or_part(
    owner_client: FormClient, session: Session, pair: tuple[Customer, Customer]
) -> None:
    """In each chamber 201 has a cut of the other's 101 or of the master over that; no cylinder is keyed to either."""
    kept, gone = pair
    spec = {"chambers": 6, "depths": 10, "first_depth": 0, "macs": 9, "step": 2}
    KeywayFactory(code="AQ1", spec__spec=spec)
    head = "symbol,bitting,level\n"
    list_taken(owner_client, f"{head}TMK,417250,TMK\n101,235472,change\n", kept.id, "Old wharf", keyway="AQ1")
    list_taken(owner_client, f"{head}TMK,675816,TMK\n201,237452,change\n", gone.id, "New wharf", keyway="AQ1")
    look_again(session)
    old, new = session.scalars(sa.select(KeySystem).order_by(KeySystem.id)).all()
    opening, keyed = (
        next(f"{one.symbol} of {system.name}" for one in system.keysets if one.parent) for system in (new, old)
    )
    told = f"Key {opening} would also operate any cylinder keyed to {keyed}, which it must not."
    merge, split = f"/customers/{kept.id}/merge/{gone.id}", f"/customers/{gone.id}/split"
    sent = boxes(owner_client.get(split).text) | {"whose": "known", "system": [str(new.id)], "name": kept.name}
    for page in (owner_client.get(merge).text, owner_client.post(split, data=sent).text):
        assert told in unescape(page) and "nothing in cylinders on record that it does not find today" in page
    site = session.scalars(sa.select(Site).filter_by(customer_id=gone.id)).one()
    data = {**boxes(owner_client.get(merge).text), f"name-site-{site.id}": "Annex"}
    assert owner_client.post(merge, data=data).status_code == 303


def test_a_customer_to_go_to_is_named_whole(owner_client: FormClient, pair: tuple[Customer, Customer]) -> None:
    kept, _ = pair
    url = f"/customers/{kept.id}/split"
    sent = {**boxes(owner_client.get(url).text), "whose": "known", "name": "nobody at all"}
    refused = owner_client.post(url, data=sent)
    assert (refused.status_code, "Nobody on record is called so." in refused.text) == (422, True)


def test_doors_move_and_clashes_are_told_by_row(clerk: FormClient, session: Session) -> None:
    site = SiteFactory(name="North")
    other = SiteFactory(customer=site.customer, name="South")
    doors = [DoorFactory(site=site, opening_number=one) for one in ("1", "2", "3")]
    DoorFactory(site=other, opening_number="2")
    cylinder = CylinderFactory(door=doors[1])
    url = f"/sites/{site.id}/doors/move"
    ticked = {"door": [str(doors[0].id), str(doors[1].id)]}
    assert "To the site" in clerk.get(url, query_string=ticked).text
    page = clerk.post(url, data={**ticked, "to": str(other.id)})
    assert page.status_code == 422 and "South has an opening 2 already: enter another number" in page.text
    sent = {**ticked, "to": str(other.id), f"number-{doors[1].id}": "2A"}
    plan = clerk.post(url, data=sent).text
    assert "2 doors from North to South" in plan
    done = clerk.post(url, data={**sent, **boxes(plan), "deed": "save"}, follow_redirects=True).text
    assert "2 doors moved to South." in done
    look_again(session)
    moved = session.scalars(sa.select(Door).filter_by(site_id=other.id).order_by(Door.opening_number)).all()
    assert [(one.id, one.opening_number) for one in moved][0::2] == [(doors[0].id, "1"), (doors[1].id, "2A")]
    assert cylinder.door_id == doors[1].id
    assert "2 doors moved from North to South" in clerk.get(f"/doors/{doors[1].id}").text
    undo = re.search(r"/sites/\d+/doors/moves/\d+", clerk.get(f"/sites/{site.id}/doors").text)
    assert undo
    clerk.post(undo[0], data=boxes(clerk.get(undo[0]).text))
    look_again(session)
    assert [(one.site_id, one.opening_number) for one in doors[:2]] == [(site.id, "1"), (site.id, "2")]


def test_a_site_made_for_moved_doors_goes_again_with_them(clerk: FormClient, session: Session) -> None:
    door = DoorFactory(opening_number="7")
    site = door.site
    url, ticked = f"/sites/{site.id}/doors/move", {"door": str(door.id), "site_name": "Boat House"}
    plan = clerk.post(url, data=ticked).text
    clerk.post(url, data={**ticked, **boxes(plan), "deed": "save"})
    look_again(session)
    made = session.scalars(sa.select(Site).filter_by(name="Boat House")).one()
    assert door.site_id == made.id
    job = JobFactory(customer=site.customer, site=made)
    undo = re.search(r"/sites/\d+/doors/moves/\d+", clerk.get(f"/sites/{site.id}/doors").text)
    assert undo
    page = clerk.get(undo[0]).text
    session.delete(job)
    session.commit()
    clerk.post(undo[0], data=boxes(page))
    look_again(session)
    assert door.site_id == site.id
    assert session.scalar(sa.select(Site.id).filter_by(name="Boat House")) is None


def test_two_sites_become_one_and_two_again(owner_client: FormClient, session: Session) -> None:
    kept = SiteFactory(name="Main Hall")
    gone = SiteFactory(customer=kept.customer, name="Hall, Main")
    twin = DoorFactory(site=gone, opening_number="1")
    DoorFactory(site=gone, opening_number="8")
    DoorFactory(site=kept, opening_number="1")
    job = JobFactory(customer=kept.customer, site=gone)
    url = f"/sites/{gone.id}/merge"
    page = owner_client.get(f"{url}?into={kept.id}").text
    assert cells(page, "doors") == ["1", "2", "3"]
    assert "Main Hall has an opening 1 already" in page
    sent = {**boxes(page), "deed": "save"}
    assert owner_client.post(url, data=sent).status_code == 422
    done = owner_client.post(url, data={**sent, f"number-{twin.id}": "1B"}, follow_redirects=True).text
    assert "They are one site now: Main Hall." in done and "Formerly Hall, Main." in done
    look_again(session)
    assert (twin.site_id, twin.opening_number, job.site_id) == (kept.id, "1B", kept.id)
    assert "Main Hall" in owner_client.get("/search?q=hall, main").text
    assert "Hall, Main" not in owner_client.get(f"/customers/{kept.customer_id}").text.partition("What happened")[0]
    undo = re.search(r"/sites/merges/\d+", done)
    assert undo
    owner_client.post(undo[0], data=boxes(owner_client.get(undo[0]).text))
    look_again(session)
    assert (twin.site_id, twin.opening_number, job.site_id, gone.merged_into_id) == (gone.id, "1", gone.id, None)


def test_a_renamed_customer_is_found_by_the_old_name(clerk: FormClient, session: Session) -> None:
    customer = CustomerFactory(name="Pilot Wharf Clinic")
    edit = f"/customers/{customer.id}/edit"
    version = {"version": str(customer.version)}
    clerk.post(edit, data={**version, "name": "Tidewater Clinic"})
    assert "Formerly Pilot Wharf Clinic." in clerk.get(f"/customers/{customer.id}").text
    assert "Tidewater Clinic" in clerk.get("/search?q=pilot wharf").text
    assert "Tidewater Clinic" in clerk.get("/customers?q=pilot wharf").text


LIKE = {
    "phone": {"name": "Rowena Tern", "phone": "555.010.0177"},
    "e-mail": {"name": "Rowena Tern", "email": "Jon@Smyth.example"},
    "spelling": {"name": "John Smith"},
}


@pytest.mark.parametrize("typed", LIKE.values(), ids=LIKE)
def test_a_customer_like_one_on_record_is_asked_about(
    clerk: FormClient, session: Session, typed: dict[str, str]
) -> None:
    CustomerFactory(name="Jon Smyth", phone="(555) 010-0177", email="jon@smyth.example")
    refused = clerk.post("/customers/new", data=typed)
    assert refused.status_code == 422
    assert "On record already: Jon Smyth, (555) 010-0177 (" in refused.text
    assert clerk.post("/customers/new", data={**typed, "is_another": "y"}).status_code == 303
    assert session.scalar(sa.select(sa.func.count()).select_from(Customer)) == 2


def test_the_counter_asks_about_a_customer_like_one_on_record(clerk: FormClient, session: Session) -> None:
    there = CustomerFactory(name="Jon Smyth")
    sent = {"is_new_customer": "1", "customer_name": "John Smith", "token": "t" * 32}
    page = clerk.post("/counter/work-out", data=sent).text
    assert f'name="choose" value="{there.id}"' in page and "It is another one" in page
    said = clerk.post("/counter/work-out", data={**sent, "choose": "another"}).text
    assert 'name="is_new_customer" value="another"' in said and "It is another one" not in said
