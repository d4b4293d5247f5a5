"""A key system out of use: a reason, what stands, nothing more keyed in it; and its keys called in."""

from datetime import date, timedelta
from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.fitting import CylinderAttributes
from app.ledger.keys.calling_in import call_in, still_out
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies
from app.ledger.keysystems.bittings import add_keyset
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.retiring import put_back_in_use, retire_keysets, retire_system
from app.ledger.keysystems.system_queries import customers_keysets, list_systems
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.customers import SiteForm, insert_site
from app.ledger.sites.cylinders import CylinderForm, add_cylinder, take_out
from app.ledger.sites.doors import DoorForm, add_door
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, Key, Keyset, KeySystem, Level, LineKind
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id


@pytest.fixture
def system(work: Work) -> KeySystem:
    """The flats' system of two levels, with changes 1AA to 3AA, no cylinder on it yet."""
    with transaction(work.session):
        made = insert_system(
            work, SystemForm(customer_id(work, "Harbourmaster"), "Old House", 2, "AQ1", 6, changes=9)
        )
        add_keysets(work, made, 3)
    work.session.expire_all()
    return made


def hang(work: Work, system: KeySystem, opening: str, symbol: str) -> int:
    """A fitted cylinder on a door of the customer's first site, keyed so; its id."""
    with transaction(work.session):
        site = insert_site(work, system.customer_id, SiteForm(f"House of {opening}"))
    door = add_door(work, site.id, DoorForm(opening_number=opening))
    keyset = work.session.scalars(sa.select(Keyset).filter_by(system_id=system.id, symbol=symbol)).one()
    return add_cylinder(work, door.id, CylinderForm("outside", "mortise cylinder", keyset_id=keyset.id)).id


def fields(refused: pytest.ExceptionInfo[Problems]) -> dict[str, str]:
    return {one.field: one.message for one in refused.value.problems}


def changes(system: KeySystem) -> list[str]:
    return [one.symbol for one in system.keysets if one.level is Level.CHANGE]


def test_it_asks_for_a_reason_and_for_each_cylinder_that_stays(work: Work, system: KeySystem) -> None:
    first, second = changes(system)[:2]
    f1, f2 = hang(work, system, "F1", first), hang(work, system, "F2", second)
    with pytest.raises(Problems) as refused:
        retire_system(work, system.id, system.version, "", [f1])
    assert set(fields(refused)) == {"reason", "staying"}
    assert fields(refused)["staying"].startswith("1 cylinder still stands keyed to it: F2. Tick")
    retired = retire_system(work, system.id, system.version, "the house is pulled down", [f1, f2])
    assert (retired.retired_on, retired.retired_reason) == (date(2026, 3, 2), "the house is pulled down")
    told = work.session.scalars(sa.select(Event).filter_by(kind="key system retired")).one()
    assert told.summary == "Old House retired: the house is pulled down; 2 cylinders stay keyed to it"


def test_nothing_more_is_keyed_in_it_until_the_owner_puts_it_back(work: Work, system: KeySystem) -> None:
    retired = retire_system(work, system.id, system.version, "lost to the sea")
    assert system.id not in {one.id for one in list_systems(work.session, system.customer_id, in_use=True)}
    assert customers_keysets(work.session, system.customer_id) == []
    for attempt in (
        lambda: add_keysets(work, retired, 1),
        lambda: add_keyset(work, retired, "AB", Level.MASTER),
        lambda: order_copies(work, system.id, changes(system)[0], 1),
    ):
        with pytest.raises(LedgerError, match=r"Old House is retired since .* 2 March 2026 \(lost to the sea"):
            attempt()
        work.session.rollback()
    back = put_back_in_use(work, system.id, work.session.get_one(KeySystem, system.id).version)
    assert back.retired_on is None
    assert order_copies(work, system.id, changes(back)[0], 1) == (1,)


