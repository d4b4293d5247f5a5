"""From the plan of a loss to safe doors: issued and accepted as drafted, handed over, reckoned by every seal."""

import random
from collections import Counter
from dataclasses import replace
from itertools import chain
from typing import Any

import pytest
import sqlalchemy as sa

from app.errors import BitternError
from app.fitting import CylinderAttributes
from app.keying import AccessPlan, LostKey, lost_key
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.stages import move_job
from app.ledger.keys import losing
from app.ledger.keys.loss_plans import LossWayKind, choose_plan, is_on_record, left_to_rekey, ways_of_loss
from app.ledger.keys.losses import LossForm, Which, close_loss, report_loss, still_turned
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.lost_keysets import exposed_by
from app.ledger.keysystems.planning import MatrixSealForm, make_ready, seal_access
from app.ledger.keysystems.retiring import keyed_in, put_back_in_use, retire_system
from app.ledger.quoting.loss_drafts import PhaseForm, PhasesBy, drafts_of_loss, plan_of_loss
from app.ledger.quoting.loss_letter import letter_of_loss
from app.ledger.quoting.missing import questions_about
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.stock.needs import needs_of
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    ItemKind,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    LineKind,
    Loss,
    RecordsHolder,
    Stage,
)
from app.pricing import KeyingKind
from tests.keyed import give, walk
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued, mortise, openings
from tests.lost_and_safe import at_odds, cuts_on_record, keys_of, lost_cuts, meant_to_open, opened_by
from tests.sold_systems import OPENS, fit, sold_hall, sold_halls, sold_mill, sold_school

SHOP = {"keyed_at": "shop", "override_reason": "soon"}


@pytest.fixture
def system(work: Work) -> KeySystem:
    """The Hall, whose doors are fitted and whose keys are out."""
    return sold_hall(work)


def _keyset(work: Work, symbol: str) -> Keyset:
    return work.session.scalars(sa.select(Keyset).where(Keyset.symbol == symbol)).one()


def _lost(work: Work, symbol: str) -> Loss:
    keyset = _keyset(work, symbol)
    loss = Loss(system_id=keyset.system_id, keyset_id=keyset.id, reported_at=work.now)
    work.session.add(loss)
    work.session.commit()
    return loss


def _chosen(work: Work, loss: Loss, kind: LossWayKind) -> Loss:
    return choose_plan(work, loss.id, kind, loss.version)


def _accepted(work: Work, ask: QuoteRequest) -> Job:
    """Issued and accepted as it is."""
    job = issued(work, ask)
    accept(work, job)
    return job


def _handed_over(work: Work, job: Job) -> Job:
    for stage in (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER):
        work.session.rollback()
        walk(work, job, stage)
    work.session.rollback()
    return job


def _text(cuts: tuple[int, ...]) -> str:
    return "".join(map(str, cuts))


def _on(work: Work, door: str) -> Cylinder:
    """What hangs on a door now."""
    rows = work.session.scalars(sa.select(Cylinder).where(Cylinder.state == CylinderState.FITTED))
    [found] = [one for one in rows if one.door and one.door.opening_number == door]
    return found


def test_a_lost_change_gets_the_next_symbol_and_as_many_keys(work: Work, system: KeySystem) -> None:
    loss = _lost(work, "AA1")
    [way] = ways_of_loss(work, loss.id)
    assert (way.kind, way.cylinders, way.keys, way.keysets) == (LossWayKind.NEW_BITTING, 1, 2, 1)
    _chosen(work, loss, way.kind)
    assert loss.successors == {"AA1": "AA5"}
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.kind.value, line.quantity, line.symbol) for line in ask.lines] == [
        ("rekey", 1, ""),
        ("keys", 2, "new changes"),
        ("trip", 1, ""),
        ("labour", 1, ""),  # five minutes, sold by the quarter of an hour
    ]
    was = lost_cuts(work, loss)
    job = _accepted(work, ask)
    assert job.loss_id == loss.id and opened_by(work, system, was) == ["F1"]
    _handed_over(work, job)
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []
    assert meant_to_open(_on(work, "F1")) == {"AA5", "AA", "A"}
    assert (_on(work, "F1").part_number, _on(work, "F1").remarks) == ("A18M-Q1-66.SC", "")  # nothing of the line's
    assert keys_of(work, system, KeyState.OUT)["AA5"] == 2


def test_who_follows_a_key_that_was_really_cut_beyond_the_spec_is_not_said_to_be(
    work: Work, system: KeySystem
) -> None:
    _keyset(work, "AA1").purpose, _keyset(work, "AA1").is_really_cut_so = "the porter, at night", True
    loss = _lost(work, "AA1")
    _chosen(work, loss, LossWayKind.NEW_BITTING)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    _accepted(work, ask)
    assert (_keyset(work, "AA5").purpose, _keyset(work, "AA5").is_really_cut_so) == ("the porter, at night", False)


