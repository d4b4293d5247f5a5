"""Construction keying from quote to made dead: what is keyed, who opens what, and what is left when it is over."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import timedelta
from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.documents import sale_receipt_pdf
from app.documents.schedule import schedule_page
from app.errors import BitternError, Problems
from app.fitting import CylinderAttributes
from app.keying import Bitting as Cuts
from app.keying import NamedKey, write_bitting
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.bench.pins import pick_for_job
from app.ledger.catalog.specs import put_spec, read_spec
from app.ledger.goods.handing_over import (
    HandOverForm,
    PartForm,
    StillOpen,
    hand_over,
    hand_over_part,
    may_all_go,
    still_open,
)
from app.ledger.goods.papers import picks_of, sale_receipt
from app.ledger.goods.returns import BroughtBack, ReturnForm, return_goods
from app.ledger.jobs.construction import (
    BACK,
    IN_THE_SHOP,
    KEPT,
    MADE,
    SWAPPED,
    WORKS,
    Construction,
    construction_of,
    keys_never_out,
    mark_cores,
    mark_dead,
)
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.stages import move_job
from app.ledger.keys.key_queries import held_keys
from app.ledger.keys.loss_plans import LossWayKind, ways_of_loss
from app.ledger.keys.losses import LossForm, Which, close_loss, report_loss, still_turned
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import add_keyset, open_bittings, spec_of
from app.ledger.keysystems.construction import ConstructionWay, lend_cores, set_up
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.lost_keysets import exposed_by, keep_lost_bitting
from app.ledger.keysystems.pinned import pins_now, turned_by
from app.ledger.keysystems.rows_aside import put_aside
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.stock.movements import move_stock, quantity_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Item,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    LineKind,
    MovementKind,
    Reminder,
    ReturnCondition,
    SpecRow,
    Stage,
    StockMovement,
)
from app.pricing import KeyingKind
from tests.keyed import walk
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, flats, issued, openings
from tests.reading import pdf_text

CORE = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")


def site(way: ConstructionWay, **more: object) -> SystemRequest:
    asked = SystemRequest(name="The Flats", construction=way, construction_keys=3)
    return replace(asked, **more)  # type: ignore[arg-type]


def by_master(work: Work, quantity: int = 6, **more: object) -> Job:
    ask = flats(work, quantity, system=site(ConstructionWay.MASTER, **more), keyed_at="shop", override_reason="here")
    return accept(work, issued(work, ask), openings(quantity))


def by_cores(work: Work, quantity: int = 4, *, has_doors: bool = True) -> Job:
    line = LineRequest(LineKind.CYLINDER, quantity, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(
        customer_id(work, "Harbourmaster"), (line,), system=site(ConstructionWay.CORES), title="Cores",
        keyed_at="shop", override_reason="here",
    )  # fmt: skip
    return accept(work, issued(work, ask), openings(quantity) if has_doors else ())


def to_site(work: Work, job: Job) -> None:
    """All of a job goes to the site at once, permanent keys too, as somebody has to say key by key."""
    walk(work, job, *([] if job.stage is Stage.ON_THE_BENCH else [Stage.ON_THE_BENCH]), Stage.CHECKED, Stage.READY)
    counts = Counter(key.keyset_id for key in still_open(work.session, job).going)
    all_the_same(work, job, PartForm("A. Taker", [one.id for one in job.cylinders], counts, {}))
    assert job.stage is Stage.HANDED_OVER


def all_the_same(work: Work, job: Job, form: PartForm) -> str:
    """Hand over a part with permanent keys, which is asked about and agreed to; what it asks."""
    with pytest.raises(Problems) as refused:
        hand_over_part(work, job.id, job.version, form)
    [asked] = refused.value.problems
    assert asked.field == "known"
    hand_over_part(work, job.id, job.version, replace(form, known=asked.message))
    return asked.message


def keyset(work: Work, symbol: str) -> Keyset:
    return work.session.scalars(sa.select(Keyset).where(Keyset.symbol == symbol)).one()


def cuts_of(work: Work, symbol: str) -> tuple[int, ...]:
    one = keyset(work, symbol)
    return open_bittings(work.session, work.vault, [one.system])[one.id]


def turned(work: Work, job: Job, symbol: str) -> int:
    standing = [one for one in job.cylinders if one.state is CylinderState.FITTED]
    return len(turned_by(work, keyset(work, symbol), [cuts_of(work, symbol)], standing))


def construction(work: Work, job: Job) -> Construction:
    found = construction_of(work.session, job, work.today)
    assert found is not None
    return found


def cost_at_the_bench(work: Work, ask: QuoteRequest) -> tuple[int, int]:
    """What a quote counts for the bench: minutes, and the cents of its keying."""
    quote = price_request(work, ask)
    assert not quote.problems and quote.bench_minutes is not None
    costs = (line.cost_cents for line in quote.lines if line.kind in ("keying", "construction"))
    return quote.bench_minutes, sum(costs)


HERE = {"keyed_at": "shop", "override_reason": "here"}


def test_setting_up_for_a_construction_key_costs_minutes_and_its_keys(work: Work) -> None:
    """The demo's bench: 46.00 an hour, a key one minute, 0.08 and its blank 0.45; two minutes to set up."""
    asks = [flats(work, 6, system=one, **HERE) for one in (SystemRequest(name="F"), site(ConstructionWay.MASTER))]
    before, after = (cost_at_the_bench(work, ask) for ask in asks)
    assert after[0] - before[0] == 6 * 2 + 3 * 1
    assert after[1] - before[1] == 15 * 4600 // 60 + 3 * (8 + 45)
    # Bench and factory are compared by it too.
    lines = []
    for ask in asks:
        [keyed] = price_request(work, ask).keying
        [way] = [way for way in keyed.ways if way.name == "shop"]
        lines.append(dict(way.cost_lines))
    assert lines[1]["Pinning, construction key and checking"] - lines[0]["Pinning and checking"] == 12 * 4600 // 60


