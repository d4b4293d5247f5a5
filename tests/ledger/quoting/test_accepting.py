"""A quote is accepted on a day that it holds, once, and a refusal names its field."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.jobs.stages import move_job
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Cylinder, CylinderState, Event, Job, KeySystem, LineKind, Site, Stage
from app.pricing import KeyingKind
from tests.keyed import walk
from tests.ledger.conftest import customer_id
from tests.ledger.saving import DOORS, quote
from tests.ledger.test_main_job import MORTISE, accept, flats, issued, mortise, openings


@pytest.mark.parametrize(
    ("days_later", "accepted", "field", "says"),
    [
        (0, 1, "accepted_on", "cannot lie ahead"),
        (0, -1, "accepted_on", "before the quote was issued"),
        (400, 400, "accepted_on", "This quote was valid until"),
    ],
)
def test_the_day_of_acceptance_is_one_on_which_the_quote_holds(
    work: Work, days_later: int, accepted: int, field: str, says: str
) -> None:
    job = quote(work)
    later = replace(work, now=work.now + timedelta(days=days_later))
    form = AcceptForm("R. Teal", work.today + timedelta(days=accepted), job.version, site_name="Quay", doors=DOORS)
    with pytest.raises(LedgerError, match=says) as refused:
        accept_quote(later, job.id, form)
    assert refused.value.field == field


def test_what_is_accepted_is_not_accepted_again(work: Work) -> None:
    job = quote(work)
    form = AcceptForm("R. Teal", work.today, job.version, site_name="Quay", doors=DOORS)
    accept_quote(work, job.id, form)
    with pytest.raises(LedgerError, match="Only a quoted job can be accepted; this one is approved") as refused:
        accept_quote(work, job.id, replace(form, version=job.version))
    assert refused.value.field == "stage"


def test_the_quotes_last_day_counts_by_the_day_it_was_accepted_on(work: Work) -> None:
    job = quote(work)
    last = job.revisions[-1].valid_until
    later = replace(work, now=work.now + timedelta(days=400))
    form = AcceptForm("R. Teal", last + timedelta(days=1), job.version, site_name="Quay", doors=DOORS)
    with pytest.raises(LedgerError) as refused:
        accept_quote(later, job.id, form)
    assert (refused.value.field, refused.value.message) == (
        "accepted_on",
        f"This quote was valid until {last:%d %b %Y}: issue a new revision at today's prices "
        "(Re-quote, on the quote's page).",
    )
    accept_quote(later, job.id, replace(form, accepted_on=last))
    assert (job.stage, job.accepted_on) == (Stage.APPROVED, last)


def test_who_accepted_it_and_the_order_number_are_said_and_fit(work: Work) -> None:
    job = quote(work)
    longest = AcceptForm("R" * 120, work.today, job.version, "P" * 60, site_name="Quay", doors=DOORS)
    for change, field, message in (
        ({"accepted_by": "  "}, "accepted_by", "Enter the name of the person who accepted the quote."),
        ({"accepted_by": "R" * 121}, "accepted_by", "At most 120 characters fit here; this has 121."),
        ({"po_number": "P" * 61}, "po_number", "At most 60 characters fit here; this has 61."),
    ):
        with pytest.raises(LedgerError) as refused:
            accept_quote(work, job.id, replace(longest, **change))  # type: ignore[arg-type]
        assert (refused.value.field, refused.value.message) == (field, message)
    accept_quote(work, job.id, replace(longest, accepted_by=f" {longest.accepted_by[2:]} "))
    assert (job.accepted_by, job.po_number) == ("R" * 118, "P" * 60)


@pytest.mark.parametrize(
    ("rows", "problems"),
    [
        (
            (*DOORS, DoorRow(3)),
            [
                (
                    "doors",
                    "There are 3 rows, but only 2 cylinders on this quote to get a door. Give a row a cylinder.",
                )
            ],
        ),
        (
            (DoorRow(1, location="Shop front"), DoorRow(2, lock="Ferry 43")),
            [
                ("doors", "Row 1, opening: a location or a lock needs an opening number beside it."),
                ("doors", "Row 2, opening: a location or a lock needs an opening number beside it."),
            ],
        ),
    ],
)
def test_rows_that_cannot_be_are_refused_in_a_sentence(
    work: Work, rows: tuple[DoorRow, ...], problems: list[tuple[str, str]]
) -> None:
    job = quote(work)
    form = AcceptForm("R. Teal", work.today, job.version, site_name="Quay", doors=rows)
    with pytest.raises((LedgerError, Problems)) as refused:
        accept_quote(work, job.id, form)
    assert [(one.field, one.message) for one in refused.value.problems] == problems


def test_doors_belong_to_a_site_of_the_customers_by_its_own_name(work: Work) -> None:
    job = quote(work)
    form = AcceptForm("R. Teal", work.today, job.version, site_name=" ", doors=DOORS)
    with pytest.raises(LedgerError) as refused:
        accept_quote(work, job.id, form)
    assert (refused.value.field, refused.value.message) == (
        "site_name",
        "Doors belong to a site: enter the site's name.",
    )
    other = work.session.scalars(sa.select(Customer.id).where(Customer.id != job.customer_id)).first()
    sites = [Site(customer_id=owner, name=name) for owner, name in ((other, "Quay"), (job.customer_id, "QUAY"))]
    work.session.add_all(sites)
    work.session.commit()
    accept_quote(work, job.id, replace(form, site_name=" quay ", version=job.version))
    assert job.site_id == sites[1].id


@pytest.mark.postgresql
@pytest.mark.parametrize("name", ["Quay", "QUAY"])
def test_of_two_sites_that_capitals_tell_apart_the_one_that_was_named_is_taken(work: Work, name: str) -> None:
    job = quote(work)
    sites = {each: Site(customer_id=job.customer_id, name=each) for each in ("Quay", "QUAY")}
    work.session.add_all(sites.values())
    work.session.commit()
    accept_quote(work, job.id, AcceptForm("R. Teal", work.today, job.version, site_name=name, doors=DOORS))
    assert job.site_id == sites[name].id


def test_without_an_opening_no_site_is_asked_for_or_made(work: Work) -> None:
    job = quote(work)
    accept_quote(work, job.id, AcceptForm("R. Teal", work.today, job.version, doors=(DoorRow(1), DoorRow(2))))
    assert (job.site_id, [one.door_id for one in job.cylinders]) == (None, [None, None])


@pytest.mark.parametrize(
    ("keyings", "named", "hung"),
    [
        ([KeyingInstruction(KeyingKind.KA)], "SKD1 - SKD1", "SKD1 SKD1 SKD1"),
        ([KeyingInstruction(KeyingKind.KA, set_size=2)], "SKD2 SKD1 -", "SKD2 SKD1 SKD1"),
        ([KeyingInstruction(KeyingKind.KD)] * 2, "SKD3 - SKD1 SKD5 - -", "SKD3 SKD2 SKD1 SKD5 SKD4 SKD6"),
    ],
)
def test_a_door_list_names_single_keysets_as_the_page_says_them(
    work: Work, keyings: list[KeyingInstruction], named: str, hung: str
) -> None:
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), tuple(mortise(3, one) for one in keyings)))
    symbols = named.replace("-", "").split(" ")
    accept(work, job, tuple(DoorRow(row, f"F{row}", keyset=symbol) for row, symbol in enumerate(symbols)))
    on = {one.door.opening_number: one.keyset.symbol for one in job.cylinders if one.door and one.keyset}
    assert [on[f"F{row}"] for row in range(len(symbols))] == hung.split()


def test_an_uncombinated_cylinder_is_operated_by_nobody(work: Work) -> None:
    line = mortise(1, KeyingInstruction(KeyingKind.NONE), keys_each=0)
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), (line,)))
    with pytest.raises(LedgerError) as refused:
        accept(work, job, (DoorRow(7, "F1", operated_by="1AA"),))
    assert (refused.value.field, refused.value.message) == (
        "doors",
        "Row 7, operated by: this cylinder is uncombinated.",
    )


def _flats_again(work: Work, quantity: int) -> Job:
    """A quote of more cylinders of the same system, for the doors of the first job."""
    first = issued(work, flats(work, quantity, keyed_at="shop", override_reason="soon"))
    accept(work, first, openings(quantity))
    system = SystemRequest(existing_id=work.session.scalars(sa.select(KeySystem.id)).one())
    again = flats(work, quantity, system=system, site_id=first.site_id, keyed_at="shop", override_reason="soon")
    return issued(work, again)


@pytest.mark.parametrize(("count", "more"), [(12, ""), (13, " and 1 more")])
def test_twelve_that_hold_a_door_are_named_and_the_others_counted(work: Work, count: int, more: str) -> None:
    second = _flats_again(work, count)
    with pytest.raises(LedgerError) as refused:
        accept(work, second, openings(count))
    named = "; ".join(f"F{n} gets a cylinder on {n}AA from job 1001" for n in range(1, 13))
    assert (refused.value.field, refused.value.message) == (
        "takes_places",
        f"{named}{more}. Tick that the new ones take their places, and press again.",
    )


def test_what_holds_a_door_is_told_by_its_side_and_its_keyset(work: Work) -> None:
    second = _flats_again(work, 2)
    first, other = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id))
    first.position, first.state = "inside", CylinderState.FITTED
    other.state, other.keyset_id = CylinderState.FITTED, None
    work.session.commit()
    rows = openings(2)
    with pytest.raises(LedgerError) as refused:
        accept(work, second, (replace(rows[0], position="inside"), rows[1]), takes_places="F3 has a cylinder.")
    assert refused.value.message == (
        "F1 inside has a cylinder on 1AA; F2 has a cylinder. "
        "Tick that the new ones take their places, and press again."
    )
    accept(work, second, rows[:1])  # outside, F1 has none
    assert [one.door.opening_number if one.door else "" for one in second.cylinders] == ["F1", ""]


def test_a_canceled_jobs_cylinders_hold_no_door(work: Work) -> None:
    second = _flats_again(work, 1)
    first = work.session.scalars(sa.select(Job).where(Job.number == 1001)).one()
    move_job(work, first.id, first.version, Stage.CANCELED, "the customer sold the house")
    accept(work, second, openings(1))
    assert second.stage is Stage.APPROVED


def test_cylinders_that_are_rekeyed_where_they_hang_take_no_row(work: Work) -> None:
    first = issued(work, flats(work, 1, keyed_at="shop", override_reason="soon"))
    accept(work, first, openings(1))
    walk(work, first, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    (hanging,) = first.cylinders
    system = SystemRequest(existing_id=work.session.scalars(sa.select(KeySystem.id)).one())
    keying = KeyingInstruction(KeyingKind.MK, master="AA")
    again = LineRequest(LineKind.REKEY, 1, "ARD", attributes=MORTISE, keying=keying, standing=(hanging.id,))
    further = mortise(1, keying)
    for lines, says in (((again,), "There is 1 row, but only 0 cylinders"), ((again, further), "")):
        job = issued(work, QuoteRequest(first.customer_id, lines, system=system, site_id=first.site_id))
        if says:
            with pytest.raises(LedgerError, match=says) as refused:
                accept(work, job, (DoorRow(1, "F2"),))
            assert refused.value.field == "doors"
        else:
            accept(work, job, (DoorRow(1, "F2"),))
            assert [one.door.opening_number if one.door else "" for one in job.cylinders] == ["F1", "F2"]


def test_an_acceptance_is_an_event_with_all_that_was_agreed(work: Work) -> None:
    job = quote(work)
    doors = (DoorRow(1, "FRONT"), DoorRow(2, "FRONT", position="inside"))
    accept(work, job, doors)
    event = work.session.scalars(sa.select(Event).where(Event.kind == "quote accepted")).one()
    assert event.summary == f"Quote Q-{job.number}-1 accepted by R. Teal"
    # Two cylinders on one door; the rings are no cylinders.
    assert event.detail == {"revision": 1, "option": "", "po_number": "PO 7", "doors": 1, "cylinders": 2}