def test_a_lost_master_is_followed_by_another_with_its_changes_in_one_draft(work: Work, system: KeySystem) -> None:
    loss = _lost(work, "AA")
    another, left_out = ways_of_loss(work, loss.id)
    # Two keys to each of AA1, AA2, AA3, four to AA4 (two doors), three to AA: 13 keys of five keysets, five doors.
    assert (another.kind, another.cylinders, another.keys, another.keysets) == (LossWayKind.ANOTHER_MASTER, 5, 13, 5)
    assert (
        left_out.kind is LossWayKind.LEFT_OUT and not left_out.cannot and (left_out.keys, left_out.keysets) == (0, 0)
    )
    _chosen(work, loss, another.kind)
    assert loss.successors == {"AA": "AC", "AA1": "AC1", "AA2": "AC2", "AA3": "AC3", "AA4": "AC4"}
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.kind.value, line.quantity, line.symbol) for line in ask.lines] == [
        ("rekey", 3, ""),
        ("rekey", 2, ""),
        ("keys", 3, "new masters"),
        ("keys", 10, "new changes"),
        ("trip", 1, ""),
        ("labour", 2, ""),  # 5 cylinders of five minutes: 25 are two quarters
    ]
    assert [(line.price_code, line.remark) for line in ask.lines[-2:]] == [
        ("TRIP", ""),
        ("LABOR-QUARTER", "5 cylinders taken out and hung, 5 minutes each"),
    ]
    was = lost_cuts(work, loss)
    assert opened_by(work, system, was) == ["F1", "F2", "F3", "F4", "F5"]
    job = _handed_over(work, _accepted(work, ask))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []
    assert meant_to_open(_on(work, "F4")) == meant_to_open(_on(work, "F5")) == {"AC4", "AC", "A"}
    assert meant_to_open(_on(work, "F6")) == {"AB1", "AB", "A"}
    keys = work.session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
    assert len(keys) == 13 and left_to_rekey(work, loss) == ()


def test_what_an_earlier_loss_retired_under_a_master_gets_no_keys_anew(work: Work, system: KeySystem) -> None:
    first = _chosen(work, _lost(work, "AA1"), LossWayKind.NEW_BITTING)
    [ask] = drafts_of_loss(work, first.id, PhaseForm())
    _handed_over(work, _accepted(work, ask))
    assert close_loss(work, first.id, first.version).retired == ("AA1",)
    loss = _lost(work, "AA")
    [another] = [way for way in ways_of_loss(work, loss.id) if way.kind is LossWayKind.ANOTHER_MASTER]
    # Two keys to each of AA2, AA3, AA5, four to AA4, three to AA; none to AA1, on which nothing hangs any more.
    assert (another.cylinders, another.keys, another.keysets) == (5, 13, 5)
    _chosen(work, loss, another.kind)
    assert loss.successors == {"AA": "AC", "AA2": "AC1", "AA3": "AC2", "AA4": "AC3", "AA5": "AC4"}
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.quantity, line.symbol) for line in ask.lines if line.symbol] == [
        (3, "new masters"),
        (10, "new changes"),
    ]
    was = lost_cuts(work, loss)
    _handed_over(work, _accepted(work, ask))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []


def test_nothing_takes_the_place_of_a_retired_keyset_that_turns_nothing(work: Work, system: KeySystem) -> None:
    """A copy that was called in is lost: a new keyset was drawn for it, which was born retired."""
    first = _chosen(work, _lost(work, "AA1"), LossWayKind.NEW_BITTING)
    [ask] = drafts_of_loss(work, first.id, PhaseForm())
    _handed_over(work, _accepted(work, ask))
    close_loss(work, first.id, first.version)
    again = _lost(work, "AA1")
    [way] = ways_of_loss(work, again.id)
    assert way.cannot == "AA1 is retired, and its key turns nothing that stays: there is nothing to rekey."
    with pytest.raises(BitternError, match="there is nothing to rekey"):
        choose_plan(work, again.id, way.kind, again.version)
    assert close_loss(work, again.id, again.version).retired == ()


def test_nobody_cross_keys_a_cylinder_that_a_plan_replaces(work: Work, system: KeySystem) -> None:
    """F1 crossed with AC1 while AC waited for its job was turned by AC as well, and nothing told it."""
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.ANOTHER_MASTER)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    job = _accepted(work, ask)
    there = _on(work, "F1")
    told = f"Job {job.number} brings another cylinder to F1 already: cross-key the cylinder that comes"
    with pytest.raises(BitternError, match=told):
        cross_key(work, there.id, ("AC1",))
    work.session.rollback()
    assert meant_to_open(_on(work, "F1")) == {"AA1", "AA", "A"}


