"""Two customers made one: before and after by hand, names that clash, what the audit would find, and the way back."""

import json
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.keys.losses import LossForm, Which, report_loss
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings
from app.ledger.keysystems.lost_keysets import keep_lost_bitting
from app.ledger.keysystems.system_queries import list_systems
from app.ledger.merging.customer_merging import (
    CUSTOMERS_MERGED,
    MergeForm,
    merge_customers,
    plan_merge,
    plan_unmerge,
    unmerge_customers,
)
from app.ledger.merging.holdings import Holdings, holdings_of
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.reports.search import search
from app.ledger.sites.customer_queries import customer_story, find_customers, list_customers
from app.ledger.sites.customers import CustomerForm, SiteForm, add_site, change_customer
from app.ledger.sites.former_names import formerly
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event, Job, KeySystem, Level, LineKind, Loss, Site
from app.pricing import KeyingKind
from tests.ledger.merging.conftest import MORTISE, House, put

Rows = Callable[[], dict[str, list[tuple[object, ...]]]]


def form(work: Work, kept: House, gone: House, **more: object) -> MergeForm:
    def read(house: House) -> tuple[int, int]:
        return house.customer, work.session.get_one(Customer, house.customer).version

    work.session.rollback()
    return replace(MergeForm(read(kept), read(gone)), **more)


def last_merge(work: Work) -> int:
    rows = sa.select(Event.id).where(Event.kind == CUSTOMERS_MERGED).order_by(Event.id.desc())
    return work.session.scalars(rows).first() or 0


def undo(work: Work, kept: House) -> Customer:
    return unmerge_customers(work, last_merge(work), work.session.get_one(Customer, kept.customer).version)


def test_before_and_after_are_counted(work: Work, north: House, south: House, rows: Rows) -> None:
    before = rows()
    plan = plan_merge(work, form(work, north, south))
    # Each has a contact, a site, a job with one quote; 3 and 2 doors. A master, 2 and 1 changes, and a single one in
    # two systems; 2 keys, one of them out.
    one = Holdings(1, 1, 3, 2, 4, 1, 1, 0, 0, 0, 2, 1)
    other = Holdings(1, 1, 2, 2, 3, 1, 1, 0, 0, 0, 2, 1)
    assert plan.before == (one, other)
    assert plan.after == Holdings(2, 2, 5, 4, 7, 2, 2, 0, 0, 0, 4, 2)
    assert plan.keyways == ("AQ1",)
    assert rows() == before  # looking saves nothing
    merge_customers(work, form(work, north, south))
    assert holdings_of(work.session, north.customer) == plan.after
    assert holdings_of(work.session, south.customer) == Holdings()


def test_names_that_clash_get_one_of_their_own(work: Work, north: House, south: House) -> None:
    plan = plan_merge(work, form(work, north, south))
    assert [(one.what, one.name, one.becomes) for one in plan.clashes] == [
        ("site", "Main Hall", "Main Hall (of Southgate School)"),
        ("key system", "Single keyed AQ1, 6 chambers", "Single keyed AQ1, 6 chambers (of Southgate School)"),
    ]
    box = plan.clashes[0].box
    with pytest.raises(Problems) as refused:
        merge_customers(work, form(work, north, south, names={box: "Main Hall"}))
    assert [(one.field, one.message) for one in refused.value.problems] == [
        (box, "There is a site named Main Hall already: enter another name for Main Hall.")
    ]
    merge_customers(work, form(work, north, south, names={box: "South Hall"}))
    assert work.session.get_one(Site, south.site).name == "South Hall"
    assert formerly(work.session, work.session.get_one(Site, south.site)) == ("Main Hall",)


def test_a_merge_undone_leaves_every_row_as_it_was(work: Work, north: House, south: House, rows: Rows) -> None:
    before = rows()
    merge_customers(work, form(work, north, south))
    assert rows() != before
    plan = plan_unmerge(work, last_merge(work))
    assert (plan.why_not, plan.after[1]) == ((), Holdings(1, 1, 2, 2, 3, 1, 1, 0, 0, 0, 2, 1))
    undo(work, north)
    assert rows() == before
    with pytest.raises(LedgerError, match="undone already"):
        undo(work, north)


def test_who_went_is_found_under_the_old_name(work: Work, north: House, south: House) -> None:
    merge_customers(work, form(work, north, south))
    session, kept = work.session, north.customer
    assert [one.id for one in find_customers(session, "southgate")] == [kept]
    assert [one.id for one in list_customers(session, text="southgate").rows] == [kept]
    assert south.customer not in {one.id for one in list_customers(session).rows}
    found = search(session, "southgate 201")
    assert [row.opening_number for row in found.doors] == ["201"]
    assert session.get_one(Job, south.job).number in {row.number for row in search(session, "southgate").jobs}
    assert formerly(session, session.get_one(Customer, kept)) == ("Southgate School",)
    told = {event.summary for event in customer_story(session, kept)}
    assert {"Southgate School saved", "Northgate School saved"} <= told


def test_a_quote_keeps_the_name_of_its_day_and_is_accepted_afterwards(work: Work, north: House, south: House) -> None:
    merge_customers(work, form(work, north, south))
    session = work.session
    job = session.get_one(Job, south.job)
    assert job.customer.name == "Northgate School"
    assert read_snapshot(job.revisions[0].snapshot).customer_name == "Southgate School"
    accepted = accept_quote(work, job.id, AcceptForm("P. Gull", work.today, job.version))
    [cylinder] = accepted.cylinders
    assert cylinder.keyset is not None
    assert (cylinder.keyset.symbol, cylinder.keyset.system_id) == ("SKD2", north.book)


