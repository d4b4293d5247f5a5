"""Issuing a quote tries its acceptance: what that would refuse is told on the line, and nothing of it stays."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.keying import NoBittingsLeft
from app.ledger.keysystems import keysets
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.quoting.issuing import keep_requote
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import first_broken_link, missing_at_the_end
from app.ledger.store.work import Work
from app.ledger.tables import Base, Cylinder, Event, Job, Key, Keyset, KeyState, KeySystem, LineKind, RecordsHolder
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, college, flats, issued, mortise, replace_bitting

SHOP = {"keyed_at": "shop", "override_reason": "soon"}
MK = KeyingInstruction(KeyingKind.MK)


def told(work: Work, ask: QuoteRequest) -> list[tuple[str, str]]:
    """What stands against issuing it; it is refused."""
    with pytest.raises(Problems) as refused:
        issued(work, ask)
    return [(problem.field, problem.message) for problem in refused.value.problems]


def rows(work: Work) -> dict[str, int]:
    """How many rows each table has, drafts and counters' values too."""
    work.session.rollback()
    tables = {name: sa.select(sa.func.count()).select_from(table) for name, table in Base.metadata.tables.items()}
    return {name: work.session.scalar(count) or 0 for name, count in tables.items()}


def existing(work: Work) -> KeySystem:
    """The Flats: three flats under AA."""
    accept(work, issued(work, flats(work, 3, **SHOP)))
    return work.session.scalars(sa.select(KeySystem)).one()


@pytest.fixture
def few_bittings(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], None]:
    """`few_bittings(3)`: as if every master held three more changes and no fourth."""
    real = keysets.next_cuts

    def leave(left: int) -> None:
        def at_most(work: Work, system: KeySystem, parent: Keyset | None, count: int, crossed: object) -> object:
            if count > left:
                raise NoBittingsLeft("quantity", f"{count} were asked for, {left} are left.", asked=count, left=left)
            return real(work, system, parent, count, crossed)

        monkeypatch.setattr(keysets, "next_cuts", at_most)

    return leave


def test_a_trial_uses_up_no_number_and_leaves_nothing(work: Work) -> None:
    before = rows(work)
    lines = (mortise(3, MK), LineRequest(LineKind.KEYS, 2, symbol="ZZ9", attributes=MORTISE))
    ask = QuoteRequest(customer_id(work, "Lantern"), lines, system=SystemRequest(name="Row"), **SHOP)
    [(field, words)] = told(work, ask)
    assert field == "lines.1.symbol" and "No keyset 'ZZ9'" in words
    assert rows(work) == before
    job = issued(work, replace(ask, lines=(lines[0], replace(lines[1], symbol="2AA"))))
    assert job.number == 1001
    grown = {name: count - before[name] for name, count in rows(work).items() if count != before[name]}
    assert grown == {"jobs": 1, "quote_revisions": 1, "events": 2, "counters": 1}
    assert set(work.session.scalars(sa.select(Event.kind).where(Event.job_id == job.id))) == {
        "job opened",
        "quote issued",
    }
    assert first_broken_link(work.session) is None and missing_at_the_end(work.session) == 0
    accept(work, work.session.get_one(Job, job.id))
    assert work.session.scalars(sa.select(Keyset.symbol).order_by(Keyset.id)).all() == ["AA", "1AA", "2AA", "3AA"]
    copies = sa.select(Key.copy_number).join(Keyset).where(Keyset.symbol == "2AA").order_by(Key.id)
    assert work.session.scalars(copies).all() == [1, 2, 3, 4]


def test_too_few_bittings_left_are_told_on_the_line_that_runs_out(work: Work, few_bittings) -> None:
    system = existing(work)
    few_bittings(3)
    ask = flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP)
    before = rows(work)
    more = (*ask.lines, mortise(4, MK))
    assert told(work, replace(ask, lines=more)) == [("lines.1.quantity", "4 were asked for, 3 are left.")]
    assert rows(work) == before
    issued(work, ask)


def test_keysets_that_wait_for_a_door_may_be_named_by_a_list_to_come(work: Work, few_bittings) -> None:
    system = existing(work)
    extend_system(work, system.id, ExtendForm(master="AA", changes=2))
    few_bittings(3)
    ask = flats(work, 5, system=SystemRequest(existing_id=system.id), **SHOP)
    issued(work, ask)
    [(field, _)] = told(work, replace(ask, lines=(replace(ask.lines[0], quantity=6),)))
    assert field == "lines.0.quantity"


