"""A count of a customer's keys: seen and missing, what comes back or goes out meanwhile, what is lost at its end."""

import random
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.ledger.care.opening import open_ledger
from app.ledger.keys.counting import (
    count_sheet,
    customers_to_count,
    end_count,
    mark_counted,
    mark_rest,
    mark_stamps,
    start_count,
    stop_count,
)
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies, return_copies
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Counted, Event, Key, KeyCount, KeyState, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, put, the

SEEN, MISSING, OPEN = Counted.SEEN, Counted.MISSING, Counted.OPEN


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW, random.Random(8))
    ledger.close()


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """J. Curlew has AA copy 1, P. Knot 1AA copies 1 and 2; 2AA copy 1 is in the shop, copy 2 to be cut."""
    keyed = keyed_job(work)
    order_copies(work, keyed.system.id, "1AA", 1)
    order_copies(work, keyed.system.id, "2AA", 1)
    for symbol, copy in (("AA", 1), ("1AA", 1), ("1AA", 2), ("2AA", 1)):
        the(work, symbol, copy).state = KeyState.CUT
        work.session.commit()
    issue_keys(work, KeyIssueForm(keyed.system.id, "AA", (1,), "J. Curlew"))
    issue_keys(work, KeyIssueForm(keyed.system.id, "1AA", (1, 2), "P. Knot"))
    return keyed


def found(work: Work, count: KeyCount) -> list[tuple[str, str, Counted, str]]:
    work.session.expire_all()
    return [(one.holder, one.key.stamp, one.found, one.meanwhile) for one in count_sheet(work.session, count.id).keys]


def later(work: Work, **passed: float) -> Work:
    return replace(work, now=work.now + timedelta(**passed))


def test_a_count_lists_keys_by_holder_and_ends_with_what_is_missing_on_record_as_lost(
    work: Work, keyed: Keyed
) -> None:
    count = start_count(work, keyed.job.customer_id)
    assert found(work, count) == [
        ("J. Curlew", "AA 1", OPEN, ""),
        ("P. Knot", "1AA 1", OPEN, ""),
        ("P. Knot", "1AA 2", OPEN, ""),
        ("In the shop", "2AA 1", OPEN, ""),
    ]
    mark_stamps(work, count.id, "aa-1, 2AA 1", SEEN)
    mark_counted(work, count.id, {the(work, "1AA").id: (OPEN, SEEN)})
    with pytest.raises(LedgerError, match="1 key is not counted yet: 1AA copy 2"):
        end_count(work, count.id, count.version)
    mark_stamps(work, count.id, "1AA-2", MISSING)
    assert the(work, "1AA", 2).state is KeyState.OUT  # nothing is lost before the end
    sheet = end_count(later(work, hours=1), count.id, count.version)
    assert [one.key.stamp for one in sheet.missing] == ["1AA 2"] and not sheet.open
    assert (sheet.started_by, sheet.ended_by) == (work.actor.name, work.actor.name)
    assert sheet.count.ended_at == NOW + timedelta(hours=1)
    lost = the(work, "1AA", 2)
    assert (lost.state, lost.holder) == (KeyState.LOST, "P. Knot")
    event = work.session.scalars(sa.select(Event).where(Event.kind == "key count ended")).one()
    assert event.summary == "Count of 4 keys, 1 missing: 1AA copy 2."
    # The record stays as it was found, whatever becomes of the keys.
    return_copies(later(work, hours=2), keyed.system.id, "1AA", (1, 2))
    assert [one[2] for one in found(work, count)] == [SEEN, SEEN, MISSING, SEEN]
    with pytest.raises(LedgerError, match="ended on Wednesday 25 November 2026: begin another one"):
        mark_stamps(work, count.id, "AA-1", SEEN)
    with pytest.raises(Stale):
        end_count(work, count.id, 1)


