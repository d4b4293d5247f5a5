"""Deadbolts, padlocks and cabinet locks are goods like cylinders: keyed, pinned at the bench and on the schedule."""

import pytest
import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.papers import schedule_of
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset, LineKind
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


def alike(number: str, quantity: int, line: int) -> LineRequest:
    return lock(number, quantity, KeyingInstruction(KeyingKind.KA, alike_with=line))


def test_a_deadbolt_is_keyed_alike_with_the_mortise_cylinders_beside_it(work: Work) -> None:
    """Two mortise cylinders and one deadbolt on one keyset: three times two keys, all of them to cut."""
    priced = price_request(work, lantern(work, mortise(2, KA), lock("CAP2-Q1-66.SC", 1, KA)))
    assert priced.notes[-1] == (
        1,
        "It gets a key of its own; alike with line 1, enter 1 under 'Alike with line'.",
    )
    job = issued(work, lantern(work, mortise(2, KA), alike("CAP2-Q1-66.SC", 1, 1)))
    said = [line.words for line in read_snapshot(job.revisions[-1].snapshot).lines if line.kind == "keying"]
    assert said == ["Keying: keyed alike (KA)", "Keying: keyed alike with line 1 (KA)"]
    accept(work, job)
    assert len(set(work.session.scalars(sa.select(Cylinder.keyset_id)))) == 1
    assert to_cut(work) == {"SKD1": 6} and sold(job) == 6


def test_each_flats_deadbolt_is_alike_with_its_mortise_cylinder_under_the_master(work: Work) -> None:
    """Three flats, a lock and a deadbolt each on one change key; the deadbolt is master keyed, and charged so."""
    lines = (mortise(3, MK), alike("CAP2-Q1-66.SC", 3, 1))
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), lines, system=SystemRequest(name="The Row")))
    charged = [line.unit_cents for line in read_snapshot(job.revisions[-1].snapshot).lines if line.kind == "keying"]
    assert charged == [1200, 1200]
    accept(work, job)
    rows = work.session.execute(sa.select(Cylinder.type, Keyset.symbol).join(Keyset).order_by(Cylinder.id)).all()
    assert [tuple(row) for row in rows] == [(kind, f"{n}AA") for kind in ("mortise", "deadbolt") for n in (1, 2, 3)]
    assert to_cut(work) == {"1AA": 4, "2AA": 4, "3AA": 4}


def test_alike_with_cylinders_that_are_keyed_different_is_charged_as_keyed_alike(work: Work) -> None:
    """Three doors, a lock and a deadbolt on one key each: 6.50 keyed different, 7.50 alike."""
    priced = price_request(work, lantern(work, mortise(3, KD), alike("CAP2-Q1-66.SC", 3, 1)))
    assert [line.unit_cents for line in priced.lines if line.kind == "keying"] == [650, 750]
    assert [(one.symbol, one.count) for one in priced.plan.keys] == [("SKD1", 4), ("SKD2", 4), ("SKD3", 4)]


@pytest.mark.parametrize(
    ("line", "field", "words"),
    [
        (
            alike("CAP2-Q1-66.SC", 2, 1),
            "quantity",
            "Line 1 is on 3 keysets: enter 3 cylinders or a multiple",
        ),
        (alike("CAP2-Q3-66.SC", 3, 1), "alike_with", "Line 1 and this one differ: keyed alike they need the same"),
        (
            alike("CAP2-Q1-66.SC", 3, 2),
            "alike_with",
            "Line 2 gives this one no keyset: name a line above",
        ),
        (alike("CAP2-Q1-66.SC", 3, 9), "alike_with", "Line 9 gives this one no keyset"),
    ],
)
def test_what_cannot_be_alike_is_told_on_its_line(work: Work, line: LineRequest, field: str, words: str) -> None:
    [problem] = price_request(work, lantern(work, mortise(3, KD), line)).problems
    assert problem.field == f"lines.1.{field}" and problem.message.startswith(words)