def test_construction_cores_cost_their_pinning_their_keys_and_two_trips_to_the_door(work: Work) -> None:
    """Four, keyed alike, with three keys and the one that takes them out."""

    def ask(system: SystemRequest) -> QuoteRequest:
        keying = KeyingInstruction(KeyingKind.MK)
        line = LineRequest(LineKind.CYLINDER, 4, "NOR", attributes=CORE, keying=keying)
        return QuoteRequest(customer_id(work, "Harbourmaster"), (line,), system=system, title="Cores", **HERE)

    plain = cost_at_the_bench(work, ask(SystemRequest(name="The Flats")))
    lent = cost_at_the_bench(work, ask(site(ConstructionWay.CORES)))
    # By hand: 7 + 2 + 2 minutes to pin one and check it, 4 to fit and change it; a minute a key; 12 pins at 0.04.
    assert lent[0] - plain[0] == 4 * 11 + 4 * 4 + 4 * 1
    cents = 3373 + 1227 + 339 + 4 * 12 * 4 + 4 * 45  # 44, 16 and 4 minutes, these with 0.08 a key; pins; blanks
    assert lent[1] - plain[1] == cents
    lines = price_request(work, ask(site(ConstructionWay.CORES))).lines
    assert [one.cost_cents for one in lines if one.kind == "construction"] == [cents, 0, 0]


def test_the_construction_key_opens_every_door_until_each_is_made_dead(work: Work) -> None:
    day = work.today + timedelta(days=30)
    job = by_master(work, handed_over_on=day)
    cmk = keyset(work, "CMK")
    assert (cmk.level, len(cmk.keys)) == (Level.CONSTRUCTION, 3)
    assert [(one.due_on, one.job_id) for one in work.session.scalars(sa.select(Reminder))] == [(day, job.id)]
    # Before: it operates all of them, and the audit is clean.
    assert audit_systems(work, [cmk.system]).is_clean
    assert len(exposed_by(work.session, cmk)) == 6
    schedule = schedule_of(work, job)
    assert {row.keyset for row in schedule.rows} == {f"{number}AA" for number in range(1, 7)}
    assert all("CMK" in row.operated_by for row in schedule.rows)
    assert "Turn no permanent key before" in schedule.construction
    assert "turn the own key of each door" in schedule.construction  # a master may have a pin under the ball
    assert "A master alone may leave CMK working" in schedule.construction
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert {key.symbol: key.quantity for key in bench.keys}["CMK"] == 3
    for group in bench.cylinders:
        assert any(pins.ball for pins in group.pinning.chambers)
        assert group.pinning.warnings[-1].startswith("Construction key CMK: ball in chamber")
        is_weak = sum(bool(pins.ball) for pins in group.pinning.chambers) == 1
        assert ("One ball alone is weaker" in group.pinning.warnings[-1]) is is_weak
    balls = sum(one.quantity * bool(pins.ball) for one in bench.cylinders for pins in one.pinning.chambers)
    [picked] = pick_for_job(work, job).specs
    assert sum(count for pin, count in picked.pins.pins if pin.kind == "ball") == balls > 0
    assert not any(pin.kind == "ball" for pin in picked.short)  # the shelf counts none
    to_site(work, job)
    assert [one.state for one in construction(work, job).doors] == [WORKS] * 6
    assert turned(work, job, "CMK") == 6
    # Door by door.
    first, *others = [one.id for one in job.cylinders]
    assert mark_dead(work, job.number, [first], work.today) == 1
    assert (turned(work, job, "CMK"), turned(work, job, "AA")) == (5, 6)
    assert len(exposed_by(work.session, cmk)) == 5
    assert mark_dead(work, job.number, [first, *others], work.today) == 5
    assert (turned(work, job, "CMK"), turned(work, job, "AA"), turned(work, job, "1AA")) == (0, 6, 1)
    assert exposed_by(work.session, cmk) == ()
    found = construction(work, job)
    assert [(one.state, one.on, one.by) for one in found.doors] == [(MADE, work.today, "Wren")] * 6
    assert [one.words for one in found.keys] == ["CMK: 3 with A. Taker"]
    assert not found.is_over
    assert audit_systems(work, [cmk.system]).is_clean
    assert schedule_of(work, job).construction == ""
    # Said of the wrong door, it is undone.
    assert mark_dead(work, job.number, [first], work.today, is_dead=False) == 1
    assert (turned(work, job, "CMK"), len(exposed_by(work.session, cmk))) == (1, 1)


