"""Pages that add doors, read lists, change many together, take changes back, and merge."""

import io
import re
import zipfile
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from werkzeug.test import TestResponse

from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Role, Site
from app.spreadsheets import table_bytes
from tests import factories
from tests.desk import upload
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


def send(clerk: FormClient, site: Site, content: bytes, name: str = "d.csv") -> TestResponse:
    return upload(clerk, f"/sites/{site.id}/doors/list", content, name)


def test_a_list_is_shown_then_saved_then_written_out_the_same(work: Work, site: Site, clerk: FormClient) -> None:
    plan = send(clerk, site, b"opening,location,egress\n101,Hall,yes\n=2,Stair,\n")
    assert plan.status_code == 200 and "Nothing is saved yet" in plan.text and openings(work, site) == {}
    sent = form_with(plan.text, "seal")
    done = clerk.post(f"/sites/{site.id}/doors/list/record", data=sent)
    assert done.status_code == 303 and openings(work, site) == {"101": "Hall", "=2": "Stair"}

    for kind in ("csv", "xlsx"):
        file = clerk.get(f"/sites/{site.id}/doors.{kind}")
        assert file.status_code == 200 and "attachment" in file.headers["Content-Disposition"]
        again = send(clerk, site, file.data, f"d.{kind}")
        assert "is saved already" in again.text
        assert clerk.get(f"/sites/{site.id}/doors.{kind}").data == file.data
    assert b"'=2" in clerk.get(f"/sites/{site.id}/doors.csv").data
    assert clerk.get(f"/sites/{site.id}/doors.pdf").status_code == 404


def test_problems_are_listed_and_nothing_is_saved(work: Work, site: Site, clerk: FormClient) -> None:
    page = send(clerk, site, b"opening,hand\n101,up\n101,RH\n,LH\n")
    assert page.status_code == 422
    for told in ("row 2, hand", "row 4, opening", "2 problems in the file"):
        assert told in page.text, told
    assert openings(work, site) == {}
    nothing = clerk.post(f"/sites/{site.id}/doors/list", data={"pasted": " "})
    assert nothing.status_code == 422 and "Choose a file first" in nothing.text


def test_a_paste_is_read_as_a_file_is(work: Work, site: Site, clerk: FormClient) -> None:
    plan = clerk.post(f"/sites/{site.id}/doors/list", data={"pasted": "7\tAttic\tRH\n8\tCellar\n"})
    sent = form_with(plan.text, "seal")
    assert clerk.post(f"/sites/{site.id}/doors/list/record", data=sent).status_code == 303
    assert openings(work, site) == {"7": "Attic", "8": "Cellar"}
    gone = clerk.post(f"/sites/{site.id}/doors/list/record", data=sent)
    assert gone.status_code == 400 and "send it again" in gone.text


def test_a_file_of_another_kind_or_name_does_no_harm(site: Site, clerk: FormClient) -> None:
    assert "neither .csv nor .xlsx" in send(clerk, site, b"x", "../../etc/passwd").text
    evil = send(clerk, site, b"opening\n<script>alert(1)</script>\n", "<b>.csv").text
    assert "<script>alert" not in evil and "<b>.csv" not in evil
    book = table_bytes("xlsx", "D", [["opening", "hand"], ["1", "up"]])
    assert "row 2, hand" in send(clerk, site, book, "d.xlsx").text


def test_doors_that_changed_since_the_list_was_shown_are_stale(work: Work, site: Site, clerk: FormClient) -> None:
    door = factories.DoorFactory(site=site, opening_number="1", location="Hall")
    plan = send(clerk, site, b"opening,location\n1,Great hall\n")
    door.location = "Stair"
    work.session.commit()
    sent = form_with(plan.text, "seal")
    assert clerk.post(f"/sites/{site.id}/doors/list/record", data=sent).status_code == 409
    assert openings(work, site) == {"1": "Stair"}


