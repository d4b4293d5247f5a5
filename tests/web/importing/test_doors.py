"""A site's doors go in at the counter; customers are the owner's to import."""

import re

import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import Door, Site
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.web.importing.test_customers import action_of, follow


def openings(work: Work) -> dict[str, str]:
    work.session.rollback()
    work.session.expire_all()
    return dict(work.session.execute(sa.select(Door.opening_number, Door.location)).all())


def test_a_paste_with_words_of_its_own_is_asked_about_and_saved(work: Work, clerk: FormClient) -> None:
    site: Site = factories.SiteFactory(name="North Hall")
    page = clerk.get(f"/sites/{site.id}/doors").text
    address = re.findall(r'href="(/imports\?[^"]*)"', page)[0].replace("&amp;", "&")
    shown = clerk.get(address).text
    assert "North Hall" in shown and "Customers" not in form_options(shown)
    sent = form_with(shown, "pasted") | {"pasted": "Door no.\tRoom\tHanding\n101\tHall\tright\n102\t<b>Stair\t\n"}
    answer = clerk.post(address, data=sent)
    asked = follow(clerk, answer.headers["Location"])
    boxes = form_with(asked, "sender") | {"word-hand-right": "RH"}
    preview = follow(clerk, clerk.post(action_of(asked, "columns"), data=boxes).headers["Location"])
    assert "2 new" in preview and "<b>Stair" not in preview
    factories.DoorFactory(site=site, opening_number="102", location="Porch")
    work.session.commit()
    stale = clerk.post(action_of(preview), data=form_with(preview, "seal"))
    assert stale.status_code == 409 and openings(work) == {"102": "Porch"}
    again = clerk.get(action_of(preview).removesuffix("/save")).text
    saved = clerk.post(action_of(again), data=form_with(again, "seal"))
    assert openings(work) == {"101": "Hall", "102": "<b>Stair"}
    assert f'href="/sites/{site.id}/doors"' in clerk.get(saved.headers["Location"]).text


def form_options(page: str) -> str:
    """What may be imported, of the page."""
    return page.partition('name="kind"')[2].partition("</select>")[0]


def test_customers_are_the_owners_to_import(clerk: FormClient) -> None:
    refused = upload(clerk, "/imports", b"Company\nQuay\n", "c.csv", kind="customers")
    assert refused.status_code == 403
    assert clerk.get("/imports/waiting/" + "x" * 24).status_code == 400
    nothing = clerk.post("/imports", data={"kind": "contacts", "pasted": " "})
    assert nothing.status_code == 422 and "Choose a file first" in nothing.text
    assert "neither .csv nor .xlsx" in upload(clerk, "/imports", b"x", "../../etc/passwd", kind="doors").text
