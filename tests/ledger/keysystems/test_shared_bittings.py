"""A system whose plan uses bittings on several keyways, from its plan to doors, extension, crossing and loss."""

from collections.abc import Callable, Mapping
from fractions import Fraction
from random import Random

import pytest

from app.keying import Bitting as Cuts
from app.ledger.catalog.makers import import_maker
from app.ledger.keys.losing import plan_for_loss
from app.ledger.keysystems.auditing import StoppedByAudit, audit_systems, check_whole_system
from app.ledger.keysystems.bittings import DecodeAsk, decode_key, open_bittings, room_below
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.planning import PlanForm, Planned, plan_for, start_planned
from app.ledger.keysystems.sent_arrays import SendForm, sealed_letter, sealed_list, send_array
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.keysystems.unsealed_system import keysets_cut_so
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Level, Maker, Role
from tests import factories

WAYS = ("Q1", "Q2", "Q3", "Q4")
SPEC = {"chambers": 5, "depths": 6, "macs": 5, "step": 2}
"""Two depths a chamber beside the top's, whatever that is: three chambers hold 8 masters, two 4 changes."""
TABLES = {
    "name": "One",
    "code": "ONE",
    "bitting_specs": {"small": SPEC},
    "keyways": [{"name": one, "family": "Q", "bitting_spec": "small"} for one in WAYS],
    "key_blanks": [
        {"number": "K12", "keyways": ["Q1", "Q2"], "chambers": 5, "cross_references": []},
        {"number": "K3", "keyways": ["Q3"], "chambers": 5, "cross_references": []},
        {"number": "ALL", "keyways": [*WAYS], "chambers": 5, "cross_references": []},
    ],
    "patterns": [],
    "items": [],
}
NARROW = {"Q1": {"Q1", "Q2"}, "Q2": {"Q1", "Q2"}, "Q3": {"Q3"}, "Q4": {*WAYS}}
"""What keys on one keyway enter by these tables, read by eye; keys that open several enter all four."""
HALF = "; ".join(f"A{letter}: Q3" for letter in "FGHJK")


@pytest.fixture
def work(work_as: Callable[[Role], Work]) -> Work:
    work = work_as(Role.OWNER)
    import_maker(work, TABLES)
    return Work(work.session, work.vault, work.actor, work.now, Random(4))


def start(work: Work, form: PlanForm) -> tuple[Planned, KeySystem]:
    planned = plan_for(work, form)
    with transaction(work.session):
        customer = factories.CustomerFactory()
    plan = planned.planning.plans[0]
    return planned, start_planned(work, form, planned.sealed, plan.roles, customer.id, "Hall")


def hang(work: Work, system: KeySystem, changes: Mapping[str, int]) -> None:
    """Key doors under these masters, so many under each."""
    with transaction(work.session):
        for master, count in changes.items():
            for keyset in add_keysets(work, get_system(work.session, system.id), count, master):
                factories.CylinderFactory(keyset=keyset, keyway=keyset.section, chambers=5)
    work.session.expire_all()


def opened(work: Work, system: KeySystem) -> dict[str, Cuts]:
    by_id = open_bittings(work.session, work.vault, [system])
    return {one.symbol: by_id[one.id] for one in get_system(work.session, system.id).keysets}


def require_nobody_strange(work: Work, system: KeySystem) -> int:
    """Every key in every cylinder by a plain loop: exactly its own and those above it open it. How many pairs."""
    system = get_system(work.session, system.id)
    cuts, by_id = opened(work, system), {one.id: one for one in system.keysets}
    by_symbol = {one.symbol: one for one in system.keysets}
    chains = {one.symbol: operators_of(one, is_nmk=False, by_id=by_id) for one in system.keysets}
    opens = {
        symbol: {own.section for own in by_id.values() if by_symbol[symbol] in chains[own.symbol]} for symbol in cuts
    }
    found = set()
    for own in (one for one in system.keysets if one.cylinders):
        pinned = [*zip(*(cuts[one.symbol] for one in chains[own.symbol]), strict=True)]
        for key, bitting in cuts.items():
            entered = {*WAYS} if len(opens[key]) > 1 else NARROW[min(opens[key])]
            if own.section in entered and all(cut in depths for cut, depths in zip(bitting, pinned, strict=True)):
                found.add((own.symbol, key))
    doors = [one.symbol for one in system.keysets if one.cylinders]
    assert found == {(symbol, each.symbol) for symbol in doors for each in chains[symbol]}
    assert audit_systems(work, [system]).is_clean and check_whole_system(work, system.id).report.is_clean
    return len(found)


