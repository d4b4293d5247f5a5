"""Pages about sites and their doors."""

import re
from collections.abc import Callable
from fractions import Fraction
from html import unescape

import pytest
import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Lock, Role, Stage
from tests import factories
from tests.factories import FormClient
from tests.keyed import Keyed, bitting_in, counted, keyed_job, walk

ClientAs = Callable[[Role | None], FormClient]
EGRESS = "ask the authority having jurisdiction"
FIRE = "beyond what the label and the local code allow"


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def typed(door: Door, **changed: object) -> dict[str, object]:
    """The form of a door as a browser sends it, with what is changed."""
    return {
        "version": door.version, "opening_number": door.opening_number, "location": door.location, "hand": door.hand,
        "lock": "mortise lock, office function", "function": "", "thickness": "", "stile": "", "remarks": "",
    } | changed  # fmt: skip


def reread(work: Work, door: Door) -> Door:
    work.session.rollback()
    work.session.expire_all()
    return work.session.get_one(Door, door.id)


def test_sites_are_listed_by_customer_with_their_doors(keyed: Keyed, client_as: ClientAs) -> None:
    factories.SiteFactory(customer=factories.CustomerFactory(name="Aster House"), name="Annex")
    page = client_as(Role.COUNTER).get("/doors").text
    assert page.index("Aster House") < page.index("Harbourmaster")
    assert f"/sites/{keyed.doors[0].site_id}/doors" in page
    assert "Annex" not in client_as(Role.COUNTER).get("/doors?q=flats").text


def test_a_site_shows_doors_cylinders_keysets_flags_and_cautions(keyed: Keyed, client_as: ClientAs) -> None:
    page = client_as(Role.COUNTER).get(f"/sites/{keyed.doors[0].site_id}/doors").text
    for told in ("F1", "Flat 2", "RH", "mortise lock", "1AA", "2AA", "AD-Q1-66", "exit", "fire-rated", EGRESS, FIRE):
        assert told in page, told
    assert bitting_in(page) is None