def test_a_door_that_was_done_and_is_crossed_with_the_replaced_keyset_is_left_to_be_done_again(
    work: Work, system: KeySystem
) -> None:
    """AA1 is lost, F1 is done, and the key is found: it is let in on F1 again, and then it is lost for good."""
    loss = _chosen(work, _lost(work, "AA1"), LossWayKind.NEW_BITTING)
    loss.copies = [1]
    work.session.commit()
    was, [ask] = lost_cuts(work, loss), drafts_of_loss(work, loss.id, PhaseForm())
    _handed_over(work, _accepted(work, ask))
    assert opened_by(work, system, was) == [] and left_to_rekey(work, loss) == ()
    cross_key(work, _on(work, "F1").id, ["AA1"])
    report_loss(work, LossForm(system.id, "AA1", Which.COPIES, (1,)))
    assert opened_by(work, system, was) == ["F1"] and left_to_rekey(work, loss) == (_on(work, "F1"),)
    [again] = drafts_of_loss(work, loss.id, PhaseForm())
    _handed_over(work, _accepted(work, again))
    assert (meant_to_open(_on(work, "F1")), left_to_rekey(work, loss)) == ({"AA5", "AA", "A"}, ())
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []
    assert close_loss(work, loss.id, loss.version).retired == ("AA1",)


def test_a_plan_for_a_factorys_system_out_of_use_is_the_same_and_waits_until_that_is_back(
    work: Work, system: KeySystem
) -> None:
    system.records = RecordsHolder.FACTORY
    loss = _lost(work, "AA")
    before = ways_of_loss(work, loss.id)
    staying = [one.cylinder_id for one in keyed_in(work.session, system)]
    retire_system(work, system.id, system.version, "pulled down", staying)
    assert ways_of_loss(work, loss.id) == before
    _chosen(work, loss, before[0].kind)
    with pytest.raises(LedgerError, match=r"^by: The Hall is retired since .* \(pulled down\)"):
        drafts_of_loss(work, loss.id, PhaseForm())
    put_back_in_use(work, system.id, system.version)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert sum(len(line.standing) for line in ask.lines) == 5  # F1 to F5


