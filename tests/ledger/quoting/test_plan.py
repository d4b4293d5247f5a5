"""The plan says, before anything is saved, what accepting then does: held against the rows of accepted jobs. What
holds of many asks, drawn by chance, stands in `test_legal_asks.py`.
"""

from collections import Counter
from dataclasses import replace
from datetime import date
from fractions import Fraction

import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.keysystems.system_queries import operators_of
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.quoting.plan import KeysetOnLine, Plan, PlannedKeys, PlannedLine
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Job, Key, Keyset, KeySystem, LineKind
from app.pricing import KeyingKind
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued
from tests.shelf import unpinned

MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
CORE = CylinderAttributes("sfic", None, 7, None, "NH1", None, None, "626")


def plan_of(work: Work, ask: QuoteRequest) -> Plan:
    return price_request(work, ask).plan


def test_the_keys_of_each_level_are_told_once_and_come_to_all_that_come_with_it() -> None:
    counts = {"AA": 2, "1AA": 3, "CONTROL": 1, "CMK": 2, "CCK": 1}
    told = Plan((), tuple(PlannedKeys(symbol, "Flats", count) for symbol, count in counts.items()), ("Flats",))
    assert told.sentences[1].startswith("9 keys come with it")
    assert told.sentences[2] == "Keys of Flats by level: master 2, change 3, control 1, construction 3."


def done(work: Work, job: Job) -> Counter[tuple[int, str, str, tuple[str, ...]]]:
    """Each cylinder of an accepted job: its line, keyset, system and the masters over it."""
    found: Counter[tuple[int, str, str, tuple[str, ...]]] = Counter()
    for cylinder in work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)):
        keyset = cylinder.keyset
        if keyset is not None:
            by_id = {one.id: one for one in keyset.system.keysets}
            above = tuple(one.symbol for one in operators_of(keyset, is_nmk=False, by_id=by_id)[1:])
            found[cylinder.line_number or 0, keyset.symbol, keyset.system.name, above] += 1
    return found


def keys_of(work: Work, job: Job) -> dict[tuple[str, str], int]:
    rows = (
        sa.select(Keyset.symbol, KeySystem.name, sa.func.count(Key.id))
        .select_from(Key)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Key.job_id == job.id)
        .group_by(Keyset.symbol, KeySystem.name)
    )
    return {(symbol, name): count for symbol, name, count in work.session.execute(rows)}


def planned(plan: Plan) -> Counter[tuple[int, str, str, tuple[str, ...]]]:
    return Counter(
        {
            (line.number, one.symbol, one.system, one.operators): one.cylinders
            for line in plan.lines
            for one in line.keysets
        }
    )


def keyed(kind: KeyingKind, quantity: int = 2) -> LineRequest:
    return LineRequest(LineKind.CYLINDER, quantity, "ARD", attributes=MORTISE, keying=KeyingInstruction(kind))


def test_a_new_system_of_single_keyed_cylinders_alone_is_planned(work: Work) -> None:
    ask = QuoteRequest(customer_id(work, "Lantern"), (keyed(KeyingKind.SKD),), system=SystemRequest(name="The Row"))
    plan = plan_of(work, ask)
    assert [(line.words, line.quantity) for line in plan.lines] == [("SKD1, SKD2 of The Row", 2)]
    job = issued(work, ask)
    accept(work, job)
    assert planned(plan) == done(work, job)


def test_what_is_refused_has_no_part_in_the_plan(work: Work) -> None:
    lines = (keyed(KeyingKind.KD, 999_999_999), keyed(KeyingKind.MK, 1), LineRequest(LineKind.KEYS, 0, symbol="AA"))
    priced = price_request(
        work,
        QuoteRequest(
            customer_id(work, "Lantern"), lines, system=SystemRequest(name="The Row", levels=9, masters=999_999_999)
        ),
    )
    assert [(line.number, line.words) for line in priced.plan.lines] == []
    assert priced.plan.keys == ()
    assert {problem.field for problem in priced.problems} >= {"lines.0.quantity", "system_levels", "system_masters"}


def test_a_line_that_is_refused_or_asked_about_gets_nothing_in_the_plan(work: Work) -> None:
    """A master that a new system is not to have, or none named of several, is told before the quote is issued."""
    keyed = LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=MORTISE)
    lines = [replace(keyed, keying=KeyingInstruction(KeyingKind.GMK, master=master)) for master in ("AA", "AC", "")]
    ask = QuoteRequest(
        customer_id(work, "Lantern"), tuple(lines), system=SystemRequest(name="Row", levels=3, masters=2)
    )
    priced = price_request(work, ask)
    assert [(one.field, one.message) for one in priced.problems] == [
        ("lines.1.master", "Row is to have AA, AB: name one of these, or enter how many masters it gets."),
        ("lines.2.master", "Row has several masters: say under which this goes, AA, AB."),
    ]
    assert [(line.number, line.words) for line in priced.plan.lines] == [(1, "AA1, AA2 of Row, under AA and A")]
    assert "4 keys come with it: 2 each to AA1, AA2." in priced.plan.sentences