def test_each_line_of_a_system_without_an_array_may_be_named_by_a_list_to_come(work: Work) -> None:
    system = existing(work)
    with transaction(work.session):
        system.sealed_plan = None  # as of a list taken over without its array
    ask = flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP)
    job = issued(work, replace(ask, lines=(mortise(1, MK), mortise(1, MK, remark="the annex"))))
    accept(work, job, tuple(DoorRow(row=n, opening=f"X{n}", keyset=f"{n}AA") for n in (1, 2)))
    keyed = sa.select(Keyset.symbol).join(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)
    assert work.session.scalars(keyed).all() == ["1AA", "2AA"]
    with transaction(work.session):
        for key in work.session.scalars(sa.select(Key)):
            key.state = KeyState.LOST
    [(field, words)] = told(work, ask)
    assert field == "lines.0.keying" and "The shop has no array for The Flats" in words


def test_lines_share_the_keysets_that_wait_for_a_door(work: Work, few_bittings) -> None:
    system = existing(work)
    extend_system(work, system.id, ExtendForm(master="AA", changes=3))
    few_bittings(0)
    ask = flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP)
    issued(work, replace(ask, lines=(*ask.lines, mortise(1, MK))))
    assert [field for field, _ in told(work, replace(ask, lines=ask.lines * 2))] == ["lines.1.quantity"]


def test_a_name_that_the_customer_has_already_is_told_beside_the_system(work: Work) -> None:
    existing(work)
    [(field, words)] = told(work, flats(work, 2, **SHOP))
    assert field == "system" and "has a key system named The Flats already" in words


def test_an_interchange_is_told_on_the_line_whose_system_it_is_in(work: Work) -> None:
    college(work)
    system = work.session.scalars(sa.select(KeySystem)).one()
    opened = open_bittings(work.session, work.vault, [system])
    twin, top = (opened[next(one.id for one in system.keysets if one.symbol == symbol)] for symbol in ("AB1", "A"))
    # AB1's cuts but for one chamber, where it has the grand's: no key of the system, yet it turns AB1's cylinder.
    wrong = next(
        cuts
        for place in range(6)
        if (cuts := (*twin[:place], top[place], *twin[place + 1 :])) not in opened.values()
        and all(abs(one - other) <= 7 for one, other in pairwise(cuts))
    )
    replace_bitting(work, "AA3", lambda cuts: wrong)
    lines = (mortise(1, KeyingInstruction(KeyingKind.NONE), keys_each=0), mortise(2, replace(MK, master="AB")))
    ask = QuoteRequest(system.customer_id, lines, system=SystemRequest(existing_id=system.id), **SHOP)
    [(field, words)] = told(work, ask)
    assert field == "lines.1.keying" and "would also operate AA3 of College, which it must not" in words


def test_the_quote_judges_the_records_of_a_system_as_acceptance_does(work: Work) -> None:
    """24 flats keyed at the factory, and the customer's own cylinder, which stays here, in the same system."""
    own = LineRequest(LineKind.REKEY, 1, attributes=MORTISE, keying=MK)
    ask = flats(work, keyed_at="factory", override_reason="in bulk")
    assert price_request(work, ask).problems == ()
    [problem] = price_request(work, replace(ask, lines=(*ask.lines, own))).problems
    assert problem.field == "lines.1.keying" and "The records of The Flats are with the factory" in problem.message
    system = existing(work)
    job = issued(work, flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP))
    with transaction(work.session):
        system.records = RecordsHolder.FACTORY
    with pytest.raises(LedgerError) as accepted:
        accept(work, job)
    assert (accepted.value.field, accepted.value.message) == ("lines.0.keying", problem.message)


def test_both_options_are_tried(work: Work, few_bittings) -> None:
    few_bittings(9)  # 24 are asked for, and the factory holds its own
    ask = flats(work, keyed_at="factory", override_reason="in bulk")
    issued(work, ask)
    [(field, words)] = told(work, replace(ask, option_b="shop", system=SystemRequest(name="Others")))
    assert field == "option_b" and words == "Option B: 24 were asked for, 9 are left."


def test_a_quote_issued_anew_goes_through_the_same_door(work: Work) -> None:
    job = issued(work, flats(work, 2, **SHOP))
    existing_since = issued(work, flats(work, 1, system=SystemRequest(name="Annex"), **SHOP))
    accept(work, existing_since)
    keep_requote(work, work.session.get_one(Job, job.id), "anew", work.session.get_one(Job, job.id).version)
    with transaction(work.session):
        work.session.scalars(sa.select(KeySystem)).one().name = "The Flats"
    with pytest.raises(Problems, match="has a key system named The Flats already"):
        keep_requote(work, work.session.get_one(Job, job.id), "again", work.session.get_one(Job, job.id).version)
    # The press that issued it already gives what it gave, whatever was found since.
    assert keep_requote(work, work.session.get_one(Job, job.id), "anew", 0).revision == 2
