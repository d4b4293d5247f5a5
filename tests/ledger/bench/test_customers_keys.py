"""Cylinders that are keyed to a key which the customer brings: quoted, accepted, decoded, handed over."""

from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.fitting import CylinderAttributes
from app.keying import KeyingError, write_bitting
from app.ledger.bench.bench_queries import bench_day
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.bench.customers_keys import CustomersKeyForm, decode_customers_key
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.stages import move_job
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.keysystems.system_queries import get_system
from app.ledger.quoting.quick_line import read_quick_line
from app.ledger.quoting.quoting import offered_ways, price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.errors import LedgerError, NotAllowed
from app.ledger.store.work import Work
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderState,
    Event,
    Job,
    Key,
    Keyset,
    KeyState,
    LineKind,
    Role,
    Stage,
)
from app.pricing import KeyingKind
from tests.keyed import give
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import accept, flats, issued, mortise, openings

TO_KEY = KeyingInstruction(KeyingKind.OWN, key_keyway="AQ1", key_marks="D 14")
CUTS = "274163"  # within the demo's MACS of 7, in depths 0 to 9


def asked(work: Work, *lines: LineRequest, **more: object) -> QuoteRequest:
    ask = QuoteRequest(customer_id(work, "Lantern"), lines or (mortise(2, TO_KEY),))
    return replace(ask, **more)  # type: ignore[arg-type]


def accepted(work: Work, *lines: LineRequest) -> tuple[Job, Keyset]:
    """The job, and the keyset that waits for its key."""
    job = issued(work, asked(work, *lines))
    accept(work, job)
    [keyset] = waiting_keys(work.session, job.id)
    return job, keyset


def decode(work: Work, job: Job, keyset: Keyset, cuts: str = CUTS) -> object:
    return decode_customers_key(work, job.number, keyset.id, CustomersKeyForm(cuts))


def test_from_quote_to_hand_over(work: Work) -> None:
    worn = mortise(2, TO_KEY, replaces="18M-Q?-66", replaces_finish="626")
    job = issued(work, asked(work, worn, keyed_at="factory", override_reason="the rest goes there"))
    quote = read_snapshot(job.revisions[-1].snapshot)
    # Keyed alike at 7.50 each, where the book has no price of its own for it; decoded once, at 12.00; keys at 3.25.
    assert [(line.label, line.words, line.quantity, line.amount_cents) for line in quote.lines[1:]] == [
        ("1a", "Keying: keyed to the customer's key (AQ1, D 14)", 2, 1500),
        ("1b", "Decoding the customer's key", 1, 1200),
        ("1c", "Keys, 2 a cylinder", 4, 1300),
    ]
    assert quote.lines[0].keying == "keyed to the customer's key (AQ1, D 14)"
    # Ardent Brass's numbers with that in them are all of that length, pins and finish; the keyway cannot be read.
    said = "18M-Q?-66, mortise cylinder 1-1/8 in, six pin, 626 satin chromium, Ardent Brass"
    assert quote.lines[0].replaces == said
    assert quote.keyed_at == "shop"
    assert quote.plan.lines[0].words == "SKD1 of Single keyed AQ1, 6 chambers"
    assert [(one.symbol, one.count) for one in quote.plan.keys] == [("SKD1", 4)]
    accept(work, job, openings(2))
    [waiting] = waiting_keys(work.session, job.id)
    assert (waiting.symbol, waiting.bitting, len(waiting.cylinders), waiting.keys_ordered) == ("SKD1", None, 2, 4)
    schedule = schedule_of(work, job)
    assert [row.remarks for row in schedule.rows] == ["keyed to the customer's key (AQ1, D 14)"] * 2
    assert schedule.keysets[0].purpose == "customer's key (AQ1, D 14)"
    assert job.lines[0].ask["replaces"] == "18M-Q?-66"

    assert [row.waits_for_key for row in bench_day(work.session, work.today).rows] == [True]
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    bench, ids = by(work, Role.BENCH), [one.id for one in job.cylinders]
    for told, stopped in (
        ("cylinders", lambda: tick_cylinders(bench, job.number, ids, CylinderState.PINNED)),
        ("keys", lambda: tick_keys(bench, job.number, [waiting.id], KeyState.CUT)),
        ("", lambda: bench_work(bench, job)),
    ):
        with pytest.raises(LedgerError, match="SKD1 waits for the customer's key: decode it first") as refused:
            stopped()
        assert refused.value.field == told
    with pytest.raises(NotAllowed):
        decode(by(work, Role.COUNTER), job, waiting)
    decode(bench, job, waiting)
    assert [row.waits_for_key for row in bench_day(work.session, work.today).rows] == [False]
    [system] = bench_work(bench, job).systems
    assert [(key.symbol, key.bitting, key.quantity) for key in system.keys] == [("SKD1", CUTS, 4)]
    # One key turns it, so every bottom pin is its cut and there is no master pin.
    assert [one.bottom for one in system.cylinders[0].pinning.chambers] == [2, 7, 4, 1, 6, 3]
    assert not any(one.masters for one in system.cylinders[0].pinning.chambers)
    tick_cylinders(bench, job.number, ids, CylinderState.PINNED)
    tick_cylinders(work, job.number, ids, CylinderState.CHECKED)
    tick_keys(bench, job.number, [waiting.id], KeyState.CUT)
    move_job(bench, job.id, job.version, Stage.CHECKED)
    move_job(work, job.id, job.version, Stage.READY)
    give(work, job, "R. Teal")
    keys = work.session.scalars(sa.select(Key).order_by(Key.copy_number)).all()
    assert [(key.keyset.symbol, key.copy_number, key.state, key.holder) for key in keys] == [
        ("SKD1", number, KeyState.OUT, "R. Teal") for number in (1, 2, 3, 4)
    ]
    told = work.session.scalars(sa.select(Event.summary)).all()
    assert "The key of SKD1 was decoded, the customer's key (AQ1, D 14)" in told
    assert not any(CUTS in said for said in told)