def all_dead(work: Work) -> Job:
    job = by_master(work, 3)
    to_site(work, job)
    mark_dead(work, job.number, [one.id for one in job.cylinders], work.today)
    return job


def test_dead_is_not_undone_where_the_balls_would_let_in_a_key_that_was_drawn_since(work: Work) -> None:
    job = all_dead(work)
    cylinder, cmk = job.cylinders[0], keyset(work, "CMK")
    assert cylinder.door is not None
    [pins] = pins_now(work, [cylinder]).values()
    cuts, ball = cuts_of(work, "CMK"), 0
    while cuts[ball] in pins.operating[ball]:
        ball += 1
    own = cuts_of(work, cylinder.keyset.symbol) if cylinder.keyset else ()
    drawn = (*own[:ball], cuts[ball], *own[ball + 1 :])
    stranger = add_keyset(work, cmk.system, "SKD9", Level.SINGLE, cuts=drawn)
    work.session.commit()
    assert turned_by(work, stranger, [drawn], [cylinder]) == ()
    with pytest.raises(LedgerError, match=f"SKD9 of The Flats .* door {cylinder.door.opening_number} ") as refused:
        mark_dead(work, job.number, [cylinder.id], work.today, is_dead=False)
    assert refused.value.field == "cylinders"
    assert [one.state for one in construction(work, job).doors] == [MADE] * 3
    assert (turned(work, job, "CMK"), turned_by(work, stranger, [drawn], [cylinder])) == (0, ())
    # The same key unknown: on a row of an old list that stands aside.
    spec = spec_of(cmk.system)
    work.session.delete(stranger)
    with transaction(work.session):
        put_aside(work, cmk.system, 7, NamedKey("", "K7"), "Two of it.", write_bitting(spec, drawn))
    with pytest.raises(
        LedgerError, match=f"Row 7 of the list .* door {cylinder.door.opening_number} then"
    ) as refused:
        mark_dead(work, job.number, [cylinder.id], work.today, is_dead=False)
    assert (refused.value.field, turned(work, job, "CMK")) == ("cylinders", 0)


def test_dead_is_not_undone_on_a_door_that_was_cross_keyed_since(work: Work) -> None:
    job = all_dead(work)
    first, second, third = job.cylinders
    assert second.keyset is not None and first.door is not None
    cross_key(work, first.id, [second.keyset.symbol])
    with pytest.raises(LedgerError, match=f"door {first.door.opening_number} was cross-keyed"):
        mark_dead(work, job.number, [first.id], work.today, is_dead=False)
    third.state = CylinderState.REMOVED
    work.session.commit()
    with pytest.raises(LedgerError, match="was taken off"):
        mark_dead(work, job.number, [third.id], work.today, is_dead=False)
    assert mark_dead(work, job.number, [second.id], work.today, is_dead=False) == 1


def test_dead_is_not_undone_on_a_door_whose_bitting_was_corrected_since(work: Work) -> None:
    """Its cylinders were pinned anew by the right bitting then, and nobody put balls in again."""
    job = all_dead(work)
    first, second, _ = job.cylinders
    assert first.keyset is not None
    own, spec = cuts_of(work, first.keyset.symbol), spec_of(first.keyset.system)
    for place in range(spec.chambers):
        right = write_bitting(spec, (*own[:place], (own[place] + 2) % 10, *own[place + 1 :]))
        form = CorrectForm(first.keyset.id, right, "the key was read", destroyed=True)
        with suppress(BitternError):
            correct_bitting(work, first.keyset.system_id, form)
            break
    else:
        raise AssertionError("no other bitting goes")
    with pytest.raises(LedgerError, match="goes by a bitting that was corrected") as refused:
        mark_dead(work, job.number, [first.id], work.today, is_dead=False)
    assert refused.value.field == "cylinders"
    assert turned(work, job, "CMK") == 0
    assert mark_dead(work, job.number, [second.id], work.today, is_dead=False) == 1


def test_permanent_keys_wait_until_the_building_is_handed_over(work: Work) -> None:
    job = by_master(work)
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    still = still_open(work.session, job)
    assert {key.keyset.symbol for key in still.going} - {key.keyset.symbol for key in still.waiting} == {"CMK"}
    assert "still opens to a construction key" in still.waiting_words and "1AA" in still.waiting_words
    everything = HandOverForm("B. Reed", still_open(work.session, job).mark)
    assert not may_all_go(work.session, job)  # one press would give the masters to whoever fetches the cylinders
    with pytest.raises(LedgerError, match="all else stays here until the building is handed over") as refused:
        hand_over(work, job.id, job.version, everything)
    assert refused.value.field == "stage"
    here = [one.id for one in job.cylinders]
    kept = {key.keyset_id: 0 for key in still.waiting}
    hand_over_part(work, job.id, job.version, PartForm("B. Reed", here, {**kept, keyset(work, "CMK").id: 3}, {}))
    assert {key.state for key in still.waiting} == {KeyState.CUT}
    assert may_all_go(work.session, job)
    money_alone = StillOpen(still.keys, still.owed_cents, still.total_cents, still.going)
    with pytest.raises(Problems, match="permanent keys wait until the building is handed over"):
        hand_over(work, job.id, job.version, replace(everything, known=money_alone.mark))
    mark_dead(work, job.number, here[1:], work.today)
    assert still_open(work.session, job).waiting == still.waiting
    mark_dead(work, job.number, here[:1], work.today)
    assert still_open(work.session, job).waiting == ()


