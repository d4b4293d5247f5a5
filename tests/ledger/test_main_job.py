"""The main job in the ledger: asked, priced, quoted, accepted, keyed, scheduled, handed over."""

import json
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.fitting import CylinderAttributes
from app.keying import Bitting as Cuts
from app.keying import KeyingError, read_bitting, shearing_depths
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.purchasing import factory_makers, factory_work
from app.ledger.jobs.stages import move_job
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, reveal_bittings, seal_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot, snapshot_hash
from app.ledger.sites.customers import CustomerForm
from app.ledger.sites.door_paste import DoorRow, read_doors
from app.ledger.store.errors import LedgerError, NotAllowed, Stale
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Work
from app.ledger.tables import (
    Bitting,
    Cylinder,
    CylinderOperator,
    Door,
    Event,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    LineKind,
    QuoteRevision,
    Role,
    Stage,
)
from app.pricing import KeyingKind
from tests.keyed import walk
from tests.ledger.conftest import by, customer_id

MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")


def mortise(quantity: int, keying: KeyingInstruction, **more: object) -> LineRequest:
    line = LineRequest(LineKind.CYLINDER, quantity, "ARD", attributes=MORTISE, keying=keying)
    return replace(line, **more)  # type: ignore[arg-type]


def issued(work: Work, ask: QuoteRequest, **more: object) -> Job:
    form = replace(IssueForm(ask, secrets.token_hex(8)), **more)  # type: ignore[arg-type]
    return work.session.get_one(Job, issue_quote(work, form).job_id)


def flats(work: Work, quantity: int = 24, **more: object) -> QuoteRequest:
    line = mortise(quantity, KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(
        customer_id(work, "Harbourmaster"), (line,), system=SystemRequest(name="The Flats"), title="24 flats"
    )
    return replace(ask, **more)  # type: ignore[arg-type]


def accept(work: Work, job: Job, doors: tuple[DoorRow, ...] = (), **more: object) -> Job:
    form = AcceptForm("R. Teal", work.today, job.version, "PO 7", "The Quay", doors)
    return accept_quote(work, job.id, replace(form, **more))  # type: ignore[arg-type]


def openings(count: int) -> tuple[DoorRow, ...]:
    return tuple(DoorRow(row=n, opening=f"F{n}", location=f"Flat {n}", hand="RH") for n in range(1, count + 1))


def keyed_again(work: Work, first: Job) -> Job:
    """A second job, accepted, for another cylinder of the same system on the door of the first."""
    system = work.session.scalars(sa.select(KeySystem)).one()
    again = flats(
        work,
        1,
        system=SystemRequest(existing_id=system.id),
        site_id=first.site_id,
        keyed_at="shop",
        override_reason="soon",
    )
    second = issued(work, again)
    with pytest.raises(LedgerError, match="Tick that the new ones take their places") as asked:
        accept(work, second, openings(1))
    accept(work, second, openings(1), takes_places=asked.value.message)
    return second


def test_a_keyed_alike_pair_comes_with_four_keys_and_one_keyset(work: Work) -> None:
    """Two keys a cylinder, so a KA pair comes with four (common practice, no source)."""
    job = issued(
        work,
        QuoteRequest(0, (mortise(2, KeyingInstruction(KeyingKind.KA)),)),
        new_customer=CustomerForm("Walk-in: I. Plover", "555-0999"),
    )
    accept(work, job, openings(2))
    keyset_ids = work.session.scalars(sa.select(Cylinder.keyset_id)).all()
    assert len(keyset_ids) == 2 and len(set(keyset_ids)) == 1
    assert work.session.scalars(sa.select(Key.copy_number).order_by(Key.copy_number)).all() == [1, 2, 3, 4]
    assert work.session.scalars(sa.select(Keyset.symbol)).all() == ["SKD1"]


def test_alike_in_sets_of_two(work: Work) -> None:
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), (mortise(5, KeyingInstruction(KeyingKind.KA, 2)),)))
    accept(work, job)
    symbols = work.session.scalars(sa.select(Keyset.symbol).join(Cylinder).order_by(Cylinder.id)).all()
    assert symbols == ["SKD1", "SKD1", "SKD2", "SKD2", "SKD3"]