def test_who_chooses_the_least_way_waits_for_no_other(
    work: Work, system: KeySystem, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page searches for another master too, which takes seconds in a large system; the press searched again."""
    searched = []

    def counted(*asked: Any, **said: Any) -> LostKey:
        searched.append(asked[3])
        return lost_key(*asked, **said)

    monkeypatch.setattr(losing, "lost_key", counted)
    loss = _lost(work, "A")
    assert len(ways_of_loss(work, loss.id)) == 3 and searched == ["A", "A"]
    _chosen(work, loss, LossWayKind.NEW_BITTING)
    assert searched == ["A", "A", "A"] and loss.successors == {"A": "A"}


def test_a_lost_top_keeps_its_symbol_and_every_phase_says_what_is_left(work: Work, system: KeySystem) -> None:
    loss = _lost(work, "A")
    least = ways_of_loss(work, loss.id)[0]
    assert (least.kind, least.cylinders, least.keys, least.keysets) == (LossWayKind.NEW_BITTING, 6, 2, 1)
    _chosen(work, loss, least.kind)
    assert loss.successors == {"A": "A"}
    first, second = drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DAY, a_day=4))
    assert [line.symbol for line in first.lines if line.kind.value == "keys"] == ["new grand masters"]
    assert [line.symbol for line in second.lines if line.kind.value == "keys"] == []
    was = lost_cuts(work, loss)
    _handed_over(work, _accepted(work, first))
    # F1 to F3 and, since four fit a day and F4 hangs together with F5, no more.
    assert opened_by(work, system, was) == ["F4", "F5", "F6"]
    # The new A need not open them yet; nobody else's key is at odds.
    assert {*at_odds(work, system)} <= {("F4", "A"), ("F5", "A"), ("F6", "A")}
    assert [one.door.opening_number for one in left_to_rekey(work, loss) if one.door] == ["F4", "F5", "F6"]
    _handed_over(work, _accepted(work, second))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == [] and left_to_rekey(work, loss) == ()
    assert [key.copy_number for key in _keyset(work, "A").keys] == [1, 2, 3, 4]


def _asked(work: Work, ask: QuoteRequest) -> set[str]:
    return {question.code for question in questions_about(work, price_request(work, ask))}


def test_a_phase_whose_keys_came_before_is_asked_for_none(work: Work, system: KeySystem) -> None:
    """Nor one whose master is left out; but the first is, once the line of its keys is gone."""
    loss = _chosen(work, _lost(work, "A"), LossWayKind.NEW_BITTING)
    first, second = drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DAY, a_day=4))
    bare = replace(first, lines=tuple(line for line in first.lines if line.kind is not LineKind.KEYS))
    assert "no-keys" in _asked(work, bare) and "no-keys" not in _asked(work, first)
    _accepted(work, first)
    assert "no-keys" not in _asked(work, second)


@pytest.mark.parametrize(("symbol", "way"), [("AA", LossWayKind.LEFT_OUT), ("AA1", LossWayKind.NEW_BITTING)])
def test_a_plan_asks_for_keys_where_it_has_some(work: Work, system: KeySystem, symbol: str, way: LossWayKind) -> None:
    loss = _chosen(work, _lost(work, symbol), way)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert "no-keys" not in _asked(work, ask)
    bare = replace(ask, lines=tuple(line for line in ask.lines if line.kind is not LineKind.KEYS))
    assert ("no-keys" in _asked(work, bare)) is (way is LossWayKind.NEW_BITTING)


WIDE = {"AQ1", "AQ2", "AQ3", "AQ4", "AQ5", "AQ6"}
ONE, THREE = {"AQ1", "AQ2"}, {"AQ3", "AQ4"}
NARROW = {"A": WIDE, "AA": ONE, "AB": ONE, "SK": ONE, "AC": THREE, "AD": THREE}
"""What keys of the Hall enter by the demo's tables, read by eye, where AD takes AC's place."""


def _blanks(work: Work, job: Job) -> dict[str, int]:
    """The key blanks that a job takes, by number."""
    wanted = (one.need for one in needs_of(work.session, job.id) if one.need.item.kind is ItemKind.BLANK)
    return {one.item.code: one.quantity for one in wanted}


@pytest.mark.parametrize(
    ("symbol", "doors", "keys", "blank"),
    [
        ("AA1", ["F1"], {"AA5": 2}, "AK6-12"),
        ("AC1", ["G1"], {"AC4": 2}, "AK6-34"),
        ("AC", ["G1", "G2", "G3"], {"AD": 2, "AD1": 2, "AD2": 2, "AD3": 2}, "AK6-34"),
        ("A", ["F1", "F2", "F3", "F4", "F5", "F6", "G1", "G2", "G3"], {"A": 2}, "AK6-ALL"),
    ],
)
def test_a_loss_in_a_system_on_two_keyways_is_planned_quoted_carried_out_and_closed(
    work: Work, symbol: str, doors: list[str], keys: dict[str, int], blank: str
) -> None:
    """AC and what is under it are cut as AA and what is under that, on a keyway that neither's keys enter both."""
    system = sold_halls(work)
    before = cuts_on_record(work, system)
    assert before["AA1"] == before["AC1"] and at_odds(work, system, NARROW) == []
    loss = _lost(work, symbol)
    was, entered = lost_cuts(work, loss), NARROW[symbol[:2]]
    assert opened_by(work, system, was, entered) == doors
    way = ways_of_loss(work, loss.id)[0]
    assert (way.cylinders, way.keysets) == (len(doors), len(keys))
    _chosen(work, loss, way.kind)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    job = _accepted(work, ask)
    assert _blanks(work, job) == {blank: sum(keys.values())}
    walk(work, job, Stage.ON_THE_BENCH)
    [sheet] = bench_work(work, job).systems
    assert {one.symbol: one.blank.split(",")[0] for one in sheet.keys if one.quantity} == dict.fromkeys(
        keys, f"blank {blank}"
    )
    work.session.rollback()
    for stage in (Stage.CHECKED, Stage.READY, Stage.HANDED_OVER):
        walk(work, job, stage)
        work.session.rollback()
    assert opened_by(work, system, was, entered) == [] and at_odds(work, system, NARROW) == []
    made = Counter(key.keyset.symbol for key in work.session.scalars(sa.select(Key).where(Key.job_id == job.id)))
    assert made == keys and left_to_rekey(work, loss) == ()
    kept = {one: cuts for one, cuts in cuts_on_record(work, system).items() if one in before and one not in keys}
    assert kept == {one: before[one] for one in kept}
    assert close_loss(work, loss.id, loss.version).retired == tuple(
        one for one in before if loss.successors.get(one, one) != one
    )


def test_keys_of_the_first_phase_enter_the_doors_of_the_next(work: Work) -> None:
    """AA4 operates G1 too, on AQ3; its place is taken when F4 and F5 are done, before G1 is."""
    system = sold_halls(work)
    for state in (KeyState.ORDERED, KeyState.OUT):  # they are cut anew of the blank that enters both
        for key in _keyset(work, "AA4").keys:
            key.state = state
        work.session.commit()
        cross_key(work, _on(work, "G1").id, ["AA4"])
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.ANOTHER_MASTER)
    assert loss.successors["AA4"] == "AD4"
    was = lost_cuts(work, loss)
    [first] = drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DOORS, doors=("F4",)))
    job = _accepted(work, first)
    assert _blanks(work, job) == {"AK6-ALL": 4, "AK6-12": 3}  # AD is on AQ1 alone
    _handed_over(work, job)
    assert opened_by(work, system, was, ONE) == ["F1", "F2", "F3"]
    [rest] = drafts_of_loss(work, loss.id, PhaseForm())
    _handed_over(work, _accepted(work, rest))
    assert opened_by(work, system, was, ONE) == [] and left_to_rekey(work, loss) == ()
    assert meant_to_open(_on(work, "G1")) == {"AC1", "AC", "A", "AD4"}
    assert at_odds(work, system, {**NARROW, "AD": ONE, "AA4": WIDE, "AD4": WIDE}) == []


