"""A customer parted: what goes together, single keysets out of a book that stays, and the way back."""

from collections.abc import Callable
from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.keys.key_queries import get_key, key_story
from app.ledger.keys.keys import order_copies
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.merging.customer_merging import MergeForm, merge_customers
from app.ledger.merging.customer_splitting import (
    CUSTOMER_SPLIT,
    SplitForm,
    plan_split,
    split_customer,
    unsplit_customer,
)
from app.ledger.merging.holdings import Holdings, holdings_of
from app.ledger.sites.customers import ContactForm, SiteForm, add_contact, add_site
from app.ledger.sites.cylinders import CylinderForm, add_cylinder
from app.ledger.sites.door_history import door_story
from app.ledger.sites.doors import DoorForm, add_door
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Cylinder, Door, Event, Job, Key, Keyset, KeySystem, Site
from app.web.counter.drafts import start
from tests.ledger.merging.conftest import House
from tests.ledger.test_main_job import accept, flats, issued, openings

Rows = Callable[[], dict[str, list[tuple[object, ...]]]]


def form(work: Work, house: House, **more: object) -> SplitForm:
    work.session.rollback()
    source = work.session.get_one(Customer, house.customer)
    return replace(SplitForm(house.customer, source.version, name="Northgate Infants"), **more)


def undo(work: Work, house: House) -> Customer:
    rows = sa.select(Event.id).where(Event.kind == CUSTOMER_SPLIT).order_by(Event.id.desc())
    event_id = work.session.scalars(rows).first() or 0
    version = work.session.get_one(Customer, house.customer).version
    return unsplit_customer(work, event_id, version)


@pytest.fixture
def annex(work: Work, north: House) -> int:
    """A second site with a door A1, whose single key stands in the same book as that of 101."""
    site = add_site(work, north.customer, SiteForm("Annex"))
    order_copies(work, north.book, "SKD1", 1)
    with transaction(work.session):
        [single] = add_keysets(work, work.session.get_one(KeySystem, north.book), 1)
    door = add_door(work, site.id, DoorForm(opening_number="A1"))
    add_cylinder(work, door.id, CylinderForm("outside", "rim cylinder", keyset_id=single.id))
    order_copies(work, north.book, "SKD2", 3)
    return site.id


def test_a_site_goes_with_its_single_keysets_and_comes_back(work: Work, north: House, annex: int, rows: Rows) -> None:
    before = rows()
    asked = form(work, north, sites=frozenset({annex}))
    plan = plan_split(work, asked)
    assert rows() == before
    assert (plan.together, plan.keysets) == ((), ("SKD2 of Single keyed AQ1, 6 chambers",))
    # Of 2 sites, 4 doors, 2 systems with 5 keysets and 6 keys, one out.
    assert plan.before == (Holdings(1, 2, 4, 2, 5, 1, 1, 0, 0, 0, 6, 1), Holdings())
    assert plan.after == (Holdings(1, 1, 3, 2, 4, 1, 1, 0, 0, 0, 3, 1), Holdings(0, 1, 1, 1, 1, 0, 0, 0, 0, 0, 3, 0))
    new = split_customer(work, asked)
    assert holdings_of(work.session, new.id) == plan.after[1]
    [book] = list_systems(work.session, new.id)
    assert (book.name, [one.symbol for one in book.keysets]) == ("Single keyed AQ1, 6 chambers", ["SKD2"])
    assert len(open_bittings(work.session, work.vault, [book])) == 1
    assert audit_systems(work, [book]).is_clean
    key = work.session.scalars(sa.select(Key).where(Key.keyset_id == book.keysets[0].id).order_by(Key.id)).first()
    assert key is not None
    told = key_story(work.session, get_key(work.session, key.id))
    assert ["3 keys of SKD2 ordered" in one.summary for one in told] == [True]  # ordered in the other book
    undo(work, north)
    assert rows() == before