def test_twenty_four_flats_under_one_master(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="needed this week"))
    accept(work, job, openings(24))
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert (system.name, system.levels, system.chambers) == ("The Flats", 2, 6)
    assert [keyset.symbol for keyset in system.keysets] == ["AA", *(f"{n}AA" for n in range(1, 25))]
    opened = open_bittings(work.session, work.vault, [system])
    assert len(set(opened.values())) == 25
    master = opened[system.keysets[0].id]
    for cuts in (cuts for cuts in opened.values() if cuts != master):
        # Two-step: a change keeps the master's parity; total position progression: it shares no cut with it.
        assert all((a - b) % 2 == 0 and a != b for a, b in zip(cuts, master, strict=True))
        assert all(abs(a - b) <= 7 for a, b in pairwise(cuts))


def test_brute_force_finds_no_interchange_in_the_flats(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="needed this week"))
    accept(work, job, openings(24))
    system = work.session.scalars(sa.select(KeySystem)).one()
    opened = open_bittings(work.session, work.vault, [system])
    master, *changes = [opened[keyset.id] for keyset in system.keysets]
    for own in changes:
        stack = shearing_depths([master, own])
        operating = [key for key in changes if all(cut in depths for cut, depths in zip(key, stack, strict=True))]
        assert operating == [own]


def test_a_second_order_extends_the_system_with_bittings_not_yet_used(work: Work) -> None:
    accept(work, issued(work, flats(work, keyed_at="shop", override_reason="soon")), openings(24))
    system = work.session.scalars(sa.select(KeySystem)).one()
    before = dict(work.session.execute(sa.select(Bitting.keyset_id, Bitting.fingerprint)).all())
    more = flats(work, 3, system=SystemRequest(existing_id=system.id), keyed_at="shop", override_reason="soon")
    accept(work, issued(work, more))
    after = dict(work.session.execute(sa.select(Bitting.keyset_id, Bitting.fingerprint)).all())
    assert len(after) == 28 and len(set(after.values())) == 28
    assert {keyset: after[keyset] for keyset in before} == before
    symbols = work.session.scalars(sa.select(Keyset.symbol).order_by(Keyset.id.desc()).limit(3)).all()
    assert symbols == ["27AA", "26AA", "25AA"]


def test_three_levels_with_masters(work: Work) -> None:
    system = SystemRequest(name="College", levels=3, masters=3)
    lines = [mortise(count, KeyingInstruction(KeyingKind.GMK, master=name)) for count, name in ((4, "AA"), (3, "AB"))]
    ask = QuoteRequest(
        customer_id(work, "Saltmarsh"), tuple(lines), system=system, keyed_at="shop", override_reason="bench"
    )
    job = issued(work, ask)
    accept(work, job, openings(7))
    schedule = schedule_of(work, job)
    assert [row.keyset for row in schedule.rows] == ["AA1", "AA2", "AA3", "AA4", "AB1", "AB2", "AB3"]
    assert schedule.rows[5].operated_by == ("AB2", "AB", "A")


def test_cores_get_a_control_key(work: Work) -> None:
    core = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    line = LineRequest(LineKind.CYLINDER, 3, "NOR", attributes=core, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,), system=SystemRequest(name="Cores"))
    job = issued(work, ask)
    accept(work, job)
    bench = bench_work(work, job)
    for cylinder in bench.systems[0].cylinders:
        assert cylinder.pinning.warnings == ()
        for chamber in cylinder.pinning.chambers:
            # A2: stack total 23 in every chamber (trade press).
            whole = chamber.bottom + sum(chamber.masters) + (chamber.buildup or 0) + (chamber.top or 0)
            assert whole == 23