@pytest.mark.parametrize("lost_too", ["", "A"])
def test_a_master_can_be_left_out_of_the_pins(work: Work, system: KeySystem, lost_too: str) -> None:
    """With all masters over it, so that nobody minds where one of those is lost as well."""
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.LEFT_OUT)
    assert loss.successors == {"AA": "(NMK)"}
    if lost_too:
        _lost(work, lost_too)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    was = lost_cuts(work, loss)
    _handed_over(work, _accepted(work, ask))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []
    assert meant_to_open(_on(work, "F1")) == {"AA1"} and meant_to_open(_on(work, "F6")) == {"AB1", "AB", "A"}


def test_nothing_is_keyed_under_a_top_master_that_was_left_out_and_is_retired(work: Work, system: KeySystem) -> None:
    """A new door under AB was pinned for the lost A as well, whose loss was closed."""
    loss = _chosen(work, _lost(work, "A"), LossWayKind.LEFT_OUT)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    _handed_over(work, _accepted(work, ask))
    assert close_loss(work, loss.id, loss.version).retired == ("A",)
    line = mortise(1, KeyingInstruction(KeyingKind.GMK, master="AB"))
    asked = SystemRequest(existing_id=system.id)
    ask = QuoteRequest(system.customer_id, (line,), system=asked, keyed_at="shop", override_reason="soon")
    told = "A, which stands over AB, is retired: its keys may be anywhere"
    with pytest.raises(BitternError, match=told) as refused:
        issued(work, ask)
    assert refused.value.problems[0].field == "lines.0.master"
    with pytest.raises(BitternError, match=told):
        extend_system(work, system.id, ExtendForm(master="AB", changes=1))


def test_what_does_not_hang_yet_is_pinned_by_the_new_bitting_and_the_draft_is_of_keys_alone(
    work: Work, system: KeySystem
) -> None:
    """The job that brings the doors is on the bench when A is lost: two of its cylinders are pinned already."""
    job = work.session.scalars(sa.select(Job)).one()
    job.stage = Stage.ON_THE_BENCH
    there = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()
    for number, cylinder in enumerate(there):
        cylinder.state = CylinderState.PINNED if number < 2 else CylinderState.ORDERED
    work.session.commit()
    loss = _lost(work, "A")
    was = lost_cuts(work, loss)
    least = ways_of_loss(work, loss.id)[0]
    assert (least.cylinders, least.keys) == (0, 2)
    assert "6 cylinders on the way: pinned by the new bitting before they hang." in least.says
    _chosen(work, loss, least.kind)
    assert {one.state for one in there} == {CylinderState.ORDERED} and cuts_on_record(work, system)["A"] != was
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.kind.value, line.quantity, line.symbol) for line in ask.lines] == [("keys", 2, "new grand masters")]
    _accepted(work, ask)
    fit(work, job)
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []
    with pytest.raises(BitternError, match="Nothing is left to quote"):
        drafts_of_loss(work, loss.id, PhaseForm())


def test_what_has_left_the_bench_keeps_its_pins_and_is_rekeyed_after_it_is_taken(
    work: Work, system: KeySystem
) -> None:
    job = work.session.scalars(sa.select(Job)).one()
    job.stage = Stage.READY
    for cylinder in work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)):
        cylinder.state = CylinderState.CHECKED
    work.session.commit()
    loss = _lost(work, "A")
    assert ways_of_loss(work, loss.id)[0].cylinders == 6
    _chosen(work, loss, LossWayKind.NEW_BITTING)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    second, was = _accepted(work, ask), lost_cuts(work, loss)
    give(work, job, "R. Teal")
    assert opened_by(work, system, was) == ["F1", "F2", "F3", "F4", "F5", "F6"]
    _handed_over(work, second)
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []


def test_what_changed_since_the_plan_is_refused_in_words(work: Work, system: KeySystem) -> None:
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.ANOTHER_MASTER)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    job = issued(work, ask)
    taken = Keyset(system_id=system.id, symbol="AC", level=_keyset(work, "AA").level, parent=_keyset(work, "A"))
    work.session.add(taken)
    work.session.commit()
    with pytest.raises(BitternError, match="make the plan anew"):
        accept(work, job)
    work.session.rollback()
    assert loss.sealed_lost is None and _keyset(work, "AA1").cylinders[0].state is CylinderState.FITTED


def test_a_loss_whose_key_is_found_halfway_retires_only_what_operates_nothing(work: Work, system: KeySystem) -> None:
    """AA was retired and its keys were called in, while they opened the doors that nobody had rekeyed yet."""
    loss, key = _lost(work, "AA"), _keyset(work, "AA").keys[0]
    loss.copies, key.state = [key.copy_number], KeyState.LOST
    work.session.commit()
    _chosen(work, loss, ways_of_loss(work, loss.id)[0].kind)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DOORS, doors=("F1",)))
    _handed_over(work, _accepted(work, ask))
    key.state = KeyState.RETURNED
    work.session.commit()
    done = close_loss(work, loss.id, loss.version)
    assert done.retired == ("AA1",) and {one.keyset.symbol for one in done.called_in} == {"AA1"}
    assert at_odds(work, system) == []


