"""Deadbolts, padlocks and cabinet locks are goods like cylinders: keyed, pinned at the bench and on the schedule."""

import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.papers import schedule_of
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, LineKind
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.quoting.test_key_lines import lantern, sold, to_cut
from tests.ledger.test_main_job import accept, issued, mortise, openings

KA, KD, MK = (KeyingInstruction(kind) for kind in (KeyingKind.KA, KeyingKind.KD, KeyingKind.MK))


def lock(
    number: str, quantity: int = 1, keying: KeyingInstruction = KD, keys_in_all: int | None = None
) -> LineRequest:
    return LineRequest(LineKind.PART, quantity, part_number=number, keying=keying, keys_in_all=keys_in_all)


def test_two_deadbolts_keyed_alike_with_four_keys_in_all(work: Work) -> None:
    """Two at 46.80, keyed alike at 7.50 each, four keys at 3.25; the goods taxed with 7.25 %."""
    job = issued(work, lantern(work, lock("CAP2-Q1-66.SC", 2, KA, keys_in_all=4)))
    quote = read_snapshot(job.revisions[-1].snapshot)
    assert [(line.words, line.quantity, line.unit_cents) for line in quote.lines] == [
        ("Bored deadbolt, six pin, keyway AQ1, 626 satin chromium", 2, 4680),
        ("Keying: keyed alike (KA)", 2, 750),
        ("Keys, 4 in all", 4, 325),
    ]
    assert quote.totals.subtotal_cents == 9360 + 1500 + 1300
    accept(work, job, openings(2))
    assert to_cut(work) == {"SKD1": 4} and sold(job) == 4
    [system] = bench_work(work, job).systems
    assert [(one.keyset, one.quantity) for one in system.cylinders] == [("SKD1", 2)]
    assert [(row.opening_number, row.words) for row in schedule_of(work, job).rows] == [
        ("F1", "Bored deadbolt, six pin, keyway AQ1, 626 satin chromium"),
        ("F2", "Bored deadbolt, six pin, keyway AQ1, 626 satin chromium"),
    ]


def test_locks_are_master_keyed_beside_mortise_cylinders(work: Work) -> None:
    lines = (mortise(2, MK), lock("HAW5-Q1-66.SB", 1, MK), lock("CAP2-Q1-66.SC", 1, MK))
    ask = QuoteRequest(customer_id(work, "Lantern"), lines, system=SystemRequest(name="The Row"))
    accept(work, issued(work, ask))
    types = work.session.execute(sa.select(Cylinder.type, Cylinder.keyset_id).order_by(Cylinder.id)).all()
    assert [kind for kind, _ in types] == ["mortise", "mortise", "padlock", "deadbolt"]
    assert to_cut(work) == {"1AA": 2, "2AA": 2, "3AA": 2, "4AA": 2}


def test_a_customers_own_deadbolt_is_rekeyed_at_the_price_of_a_bored_lock(work: Work) -> None:
    """The demo's book has no price of a deadbolt's own: a bored-lock cylinder's is 18.00."""
    own = LineRequest(
        LineKind.REKEY, 1, attributes=CylinderAttributes("deadbolt", chambers=6, keyway="AQ1"), keying=KD
    )
    quote = read_snapshot(issued(work, lantern(work, own)).revisions[-1].snapshot)
    assert (quote.lines[0].words, quote.lines[0].unit_cents) == (
        "Rekey customer's own bored deadbolt, six pin, keyway AQ1",
        1800,
    )