def test_a_new_system_of_cores_brings_a_control_key_and_a_later_job_only_its_cuts(work: Work) -> None:
    core = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    line = LineRequest(LineKind.CYLINDER, 3, "NOR", attributes=core, keying=KeyingInstruction(KeyingKind.MK))
    who = customer_id(work, "Lantern")

    def control_of(job: Job) -> list[tuple[str, int, bool]]:
        keys = bench_work(work, job).systems[0].keys
        return [(key.symbol, key.quantity, len(key.bitting) == 7) for key in keys if key.is_control]

    def on_record() -> list[tuple[int, int | None]]:
        rows = sa.select(Key).join(Keyset).where(Keyset.level == Level.CONTROL).order_by(Key.copy_number)
        return [(key.copy_number, key.job_id) for key in work.session.scalars(rows)]

    first = issued(
        work, QuoteRequest(who, (line,), system=SystemRequest(name="Cores"), keyed_at="shop", override_reason="x")
    )
    accept(work, first)
    assert control_of(first) == [("CONTROL", 1, True)] and on_record() == [(1, first.id)]
    system = work.session.scalars(sa.select(KeySystem.id).where(KeySystem.name == "Cores")).one()
    more = QuoteRequest(who, (line,), system=SystemRequest(existing_id=system), keyed_at="shop", override_reason="x")
    later = issued(work, more)
    accept(work, later)
    assert control_of(later) == [("CONTROL", 0, True)] and on_record() == [(1, first.id)]
    sold = LineRequest(LineKind.KEYS, 2, price_code="KEY-CONTROL")
    third = issued(work, replace(more, lines=(line, sold)))
    accept(work, third)
    assert control_of(third) == [("CONTROL", 2, True)]
    assert on_record() == [(1, first.id), (2, third.id), (3, third.id)]


def test_control_keys_that_are_sold_are_all_that_a_new_system_brings(work: Work) -> None:
    core = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    line = LineRequest(LineKind.CYLINDER, 3, "NOR", attributes=core, keying=KeyingInstruction(KeyingKind.KD))
    sold = LineRequest(LineKind.KEYS, 2, price_code="KEY-CONTROL")
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), (line, sold), keyed_at="shop", override_reason="x"))
    accept(work, job)
    found = work.session.scalars(sa.select(Key.copy_number).join(Keyset).where(Keyset.level == Level.CONTROL)).all()
    assert sorted(found) == [1, 2]


def test_the_factory_is_asked_for_the_control_key_of_new_cores(work: Work) -> None:
    core = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")
    line = LineRequest(LineKind.CYLINDER, 12, "NOR", attributes=core, keying=KeyingInstruction(KeyingKind.MK))
    who = customer_id(work, "Lantern")
    ask = QuoteRequest(who, (line,), system=SystemRequest(name="Cores"), keyed_at="factory", override_reason="x")
    job = issued(work, ask)
    accept(work, job)
    (maker,) = factory_makers(work.session, job)
    groups = factory_work(work, job, schedule_of(work, job), maker).groups
    assert [(one.words, one.keys) for one in groups if one.keyset == "CONTROL"] == [("keys only", 1)]


@pytest.mark.sqlite
def test_no_bitting_lies_in_clear_in_the_database_or_its_log(work: Work, config: Config) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(24))
    bench = bench_work(work, job)
    bittings = [key.bitting for key in bench.systems[0].keys]
    assert len(bittings) == 24
    stored = b"".join(path.read_bytes() for path in Path(config.instance).glob("bittern.sqlite3*"))
    assert b"The Flats" in stored
    for bitting in bittings:
        assert bitting.encode() not in stored and ", ".join(bitting).encode() not in stored


def test_every_reveal_is_an_event_and_the_counter_gets_none(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(24))
    counter = by(work, Role.COUNTER)
    with pytest.raises(NotAllowed):
        bench_work(counter, job)
    with pytest.raises(NotAllowed):
        reveal_bittings(counter, [1], "curiosity")
    bench_work(by(work, Role.BENCH), job)
    reveals = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all()
    assert [(event.actor_name, event.job_id) for event in reveals] == [("Bram", job.id)]
    assert first_broken_link(work.session) is None