def test_a_part_asks_as_all_does_before_it_lets_a_permanent_key_go(work: Work) -> None:
    job = by_master(work)
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    key = next(one for one in still_open(work.session, job).waiting if one.keyset.symbol == "1AA")
    [here] = [one.id for one in job.cylinders if one.keyset_id == key.keyset_id]
    for form in (PartForm("", [], {key.keyset_id: 1}, {}), PartForm("", [here], {}, {})):  # counted, or along with it
        with pytest.raises(Problems) as refused:
            hand_over_part(work, job.id, job.version, form)
        assert [one.field for one in refused.value.problems] == ["taken_by", "known"]
        assert key.state is KeyState.CUT
    said = all_the_same(work, job, PartForm("B. Reed", [], {key.keyset_id: 1}, {}))
    assert said == (
        "A door of this job still opens to a construction key. Only that key and what it turns go there now; 1 "
        "permanent key waits until the building is handed over: 1AA copy 1. Tick that it is handed over all the "
        "same, and press again."
    )
    assert (key.state, key.holder) == (KeyState.OUT, "B. Reed")
    # Agreed to for one key, it is asked again for another.
    with pytest.raises(Problems, match="handed over: 2AA copy 1"):
        hand_over_part(
            work, job.id, job.version, PartForm("B. Reed", [], {keyset(work, "2AA").id: 1}, {}, known=said)
        )


def test_construction_keys_are_due_back_when_the_building_is_handed_over(work: Work) -> None:
    day = work.today + timedelta(days=30)
    to_site(work, by_master(work, 2, handed_over_on=day))
    rows = held_keys(work.session, day).rows
    assert {row.keyset.symbol: row.due_back for row in rows} == {"CMK": day, "1AA": None, "2AA": None}
    late = held_keys(work.session, day + timedelta(days=1), "overdue")
    assert [(row.keyset.symbol, row.holder) for row in late.rows] == [("CMK", "A. Taker")] * 3


def test_the_shop_is_told_of_keys_that_cannot_have_turned_a_door_that_is_made_dead(work: Work) -> None:
    job = by_master(work, 2)
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    still, here = still_open(work.session, job), job.cylinders
    kept = {key.keyset_id: 0 for key in still.waiting}
    hand_over_part(work, job.id, job.version, PartForm("B. Reed", [one.id for one in here], kept, {}))
    first = here[0]
    count = {symbol: sum(key.keyset.symbol == symbol for key in still.waiting) for symbol in ("AA", "1AA", "2AA")}
    assert keys_never_out(work.session, here) == sum(count.values()) == len(still.waiting)
    assert keys_never_out(work.session, [first]) == count["AA"] + count["1AA"]
    all_the_same(work, job, PartForm("B. Reed", [], {first.keyset_id or 0: 1}, {}))
    assert keys_never_out(work.session, [first]) == 0
    assert keys_never_out(work.session, here) == count["AA"] + count["2AA"]


def test_a_lost_construction_key_exposes_what_is_not_dead_yet(work: Work) -> None:
    job = by_master(work, 3)
    to_site(work, job)
    mark_dead(work, job.number, [job.cylinders[0].id], work.today)
    loss = report_loss(work, LossForm(keyset(work, "CMK").system_id, "CMK", Which.UNKNOWN)).loss
    assert [one.kind for one in ways_of_loss(work, loss.id)] == [LossWayKind.MADE_DEAD]
    assert len(still_turned(work, loss).cylinders) == 2
    mark_dead(work, job.number, [one.id for one in job.cylinders], work.today)
    assert not still_turned(work, loss).cylinders
    assert close_loss(work, loss.id, loss.version).retired == ("CMK",)


def test_a_door_is_made_dead_where_it_hangs_and_on_a_day_that_was(work: Work) -> None:
    job = by_master(work, 2)
    ids = [one.id for one in job.cylinders]
    with pytest.raises(LedgerError, match="hand it over first") as refused:
        mark_dead(work, job.number, ids, work.today)
    assert refused.value.field == "cylinders"
    to_site(work, job)
    for on in (work.today + timedelta(days=1), work.today - timedelta(days=1)):
        with pytest.raises(LedgerError) as refused:
            mark_dead(work, job.number, ids, on)
        assert refused.value.field == "on"
    with pytest.raises(LedgerError, match="Tick the doors"):
        mark_dead(work, job.number, [], work.today)


