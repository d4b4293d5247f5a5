"""Needed sooner than anybody can: what part is ready by then, by whom, and what the rest costs and when.

By hand, from Monday 2 March 2026: the bench has 330 minutes a day in turn, 80 mortise cylinders lie on the shelf,
more come in six working days, the factory takes fifteen.
"""

from dataclasses import replace
from datetime import date

import pytest
import sqlalchemy as sa

from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Key, Keyset, LineKind
from app.pricing import KeyingKind, Urgency
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise

TUESDAY, THURSDAY = date(2026, 3, 3), date(2026, 3, 5)
KD, KA = KeyingInstruction(KeyingKind.KD), KeyingInstruction(KeyingKind.KA)


def of_the_gull(work: Work, *lines: LineRequest, **more: object) -> QuoteRequest:
    return replace(QuoteRequest(customer_id(work, "Gull"), lines), **more)  # type: ignore[arg-type]


def three_floors(work: Work) -> QuoteRequest:
    """150 cylinders under three masters, needed in three days."""
    lines = [mortise(50, KeyingInstruction(KeyingKind.GMK, master=master)) for master in ("AA", "AB", "AC")]
    system = SystemRequest(name="Three floors", levels=3, masters=3)
    return of_the_gull(work, *lines, system=system, need_by=THURSDAY)


def test_what_the_bench_can_have_by_then_and_the_factory_afterwards(work: Work) -> None:
    """Four days are 1,320 minutes: 90 to set up and 17 a cylinder with two keys, so 72 (1,314), and 78 come later.

    Rush work has the 30 kept back each day besides: 1,440 minutes, so 79.
    """
    ask = three_floors(work)
    priced = price_request(work, ask)
    assert [one.field for one in priced.problems] == ["lines.0.keying"]
    assert priced.in_time is not None and priced.in_time.ask is not None
    assert priced.in_time.sentences[:3] == (
        "By Thursday 5 March 2026 our bench can have 72 of 150 cylinders ready.",
        "As rush work it could have 79 ready.",
        "The other 78: keyed at the factory, ready on Monday 23 March 2026.",
    )
    split = priced.in_time.ask
    assert split.need_by is None and [(line.quantity, line.need_by) for line in split.lines] == [
        (50, THURSDAY),
        (22, THURSDAY),
        (28, None),
        (50, None),
    ]
    then = price_request(work, split)
    later = sum(line.amount_cents for line in then.lines if line.label[0] in "34")
    assert priced.in_time.sentences[3] == (
        f"What comes later costs ${later / 100:,.2f} of the ${then.totals.subtotal_cents / 100:,.2f} before tax."
    )
    assert not then.problems and then.bench_minutes == 1314
    assert then.lead_time == (
        "72 cylinders ready 3 working days after acceptance (on Thursday 5 March 2026 if accepted on Monday 2 March "
        "2026), keyed on our bench; 78 cylinders ready 15 working days after acceptance (on Monday 23 March 2026 if "
        "accepted on Monday 2 March 2026), keyed at the factory."
    )


def test_the_two_deliveries_are_issued_and_accepted_as_they_are(work: Work) -> None:
    in_time = price_request(work, three_floors(work)).in_time
    assert in_time is not None and in_time.ask is not None
    job = accept(work, issued(work, in_time.ask))
    assert (job.promised_on, job.keyed_at, len(job.cylinders)) == (date(2026, 3, 23), "factory/shop", 150)
    under = sa.select(Keyset.symbol).join(Cylinder)
    symbols = [symbol[:2] for symbol in work.session.scalars(under.order_by(Cylinder.id))]
    assert symbols == ["AA"] * 50 + ["AB"] * 50 + ["AC"] * 50
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Key)) == 300