def test_the_bench_sheet_pins_what_the_schedule_says(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(24))
    bench = bench_work(work, job).systems[0]
    opened = open_bittings(work.session, work.vault, work.session.scalars(sa.select(KeySystem)).all())
    symbols = {keyset.symbol: opened[keyset.id] for keyset in work.session.scalars(sa.select(Keyset))}
    for cylinder in bench.cylinders:
        keys = [symbols[symbol] for symbol in cylinder.operated_by]
        for place, pins in enumerate(cylinder.pinning.chambers):
            depth, shears = pins.bottom, {pins.bottom}
            for size in pins.masters:
                depth += size
                shears.add(depth)
            assert shears == {key[place] for key in keys}
    assert {key.symbol: read_bitting(bench.spec, key.bitting, "b") for key in bench.keys} == {
        symbol: cuts for symbol, cuts in symbols.items() if symbol != "AA"
    }


def test_what_is_priced_is_what_is_issued(work: Work) -> None:
    ask = flats(work)
    priced = price_request(work, ask)
    job = issued(work, ask)
    revision = work.session.scalars(sa.select(QuoteRevision)).one()
    snapshot = read_snapshot(revision.snapshot)
    assert revision.total_cents == priced.totals.total_cents == snapshot.totals.total_cents
    assert sum(line.amount_cents for line in snapshot.lines) == snapshot.totals.subtotal_cents
    assert snapshot.totals.subtotal_cents + snapshot.totals.tax_cents == snapshot.totals.total_cents
    assert snapshot.to_text() == revision.snapshot and snapshot_hash(revision.snapshot) == revision.sha256
    assert job.stage is Stage.QUOTED


def test_the_goods_are_priced_off_the_list_less_the_tier(work: Work) -> None:
    # A18M-Q1-66.SC lists at 30.40; the trade tier takes 10 %: 27.36.
    assert price_request(work, flats(work)).lines[0].unit_cents == 2736


def test_one_press_one_revision(work: Work) -> None:
    form = IssueForm(flats(work), "same token")
    assert issue_quote(work, form).id == issue_quote(work, form).id
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Job)) == 1


def test_an_issued_quote_is_never_changed(work: Work) -> None:
    issued(work, flats(work))
    revision = work.session.scalars(sa.select(QuoteRevision)).one()
    revision.total_cents = 1
    with pytest.raises(RuntimeError, match="never changed"):
        work.session.flush()


def test_a_revision_started_from_an_older_job_is_stale(work: Work) -> None:
    job = issued(work, flats(work))
    version = job.version
    issued(work, flats(work, 20), job_id=job.id, job_version=version)
    with pytest.raises(Stale):
        issued(work, flats(work, 22), job_id=job.id, job_version=version)
    assert work.session.scalars(sa.select(QuoteRevision.revision).order_by(QuoteRevision.revision)).all() == [1, 2]


def test_problems_are_told_all_at_once_and_nothing_is_saved(work: Work) -> None:
    lines = (
        mortise(0, KeyingInstruction(KeyingKind.KD)),
        LineRequest(LineKind.PART, 1, part_number="A18M-Z9-66.SC"),
        LineRequest(LineKind.TRIP, 1, price_code="TRIP"),
        LineRequest(LineKind.LABOR, 1, price_code="NO-SUCH"),
    )
    ask = QuoteRequest(customer_id(work, "Lantern"), lines, need_by=work.today - timedelta(days=1))
    with pytest.raises(Problems) as caught:
        issued(work, ask)
    fields = {problem.field: problem.message for problem in caught.value.problems}
    assert {"need_by", "lines.0.quantity", "lines.1.part_number", "lines.3.code"} <= set(fields)
    assert "Z9" in fields["lines.1.part_number"]
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Job)) == 0