def test_a_quote_into_it_is_accepted_no_more(work: Work, system: KeySystem) -> None:
    attributes = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
    keying = KeyingInstruction(KeyingKind.MK)
    line = LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=attributes, keying=keying)
    asked = SystemRequest(existing_id=system.id)
    ask = QuoteRequest(system.customer_id, (line,), system=asked, keyed_at="shop", override_reason="needed soon")
    job = work.session.get_one(Job, issue_quote(work, IssueForm(ask, "t" * 16)).job_id)
    retire_system(work, system.id, work.session.get_one(KeySystem, system.id).version, "pulled down")
    with pytest.raises(LedgerError, match="Old House is retired since"):
        accept_quote(work, job.id, AcceptForm("P. Harbour", work.today, job.version))
    with pytest.raises(Problems, match="Old House is retired since"):
        issue_quote(work, IssueForm(ask, "u" * 16))


def test_a_book_of_single_keys_stays(work: Work) -> None:
    with transaction(work.session):
        form = SystemForm(customer_id(work, "Lantern"), "Single keyed AQ1, 6 chambers", 1, "AQ1", 6)
        book = insert_system(work, form)
    with pytest.raises(LedgerError, match="the customer's book of single keys"):
        retire_system(work, book.id, book.version, "no more")


def out(work: Work, system: KeySystem, symbol: str, count: int, holder: str) -> None:
    copies = order_copies(work, system.id, symbol, count)
    cut_copies(work, system.id, symbol, copies)
    issue_keys(work, KeyIssueForm(system.id, symbol, copies, holder))


def test_its_keys_are_called_in_from_each_holder(work: Work, system: KeySystem) -> None:
    first, second, third = changes(system)
    out(work, system, first, 2, "Ada Marsh")
    out(work, system, second, 1, "ada  marsh")
    out(work, system, third, 1, "Ben Reed")
    day = work.today + timedelta(days=14)
    with pytest.raises(LedgerError, match="there is nobody to write to"):
        call_in(work, system.id, day)
    retire_system(work, system.id, system.version, "pulled down")
    with pytest.raises(LedgerError, match="is past"):
        call_in(work, system.id, work.today - timedelta(days=1))
    held = call_in(work, system.id, day)
    assert [(one.holder, len(one.keys)) for one in held] == [("Ada Marsh", 3), ("Ben Reed", 1)]
    assert {key.due_back for key in work.session.scalars(sa.select(Key))} == {day}
    told = work.session.scalars(sa.select(Event).filter_by(kind="keys called in")).one()
    assert told.summary == "Old House: 4 keys called in from 2 holders, by Monday 16 March 2026"


def test_single_keysets_are_retired_once_nothing_stands_on_them(work: Work, system: KeySystem) -> None:
    first, second, _ = changes(system)
    standing = hang(work, system, "F1", first)
    out(work, system, first, 1, "Ada Marsh")
    out(work, system, second, 1, "Ben Reed")
    pair = [one for one in system.keysets if one.symbol in (first, second)]
    with pytest.raises(LedgerError, match="F1: still keyed"), transaction(work.session):
        retire_keysets(work, pair, "a key was lost")
    take_out(work, standing, 1)
    with transaction(work.session):
        retire_keysets(work, [work.session.get_one(Keyset, one.id) for one in pair], "a key was lost")
    held = still_out(work, system.id)
    assert [(one.holder, len(one.keys)) for one in held] == [("Ada Marsh", 1), ("Ben Reed", 1)]
    left = work.session.scalars(sa.select(Keyset).filter_by(system_id=system.id).order_by(Keyset.id)).all()
    assert [one.symbol for one in left if one.is_out_of_use] == [first, second]


def test_a_keyset_retired_while_its_system_is_out_of_use_stays_so_when_that_is_put_back(
    work: Work, system: KeySystem
) -> None:
    """A loss may be closed while its system is retired: what it replaced stays out of use."""
    first = changes(system)[0]
    retire_system(work, system.id, system.version, "pulled down")
    with transaction(work.session):
        retire_keysets(work, [one for one in system.keysets if one.symbol == first], "a key was lost")
    put_back_in_use(work, system.id, work.session.get_one(KeySystem, system.id).version)
    left = work.session.scalars(sa.select(Keyset).filter_by(system_id=system.id).order_by(Keyset.id)).all()
    assert [one.symbol for one in left if one.is_out_of_use] == [first]