def test_a_plan_that_the_array_is_too_small_for_has_it_once_on_each_keyway(work: Work) -> None:
    """Ten masters of 8 bittings, five on each of two keyways that no blank of theirs enters both."""
    alone = plan_for(work, PlanForm("Q1", 5, 3, (4, 10)))
    assert not alone.planning.fits and alone.others == ("Q2", "Q3", "Q4") and alone.apart == ("Q3",)
    assert not plan_for(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF.replace("Q3", "Q2"))).planning.fits
    # Q4 has no blank but the one that enters them all.
    assert not plan_for(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF.replace("Q3", "Q4"))).planning.fits
    planned, system = start(work, PlanForm("Q1", 5, 3, (4, 10), (0, 3), parts=HALF))
    assert planned.planning.shared is not None and planned.planning.shared.counts == (5, 4)
    keysets = get_system(work.session, system.id).keysets
    assert [one.section for one in keysets] == ["Q1"] * 6 + ["Q3"] * 5 and system.capacity == 40
    cuts = opened(work, system)
    assert [cuts[f"A{one}"] for one in "ABCDE"] == [cuts[f"A{one}"] for one in "FGHJK"] and len({*cuts.values()}) == 6
    hang(work, system, {one.symbol: 4 for one in keysets if one.level is Level.MASTER})
    assert require_nobody_strange(work, system) == 40 * 3
    room = {(one.over.symbol, one.keyway): one.free for one in room_below(work, get_system(work.session, system.id))}
    assert room["A", "Q1"] == room["A", "Q3"] == 3 and room["AA", "Q1"] == room["AF", "Q3"] == 0
    # What was to find room later does, on either keyway and on one that enters Q1.
    for keyway in ("Q3", "", "Q2"):
        extend_system(work, system.id, ExtendForm(grand="A", masters=1, changes_each=4, keyway=keyway))
    added = [one.symbol for one in get_system(work.session, system.id).keysets if one.symbol in ("AL", "AM", "AN")]
    with transaction(work.session):
        for keyset in get_system(work.session, system.id).keysets:
            if keyset.level is Level.CHANGE and keyset.symbol[:2] in added:
                factories.CylinderFactory(keyset=keyset, keyway=keyset.section, chambers=5)
    work.session.expire_all()
    assert len(added) == 3 and require_nobody_strange(work, system) == 52 * 3


def test_what_the_array_holds_has_a_bitting_each_and_so_has_a_master_over_both(work: Work) -> None:
    planned, system = start(work, PlanForm("Q1", 5, 3, (4, 8), parts="AF: Q3; AG: Q3"))
    assert planned.planning.shared is None and len({*opened(work, system).values()}) == 9
    planned, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF))
    cuts = opened(work, system)
    assert [one for one, bitting in cuts.items() if bitting == cuts["A"]] == ["A"]


def test_a_lost_key_of_a_master_that_shares_its_bitting_exposes_its_own_doors_alone(work: Work) -> None:
    _, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF))
    hang(work, system, {f"A{one}": 2 for one in "ABFG"})
    cuts = opened(work, system)
    assert cuts["AA"] == cuts["AF"] and cuts["AA1"] == cuts["AF1"]
    plan = plan_for_loss(work, system.id, "AF1")
    assert [way.label for way in plan.exposed] == ["AF1"] and plan.lost.proven and plan.lost.replace == ("AF1",)
    plan = plan_for_loss(work, system.id, "AF")
    assert {way.label for way in plan.exposed} == {"AF1", "AF2"} and plan.lost.proven
    assert {one[:2] for one in plan.lost.replace} == {"AF"}


def test_a_key_that_is_read_is_the_one_on_its_keyway_of_two_of_one_bitting(work: Work) -> None:
    """Doors on Q1 are keyed to the keyset on Q1, though one on Q3 stands first with the very cuts."""
    _, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts="AA to AE: Q3"))
    cuts = opened(work, system)
    assert cuts["AA"] == cuts["AF"]
    with transaction(work.session):
        books = {
            keyway: factories.KeySystemFactory(
                customer=system.customer, spec=system.spec, keyway=keyway, chambers=5, levels=1
            )
            for keyway in ("Q1", "Q3")
        }
    known = {one: [each.symbol for each in keysets_cut_so(work, book, cuts["AF"])] for one, book in books.items()}
    assert known == {"Q1": ["AF"], "Q3": ["AA"]}


def test_a_bitting_is_corrected_to_one_that_is_had_on_another_keyway_and_to_none_of_its_own(work: Work) -> None:
    _, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF))
    hang(work, system, {"AA": 3, "AF": 2})
    cuts, ids = opened(work, system), {one.symbol: one.id for one in get_system(work.session, system.id).keysets}
    for like, told in (("AF2", "Another keyset of this system has this bitting"), ("AA3", "")):
        typed = "".join(map(str, cuts[like]))
        form = CorrectForm(ids["AF1"], typed, "read from the key")
        if told:
            with pytest.raises(LedgerError, match=told):
                correct_bitting(work, system.id, form)
            work.session.rollback()
        else:
            correct_bitting(work, system.id, form)
    assert opened(work, system)["AF1"] == cuts["AA3"]
    require_nobody_strange(work, system)


