"""Where a quote's cylinders are keyed: what may be told apart from the owner's figures, and jobs in two places."""

import re
from dataclasses import replace
from datetime import timedelta

import pytest

from app.documents import whole_job
from app.ledger.bench.bench_queries import bench_day
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.purchasing import factory_work
from app.ledger.jobs.stages import move_job
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import KeyingChoice, read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import RecordsHolder, Stage
from app.pricing import KeyingKind, read_cents
from tests.ledger.test_main_job import flats, issued, mortise

FIGURES = re.compile(r"\$|\d+ h \d+ min|\d+ min\b|lacking")


def told(choice: KeyingChoice) -> list[str]:
    """Every sentence of a choice that the counter or a customer could read."""
    return [*choice.reasons, *choice.told_flips, *choice.risks, *(why for way in choice.ways for why in way.why_not)]


def in_two_days(work: Work, bulk: int = 60, early: int = 4, days: int = 12) -> QuoteRequest:
    """Master-keyed cylinders, a few of them needed before the factory could send any."""
    keying = KeyingInstruction(KeyingKind.MK)
    soon = work.today + timedelta(days)
    lines = (mortise(bulk, keying), mortise(early, keying, need_by=soon))
    return replace(flats(work), lines=lines, system=SystemRequest(name="The Flats", masters=2), need_by=None)


@pytest.mark.parametrize("days", [1, 3, 20, 40, None])
@pytest.mark.parametrize("quantity", [1, 11, 24, 200])
def test_what_is_told_holds_no_amount_and_no_hours(work: Work, days: int | None, quantity: int) -> None:
    need_by = None if days is None else work.today + timedelta(days)
    priced = price_request(work, flats(work, quantity, need_by=need_by))
    for choice in priced.keying:
        assert [said for said in told(choice) if FIGURES.search(said)] == []
        assert all(why.endswith(".") for why in told(choice))


def test_cylinders_keyed_in_two_ways_are_counted_each_as_they_are(work: Work) -> None:
    lines = (mortise(6, KeyingInstruction(KeyingKind.KD)), mortise(2, KeyingInstruction(KeyingKind.KA)))
    (choice,) = price_request(work, replace(flats(work), lines=lines, system=None)).keying
    assert any("8 cylinders (6 KD, 2 KA) can only be done here" in said for said in choice.reasons)


def test_the_figures_are_kept_for_the_owner(work: Work) -> None:
    (choice,) = price_request(work, flats(work, 900, need_by=work.today + timedelta(12))).keying
    shop = choice.ways[0]
    assert any("free by then" in why for why in shop.detail) and not any(
        "free by then" in why for why in shop.why_not
    )


def test_needed_later_the_factory_saves(work: Work) -> None:
    factory_day = price_request(work, flats(work, 60)).keying[0].ways[1].ready_on
    assert factory_day is not None
    (choice,) = price_request(work, flats(work, 60, need_by=factory_day - timedelta(3))).keying
    assert choice.choice == "shop"
    (flip,) = [said for said in choice.flips if "later" in said]
    saved = re.search(r"Needed 1 working day later, .* the factory saves (\$[\d,.]+)\.", flip)
    assert saved and choice.ways[0].total_cents - choice.ways[1].total_cents == read_cents(saved[1], "x")
    assert any("later" in said and "the factory would do it" in said for said in choice.told_flips)


def test_the_curve_agrees_with_the_costs_and_the_crossing(work: Work) -> None:
    (choice,) = price_request(work, flats(work, 60)).keying
    at = {quantity: (shop, factory) for quantity, shop, factory in choice.curve}
    assert at[60] == (choice.ways[0].total_cents, choice.ways[1].total_cents)
    assert choice.break_even in at and min(at) == 1
    assert [quantity for quantity, (_, factory) in at.items() if factory is None and quantity >= 12] == []
    shop, factory = at[choice.break_even]
    assert factory is not None and factory <= shop


def split_of(priced: PricedQuote) -> tuple[KeyingChoice, KeyingChoice]:
    assert [problem.message for problem in priced.problems] == []
    bulk, rest = priced.keying
    return bulk, rest