def test_a_system_that_cannot_hold_what_was_sold_saves_nothing(work: Work) -> None:
    attributes = CylinderAttributes("mortise", Fraction(9, 8), 5, 5, "PR-P", "standard", None, "626")
    line = LineRequest(LineKind.CYLINDER, 9000, "PAR", attributes=attributes, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,), system=SystemRequest(name="Too big"))
    with pytest.raises(Problems, match=r"Too big can hold [\d,]+ keysets under AA. This line needs 9,000") as refused:
        issued(work, replace(ask, keyed_at="shop", override_reason="all here"))
    assert [problem.field for problem in refused.value.problems] == ["lines.0.quantity"]
    assert work.session.scalar(sa.select(sa.func.count()).select_from(KeySystem)) == 0
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Cylinder)) == 0
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Job)) == 0


def test_a_keyset_given_twice_to_cylinders_keyed_different_is_refused(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="shop", override_reason="soon"))
    doors = tuple(replace(row, keyset="3AA") for row in openings(2))
    with pytest.raises(Problems, match="3AA is given out already"):
        accept(work, job, doors)
    accept(work, job, (replace(openings(1)[0], keyset="3AA"),))
    schedule = schedule_of(work, job)
    assert [row.keyset for row in schedule.rows][:4] == ["3AA", "1AA", "2AA", "4AA"]


def test_more_doors_than_cylinders_are_refused(work: Work) -> None:
    job = issued(work, flats(work, 2))
    with pytest.raises(LedgerError, match="3 rows, but only 2 cylinders"):
        accept(work, job, openings(3))


def test_an_expired_quote_is_not_accepted(work: Work) -> None:
    job = issued(work, flats(work))
    later = replace(work, now=work.now + timedelta(days=31))
    with pytest.raises(LedgerError, match="issue a new revision"):
        accept(later, job)


def test_the_schedule_holds_cautions_where_flags_ask_for_them(work: Work) -> None:
    rows, problems = read_doors("opening\tlocation\tegress\tfire rated\n101\tStair\tyes\tyes\n")
    assert problems == []
    job = issued(work, flats(work, 2, keyed_at="shop", override_reason="soon"))
    accept(work, job, tuple(rows))
    first, second = schedule_of(work, job).rows
    assert len(first.cautions) == 2 and "authority having jurisdiction" in first.cautions[0]
    assert second.opening_number == "" and second.cautions == ()


def test_factory_keyed_cylinders_get_symbols_and_no_bitting(work: Work) -> None:
    job = issued(work, flats(work, keyed_at="factory", override_reason="the bench is full"))
    accept(work, job, openings(24))
    assert job.keyed_at == "factory"
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Bitting)) == 0
    assert schedule_of(work, job).rows[23].keyset == "24AA"
    with pytest.raises(LedgerError, match="own bench"):
        bench_work(work, job)


def test_keys_that_the_factory_cut_are_there_once_the_job_is_ready(work: Work) -> None:
    ask = flats(work, keyed_at="factory", override_reason="they want it")
    job = issued(work, ask)
    accept(work, job, openings(24))
    walk(work, job, Stage.PARTS_ON_ORDER)
    assert set(work.session.scalars(sa.select(Key.state))) == {KeyState.ORDERED}
    walk(work, job, Stage.READY)
    assert set(work.session.scalars(sa.select(Key.state))) == {KeyState.CUT}
    walk(work, job, Stage.HANDED_OVER)
    assert {(key.state, key.holder) for key in work.session.scalars(sa.select(Key))} == {(KeyState.OUT, "A. Taker")}


def test_overriding_needs_a_reason_and_leaves_an_event(work: Work) -> None:
    with pytest.raises(Problems, match="Say why"):
        issued(work, flats(work, keyed_at="factory"))
    computed = price_request(work, flats(work)).keying[0].computed
    other = {"shop": "factory", "factory": "shop"}[computed]
    issued(work, flats(work, keyed_at=other, override_reason="customer asked"))
    event = work.session.scalars(sa.select(Event).where(Event.kind == "keying overridden")).one()
    assert "customer asked" in event.summary