def test_keys_of_several_systems_are_told_apart_and_own_copies_are_counted(work: Work) -> None:
    different = LineRequest(
        LineKind.CYLINDER, 1, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.KD), keys_each=2
    )
    core = replace(different, maker_code="NOR", attributes=CORE)
    own = LineRequest(LineKind.KEYS, 3, symbol="own", attributes=CylinderAttributes("", keyway="AQ1"))
    plan = plan_of(work, QuoteRequest(customer_id(work, "Lantern"), (different, core, own)))
    told = (
        "8 keys come with it: 2 to SKD1 of Single keyed AQ1, 6 chambers; 2 to SKD1 of Single keyed NH1, 7 chambers; "
        "3 to the customer's own; 1 to CONTROL of Single keyed NH1, 7 chambers."
    )
    assert told in plan.sentences


def test_keys_to_a_system_of_cores_bring_its_control_key_only_with_cores(work: Work) -> None:
    """Nobody has a control key of a system that the bench has just started; the first cores bring one."""
    who = customer_id(work, "Lantern")
    with transaction(work.session):
        system = insert_system(work, SystemForm(who, "Cores", 2, "NH1", 7))
    master = LineRequest(LineKind.KEYS, 2, symbol="AA", attributes=CylinderAttributes("", keyway="NH1"))
    core = LineRequest(LineKind.CYLINDER, 1, "NOR", attributes=CORE, keying=KeyingInstruction(KeyingKind.MK))
    asked = SystemRequest(existing_id=system.id)
    for line, symbols in ((keyed(KeyingKind.KD), {"SKD1", "SKD2", "AA"}), (core, {"1AA", "AA", "CONTROL"})):
        plan = plan_of(work, QuoteRequest(who, (line, master), system=asked))
        assert {one.symbol for one in plan.keys} == symbols


def test_a_master_whose_grand_master_a_bitting_list_lacked_takes_cylinders(work: Work) -> None:
    who = customer_id(work, "Lantern")
    with transaction(work.session):
        system = insert_system(work, SystemForm(who, "Hall", 3, "AQ1", 6, masters=1, changes=4))
        for keyset in system.keysets:
            keyset.parent = None
    line = replace(keyed(KeyingKind.MK), keying=KeyingInstruction(KeyingKind.MK, master="AA"))
    plan = plan_of(work, QuoteRequest(who, (line,), system=SystemRequest(existing_id=system.id)))
    assert [(one.symbol, one.operators) for one in plan.lines[0].keysets] == [("AA1", ("AA",)), ("AA2", ("AA",))]


def test_a_changed_place_day_or_order_is_told_by_its_line() -> None:
    line = PlannedLine(2, "", 3, "shop", date(2026, 3, 6), 0, (KeysetOnLine("SKD1", "Book", 3, 6),))
    later = replace(line, keyed_at="factory", ready_on=date(2026, 3, 20), to_order=3)
    assert Plan((line,)).changes(Plan((later,))) == (
        "Line 2: 3 are to be ordered now, not 0.",
        "Line 2 is keyed at the factory, not at the shop.",
        "Line 2 is ready on Friday 20 March 2026, not on Friday 6 March 2026.",
    )
    assert Plan((later,)).changes(Plan((replace(later, ready_on=None),))) == (
        "Line 2 has no day yet, not on Friday 20 March 2026.",
    )
    assert Plan((line,)).changes(Plan((line,))) == Plan((line,)).changes(Plan()) == ()


def test_a_day_that_the_shelf_has_not_left_is_in_the_plan_made_again(work: Work) -> None:
    """The demo's shelf has so many mortise cylinders; another job takes them all first."""
    on_hand = unpinned(work).free
    job = issued(
        work,
        QuoteRequest(customer_id(work, "Lantern"), (keyed(KeyingKind.KD),), keyed_at="shop", override_reason="so"),
    )
    quote = read_snapshot(job.revisions[-1].snapshot)
    assert plan_again(work, quote).plan == quote.plan
    other = QuoteRequest(customer_id(work, "Harbourmaster"), (keyed(KeyingKind.KD, on_hand),))
    accept(work, issued(work, replace(other, keyed_at="shop", override_reason="so")))
    again = plan_again(work, quote).plan
    [told, day] = quote.plan.changes(again)
    assert told == "Line 1: 2 are to be ordered now, not 0." and day.startswith("Line 1 is ready on ")
    assert again.mark != quote.plan.mark
