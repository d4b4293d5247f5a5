"""Shop or factory by one rule, for the quote and its acceptance: who holds a system's records keys it, for a charge
where the order is under its minimum.
"""

from dataclasses import replace

import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.jobs.cylinder_lines import job_cylinders
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.purchasing import factory_work
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import FactoryTermsRow, KeySystem, LineKind, RecordsHolder
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.quoting.test_key_lines import to_cut
from tests.ledger.test_main_job import accept, flats, issued, mortise

MK, SKD, KA = (KeyingInstruction(kind) for kind in (KeyingKind.MK, KeyingKind.SKD, KeyingKind.KA))


def factory_system(work: Work) -> KeySystem:
    """The Flats, two levels, keyed by the factory, which holds its records."""
    accept(work, issued(work, flats(work, 24, keyed_at="factory", override_reason="its records")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert system.records is RecordsHolder.FACTORY
    return system


def test_a_single_cylinder_of_a_factorys_system_is_ordered_for_its_small_order_charge(work: Work) -> None:
    """30.40 less the tier's 10 %, keying there at 9.00, two keys at 3.25, the maker's 35.00 under twelve.

    It costs the house 15.20, 45.00 to extend the system, 3.40 to key it, 28.00 freight and the 35.00.
    """
    system = factory_system(work)
    ask = flats(work, 1, system=SystemRequest(existing_id=system.id))
    job = issued(work, ask)
    quote = read_snapshot(job.revisions[-1].snapshot)
    assert [(line.label, line.words, line.amount_cents) for line in quote.lines[1:]] == [
        ("1a", "Keying: master keyed (MK)", 900),
        ("1b", "Keys, 2 a cylinder", 650),
        ("1c", "Small-order charge of Ardent Brass, under its minimum", 3500),
    ]
    assert quote.totals.subtotal_cents == 2736 + 900 + 650 + 3500
    assert quote.cost_cents == 1520 + 4500 + 340 + 2800 + 3500
    [choice] = quote.keying
    assert (choice.choice, [way.possible for way in choice.ways]) == ("factory", [False, True])
    assert "The maker takes it for a small-order charge, since it is under its minimum." in choice.reasons
    accept(work, job)
    assert to_cut(work)["25AA"] == 2
    order = factory_work(work, job, schedule_of(work, job), "Ardent Brass")
    assert (order.small_order_cents, order.untaken_keys) == (3500, 0)
    # Five keys come with the cylinder and two are sold: three are taken off, where the maker takes any off.
    with transaction(work.session):
        for row in work.session.scalars(sa.select(FactoryTermsRow)):
            row.terms = {**row.terms, "keys_included": 5, "untaken_key_cents": 40}
    assert factory_work(work, job, schedule_of(work, job), "Ardent Brass").untaken_keys == 3


def test_a_maker_without_such_a_charge_takes_no_small_order(work: Work) -> None:
    system = factory_system(work)
    with transaction(work.session):
        for row in work.session.scalars(sa.select(FactoryTermsRow)):
            row.terms = {name: value for name, value in row.terms.items() if name != "small_order_cents"}
    ask = flats(work, 1, system=SystemRequest(existing_id=system.id))
    [problem] = price_request(work, ask).problems
    assert problem.field == "lines.0.keying"
    assert "ask the maker what it charges for a small order" in problem.message


def test_an_order_that_reaches_the_minimum_pays_no_charge(work: Work) -> None:
    """Twelve cylinders and 182.40 of goods: the maker's minimums are twelve and 150.00."""
    system = factory_system(work)
    priced = price_request(work, flats(work, 12, system=SystemRequest(existing_id=system.id)))
    assert not priced.problems and [line.kind for line in priced.lines] == ["cylinder", "keying", "keys"]


def test_single_keyed_and_alike_cylinders_go_where_the_records_of_their_system_are(work: Work) -> None:
    """SKD stands in the system's books: with KA beside it, too, the maker's group is keyed at the factory."""
    system = factory_system(work)
    ask = flats(work, lines=(mortise(2, SKD), mortise(2, KA)), system=SystemRequest(existing_id=system.id))
    priced = price_request(work, ask)
    assert [one.choice for one in priced.keying] == ["factory"] and not priced.problems
    accept(work, issued(work, ask))


def test_a_new_system_with_the_customers_own_cylinders_is_keyed_here(work: Work) -> None:
    """150 new ones alone go to the factory; with three of the customer's own under the same master all stay here."""
    new = mortise(150, MK)
    alone = price_request(work, QuoteRequest(customer_id(work, "Lantern"), (new,), system=SystemRequest(name="Row")))
    assert [one.choice for one in alone.keying] == ["factory"]
    own = CylinderAttributes("mortise", chambers=6, keyway="AQ1")
    rekeyed = LineRequest(LineKind.REKEY, 3, attributes=own, keying=MK)
    ask = QuoteRequest(customer_id(work, "Lantern"), (new, rekeyed), system=SystemRequest(name="Row"))
    priced = price_request(work, ask)
    assert not priced.problems and [one.choice for one in priced.keying] == ["shop", "shop"]
    assert priced.keying[0].reasons == (
        "One key system is keyed in one place, so all of this new one is keyed here.",
    )
    there = price_request(work, replace(ask, keyed_at="factory", override_reason="no time"))
    assert [one.field for one in there.problems] == ["lines.1.keying"]
    assert "key this line there, or the others here, too" in there.problems[0].message
    accept(work, issued(work, ask))


def test_keys_of_a_system_without_cylinders_stand_in_the_jobs_key_table(work: Work) -> None:
    """Two singles in a book of their own, and three keys to a master of a system that the job adds no cylinder to."""
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="soon")))
    keys = LineRequest(LineKind.KEYS, 3, symbol="AA")
    job = issued(work, QuoteRequest(customer_id(work, "Harbourmaster"), (mortise(2, KA), keys)))
    accept(work, job)
    found = job_cylinders(work.session, job.id).keysets
    assert sorted((one.symbol, one.cylinders, one.keys, one.system) for one in found) == [
        ("AA", 0, 3, "The Flats"),
        ("SKD1", 2, 4, "Single keyed AQ1, 6 chambers"),
    ]
