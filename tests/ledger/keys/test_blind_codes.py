"""The register of blind codes: next free ones for a whole system, none twice, found by code whatever came since."""

from collections.abc import Callable
from dataclasses import replace
from random import Random

import pytest
import sqlalchemy as sa

from app.ledger.keys.blind_codes import (
    find_codes,
    give_blind_code,
    give_codes,
    last_prefix,
    next_code,
    print_register,
)
from app.ledger.keys.key_queries import keysets_stamped
from app.ledger.reports.search import search
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import BlindCode, Event, Keyset, Role
from tests.factories import KeysetFactory, KeySystemFactory
from tests.keyed import BITTINGS, Keyed, keyed_job


@pytest.fixture
def work(work_as: Callable[[Role], Work]) -> Work:
    return work_as(Role.OWNER)


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def codes_of(work: Work, system_id: int) -> dict[str, str]:
    rows = sa.select(Keyset.symbol, Keyset.blind_code).where(Keyset.system_id == system_id)
    return dict(work.session.execute(rows.order_by(Keyset.id)).all())


def test_a_whole_system_gets_the_next_free_codes_in_one_act(work: Work, keyed: Keyed) -> None:
    give_blind_code(work, keyed.system.id, "2AA", "MINE-K")
    given = give_codes(work, keyed.system.id, " fq ")
    codes = codes_of(work, keyed.system.id)
    assert codes.pop("2AA") == "MINE-K"  # one that was given by hand stays
    assert sorted(codes.values()) == [next_code("FQ", 1001 + place) for place in range(len(codes))]
    assert [one.code for one in given] == sorted(codes.values()) and last_prefix(work.session) == "FQ"
    other = KeySystemFactory(name="Annex", keyway="AQ1", spec=keyed.system.spec)
    KeysetFactory(system=other, symbol="A")
    work.session.commit()
    [only] = give_codes(work, other.id, "")
    assert only.code == next_code("", 1001 + len(codes))  # numbers go on, whatever the prefix
    with pytest.raises(LedgerError, match="Every keyset of Annex that is in use has a code already"):
        give_codes(work, other.id, "")
    with pytest.raises(LedgerError, match="at most 7 letters and digits") as refused:
        give_codes(work, keyed.system.id, "F-Q/1")
    assert refused.value.field == "prefix"


def test_the_order_of_codes_tells_no_level(work: Work, keyed: Keyed) -> None:
    places = set()
    for seed in range(12):
        given = give_codes(replace(work, rng=Random(seed)), keyed.system.id, "FQ")
        places.add(next(place for place, one in enumerate(given) if one.keyset.parent is None))
        for one in given:
            one.keyset.blind_code = ""
        work.session.commit()
    assert len(places) > 1  # the top master's is not the first each time


def test_a_code_says_nothing_of_a_bitting_and_shows_a_slip_of_one_digit_or_two_exchanged(work: Work, keyed) -> None:
    for number in range(1001, 4000, 7):
        code = next_code("", number)
        digits = str(number)
        slips = {digits[:at] + other + digits[at + 1 :] for at in range(4) for other in "0123456789"}
        slips |= {digits[:at] + digits[at + 1] + digits[at] + digits[at + 2 :] for at in range(3)}
        assert all(next_code("", int(slip))[-1] != code[-1] for slip in slips - {digits} if slip[0] != "0")
    give_codes(work, keyed.system.id, "FQ")
    assert not any(text in code for text in BITTINGS.values() for code in codes_of(work, keyed.system.id).values())


def test_a_code_once_given_is_never_given_again_and_still_leads_to_its_keyset(work: Work, keyed: Keyed) -> None:
    give_blind_code(work, keyed.system.id, "1AA", "4417K")
    give_blind_code(work, keyed.system.id, "1AA", "4418K")
    with pytest.raises(LedgerError, match="4417K is or was stamped on keys of 1AA of The Flats"):
        give_blind_code(work, keyed.system.id, "2AA", "4417K")
    work.session.rollback()
    for code in ("4417K", "4418K", "4417k-1"):
        found = search(work.session, code)
        assert {one.symbol for one in (*found.keysets, *found.keys)} == {"1AA"}, code
    give_blind_code(work, keyed.system.id, "1AA", "4417K")  # its own it may have back
    page = find_codes(work.session, "4418k")
    assert [(one.code, one.keyset.symbol, one.keyset.blind_code) for one in page.rows] == [("4418K", "1AA", "4417K")]
    assert find_codes(work.session, "the flats").count == 2 and find_codes(work.session, "no such").count == 0


def test_a_number_whose_code_is_a_symbol_somewhere_is_passed_over(work: Work, keyed: Keyed) -> None:
    other = KeySystemFactory(name="Annex", keyway="AQ1", spec=keyed.system.spec)
    KeysetFactory(system=other, symbol=next_code("", 1001).lower())
    work.session.commit()
    assert give_codes(work, keyed.system.id, "")[0].code == next_code("", 1002)


def test_what_is_stamped_is_found_by_an_index(work: Work) -> None:
    """Else whoever stands at the counter with a key waits for all keys of the house to be read."""
    if work.session.get_bind().dialect.name == "sqlite":
        plan = "EXPLAIN QUERY PLAN " + str(
            keysets_stamped("4417K").compile(work.session.get_bind(), compile_kwargs={"literal_binds": True})
        )
        steps = [row[3] for row in work.session.execute(sa.text(plan)) if "keysets" in row[3] or "blind" in row[3]]
        assert len(steps) == 3 and all(step.startswith("SEARCH") for step in steps), steps


def test_the_paper_goes_on_record(work: Work, keyed: Keyed) -> None:
    give_codes(work, keyed.system.id, "FQ")
    assert len(print_register(work)) == len(codes_of(work, keyed.system.id))
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc()).limit(1)).one()
    assert event.kind == "register of blind codes printed"
    assert work.session.scalar(sa.select(sa.func.count()).select_from(BlindCode)) == len(print_register(work))