def test_a_later_job_is_not_set_up_for_a_construction_key_that_is_lost(work: Work) -> None:
    first = by_master(work, 3)
    system = keyset(work, "CMK").system
    to_site(work, first)
    report_loss(work, LossForm(system.id, "CMK", Which.UNKNOWN))
    asked = site(ConstructionWay.MASTER, name="", existing_id=system.id, construction_keys=1)
    ask = flats(work, 2, system=asked, keyed_at="shop", override_reason="here", site_id=first.site_id)
    second = accept(work, issued(work, ask), tuple(replace(one, opening=f"G{one.row}") for one in openings(2)))
    assert [one.construction.symbol for one in second.cylinders if one.construction] == ["CMK2"] * 2
    assert len(exposed_by(work.session, keyset(work, "CMK"))) == 3
    assert cuts_of(work, "CMK2") != cuts_of(work, "CMK")


def test_a_cylinder_that_came_back_is_no_door_to_be_made_dead(work: Work) -> None:
    job = by_master(work, 3)
    to_site(work, job)
    first, second, _ = (one.id for one in job.cylinders)
    back = BroughtBack(1, 1, ReturnCondition.SPOILED, cylinders=(first,))
    return_goods(work, job.number, job.version, ReturnForm("the door is left out", (back,)))
    found = construction(work, job)
    assert [one.cylinder.id for one in found.doors] == [one.id for one in job.cylinders[1:]]
    assert "2 doors still open to the construction key." in found.sentences
    with pytest.raises(LedgerError, match="leave out those that came back") as refused:
        mark_dead(work, job.number, [first, second], work.today)
    assert refused.value.field == "cylinders"


def test_a_later_job_of_the_site_shares_its_construction_key(work: Work) -> None:
    first = by_master(work, 3)
    system = keyset(work, "CMK").system
    asked = site(ConstructionWay.MASTER, name="", existing_id=system.id, construction_keys=1)
    ask = flats(work, 2, system=asked, keyed_at="shop", override_reason="here", site_id=first.site_id)
    doors = tuple(replace(one, opening=f"G{one.row}") for one in openings(2))
    second = accept(work, issued(work, ask), doors)
    assert [one.symbol for one in system.keysets if one.level is Level.CONSTRUCTION] == ["CMK"]
    assert len(exposed_by(work.session, keyset(work, "CMK"))) == 5
    assert audit_systems(work, [system]).is_clean
    to_site(work, first)
    mark_dead(work, first.number, [one.id for one in first.cylinders], work.today)
    assert [one.state for one in construction(work, second).doors] == [IN_THE_SHOP] * 2