def test_from_approved_to_closed(work: Work) -> None:
    job = issued(work, flats(work, 2, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(2))
    with pytest.raises(LedgerError, match="can go to"):
        move_job(work, job.id, job.version, Stage.HANDED_OVER)
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)
    assert set(work.session.scalars(sa.select(Key.state))) == {KeyState.OUT}
    moves = work.session.scalars(sa.select(Event.summary).where(Event.kind == "stage moved").order_by(Event.id)).all()
    assert moves[0] == "approved → on the bench" and moves[-1] == "handed over → closed"


def test_a_rekeyed_door_keeps_the_cylinder_that_was_there(work: Work) -> None:
    first = issued(work, flats(work, 1, keyed_at="shop", override_reason="soon"))
    accept(work, first, openings(1))
    road = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    walk(work, first, *road)
    second = keyed_again(work, first)
    walk(work, second, *road)
    door = work.session.scalars(sa.select(Door)).one()
    work.session.refresh(door)
    assert [cylinder.state.value for cylinder in door.cylinders] == ["removed", "fitted"]


def test_a_job_lost_needs_a_reason(work: Work) -> None:
    job = issued(work, flats(work))
    with pytest.raises(LedgerError, match="Say why"):
        move_job(work, job.id, job.version, Stage.LOST)
    move_job(work, job.id, job.version, Stage.LOST, "bought elsewhere")
    assert job.reason == "bought elsewhere"


def test_an_exemption_counts_until_its_last_day(work: Work) -> None:
    line = LineRequest(LineKind.HARDWARE, 1, price_code="KEY-CABINET")
    ask = QuoteRequest(customer_id(work, "Saltmarsh"), (line,))
    assert price_request(work, ask).totals.tax_cents == 0
    assert "SMC-EXEMPT-04" in price_request(work, ask).totals.tax_note
    later = replace(work, now=work.now + timedelta(days=401))
    # 64.00 × 7.25 % = 4.64
    assert price_request(later, ask).totals.tax_cents == 464


def test_the_bench_sees_what_it_has_promised_already(work: Work) -> None:
    asked = flats(work, keyed_at="shop", override_reason="soon")
    before = price_request(work, asked).keying[0].ways[0].ready_on
    accept(work, issued(work, asked), openings(24))
    other = replace(asked, system=SystemRequest(name="Another"))
    after = price_request(work, other).keying[0].ways[0].ready_on
    assert before is not None and after is not None and after > before


def test_snapshots_survive_json_with_every_field(work: Work) -> None:
    job = issued(work, flats(work, need_by=date(2026, 9, 1), title="Ünïcode — “quotes”"))
    text = work.session.scalars(sa.select(QuoteRevision.snapshot)).one()
    again = read_snapshot(text)
    assert again.need_by == date(2026, 9, 1) and again.title == job.title
    assert json.loads(text)["keying"][0]["ways"][0]["name"] == "shop"


def college(work: Work) -> Job:
    lines = tuple(
        mortise(count, KeyingInstruction(KeyingKind.GMK, master=master))
        for master, count in (("AA", 6), ("AB", 4), ("AC", 4))
    )
    system = SystemRequest(name="College", levels=3, masters=3)
    ask = QuoteRequest(customer_id(work, "Saltmarsh"), lines, system=system, keyed_at="shop", override_reason="bench")
    job = issued(work, ask)
    accept(work, job, openings(14))
    return job


def cylinder_of(work: Work, symbol: str) -> int:
    return work.session.scalars(sa.select(Cylinder.id).join(Keyset).where(Keyset.symbol == symbol)).one()


def test_a_store_opened_by_another_halls_master(work: Work) -> None:
    job = college(work)
    cost = cross_key(work, cylinder_of(work, "AA6"), ["AB"])
    assert cost.combinations_after > cost.combinations_before
    row = next(row for row in schedule_of(work, job).rows if "AA6" in row.keyset)
    assert row.keyset == "XAA6" and row.operated_by == ("AA6", "AB", "AA", "A")