def test_a_rekey_and_a_new_cylinder_to_the_same_key_share_its_keyset(work: Work) -> None:
    own = LineRequest(
        LineKind.REKEY, 1, attributes=CylinderAttributes("mortise", None, 6, None, "AQ1"), keying=TO_KEY, keys_each=0
    )
    other = replace(own, keying=replace(TO_KEY, key_marks="back door"))
    quote = price_request(work, asked(work, mortise(2, TO_KEY), own, other))
    assert [one.keysets[0].symbol for one in quote.plan.lines] == ["SKD1", "SKD1", "SKD2"]
    assert sum(line.amount_cents for line in quote.lines if line.kind == "decoding") == 2 * 1200
    job = issued(work, asked(work, mortise(2, TO_KEY), own, other))
    accept(work, job)
    symbols = work.session.scalars(sa.select(Keyset.symbol).join(Cylinder).order_by(Cylinder.id)).all()
    assert symbols == ["SKD1", "SKD1", "SKD1", "SKD2"]


def test_what_is_keyed_to_the_key_stays_on_the_bench_where_the_rest_can_go_to_the_factory(work: Work) -> None:
    rest = mortise(150, KeyingInstruction(KeyingKind.KD))
    quote = price_request(work, asked(work, rest, mortise(1, TO_KEY)))
    assert [(one.lines, one.choice) for one in quote.keying] == [((1,), "factory"), ((2,), "shop")]
    assert quote.keying[1].reasons[0] == "The bench decodes the customer's key, so these are keyed here."
    assert offered_ways(quote) == ("shop",)


@pytest.mark.parametrize("said", ["keyed to customer's key", "to his key", "keyed to the old key", "keyed to a key"])
def test_the_quick_line_takes_keying_to_a_key(work: Work, said: str) -> None:
    [line] = read_quick_line(work, f"2 mortise 1-1/8 AQ1 626 {said} 4 keys").lines
    assert (line.quantity, line.keying, line.keys_in_all) == (2, KeyingKind.OWN, 4)


@pytest.mark.parametrize(
    ("key", "field", "says"),
    [
        ("AQ3", "key_keyway", "A key on AQ3 does not enter keyway AQ1: choose a cylinder on AQ3."),
        ("", "key_keyway", "Is the customer's key on AQ1? Enter its keyway, or the number on its bow."),
    ],
)
def test_a_key_that_cannot_enter_is_refused_on_its_line(work: Work, key: str, field: str, says: str) -> None:
    line = mortise(2, replace(TO_KEY, key_keyway=key))
    with pytest.raises(Problems) as refused:
        issued(work, asked(work, line))
    [problem] = refused.value.problems
    assert problem.field == f"lines.0.{field}" and problem.message.startswith(says)
    assert price_request(work, asked(work, line)).lines[0].amount_cents > 0  # the line's price stays in sight