def test_two_losses_open_at_once_name_different_successors(work: Work, system: KeySystem) -> None:
    """Both plans said AA5: whichever quote was accepted second was refused."""
    jobs = []
    for symbol, successor in (("AA1", "AA5"), ("AA2", "AA6")):
        loss = _lost(work, symbol)
        _chosen(work, loss, ways_of_loss(work, loss.id)[0].kind)
        assert loss.successors[symbol] == successor
        jobs.append(issued(work, *drafts_of_loss(work, loss.id, PhaseForm())))
    for job in jobs:
        accept(work, job)


def test_nobody_keys_under_a_lost_master_once_its_plan_has_put_another_in_its_place(
    work: Work, system: KeySystem
) -> None:
    """A door so keyed was quoted as "under AC", stayed under AB and was opened by the lost key as before."""
    loss = _lost(work, "AB")
    _chosen(work, loss, ways_of_loss(work, loss.id)[0].kind)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    under = KeyingInstruction(KeyingKind.GMK, master="AB")
    asked, customer = SystemRequest(existing_id=system.id), customer_id(work, "Harbourmaster")
    late = QuoteRequest(customer, (mortise(1, under),), system=asked, lost_reason="tonight", **SHOP)  # type: ignore[arg-type]
    earlier = issued(work, late)  # before AC is on record the owner of the house may go on
    _accepted(work, ask)
    told = "Key under AC, which takes the place of AB."
    with pytest.raises(BitternError, match=told):
        accept(work, earlier, (replace(openings(8)[7], row=1),))
    work.session.rollback()
    with pytest.raises(BitternError, match=told):
        issued(work, late)


def test_nothing_is_quoted_twice_and_a_quote_that_is_lost_lets_its_doors_go(work: Work, system: KeySystem) -> None:
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.ANOTHER_MASTER)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    job = issued(work, ask)
    with pytest.raises(BitternError, match="F1, F2, F3 stands in the quote of job"):
        issued(work, ask)
    work.session.rollback()
    with pytest.raises(BitternError, match="Nothing is left to quote"):
        drafts_of_loss(work, loss.id, PhaseForm())
    move_job(work, job.id, job.version, Stage.LOST, "too dear")
    [again] = drafts_of_loss(work, loss.id, PhaseForm())
    assert again.lines == ask.lines
    second = _accepted(work, again)
    move_job(work, second.id, second.version, Stage.CANCELED, "they wait")
    [third] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [line.quantity for line in third.lines] == [3, 2, 3, 10, 1, 2]
    was = lost_cuts(work, loss)
    _handed_over(work, _accepted(work, third))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []


def test_a_plan_of_which_nothing_came_is_made_anew(work: Work, system: KeySystem) -> None:
    """AC took the place of AA, and its job was canceled: nobody could choose another way, though nothing was made."""
    loss = _chosen(work, _lost(work, "AA"), LossWayKind.ANOTHER_MASTER)
    was, planned = lost_cuts(work, loss), Cylinder(keyset_id=_keyset(work, "AA3").id, type="mortise", words="one")
    work.session.add(planned)
    work.session.commit()
    job = _accepted(work, *drafts_of_loss(work, loss.id, PhaseForm()))
    first = {loss.successors[old] for old in ("AA", "AA1", "AA2", "AA3", "AA4")}
    assert planned.keyset and planned.keyset.symbol == loss.successors["AA3"]
    plan = plan_of_loss(work, loss)
    assert plan is not None and not plan.may_be_made_anew
    with pytest.raises(BitternError, match="The plan's new keysets are on record already"):
        _chosen(work, loss, LossWayKind.ANOTHER_MASTER)
    work.session.rollback()
    move_job(work, job.id, job.version, Stage.CANCELED, "they wait")
    plan = plan_of_loss(work, loss)
    assert plan is not None and plan.may_be_made_anew
    _chosen(work, loss, LossWayKind.ANOTHER_MASTER)
    assert planned.keyset.symbol == "AA3"
    assert {one.symbol for one in system.keysets if one.is_out_of_use} == first
    assert first.isdisjoint(loss.successors.values())
    _handed_over(work, _accepted(work, *drafts_of_loss(work, loss.id, PhaseForm())))
    assert opened_by(work, system, was) == [] and at_odds(work, system) == []


def test_a_plan_that_came_in_without_its_bittings_is_not_carried_out(work: Work, system: KeySystem) -> None:
    """An export leaves every seal out: its loss says who takes whose place, and no bitting. Acceptance broke off."""
    loss = _chosen(work, _lost(work, "AA1"), LossWayKind.NEW_BITTING)
    job = issued(work, *drafts_of_loss(work, loss.id, PhaseForm()))
    loss.sealed_plan = None
    work.session.commit()
    with pytest.raises(BitternError, match="plan for the lost AA1 are not in this house: put the"):
        accept(work, job)
    work.session.rollback()
    top = _lost(work, "A")
    top.successors = {"A": "A"}  # it keeps its symbol: whether that was carried out, its jobs alone tell
    work.session.commit()
    assert not is_on_record(work, top)