def test_both_deliveries_may_be_our_own(work: Work) -> None:
    """Tuesday ends 660 minutes: 12 a cylinder, so 55 of 60; five are too few for the factory."""
    in_turn = price_request(work, of_the_gull(work, mortise(60, KD), need_by=TUESDAY)).in_time
    assert in_turn is not None and in_turn.sentences[0].endswith("our bench can have 55 of 60 cylinders ready.")
    assert in_turn.ask is not None
    then = price_request(work, in_turn.ask)
    assert [(one.choice, one.quantity, one.ready_on, one.in_two_deliveries) for one in then.keying] == [
        ("shop", 5, date(2026, 3, 4), True),
        ("shop", 55, TUESDAY, True),
    ]
    assert then.bench_minutes == 720 and not then.problems
    # As one delivery the work costs the house the same; ten keys of the second line are below the break of fifty.
    whole = price_request(work, of_the_gull(work, mortise(60, KD), keyed_at="shop", override_reason="here"))
    assert then.cost_cents == whole.cost_cents
    assert then.totals.subtotal_cents - whole.totals.subtotal_cents == 10 * 50
    job = accept(work, issued(work, in_turn.ask))
    assert (job.promised_on, job.keyed_at, job.bench_minutes) == (date(2026, 3, 4), "shop", 720)


def test_what_is_alike_is_told_and_not_parted(work: Work) -> None:
    priced = price_request(work, of_the_gull(work, mortise(82, KA), need_by=THURSDAY))
    assert priced.in_time is not None and priced.in_time.ask is None
    assert priced.in_time.sentences == (
        "By Thursday 5 March 2026 our bench can have 80 of 82 cylinders ready.",
        "All of it as one delivery: keyed on our bench, ready on Thursday 12 March 2026; keyed at the factory, ready "
        "on Monday 23 March 2026.",
    )


def test_sets_stay_whole_and_lines_that_keys_name_too(work: Work) -> None:
    pairs = mortise(82, KeyingInstruction(KeyingKind.KA, 4))
    in_time = price_request(work, of_the_gull(work, pairs, need_by=THURSDAY)).in_time
    assert in_time is not None and in_time.ask is not None
    assert [line.quantity for line in in_time.ask.lines] == [80, 2]
    keys = LineRequest(LineKind.KEYS, 2, symbol="line 2", attributes=replace(MORTISE, type=""))
    named = of_the_gull(work, mortise(70, KD), mortise(12, KD), keys, need_by=THURSDAY)
    in_time = price_request(work, named).in_time
    assert in_time is not None and in_time.ask is not None
    assert [(line.quantity, line.symbol) for line in in_time.ask.lines] == [(70, ""), (12, ""), (2, "line 2")]
    assert [line.need_by for line in in_time.ask.lines] == [THURSDAY, None, None]


@pytest.mark.parametrize(("shelf", "said"), [(1, "1 of 2 cylinders"), (0, "none of it")])
def test_who_waits_is_told_what_the_shelf_has(work: Work, shelf: int, said: str) -> None:
    """A pair alike: what lies there can be keyed now, and the other one is ordered: ten minutes and two keys each."""
    taken = accept(
        work, issued(work, of_the_gull(work, mortise(80 - shelf, KD), keyed_at="shop", override_reason="x"))
    )
    taken.bench_minutes = 0
    work.session.commit()
    priced = price_request(work, of_the_gull(work, mortise(2, KA), urgency=Urgency.WAITS))
    assert not priced.problems and priced.in_time is not None
    assert priced.in_time.sentences[0] == f"While the customer waits our bench can key {said}."
    assert priced.in_time.sentences[1] == (
        "All of it as one delivery: keyed on our bench, ready on Tuesday 10 March 2026."
    )


def test_in_time_is_silent_where_all_is_in_time(work: Work) -> None:
    assert price_request(work, of_the_gull(work, mortise(2, KD), need_by=THURSDAY)).in_time is None
    assert price_request(work, of_the_gull(work, mortise(2, KD), urgency=Urgency.WAITS)).in_time is None
    assert price_request(work, of_the_gull(work, mortise(90, KD))).in_time is None