def test_the_bulk_at_the_factory_the_early_doors_here(work: Work) -> None:
    priced = price_request(work, in_two_days(work))
    bulk, rest = split_of(priced)
    assert (bulk.choice, bulk.lines, bulk.way) == ("factory", (1,), "split")
    assert (rest.choice, rest.lines, rest.quantity) == ("shop", (2,), 4)
    assert [way.name for way in bulk.ways] == ["shop", "factory", "split"] and rest.ways == ()
    costs = sum(cents for _, cents in bulk.ways[2].cost_lines)
    keying = [line for line in priced.lines if line.kind == "keying"]
    assert costs == bulk.ways[2].total_cents == sum(line.cost_cents for line in keying)
    assert rest.ready_on is not None and rest.ready_on <= work.today + timedelta(12)
    assert priced.ready_on == bulk.ready_on
    assert re.fullmatch(
        r"4 cylinders ready on the day of acceptance, keyed on our bench; 60 cylinders ready 15 working days after "
        r"acceptance \(on Monday 23 March 2026 if accepted on Monday 2 March 2026\), keyed at the factory\.",
        priced.lead_time,
    )
    assert not any("neither here" in reason for reason in bulk.reasons) and bulk.flips == rest.flips == ()
    assert any("bitting list stays here" in risk for risk in bulk.risks)
    whole = whole_job(priced.keying)
    assert (whole.cents, whole.ready_on) == (costs, bulk.ready_on) and whole.parts[1][1] is None


def test_a_split_survives_its_snapshot_and_its_request(work: Work) -> None:
    job = issued(work, in_two_days(work))
    snapshot = read_snapshot(job.revisions[-1].snapshot)
    assert snapshot.to_text() == job.revisions[-1].snapshot
    assert job.keyed_at == "factory/shop"
    ask = QuoteRequest.from_json(snapshot.ask)
    assert ask.lines[1].need_by == work.today + timedelta(12)
    assert QuoteRequest.from_json(ask.to_json()) == ask


def test_the_records_of_a_split_system_are_here_and_the_bench_keys_its_part(work: Work) -> None:
    job = issued(work, in_two_days(work))
    job = accept_quote(work, job.id, AcceptForm("R. Teal", work.today, job.version, site_name="The Flats"))
    job = move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    sheet = bench_work(work, job)
    assert sum(group.quantity for system in sheet.systems for group in system.cylinders) == 4
    assert len(schedule_of(work, job).rows) == 64
    (row,) = bench_day(work.session, work.today).rows
    assert (row.job.number, row.cylinders) == (job.number, 4)
    order = factory_work(work, job, schedule_of(work, job), "Ardent Brass")
    assert sum(group.quantity for group in order.groups) == 60 and order.is_from_our_records
    early = {row.keyset for row in schedule_of(work, job).rows} - {group.keyset for group in order.groups}
    assert len(early) == 4
    keysets = [cylinder.keyset for cylinder in job.cylinders]
    assert {keyset.system.records for keyset in keysets if keyset} == {RecordsHolder.SHOP}
    # What is stamped on keys is the symbol alone, whatever stands round it on the cylinder.
    (plain,) = (group for group in order.groups if group.keyset == "1AA")
    assert plain.stamp == "1AA"
    next(one for one in job.cylinders if one.keyset and one.keyset.symbol == "1AA").is_nmk = True
    order = factory_work(work, job, schedule_of(work, job), "Ardent Brass")
    (alone,) = (group for group in order.groups if "NMK" in group.keyset)
    assert (alone.keyset, alone.stamp, alone.keys) == ("1AA(NMK)", "1AA", plain.keys)


def test_the_counter_may_insist_on_two_places_only_where_some_lines_have_their_own_day(work: Work) -> None:
    plain = replace(flats(work, 60), keyed_at="split", override_reason="the flats open in two lots")
    assert [p.field for p in price_request(work, plain).problems] == ["keyed_at"]
    # Late by so much that one delivery from the factory would do: the figures say factory, the counter both.
    wanted = replace(in_two_days(work, days=300), keyed_at="split", override_reason="the flats open in two lots")
    bulk, rest = split_of(price_request(work, wanted))
    assert bulk.computed == "factory" and bulk.overridden and rest.overridden
    free = price_request(work, replace(wanted, keyed_at="", override_reason=""))
    assert [choice.choice for choice in free.keying] == ["factory"]


def test_a_line_whose_own_day_has_passed_is_named(work: Work) -> None:
    ask = in_two_days(work)
    late = replace(ask.lines[1], need_by=work.today - timedelta(1))
    problems = price_request(work, replace(ask, lines=(ask.lines[0], late))).problems
    assert [problem.field for problem in problems] == ["lines.1.need_by"]