def test_a_lost_control_key_changes_every_core_and_keeps_its_symbol(work: Work) -> None:
    """Three cores, single keyed; the old control key takes out what is still to be done, the new one what is done."""
    body = CylinderAttributes("sfic", chambers=7, keyway="NH1", finish="626")
    core = LineRequest(LineKind.CYLINDER, 3, "NOR", attributes=body, keying=KeyingInstruction(KeyingKind.KD))
    job = issued(work, QuoteRequest(customer_id(work, "Lantern"), (core,), **SHOP))  # type: ignore[arg-type]
    accept(work, job, openings(3))
    fit(work, job)
    book = work.session.scalars(sa.select(KeySystem)).one()
    loss = _lost(work, "CONTROL")
    _lost(work, "SKD1")  # the cores are changed all the same, and F1 waits for its own plan
    [way] = ways_of_loss(work, loss.id)
    assert (way.kind, way.cylinders, way.keys, way.keysets) == (LossWayKind.CORES, 3, 1, 1)
    _chosen(work, loss, way.kind)
    first, second, third = drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DAY, a_day=1))
    assert [(line.quantity, line.symbol, line.price_code) for line in first.lines if line.symbol] == [
        (1, "new control keys", "KEY-CONTROL")
    ]
    was = lost_cuts(work, loss)
    job = _accepted(work, first)
    now = cuts_on_record(work, book)["CONTROL"]
    for of_old in ("a CONTROL cut to the old bitting, of those at hand", "CONTROL copy 1"):
        told = f"Take the cores out with {of_old}, as they were; seat the new ones with CONTROL copy 2."
        assert schedule_of(work, job).cores == told
        _keyset(work, "CONTROL").keys[0].state = KeyState.RETURNED  # it was out, and may have been the lost one
    keys = {key.note: key.bitting for key in bench_work(work, job).systems[0].keys if key.is_control}
    assert keys == {"control key": _text(now), "the old control key: takes the cores out": _text(was)}
    _handed_over(work, job)
    assert opened_by(work, book, was) == ["F2", "F3"]
    now = cuts_on_record(work, book)["CONTROL"]
    assert now != was and opened_by(work, book, now) == ["F1"]
    for ask in (second, third):
        _handed_over(work, _accepted(work, ask))
    assert opened_by(work, book, was) == [] and opened_by(work, book, now) == ["F1", "F2", "F3"]
    assert at_odds(work, book) == [] and [key.copy_number for key in _keyset(work, "CONTROL").keys] == [1, 2]


def test_a_lost_master_of_a_factorys_system_is_followed_by_the_factorys_keysets(work: Work) -> None:
    """No bitting is here: the record says what is exposed, and new cylinders of the same part come from there."""
    mill = sold_mill(work)
    assert mill.records is RecordsHolder.FACTORY and cuts_on_record(work, mill) == {}
    loss = _lost(work, "AA")
    assert [one.door.opening_number for one in still_turned(work, loss).cylinders if one.door] == [
        f"F{number}" for number in range(1, 21)
    ]
    [way] = ways_of_loss(work, loss.id)
    # Two keys to each of twenty changes; of AA none is on record, so one is cut.
    assert (way.kind, way.cylinders, way.keys, way.keysets) == (LossWayKind.FACTORY, 20, 41, 21)
    _chosen(work, loss, way.kind)
    assert loss.successors["AA"] == "AB" and loss.successors["7AA"] == "7AB"
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.kind.value, line.quantity, line.part_number, line.symbol) for line in ask.lines] == [
        ("part number", 20, "A18M-Q1-66.SC", ""),
        ("keys", 1, "", "new masters"),
        ("keys", 40, "", "new changes"),
        ("trip", 1, "", ""),
        ("labour", 7, "", ""),  # 20 of five minutes: 100 are seven quarters
    ]
    job = _accepted(work, ask)
    assert job.keyed_at == "factory" and left_to_rekey(work, loss) == ()
    letter = letter_of_loss(work, loss.id)  # accepted or not, the lost key opens all of them until they are changed
    assert letter.cylinders == 20 and [(one[1], one[3]) for one in letter.parts] == [("A18M-Q1-66.SC", 20)]
    walk(work, job, Stage.PARTS_ON_ORDER, Stage.READY, Stage.HANDED_OVER)
    assert meant_to_open(_on(work, "F7")) == {"7AB", "AB"} and _on(work, "F7").part_number == "A18M-Q1-66.SC"
    assert exposed_by(work.session, _keyset(work, "AA")) == ()