def test_the_counter_is_told_of_construction_cores_that_the_shelf_lacks(work: Work) -> None:
    """7 counted, 4 of them wait for a job that has not gone yet: 3 are free for the next four doors."""
    item = work.session.scalars(sa.select(Item).where(Item.code == "CONSTRUCTION-CORE")).one()
    move_stock(work, item, MovementKind.COUNTED, on_hand=7, why="counted")
    work.session.commit()
    job = by_cores(work)
    line = LineRequest(LineKind.CYLINDER, 4, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    asked = SystemRequest(name="Annex", construction=ConstructionWay.CORES, construction_keys=1)
    ask = QuoteRequest(customer_id(work, "Harbourmaster"), (line,), system=asked, title="More")
    told = "4 construction cores of the house's are lent for it, 3 free: have 1 more before they go."
    assert (0, told) in price_request(work, ask).notes
    move_job(work, job.id, job.version, Stage.CANCELED, "The house is not built")
    assert not [one for _, one in price_request(work, ask).notes if "lent for it" in one]


def test_a_quote_says_what_a_construction_core_costs_that_is_kept(work: Work) -> None:
    job = by_cores(work, 2)
    lines = read_snapshot(job.revisions[-1].snapshot).lines
    words = (
        "Construction core, lent until the building is handed over: the house has them back, or charges $38.00 each"
    )
    assert [(one.quantity, one.words) for one in lines if one.words.startswith("Construction core")] == [(2, words)]


def test_one_schedule_row_a_door_says_what_hangs_there_and_which_key_seats_the_core(work: Work) -> None:
    schedule = schedule_of(work, by_cores(work, 3))
    assert "with CONTROL as soon as" in schedule.construction and "CCK takes them out" in schedule.construction
    page = schedule_page(schedule)
    assert [(line.row.keyset, line.site) for line in page.lines] == [
        (f"{number}AA", "CMK core") for number in (1, 2, 3)
    ]
    assert page.cores == 3


def test_more_construction_cores_than_are_counted_are_refused_like_all_else(work: Work) -> None:
    line = LineRequest(LineKind.CYLINDER, 10_000, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    asked = QuoteRequest(customer_id(work, "Harbourmaster"), (line,) * 11, system=site(ConstructionWay.CORES))
    told = [one.message for one in price_request(work, asked).problems if one.field == "construction"]
    assert told == ["Give 1 to 100,000 cylinders in all."]


def test_construction_cores_stand_in_and_come_back(work: Work) -> None:
    job = by_cores(work)
    lent = [one for one in job.cylinders if one.is_lent]
    permanent = [one for one in job.cylinders if not one.is_lent]
    assert len(lent) == len(permanent) == 4
    assert {one.symbol: len(one.keys) for one in keyset(work, "CMK").system.keysets if one.keys}.items() >= {
        "CMK": 3, "CCK": 1, "CONTROL": 1
    }.items()  # fmt: skip
    assert len({cuts_of(work, symbol) for symbol in ("CMK", "CCK", "CONTROL")}) == 3
    assert audit_systems(work, [keyset(work, "CMK").system]).is_clean
    item = work.session.scalars(sa.select(Item).where(Item.code == "CONSTRUCTION-CORE")).one()
    move_stock(work, item, MovementKind.COUNTED, on_hand=10, why="counted")
    work.session.commit()
    [pick] = [one for one in picks_of(work.session, job) if one.code == "CONSTRUCTION-CORE"]
    assert (pick.quantity, pick.there, pick.went, pick.waits) == (4, 4, 0, "")
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert {key.symbol for key in bench.keys if key.is_control} == {"CONTROL", "CCK"}
    pins = {group.keyset: group.pinning for group in bench.cylinders}
    assert pins["CMK"].combinations == 1
    assert not any(pins.ball for one in bench.cylinders for pins in one.pinning.chambers)
    walk(work, job, Stage.CHECKED, Stage.READY)
    with pytest.raises(LedgerError, match="cores of the site and their construction keys go there first"):
        hand_over(work, job.id, job.version, HandOverForm("A. Taker", still_open(work.session, job).mark))
    with pytest.raises(Problems, match="tick one of the two"):
        both = PartForm("A. Taker", [lent[0].id, permanent[0].id], {}, {})
        hand_over_part(work, job.id, job.version, both)
    counts = {keyset(work, "CMK").id: 3, keyset(work, "CCK").id: 1}
    hand_over_part(work, job.id, job.version, PartForm("A. Taker", [one.id for one in lent], counts, {}))
    assert quantity_of(work.session, item.id).on_hand == 6
    assert (turned(work, job, "CMK"), turned(work, job, "1AA")) == (4, 0)
    assert len(exposed_by(work.session, keyset(work, "CMK"))) == 4
    assert [one.state for one in construction(work, job).doors] == [WORKS] * 4
    with pytest.raises(LedgerError, match="once the permanent core is handed over"):
        mark_cores(work, job.number, [lent[0].id], work.today, BACK)
    # The first door is swapped, then the rest.
    hand_over_part(work, job.id, job.version, PartForm("A. Taker", [permanent[0].id], {}, {}))
    assert (turned(work, job, "CMK"), turned(work, job, "1AA")) == (3, 1)
    hand_over(work, job.id, job.version, HandOverForm("A. Taker", still_open(work.session, job).mark))
    assert (job.stage, turned(work, job, "CMK")) == (Stage.HANDED_OVER, 0)
    assert [one.state for one in construction(work, job).doors] == [SWAPPED] * 4
    assert mark_cores(work, job.number, [one.id for one in lent[:3]], work.today, BACK) == 3
    found = construction(work, job)
    assert [one.state for one in found.doors] == [BACK] * 3 + [SWAPPED]
    assert "1 construction core not back: $38.00 to charge." in found.sentences
    assert quantity_of(work.session, item.id).on_hand == 9
    assert mark_cores(work, job.number, [lent[0].id], work.today, SWAPPED) == 1
    assert quantity_of(work.session, item.id).on_hand == 8
    # The last one never comes: it is charged once, and can still come after all.
    assert mark_cores(work, job.number, [one.id for one in lent], work.today, KEPT) == 2  # not those that are back
    assert [one.state for one in construction(work, job).doors] == [KEPT, BACK, BACK, KEPT]
    assert "2 construction cores kept and charged." in construction(work, job).sentences
    assert mark_cores(work, job.number, [one.id for one in lent], work.today, KEPT) == 0
    assert quantity_of(work.session, item.id).on_hand == 8
    assert mark_cores(work, job.number, [lent[3].id], work.today, SWAPPED) == 1
    assert mark_cores(work, job.number, [lent[0].id], work.today, BACK) == 1
    assert [one.state for one in construction(work, job).doors] == [BACK, BACK, BACK, SWAPPED]
    moved = sa.select(StockMovement.on_hand).where(StockMovement.item_id == item.id, StockMovement.job_id == job.id)
    assert work.session.scalars(moved.order_by(StockMovement.id)).all() == [-4, 3, -1, 1]
    keys = work.session.scalars(sa.select(Key).where(Key.keyset_id == keyset(work, "CMK").id)).all()
    assert {key.state for key in keys} == {KeyState.OUT}


def test_construction_cores_on_no_door_make_way_for_as_many_permanent_ones(work: Work) -> None:
    """As where they are sold at the counter: which of them hangs where, nobody has said."""
    job = by_cores(work, has_doors=False)
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    lent = [one for one in job.cylinders if one.is_lent]
    permanent = [one for one in job.cylinders if not one.is_lent]
    counts = {keyset(work, "CMK").id: 3, keyset(work, "CCK").id: 1}
    with pytest.raises(Problems, match="tick one of the two"):
        both = PartForm("A. Taker", [one.id for one in job.cylinders], counts, {})
        hand_over_part(work, job.id, job.version, both)
    hand_over_part(work, job.id, job.version, PartForm("A. Taker", [one.id for one in lent], counts, {}))
    assert [(one.permanent, one.state) for one in construction(work, job).doors] == [("", WORKS)] * 4
    hand_over_part(work, job.id, job.version, PartForm("A. Taker", [permanent[0].id], {}, {}))
    assert [one.state for one in construction(work, job).doors] == [SWAPPED, WORKS, WORKS, WORKS]
    hand_over(work, job.id, job.version, HandOverForm("A. Taker", still_open(work.session, job).mark))
    assert [one.state for one in construction(work, job).doors] == [SWAPPED] * 4
    assert mark_cores(work, job.number, [one.id for one in lent], work.today, BACK) == 4
    told = " ".join(pdf_text(sale_receipt_pdf(sale_receipt(work, job))).split())
    assert "4 construction cores; keys CMK, copies 1-3; keys CCK, copy 1." in told
    assert "1 cylinder; " in told and "To come back: 1 construction core." in told
    assert "3 cylinders; " in told and "To come back: 3 construction cores." in told


def test_a_cylinder_on_no_door_that_no_construction_core_stands_in_for_goes_with_them(work: Work) -> None:
    cores = LineRequest(LineKind.CYLINDER, 2, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    mortise = CylinderAttributes("mortise", Fraction(9, 8), 6, None, "AQ1", None, None, "626")
    other = LineRequest(LineKind.CYLINDER, 1, "ARD", attributes=mortise, keying=KeyingInstruction(KeyingKind.KD))
    ask = QuoteRequest(
        customer_id(work, "Harbourmaster"), (cores, other), system=site(ConstructionWay.CORES), title="Both",
        keyed_at="shop", override_reason="here",
    )  # fmt: skip
    job = accept(work, issued(work, ask), ())
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)
    now = [one.id for one in job.cylinders if one.is_lent or one.type == "mortise"]
    assert len(now) == 3
    all_the_same(work, job, PartForm("A. Taker", now, {}, {}))
    assert [one.state for one in construction(work, job).doors] == [WORKS] * 2


def test_the_counter_counts_the_construction_key_in_what_turns_a_cylinder(work: Work) -> None:
    ask = flats(work, 6, system=site(ConstructionWay.MASTER), keyed_at="shop", override_reason="here")
    [said] = [one for one in price_request(work, ask).plan.sentences if "of all bittings" in one]
    assert said == (
        "At most one in 15,625 of all bittings, one in 1,371 until the construction key is dead, turns each cylinder "
        "of line 1."
    )  # 2 and 3 of 10 depths in each of 6 chambers: 5**6; 10**6 / 3**6 = 1371.7
    job = accept(work, issued(work, ask), openings(6))
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert all(Fraction(1, 15625) < one.pinning.share <= Fraction(3**6, 10**6) for one in bench.cylinders)
    assert "construction" not in str(
        price_request(work, replace(ask, system=site(ConstructionWay.NONE))).plan.sentences
    )


def test_a_quote_says_what_construction_keying_costs(work: Work) -> None:
    ask = flats(work, 6, system=site(ConstructionWay.MASTER), keyed_at="shop", override_reason="here")
    job = issued(work, ask)
    snapshot = read_snapshot(job.revisions[-1].snapshot)
    told = [(one.words, one.quantity, one.amount_cents) for one in snapshot.lines if one.kind == "construction"]
    key = next(one.unit_cents for one in snapshot.lines if one.kind == "keys")
    assert told == [
        ("Setting up for a construction key, until it is made dead", 6, 39_00),
        ("Construction keys", 3, 3 * key),
    ]
    assert "CMK of The Flats turns the cylinders of the site until each is made dead to it." in (
        snapshot.plan.sentences
    )
    assert QuoteRequest.from_json(snapshot.ask).system == ask.system


@pytest.mark.parametrize(
    ("way", "keys", "days", "field"),
    [
        (ConstructionWay.MASTER, 0, None, "construction_keys"),
        (ConstructionWay.MASTER, 1000, None, "construction_keys"),
        (ConstructionWay.MASTER, 3, -1, "handed_over_on"),
        (ConstructionWay.CORES, 3, None, "construction"),
    ],
)
def test_what_cannot_be_is_refused_at_its_field(
    work: Work, way: ConstructionWay, keys: int, days: int | None, field: str
) -> None:
    day = None if days is None else work.today + timedelta(days=days)
    asked = site(way, construction_keys=keys, handed_over_on=day)
    with pytest.raises(Problems) as refused:
        issued(work, flats(work, 6, system=asked))
    assert [one.field for one in refused.value.problems] == [field]


def test_a_canceled_job_leaves_no_construction_core(work: Work) -> None:
    job = by_cores(work, 2)
    move_job(work, job.id, job.version, Stage.CANCELED, "The house is not built")
    rows = sa.select(Cylinder.state).where(Cylinder.job_id == job.id)
    assert set(work.session.scalars(rows)) == {CylinderState.REMOVED}


def test_a_key_that_was_lost_before_turns_no_cylinder_that_is_set_up(work: Work) -> None:
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="here")), openings(2))
    system = work.session.scalars(sa.select(KeySystem)).one()
    cylinders = work.session.scalars(sa.select(Cylinder)).all()

    def found() -> tuple[Cuts, list[set[int]]]:
        """The construction key, and what shears in the first cylinder but for its own cuts."""
        keyset = set_up(work, system, "CMK", cylinders)
        work.session.flush()
        opened = open_bittings(work.session, work.vault, [system])
        own, step = [], cylinders[0].keyset
        while step is not None:
            own.append(opened[step.id])
            step = step.parent
        return opened[keyset.id], [set(depths) for depths in zip(*own, strict=True)]

    cuts, sheared = found()
    work.session.rollback()
    ball = next(place for place, cut in enumerate(cuts) if cut not in sheared[place])
    lost = (*cuts[:ball], min(sheared[ball]), *cuts[ball + 1 :])
    reported = report_loss(work, LossForm(system.id, "AA", Which.UNKNOWN)).loss
    keep_lost_bitting(work, reported.keyset, lost)
    other, sheared = found()
    assert not all(cut in depths | {own} for cut, depths, own in zip(lost, sheared, other, strict=True))