def test_a_stale_list_names_the_change_of_the_one_door_that_came_first(
    work: Work, site: Site, clerk: FormClient
) -> None:
    send(clerk, site, b"opening,location\n1,Hall\n")
    first = form_with(send(clerk, site, b"opening,location\n1,Hall\n").text, "seal")
    assert clerk.post(f"/sites/{site.id}/doors/list/record", data=first).status_code == 303
    sent = form_with(send(clerk, site, b"opening,location\n1,Great hall\n").text, "seal")
    address = f"/doors/{work.session.query(Door).one().id}/edit"
    alone = form_with(clerk.get(address).text, "location")
    assert clerk.post(address, data={**alone, "location": "Stair"}).status_code == 303
    stale = clerk.post(f"/sites/{site.id}/doors/list/record", data=sent)
    told = stale.text[stale.text.index("What was changed") :]
    assert stale.status_code == 409 and "location Hall → Stair" in told and "list" not in told[: told.index("</p>")]


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


def test_all_doors_that_answer_are_changed(work: Work, site: Site, clerk: FormClient) -> None:
    for n in range(105):
        factories.DoorFactory(site=site, opening_number=f"N{n}", location="Hall" if n % 2 else "Stair")
    page = clerk.get(f"/sites/{site.id}/doors?q=Stair").text
    assert "Page 1 of" not in page and 'name="all"' not in page
    assert 'name="all"' in clerk.get(f"/sites/{site.id}/doors").text
    assert "Change 53 doors together" in clerk.get(f"/sites/{site.id}/doors/change?all=1&q=Stair").text
    assert "No door was chosen" in clerk.get(f"/sites/{site.id}/doors/change?door=x&door=99999999999").text


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
    for address in ("doors/new", "doors/list", "doors/change", "doors/alike", "doors/history", "doors.csv"):
        assert client_as(Role.BENCH).get(f"/sites/{site.id}/{address}").status_code == 200
        assert client_as(None).get(f"/sites/{site.id}/{address}").status_code == 303


def test_a_workbook_that_unfolds_without_end_is_refused_on_the_page(
    work: Work, site: Site, clerk: FormClient
) -> None:
    book, out = zipfile.ZipFile(io.BytesIO(table_bytes("xlsx", "Doors", [["opening"], ["101"]]))), io.BytesIO()
    corner = b'<row r="1048576"><c r="XFD1048576"><v>1</v></c></row></sheetData>'
    with book, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as made:
        for name in book.namelist():
            made.writestr(name, book.read(name).replace(b"</sheetData>", corner))
    page = send(clerk, site, out.getvalue(), "d.xlsx")
    assert page.status_code == 422 and "too large once unpacked" in page.text
    assert openings(work, site) == {}


def test_unknown_headings_are_asked_about_and_the_same_file_goes_on(
    work: Work, site: Site, clerk: FormClient
) -> None:
    asked = send(clerk, site, b"Mark,Where,Shade\n101,Hall,red\n102,Stair,blue\n")
    assert asked.status_code == 422 and "Which column is which" in asked.text and openings(work, site) == {}
    sent = form_with(asked.text, "token")
    wrong = clerk.post(f"/sites/{site.id}/doors/list", data={**sent, "column-0": "", "column-2": ""})
    assert "Say which column has the opening number." in wrong.text
    sent = form_with(wrong.text, "token")
    chosen = {**sent, "column-0": "opening", "column-1": "location", "column-2": "", "first-row": "heading"}
    plan = clerk.post(f"/sites/{site.id}/doors/list", data=chosen)
    assert plan.status_code == 200 and "Nothing is saved yet" in plan.text
    done = clerk.post(f"/sites/{site.id}/doors/list/record", data=form_with(plan.text, "seal"))
    assert done.status_code == 303 and openings(work, site) == {"101": "Hall", "102": "Stair"}


def test_a_list_without_names_is_asked_about_unless_it_is_plain(work: Work, site: Site, clerk: FormClient) -> None:
    asked = clerk.post(f"/sites/{site.id}/doors/list", data={"pasted": "FRONT\tShop\nBACK\tYard"})
    assert asked.status_code == 422
    sent = {**form_with(asked.text, "token"), "first-row": "door"}
    plan = clerk.post(f"/sites/{site.id}/doors/list", data=sent)
    assert clerk.post(f"/sites/{site.id}/doors/list/record", data=form_with(plan.text, "seal")).status_code == 303
    assert openings(work, site) == {"FRONT": "Shop", "BACK": "Yard"}