def test_the_letter_says_which_keysets_are_on_which_keyway(work: Work) -> None:
    """F1 to F6 hang on AQ1, G1 to G3 on AQ3; the key of A enters both."""
    sold_halls(work).records = RecordsHolder.FACTORY
    work.session.commit()
    letter = letter_of_loss(work, _chosen(work, _lost(work, "A"), LossWayKind.FACTORY).id)
    assert [(one.level, one.keysets, one.cylinders, one.successors) for one in letter.levels] == [
        ("grand master, AQ1 and AQ3", "A", 0, "B"),
        ("master, AQ1", "AA, AB", 0, "BA, BB"),
        ("master, AQ3", "AC", 0, "BC"),
        ("change, AQ1", "AA1 to AA4, AB1", 6, "BA1 to BA4, BB1"),
        ("change, AQ3", "AC1 to AC3", 3, "BC1 to BC3"),
    ]
    assert letter.cylinders == 9


def test_the_letter_for_a_control_key_counts_every_core_that_it_takes_out(work: Work) -> None:
    """It said that by our record the key opens 0 cylinders, since none is keyed to the control key itself."""
    body = CylinderAttributes("sfic", chambers=7, keyway="NH1", finish="626")
    core = LineRequest(LineKind.CYLINDER, 20, "NOR", attributes=body, keying=KeyingInstruction(KeyingKind.MK))
    ask = QuoteRequest(customer_id(work, "Lantern"), (core,), system=SystemRequest(name="The Cores"))
    job = issued(work, replace(ask, keyed_at="factory", override_reason="as ever"))
    accept(work, job, openings(20))
    fit(work, job)
    loss = _chosen(work, _lost(work, "CONTROL"), LossWayKind.FACTORY)
    letter = letter_of_loss(work, loss.id)
    assert letter.cylinders == 20
    assert [(one.level, one.cylinders) for one in letter.levels] == [("control", 20)]


@pytest.mark.parametrize("who", ["ann", "south", "head"])
def test_a_key_of_a_matrix_is_followed_as_its_plan_says(work: Work, who: str) -> None:
    matrix = sold_school(work)
    holders = {one.purpose: one.symbol for one in matrix.keysets}
    opens = {row.split(",")[0]: row.split(",")[1:] for row in OPENS.strip().splitlines()}
    doors = sorted(door for door, mark in zip(opens[""], opens[who], strict=True) if mark)
    before = _who_opens(work, matrix)
    loss = _lost(work, holders[who])
    was = lost_cuts(work, loss)
    assert opened_by(work, matrix, was) == doors
    way = ways_of_loss(work, loss.id)[0]
    _chosen(work, loss, way.kind)
    for ask in drafts_of_loss(work, loss.id, PhaseForm(PhasesBy.DAY, a_day=4)):
        _handed_over(work, _accepted(work, ask))
    assert opened_by(work, matrix, was) == [] and at_odds(work, matrix) == []
    assert _who_opens(work, matrix) == before and left_to_rekey(work, loss) == ()


def test_changes_in_reserve_follow_a_lost_master_without_keys(work: Work) -> None:
    """A key was cut and charged for each of them, though nobody ever had one."""
    customer = customer_id(work, "Harbourmaster")
    rows = ["", "r1", "r2"], ["head", "x", "x"], ["ann", "x", ""], ["bea", "", "x"]
    ready = make_ready(work, "AQ1", 6, [*rows])
    plan = ready.search(random.Random(3), 20, lambda *_: None)
    assert isinstance(plan, AccessPlan)
    system = seal_access(work, ready, plan, MatrixSealForm(customer, "The Yard", "Yard", reserve="2"))
    for keyset in system.keysets:
        if not keyset.reserved_for:
            work.session.add(Key(keyset_id=keyset.id, copy_number=1, state=KeyState.OUT, changed_at=work.now))
    for cylinder in work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)):
        cylinder.state, cylinder.type = CylinderState.FITTED, "mortise"
    work.session.commit()
    loss = _lost(work, "AA")
    [way] = [one for one in ways_of_loss(work, loss.id) if one.keysets > 1]
    assert (way.cylinders, way.keys) == (2, 3)  # head, Ann and Bea
    _chosen(work, loss, way.kind)
    [ask] = drafts_of_loss(work, loss.id, PhaseForm())
    assert [(line.quantity, line.symbol) for line in ask.lines if line.symbol][-1] == (2, "new changes")


def _who_opens(work: Work, system: KeySystem) -> dict[str, set[str]]:
    """Door → the people whose keys open it, each by the newest keyset of theirs, tried by the cuts."""
    work.session.refresh(system, ["keysets"])
    newest = {one.purpose: one.symbol for one in sorted(system.keysets, key=lambda one: one.id)}
    cuts = cuts_on_record(work, system)
    doors = {who: opened_by(work, system, cuts[symbol]) for who, symbol in newest.items()}
    return {
        door: {who for who in doors if door in doors[who]} for door in sorted({*chain.from_iterable(doors.values())})
    }