def test_a_receipt_keeps_the_name_of_its_day(work: Work, north: House, south: House) -> None:
    """Paid on 2 March, merged on the 3rd, renamed on the 4th, paid again on the 5th."""
    job = work.session.get_one(Job, south.job)
    accept_quote(work, job.id, AcceptForm("P. Gull", work.today, job.version))

    def pay(on: Work, place: int) -> None:
        take_payment(on, job.number, place, PaymentForm(PaymentKind.PAYMENT, 100, "cash", on.today))

    pay(work, 1)
    days = [replace(work, now=work.now + timedelta(days=count)) for count in (1, 2, 3)]
    merge_customers(days[0], form(work, north, south))
    kept = work.session.get_one(Customer, north.customer)
    change_customer(days[1], kept.id, kept.version, CustomerForm("Gate Schools", kept.phone, kept.email))
    pay(days[2], 2)
    receipts = payments_of(work.session, job.number).receipts
    assert [one.customer for one in receipts] == ["Southgate School", "Gate Schools"]
    undo(days[2], north)
    assert [one.customer for one in payments_of(work.session, job.number).receipts] == ["Southgate School"] * 2


def test_what_has_grown_on_it_keeps_the_merge(work: Work, north: House, south: House) -> None:
    merge_customers(work, form(work, north, south))
    line = LineRequest(LineKind.CYLINDER, 1, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.SKD))
    ask = QuoteRequest(north.customer, (line,), site_id=south.site, keyed_at="shop", override_reason="soon")
    job = work.session.get_one(Job, issue_quote(work, IssueForm(ask, secrets.token_hex(8))).job_id)
    told = f"Job {job.number} is for Main Hall (of Southgate School), which has grown on it since the merge."
    assert plan_unmerge(work, last_merge(work)).why_not == (told,)
    with pytest.raises(LedgerError, match="has grown on it"):
        undo(work, north)
    assert work.session.get_one(Customer, south.customer).merged_into_id == north.customer


def test_merges_are_undone_last_first(work: Work, north: House, south: House, rows: Rows) -> None:
    third = put(work, "Eastgate School", "1", "2")
    before = rows()
    merge_customers(work, form(work, north, south))
    first = last_merge(work)
    merge_customers(work, form(work, third, north))
    assert [one.id for one in find_customers(work.session, "southgate")] == [third.customer]
    assert plan_unmerge(work, first).why_not == (
        "Northgate School was merged into Eastgate School since: undo that first.",
    )
    undo(work, third)
    unmerge_customers(work, first, work.session.get_one(Customer, north.customer).version)
    assert rows() == before


def test_what_the_keys_would_open_is_the_owners_to_decide(work: Work, north: House, south: House) -> None:
    """A change of the one is cut like a change of the other: each opens the other's door."""
    session = work.session
    with transaction(session):
        mine, theirs = (session.get_one(KeySystem, one.system) for one in (north, south))
        cuts = open_bittings(session, work.vault, [mine])
        own = next(one for one in mine.keysets if one.level.value == "change")
        other = next(one for one in theirs.keysets if one.level.value == "change")
        reseal_bittings(work, theirs, [(other, cuts[own.id])])
    before = {one.sentence for house in (north, south) for one in own_findings(work, house)}
    plan = plan_merge(work, form(work, north, south))
    sentences = {one.sentence for one in plan.findings}
    assert (
        f"Key {own.symbol} of Northgate School System would also operate {other.symbol} of Southgate School "
        in " ".join(sentences)
    )
    assert not sentences & before
    with pytest.raises(LedgerError, match="Say why that may be"):
        merge_customers(work, form(work, north, south))
    assert session.get_one(Customer, south.customer).merged_into_id is None
    merge_customers(work, form(work, north, south, reason="both are rekeyed in June"))
    told = session.get_one(Event, last_merge(work))
    assert told.summary.endswith("Reason to go on: both are rekeyed in June")
    assert not any(str(cut) in json.dumps(told.detail["renamed"]) for cut in cuts.values())


@pytest.mark.postgresql
@pytest.mark.parametrize("is_closed", [False, True])
def test_what_a_lost_key_of_the_one_opens_of_the_other_is_told_though_its_keyset_was_rekeyed(
    work: Work, north: House, south: House, *, is_closed: bool
) -> None:
    session = work.session
    mine, theirs = (session.get_one(KeySystem, one.system) for one in (north, south))
    own, other = (next(one for one in house.keysets if one.level is Level.CHANGE) for house in (mine, theirs))
    cuts = open_bittings(session, work.vault, [mine, theirs])
    assert plan_merge(work, form(work, north, south)).findings == ()
    report_loss(work, LossForm(mine.id, own.symbol, Which.UNKNOWN))
    with transaction(session):
        keep_lost_bitting(work, own, cuts[other.id])  # as of a key that was cut like the other's
        if is_closed:
            session.scalars(sa.select(Loss)).one().closed_at = work.now
    [found] = plan_merge(work, form(work, north, south)).findings
    assert found.sentence == (
        f"A key of {own.symbol} of Northgate School System that was lost, cut as it was then, would open 201 of "
        "Southgate School System."
    )
    with pytest.raises(LedgerError, match="Say why that may be"):
        merge_customers(work, form(work, north, south))


def own_findings(work: Work, house: House) -> list[object]:
    systems = list_systems(work.session, house.customer)
    return list(audit_systems(work, systems).findings)


def test_one_that_was_merged_takes_nothing_more(work: Work, north: House, south: House) -> None:
    merge_customers(work, form(work, north, south))
    with pytest.raises(Stale, match="was merged into another record"):
        add_site(work, south.customer, SiteForm("Annex"))
    with pytest.raises(LedgerError, match="merged into another customer already"):
        merge_customers(work, form(work, north, south))
    with pytest.raises(LedgerError, match="not merged with itself"):
        merge_customers(work, form(work, north, north))