def test_a_door_leads_to_the_loss_of_its_key(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    """A caller knows a door's number and no symbol: once its cylinder hangs there, its keyset is chosen already."""
    clerk, address = client_as(Role.COUNTER), f"/doors/{keyed.doors[1].id}"
    assert "Its key is lost" not in clerk.get(address).text
    cylinder = work.session.scalars(sa.select(Cylinder).where(Cylinder.door_id == keyed.doors[1].id)).one()
    cylinder.state = CylinderState.FITTED
    work.session.commit()
    link = re.search(r'href="([^"]+)">Its key is lost', clerk.get(address).text)
    assert link is not None
    assert re.search(r'<option selected value="2AA">', clerk.get(unescape(link[1])).text)


def test_doors_stand_as_people_count(keyed: Keyed, client_as: ClientAs) -> None:
    site = keyed.doors[0].site
    for number in ("F10", "F9"):
        factories.DoorFactory(site=site, opening_number=number)
    page = client_as(Role.COUNTER).get(f"/sites/{site.id}/doors").text
    places = [page.index(f">{number}</a>") for number in ("F1", "F2", "F9", "F10")]
    assert places == sorted(places)


def test_a_removed_cylinder_is_history_and_not_on_the_door(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    factories.CylinderFactory(
        door=door, job_id=keyed.job.id, state=CylinderState.REMOVED, words="old rim cylinder", part_number="OLD-1"
    )
    client = client_as(Role.COUNTER)
    assert "OLD-1" not in client.get(f"/sites/{door.site_id}/doors").text
    page = client.get(f"/doors/{door.id}").text
    assert "old rim cylinder" in page and "removed" in page
    assert f'href="/jobs/{keyed.job.number}"' in page and EGRESS in page and FIRE not in page


def test_a_site_asks_as_often_for_many_doors_as_for_few(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    client, site = client_as(Role.COUNTER), keyed.doors[0].site

    def asked() -> int:
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            client.get(f"/sites/{site.id}/doors")
        return len(statements)

    client.get("/doors")
    few = asked()
    for number in range(60):
        door = factories.DoorFactory(site=site, opening_number=f"G{number}")
        keyset = factories.KeysetFactory(system=keyed.system, symbol=f"{number + 10}AA")
        factories.LockFactory(door=door)
        factories.CylinderFactory(door=door, keyset=keyset)
    assert asked() == few <= 10


def test_a_thousand_doors_come_a_hundred_a_page(keyed: Keyed, work: Work, client_as: ClientAs) -> None:
    site_id = keyed.doors[0].site_id
    work.session.add_all(Door(site_id=site_id, opening_number=f"Z{number:04}") for number in range(998))
    work.session.commit()
    page = client_as(Role.COUNTER).get(f"/sites/{site_id}/doors?page=10").text
    assert "1000 doors" in page and "Page 10 of 10" in page and "Z0997" in page and "Z0100" not in page


def test_a_door_is_changed_and_the_event_says_what(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    client = client_as(Role.COUNTER)
    sent = typed(door, location="Lobby", lock="Rim lock", thickness="1-3/4", stile="4", is_fire_rated="y")
    answer = client.post(f"/doors/{door.id}/edit", data=sent)
    assert answer.status_code == 303
    saved = reread(work, door)
    assert (saved.location, saved.thickness, saved.stile) == ("Lobby", Fraction(7, 4), Fraction(4))
    assert (saved.is_egress, saved.is_fire_rated) == (False, True)
    assert work.session.scalars(sa.select(Lock.description).where(Lock.door_id == door.id)).one() == "Rim lock"
    event = work.session.scalars(sa.select(Event).where(Event.subject == f"door {door.id}")).one()
    assert "location Flat 1 → Lobby" in event.summary and "egress yes → no" in event.summary
    assert "location Flat 1 → Lobby" in client.get(f"/doors/{door.id}").text


def test_the_form_holds_what_is_on_record(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    door.thickness = Fraction(7, 4)
    work.session.commit()
    page = client_as(Role.COUNTER).get(f"/doors/{door.id}/edit").text
    assert 'value="1-3/4"' in page and 'value="Flat 1"' in page and 'value="mortise lock, office function"' in page


def test_saving_what_stands_there_is_no_event(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    client_as(Role.COUNTER).post(f"/doors/{door.id}/edit", data=typed(door, is_egress="y"))
    assert work.session.scalars(sa.select(Event).where(Event.subject == f"door {door.id}")).all() == []


def test_a_change_of_the_lock_alone_makes_an_older_page_stale(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    first, second = typed(door, lock="Rim lock", is_egress="y"), typed(door, location="Attic", is_egress="y")
    assert client_as(Role.BENCH).post(f"/doors/{door.id}/edit", data=first).status_code == 303
    answer = client_as(Role.COUNTER).post(f"/doors/{door.id}/edit", data=second)
    assert answer.status_code == 409
    assert "lock mortise lock, office function → Rim lock" in answer.text and "Attic" in answer.text
    assert reread(work, door).location == "Flat 1"


@pytest.mark.parametrize(
    ("field", "value", "said"),
    [
        ("opening_number", "", "Enter the opening number."),
        ("opening_number", "F2", "This site has an opening F2 already."),
        ("opening_number", "9" * 41, "At most 40 characters fit here."),
        ("location", "x" * 10_000, "At most 200 characters fit here."),
        ("hand", "up", "Not a valid choice"),
        ("thickness", "thick", "thick"),
        ("stile", "-4", "not a length"),
        ("thickness", "1" + "0" * 30, "Enter"),
        ("remarks", "x" * 2001, "At most 2,000 characters fit here."),
        ("lock", "", "a function alone is not one"),
    ],
)
def test_what_cannot_be_is_said_beside_its_field(
    work: Work, keyed: Keyed, client_as: ClientAs, field: str, value: str, said: str
) -> None:
    door = keyed.doors[0]
    sent = typed(door, **{"remarks": "kept words", "function": "office", field: value})
    if field == "remarks":
        sent["location"] = "kept words"
    answer = client_as(Role.COUNTER).post(f"/doors/{door.id}/edit", data=sent)
    assert answer.status_code == 422 and said in answer.text and "kept words" in answer.text
    assert f'id="{field}-error"' in answer.text
    assert reread(work, door).location == "Flat 1"


def test_names_are_shown_as_text(work: Work, keyed: Keyed, client_as: ClientAs) -> None:
    door = keyed.doors[0]
    evil = '"><script>alert(1)</script>'
    door.location, door.remarks = evil, evil
    work.session.commit()
    client = client_as(Role.COUNTER)
    for address in (f"/sites/{door.site_id}/doors", f"/doors/{door.id}", f"/doors/{door.id}/edit", "/search?q=F1"):
        assert "<script>alert" not in client.get(address).text


def test_what_is_not_there_is_a_calm_page(client_as: ClientAs) -> None:
    for address in ("/doors/404", "/doors/404/edit", "/sites/404/doors"):
        assert client_as(Role.COUNTER).get(address).status_code == 404


def test_a_cylinder_found_without_a_keyset_is_not_said_to_have_no_pins(keyed: Keyed, client_as: ClientAs) -> None:
    found = factories.CylinderFactory(door=keyed.doors[0], position="inside", state=CylinderState.FITTED)
    client = client_as(Role.COUNTER)
    for address in (f"/sites/{keyed.doors[0].site_id}/doors", f"/doors/{found.door_id}", f"/cylinders/{found.id}"):
        page = client.get(address).text
        assert "keying not known" in page and "uncombinated" not in page, address


def test_a_door_tells_when_each_keyset_hung_there_and_bench_alone_sees_its_pins(
    keyed: Keyed, client_as: ClientAs, work: Work
) -> None:
    walk(work, keyed.job, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    address, pins = f"/doors/{keyed.doors[0].id}", f"/cylinders/{keyed.cylinders[0].id}/former-pins"
    page = client_as(Role.COUNTER).get(address).text
    told = f'25 Nov 2026<br><span class="soft">handed over, <a href="/jobs/{keyed.job.number}">job'
    assert told in page and f"pinned by {work.actor.name}" in page
    assert "Pins as they were" not in page and client_as(Role.COUNTER).post(pins).status_code == 403
    for role in (Role.BENCH, Role.OWNER):
        assert f'action="{pins}"' in client_as(role).get(address).text
        seen = client_as(role).post(pins).text
        assert "64 combinations shear" in seen and "<svg" in seen and bitting_in(seen) is None
    work.session.rollback()
    looks = work.session.scalars(sa.select(Event.summary).where(Event.kind == "bittings revealed")).all()
    assert sum("pins as they were" in one for one in looks) == 2