@pytest.mark.parametrize(
    ("cuts", "says"),
    [
        ("27416", "The bitting has 5 cuts; this spec has 6 chambers."),
        ("094163", "differ by more than the MACS"),
        ("2741X3", "Chamber 5: depths of this spec run from 0 to 9."),
        (".3 .3 .3", "Give 6 measured depths, bow to tip; there are 3."),
        (
            # .331 less so many times .0145: .302, .2585, .331, .2295, .273, .244; one halfway, one of another key.
            ".302 .251 .331 .2295 .173 .244",
            "Chamber 2: the cut is in between. Chamber 5: the cut is outside the chart. Measure once more",
        ),
    ],
)
def test_cuts_that_cannot_be_are_refused_and_nothing_is_saved(work: Work, cuts: str, says: str) -> None:
    job, keyset = accepted(work)
    with pytest.raises(KeyingError, match=says) as refused:
        decode(work, job, keyset, cuts)
    assert refused.value.field == "cuts"
    assert work.session.scalar(sa.select(sa.func.count(Bitting.id)).where(Bitting.keyset_id == keyset.id)) == 0


def test_a_key_that_the_customer_has_here_already_gives_its_own_symbol(work: Work) -> None:
    first = issued(work, asked(work, mortise(1, KeyingInstruction(KeyingKind.KD))))
    accept(work, first)
    [own] = first.cylinders
    assert own.keyset is not None
    system = get_system(work.session, own.keyset.system_id)
    cuts = write_bitting(spec_of(system), open_bittings(work.session, work.vault, [system])[own.keyset.id])
    job, waiting = accepted(work)
    assert waiting.symbol == "SKD2"
    decode(work, job, waiting, cuts)
    assert [one.keyset.symbol for one in job.cylinders if one.keyset] == ["SKD1", "SKD1"]
    copies = sa.select(Key.copy_number).where(Key.keyset_id == own.keyset_id).order_by(Key.copy_number)
    assert work.session.scalars(copies).all() == [1, 2, 3, 4, 5, 6]
    assert work.session.scalars(sa.select(Keyset.symbol)).all() == ["SKD1"]
    assert own.keyset.keys_ordered == 6
    assert audit_systems(work, [system]).is_clean


def test_a_key_read_from_its_other_end_is_noticed_where_it_is_one_on_record(work: Work) -> None:
    first = issued(work, asked(work, mortise(1, KeyingInstruction(KeyingKind.KD))))
    accept(work, first)
    [own] = first.cylinders
    assert own.keyset is not None
    system = get_system(work.session, own.keyset.system_id)
    cuts = write_bitting(spec_of(system), open_bittings(work.session, work.vault, [system])[own.keyset.id])
    job, waiting = accepted(work)
    assert cuts != cuts[::-1]
    form = CustomersKeyForm(cuts[::-1])
    said = decode_customers_key(work, job.number, waiting.id, form).warnings
    assert [one for one in said if "Read from the other end it would be SKD1" in one]


def test_a_change_key_of_a_master_keyed_system_opens_the_new_cylinder_and_its_master_does_not(work: Work) -> None:
    first = issued(work, flats(work, 2, keyed_at="shop", override_reason="soon"))
    accept(work, first)
    change = first.cylinders[0].keyset
    assert change is not None
    system = get_system(work.session, change.system_id)
    cuts = write_bitting(spec_of(system), open_bittings(work.session, work.vault, [system])[change.id])
    job = issued(work, asked(work, mortise(1, TO_KEY), customer_id=customer_id(work, "Harbourmaster")))
    accept(work, job)
    [waiting] = waiting_keys(work.session, job.id)
    decode(work, job, waiting, cuts)
    [cylinder] = job.cylinders
    assert cylinder.keyset is change and cylinder.is_nmk
    assert schedule_of(work, job).rows[0].operated_by == ("1AA",)
    assert audit_systems(work, [system]).is_clean


def test_what_the_key_opened_before_is_a_warning_and_stops_nobody(work: Work) -> None:
    """A phantom combination of a master-keyed cylinder: the cuts of its change and of its master by turns."""
    first = issued(work, flats(work, 1, keyed_at="shop", override_reason="soon"))
    accept(work, first)
    change = first.cylinders[0].keyset
    assert change is not None
    system = get_system(work.session, change.system_id)
    opened = open_bittings(work.session, work.vault, [system])
    own, master = opened[change.id], opened[change.parent_id or 0]
    spec = spec_of(system)
    mixed = next(
        cuts
        for place in range(1, 6)
        if (cuts := (*own[:place], *master[place:])) not in (own, master) and spec.within_macs(cuts)
    )
    job = issued(work, asked(work, mortise(1, TO_KEY), customer_id=customer_id(work, "Harbourmaster")))
    accept(work, job)
    [waiting] = waiting_keys(work.session, job.id)
    done = decode_customers_key(work, job.number, waiting.id, CustomersKeyForm(write_bitting(spec, mixed)))
    [warning] = done.warnings
    assert warning.startswith("The customer's key, SKD1 of Single keyed AQ1, 6 chambers, opens 1AA of The Flats")
    bench_work(work, job)
    accept(work, issued(work, asked(work, mortise(1, KeyingInstruction(KeyingKind.KD)))))