def test_a_decoded_key_may_be_either_of_two_of_one_bitting_by_its_keyway(work: Work) -> None:
    _, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF))
    cuts = opened(work, system)
    for symbol, symbols in (("AF", ("AA on Q1", "AF on Q3")), ("A", ("A on Q1 and Q3",))):
        measured = "".join(map(str, cuts[symbol]))
        ask = DecodeAsk(measured, Fraction(1, 500), "found at the dock", system_id=system.id)
        assert decode_key(work, ask).symbols == symbols


def test_the_letter_to_the_factory_tells_two_of_one_bitting_apart(work: Work) -> None:
    _, system = start(work, PlanForm("Q1", 5, 3, (4, 10), parts=HALF))
    sent = send_array(
        work,
        system.id,
        SendForm(work.session.query(Maker).filter_by(name="One").one().id, "Ada Quill", "more keys", "by post"),
    )
    letter, found = sealed_letter(work, system.id, sent.number), sealed_list(work, system.id, sent.number)
    words = {symbol: level for _, symbol, level, _ in letter.rows}
    assert (words["AA"], words["AF"], letter.keyways) == ("master, on Q1", "master, on Q3", "Q1, Q3")
    assert found.keyway == "Q1, Q3" and "Q1" not in str(found.rows)


def test_a_selective_master_crosses_keyways_and_opens_the_doors_chosen_alone(work: Work) -> None:
    """ENG opens a door under AA and one under AF, whose changes share bittings: its keys alone enter both."""
    planned, system = start(work, PlanForm("Q1", 5, 3, (2, 10), parts=HALF, selective="ENG"))
    assert planned.planning.shared is not None
    hang(work, system, {"AA": 2, "AF": 2})
    assert require_nobody_strange(work, system) == 4 * 3
    keysets = {one.symbol: one for one in get_system(work.session, system.id).keysets}
    for symbol in ("AA1", "AF1"):
        cross_key(work, keysets[symbol].cylinders[0].id, ["ENG"])
    work.session.expire_all()
    system, cuts = get_system(work.session, system.id), opened(work, system)
    assert cuts["AA1"] == cuts["AF1"] and audit_systems(work, [system]).is_clean
    pinned = {one: [*zip(cuts[one], cuts[one[:2]], cuts["A"], strict=True)] for one in ("AA1", "AA2", "AF1", "AF2")}
    for door, depths in pinned.items():
        with_eng = [
            {*those, cut} if door.endswith("1") else {*those} for those, cut in zip(depths, cuts["ENG"], strict=True)
        ]
        turning = {
            key
            for key, bitting in cuts.items()
            if all(cut in those for cut, those in zip(bitting, with_eng, strict=True))
        }
        twin = door.replace("AA", "AX").replace("AF", "AA").replace("AX", "AF")
        entering = turning - {twin, twin[:2]}  # which turn it, and do not go in
        assert entering == {door, door[:2], "A", *(["ENG"] if door.endswith("1") else [])}


@pytest.fixture
def wings(work: Work) -> KeySystem:
    """GGM over A and B on Q1, C and D on Q3: of five chambers one is for grands, and holds two."""
    planned, system = start(work, PlanForm("Q1", 5, 4, (4, 4, 4), parts="C: Q3; D: Q3"))
    assert planned.planning.shared is not None and planned.planning.shared.counts == (2, 4, 4)
    return system


def test_a_grand_that_shares_its_bitting_gets_no_doors_where_its_twins_are(work: Work, wings: KeySystem) -> None:
    cuts = opened(work, wings)
    assert cuts["A"] == cuts["C"] and cuts["B"] == cuts["D"] and cuts["AA"] == cuts["CA"]
    hang(work, wings, dict.fromkeys(("AA", "AB", "BA", "CA", "DB"), 2))
    require_nobody_strange(work, wings)
    room = {(one.over.symbol, one.keyway) for one in room_below(work, get_system(work.session, wings.id))}
    assert ("A", "Q1") in room and ("A", "Q3") not in room and ("C", "Q1") not in room and ("GGM", "Q3") in room
    told = r"A and C share a bitting, and with doors on Q3 keys of A would enter those of C: put the new masters"
    with pytest.raises(LedgerError, match=told) as refused:
        extend_system(work, wings.id, ExtendForm(grand="A", masters=1, changes_each=1, keyway="Q3"))
    assert refused.value.field == "keyway"
    work.session.rollback()
    extend_system(work, wings.id, ExtendForm(master="CA", changes=2))
    require_nobody_strange(work, wings)


def test_a_key_is_not_crossed_to_a_door_that_its_twin_would_open_too(work: Work, wings: KeySystem) -> None:
    hang(work, wings, {"AA": 2, "CA": 2})
    cuts = opened(work, wings)
    assert cuts["CA2"] == cuts["AA2"]
    keysets = {one.symbol: one for one in get_system(work.session, wings.id).keysets}
    with pytest.raises(
        StoppedByAudit, match=r"Key AA2 of Hall would also operate XAA1 of Hall \(\d+\), which it must"
    ):
        cross_key(work, keysets["AA1"].cylinders[0].id, ["CA2"])
    work.session.rollback()
    require_nobody_strange(work, wings)