def test_single_doors_and_a_system_go_together(work: Work, north: House, rows: Rows) -> None:
    before = rows()
    first, *others = north.doors
    alone = form(work, north, systems=frozenset({north.system}), site_name="Infants' Hall")
    refused = plan_split(work, alone).together
    assert len(refused) == 2  # 102 and 103 are keyed in it
    assert refused[0].startswith("102 outside of Main Hall is keyed to ")
    with pytest.raises(Problems, match="let both go, or none"):
        split_customer(work, alone)
    both = replace(alone, doors=frozenset(others))
    new = split_customer(work, both)
    sites = work.session.scalars(sa.select(Site).where(Site.customer_id == new.id)).all()
    assert [one.name for one in sites] == ["Infants' Hall"]
    doors = work.session.scalars(sa.select(Door).where(Door.site_id == sites[0].id).order_by(Door.id)).all()
    assert [one.id for one in doors] == others
    assert any("went to Northgate Infants" in one.summary for one in door_story(work.session, doors[0]))
    assert work.session.get_one(Door, first).site_id == north.site
    assert work.session.get_one(KeySystem, north.system).customer_id == new.id
    undo(work, north)
    assert rows() == before
    told = door_story(work.session, work.session.get_one(Door, others[0]))
    assert (told[0].summary.endswith("the split is undone"), told[-1].summary) == (True, "Door 102 saved")


def test_a_job_under_way_keeps_its_site(work: Work, north: House, annex: int) -> None:
    plan = plan_split(work, form(work, north, sites=frozenset({north.site}), systems=frozenset({north.system})))
    assert any("is for Main Hall: let both go, or none." in one for one in plan.together)
    whole = form(
        work,
        north,
        sites=frozenset({north.site}),
        systems=frozenset({north.system}),
        jobs=frozenset({north.job}),
    )
    assert plan_split(work, whole).together == ()


def test_many_doors_of_one_system_are_told_once(work: Work) -> None:
    """Four flats under one master, whose site goes and whose system stays: one line for them, and one for the job."""
    job = accept(work, issued(work, flats(work, 4)), openings(4))
    assert job.site is not None
    plan = plan_split(
        work,
        SplitForm(job.customer_id, job.customer.version, name="Harbor Lettings", sites=frozenset({job.site.id})),
    )
    system = job.cylinders[0].keyset.system.name  # type: ignore[union-attr]
    site = job.site.name
    assert plan.together[-2:] == (
        f"F1 outside of {site} is keyed to 1AA of {system}, and 3 more like it: let both go, or none.",
        f"Job {job.number} has work on F1 of {site}, and 3 more like it: let both go, or none.",
    )
    assert len(plan.together) <= 4


def test_what_has_grown_on_it_keeps_the_split(work: Work, north: House, annex: int) -> None:
    new = split_customer(work, form(work, north, sites=frozenset({annex})))
    add_contact(work, new.id, ContactForm("New Porter"))
    with pytest.raises(LedgerError, match="Northgate Infants has 1 contact of its own since: merge it into"):
        undo(work, north)
    session = work.session
    pair = [(one, session.get_one(Customer, one).version) for one in (north.customer, new.id)]
    merge_customers(work, MergeForm(pair[0], pair[1]))
    assert holdings_of(session, north.customer).doors == 4
    with pytest.raises(LedgerError, match="was merged into another customer since"):
        undo(work, north)


def test_to_a_customer_on_record(work: Work, north: House, south: House, annex: int, rows: Rows) -> None:
    before = rows()
    asked = form(work, north, to_id=south.customer, name="", sites=frozenset({annex}))
    plan = plan_split(work, asked)
    assert plan.keyways == ("AQ1",) and not plan.findings
    split_customer(work, asked)
    names = {one.name for one in list_systems(work.session, south.customer)}
    assert "Single keyed AQ1, 6 chambers (of Northgate School)" in names
    undo(work, north)
    assert rows() == before
    cylinders = work.session.scalars(sa.select(Cylinder).join(Keyset).where(Keyset.system_id == north.book)).all()
    assert len(cylinders) == 2


def test_nothing_chosen_or_nobody_to_go_to(work: Work, north: House) -> None:
    with pytest.raises(LedgerError, match="Choose what goes") as refused:
        plan_split(work, form(work, north))
    assert refused.value.field == "chosen"
    with pytest.raises(LedgerError, match="enter a new one's name"):
        plan_split(work, form(work, north, name=" ", sites=frozenset({north.site})))


def test_a_quote_that_goes_along_is_revised_for_its_new_customer(work: Work, north: House) -> None:
    parts = {"sites": {north.site}, "systems": {north.system, north.book}, "jobs": {north.job}}
    new = split_customer(work, form(work, north, **{name: frozenset(ids) for name, ids in parts.items()}))
    page = start(work, work.session.get_one(Job, north.job), "t" * 32)
    assert (page.text("customer_id"), page.text("site_id")) == (str(new.id), str(north.site))