def on_another_keyway(work: Work) -> tuple[KeySystem, Sequence[Cylinder]]:
    """The one system, all of its cylinders on another keyway than its own, and these."""
    system = work.session.scalars(sa.select(KeySystem)).one()
    cylinders = work.session.scalars(sa.select(Cylinder)).all()
    for one in system.keysets:
        one.keyway = "" if one.level.is_upper else "ZZ1"
    for cylinder in cylinders:
        cylinder.keyway = "ZZ1"
    return system, cylinders


def test_doors_on_another_keyway_of_the_system_are_set_up_too(work: Work) -> None:
    accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="here")), openings(2))
    system, cylinders = on_another_keyway(work)
    set_up(work, system, "CMK", cylinders)
    assert not [one for one in audit_systems(work, [system]).findings if "would also operate" in one.sentence]


def test_construction_cores_are_all_on_the_systems_own_keyway(work: Work) -> None:
    line = LineRequest(LineKind.CYLINDER, 2, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(
        customer_id(work, "Harbourmaster"), (line,), system=SystemRequest(name="The Flats"), title="Cores",
        keyed_at="shop", override_reason="here",
    )  # fmt: skip
    accept(work, issued(work, ask), openings(2))
    system, cylinders = on_another_keyway(work)
    found = lend_cores(work, system, "CMK", cylinders)
    lent = work.session.scalars(sa.select(Cylinder).where(Cylinder.keyset_id == found.id)).all()
    assert len(lent) == 2 and {one.keyway for one in lent} == {found.section} == {system.keyway}


@pytest.mark.parametrize("ball", [5, 6])
def test_a_new_system_of_a_site_is_drawn_with_room_for_the_one_ball(work: Work, ball: int) -> None:
    for row in work.session.scalars(sa.select(SpecRow)).all():
        put_spec(work, row.id, row.version, replace(read_spec(row), ball=ball))
    work.session.commit()
    job = by_master(work, 6)
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert {pins.ball for one in bench.cylinders for pins in one.pinning.chambers} == {0, ball}
    to_site(work, job)
    assert turned(work, job, "CMK") == 6
    mark_dead(work, job.number, [one.id for one in job.cylinders], work.today)
    assert (turned(work, job, "CMK"), turned(work, job, "AA")) == (0, 6)


def test_a_ball_that_no_top_master_leaves_room_for_is_said_before_the_quote_is_given(work: Work) -> None:
    for row in work.session.scalars(sa.select(SpecRow)).all():
        put_spec(work, row.id, row.version, replace(read_spec(row), ball=15))
    work.session.commit()
    with pytest.raises(Problems, match="No top master was found that leaves room for balls of 15"):
        issued(work, flats(work, 6, system=site(ConstructionWay.MASTER), keyed_at="shop", override_reason="here"))


def test_the_bench_is_warned_of_a_ball_that_the_spec_has_not_by_now(work: Work) -> None:
    job = by_master(work, 2)
    row = keyset(work, "CMK").system.spec
    put_spec(work, row.id, row.version, replace(read_spec(row), ball=15))
    work.session.commit()
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert all("The bitting spec has no ball of " in one.pinning.warnings[-1] for one in bench.cylinders)
    asked = site(ConstructionWay.MASTER, name="", existing_id=keyset(work, "CMK").system_id, construction_keys=1)
    ask = flats(work, 2, system=asked, keyed_at="shop", override_reason="here", site_id=job.site_id)
    with pytest.raises(LedgerError, match="which the site has already"):
        accept(work, issued(work, ask), tuple(replace(one, opening=f"G{one.row}") for one in openings(2)))