def test_cross_keying_that_lets_another_issued_key_in_is_refused(work: Work) -> None:
    """AB3 is given AA3's change cuts, so under AA and AB together it would turn the store too."""
    college(work)
    system = work.session.scalars(sa.select(KeySystem)).one()
    opened = open_bittings(work.session, work.vault, [system])
    of = {one.symbol: opened[one.id] for one in system.keysets if one.id in opened}
    own = tuple(zip(of["AA3"], of["AA"], of["AB"], strict=True))
    replace_bitting(work, "AB3", lambda _: tuple(cut if cut != above else there for cut, above, there in own))
    with pytest.raises(KeyingError, match="AB3 of College would also operate XAA3"):
        cross_key(work, cylinder_of(work, "AA3"), ["AB"])
    assert work.session.scalar(sa.select(sa.func.count()).select_from(CylinderOperator)) == 0


def test_an_extension_passes_over_the_bitting_that_would_open_the_store(work: Work) -> None:
    college(work)
    cross_key(work, cylinder_of(work, "AA6"), ["AB"])
    system = work.session.scalars(sa.select(KeySystem)).one()
    ask = QuoteRequest(
        customer_id(work, "Saltmarsh"),
        (mortise(4, KeyingInstruction(KeyingKind.GMK, master="AB")),),
        system=SystemRequest(existing_id=system.id),
        keyed_at="shop",
        override_reason="bench",
    )
    accept(work, issued(work, ask))
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Bitting)) == 4 + 14 + 4


def replace_bitting(work: Work, symbol: str, change: Callable[[Cuts], Cuts]) -> None:
    """Put another bitting in a keyset's place, as a slip or a break-in would."""
    keyset = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == symbol)).one()
    cuts = open_bittings(work.session, work.vault, [keyset.system])[keyset.id]
    work.session.delete(keyset.bitting)
    work.session.flush()
    work.session.expire(keyset)
    seal_bitting(work, keyset.system, keyset, change(cuts))
    work.session.commit()


def test_a_wrong_bitting_stops_the_bench_sheet_with_its_finding(work: Work) -> None:
    job = college(work)
    bench_work(work, job)
    system = work.session.scalars(sa.select(KeySystem)).one()
    opened = open_bittings(work.session, work.vault, [system])
    twin = opened[next(keyset.id for keyset in system.keysets if keyset.symbol == "AB1")]
    top = opened[next(keyset.id for keyset in system.keysets if keyset.symbol == "A")]
    # AB1's cuts but for one chamber, where it has the grand's: no key of the system, yet it turns AB1's cylinder.
    wrong = next(
        cuts
        for place in range(6)
        if (cuts := (*twin[:place], top[place], *twin[place + 1 :])) not in opened.values()
        and all(abs(a - b) <= 7 for a, b in pairwise(cuts))
    )
    replace_bitting(work, "AA3", lambda cuts: wrong)
    with pytest.raises(KeyingError, match="No bench sheet is printed"):
        bench_work(work, job)
    report = audit_systems(work, [system])
    sentences = [finding.sentence for finding in report.findings]
    assert "Key AA3 of College would also operate AB1 of College, which it must not." in sentences
    assert all("".join(map(str, wrong)) not in sentence for sentence in sentences)


def test_a_bitting_of_another_parity_stops_the_bench_sheet(work: Work) -> None:
    job = college(work)
    replace_bitting(work, "AA3", lambda cuts: (cuts[0] ^ 1, *cuts[1:]))
    with pytest.raises(KeyingError, match=r"parity of AA"):
        bench_work(work, job)


def test_the_later_job_handed_over_first_leaves_the_other_jobs_cylinder_to_come(work: Work) -> None:
    first = issued(work, flats(work, 1, keyed_at="shop", override_reason="soon"))
    accept(work, first, openings(1))
    second = keyed_again(work, first)
    road = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    door = work.session.scalars(sa.select(Door)).one()
    for job, states in ((second, ["ordered", "fitted"]), (first, ["fitted", "removed"])):
        walk(work, job, *road)
        work.session.expire_all()
        assert [cylinder.state.value for cylinder in door.cylinders] == states