def test_keys_that_move_while_the_count_goes_on_are_seen_and_say_where_they_went(work: Work, keyed: Keyed) -> None:
    count = start_count(work, keyed.job.customer_id)
    mark_stamps(work, count.id, "1AA-1", MISSING)
    then = later(work, days=1)
    return_copies(then, keyed.system.id, "1AA", (1,))
    issue_keys(then, KeyIssueForm(keyed.system.id, "2AA", (1,), "R. Dunlin"))
    cut_copies(then, keyed.system.id, "2AA", (2,))
    assert found(work, count) == [
        ("J. Curlew", "AA 1", OPEN, ""),
        ("P. Knot", "1AA 1", SEEN, "came back on Thursday 26 November 2026"),
        ("P. Knot", "1AA 2", OPEN, ""),
        ("In the shop", "2AA 1", SEEN, "went to R. Dunlin on Thursday 26 November 2026"),
    ]
    assert count_sheet(work.session, count.id).later == ("2AA copy 2",)
    with pytest.raises(
        Problems, match="1AA copy 1 came back on Thursday 26 November 2026: it is seen, and cannot be missing"
    ):
        mark_stamps(then, count.id, "1AA-1", MISSING)
    with pytest.raises(Problems, match="2AA copy 2 was cut after this count began"):
        mark_stamps(then, count.id, "2AA-2", SEEN)
    assert mark_rest(then, count.id, SEEN) == 2
    sheet = end_count(then, count.id, count.version)
    assert not sheet.missing and the(work, "1AA").state is KeyState.RETURNED
    assert [one.meanwhile for one in sheet.keys if one.meanwhile] == [
        "came back on Thursday 26 November 2026", "went to R. Dunlin on Thursday 26 November 2026",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("stamp", "says"),
    [
        ("1AA-7", "No key with the stamp 1AA-7 is on record for Harbourmaster's Flats: it was never cut here"),
        ("2AA-2", "2AA copy 2 is ordered, and not cut yet: no piece can bear this stamp"),
        ("AA", "'AA' is no stamp"),
        ("", "Type what is stamped on the keys"),
        ("1AA-1, 9AA-1", "No key with the stamp 9AA-1"),
    ],
)
def test_a_stamp_that_is_not_in_the_count_is_said_and_nothing_is_marked(
    work: Work, keyed: Keyed, stamp: str, says: str
) -> None:
    count = start_count(work, keyed.job.customer_id)
    with pytest.raises(LedgerError if not stamp else Problems, match=says) as refused:
        mark_stamps(work, count.id, stamp, SEEN)
    assert {problem.field for problem in refused.value.problems} == {"stamps"}
    assert {one[2] for one in found(work, count)} == {OPEN}


def test_two_counts_of_a_customer_at_once_and_a_count_of_no_keys_are_refused(work: Work, keyed: Keyed) -> None:
    count = start_count(work, keyed.job.customer_id)
    with pytest.raises(
        LedgerError, match=r"goes on since Wednesday 25 November 2026, begun by .*: go on with it, or stop it first"
    ):
        start_count(work, keyed.job.customer_id)
    with pytest.raises(LedgerError, match="Say why the count stops"):
        stop_count(work, count.id, count.version, " ")
    mark_stamps(work, count.id, "1AA-2", MISSING)
    stop_count(work, count.id, count.version, "wrong customer")
    assert the(work, "1AA", 2).state is KeyState.OUT  # a count that was stopped loses nothing
    assert start_count(work, keyed.job.customer_id).id != count.id
    nobody = factories.CustomerFactory(name="Gull & Anchor")
    with pytest.raises(LedgerError, match="No key of Gull & Anchor is out or in the shop"):
        start_count(work, nobody.id)
    assert work.session.scalar(sa.select(sa.func.count()).select_from(KeyCount)) == 2


def test_what_two_people_mark_at_once_is_not_undone_by_the_older_page(work: Work, keyed: Keyed) -> None:
    count = start_count(work, keyed.job.customer_id)
    first, second = the(work, "1AA", 1).id, the(work, "1AA", 2).id
    mark_stamps(work, count.id, "1AA-1", SEEN)
    # A page that was opened before says nothing of the first key, and marks the second.
    assert mark_counted(work, count.id, {first: (OPEN, OPEN), second: (OPEN, SEEN)}) == 1
    with pytest.raises(Problems, match="1AA copy 1 was marked as seen meanwhile"):
        mark_counted(work, count.id, {first: (OPEN, MISSING)})
    assert [one[2] for one in found(work, count)] == [OPEN, SEEN, SEEN, OPEN]
    assert mark_counted(work, count.id, {first: (SEEN, OPEN)}) == 1  # taken back by somebody who saw it


def test_a_year_after_its_count_a_customer_is_due_again(work: Work, keyed: Keyed) -> None:
    [row] = customers_to_count(work).rows
    assert (row.name, row.keys_out, row.last, row.is_due) == ("Harbourmaster's Flats", 3, None, True)
    count = start_count(work, keyed.job.customer_id)
    assert customers_to_count(work).rows[0].going_on is count
    mark_rest(work, count.id, MISSING, "P. Knot")
    mark_rest(work, count.id, SEEN)
    end_count(work, count.id, count.version)
    [row] = customers_to_count(later(work, days=365)).rows
    assert (row.missing, row.is_due, row.keys_out) == (2, False, 1)
    assert customers_to_count(later(work, days=366)).rows[0].is_due


def test_a_key_lost_before_the_count_is_not_walked_for(work: Work, keyed: Keyed) -> None:
    put(work, "AA", KeyState.LOST, holder="J. Curlew")
    count = start_count(work, keyed.job.customer_id)
    assert [one[1] for one in found(work, count)] == ["1AA 1", "1AA 2", "2AA 1"]
    with pytest.raises(Problems, match=r"AA copy 1 is on record as lost .*mark it as found on its page"):
        mark_stamps(work, count.id, "AA-1", SEEN)
    assert work.session.scalars(sa.select(Key.state).where(Key.id == the(work, "AA").id)).one() is KeyState.LOST
