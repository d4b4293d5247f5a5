"""One system on several keyways of a family: what enters decides everywhere, against a plain loop over all pairs."""

import json
import re
from collections.abc import Callable
from pathlib import Path
from random import Random

import pytest
import sqlalchemy as sa
from click.testing import CliRunner

from app.cli import main
from app.keying import Bitting as Cuts
from app.keying import NoBittingsLeft
from app.ledger.bench.blanks import _blanks
from app.ledger.catalog.makers import import_maker
from app.ledger.keys.key_queries import find_receipt
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies
from app.ledger.keys.losing import plan_for_loss
from app.ledger.keys.losses import LossForm, Which, report_loss
from app.ledger.keys.people import TakeBackForm, take_back_keys
from app.ledger.keysystems.auditing import audit_systems, check_whole_system
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings, room_below
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import Added, ExtendForm, extend_system, keyways_to_add
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.system_queries import get_system, operators_of, sections_entered
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Item, Key, Keyset, KeyState, KeySystem, Role
from tests import factories

MAKERS = Path(__file__).resolve().parents[3] / "demo_data" / "makers"
ENTERS = {"AQ1": {"AQ1", "AQ2"}, "AQ2": {"AQ1", "AQ2"}, "AQ3": {"AQ3", "AQ4"}}
"""What six-cut keys enter by the demo's tables, read by eye; the family's master blank enters all six."""


@pytest.fixture
def work(work_as: Callable[[Role], Work]) -> Work:
    work = work_as(Role.OWNER)
    for name in ("ardent_brass", "northlight"):
        import_maker(work, {**json.loads((MAKERS / f"{name}.json").read_text()), "items": []})
    return Work(work.session, work.vault, work.actor, work.now, Random(4))


@pytest.fixture
def system(work: Work) -> KeySystem:
    """A over AA and AB on AQ1, three changes under each, all on doors."""
    with transaction(work.session):
        customer = factories.CustomerFactory()
        made = insert_system(work, SystemForm(customer.id, "Hall", 3, "AQ1", 6, masters=2, changes=12))
        for master in ("AA", "AB"):
            for keyset in add_keysets(work, made, 3, master):
                factories.CylinderFactory(keyset=keyset, keyway="AQ1", chambers=6)
    return get_system(work.session, made.id)


def add_masters(work: Work, system: KeySystem, keyway: str) -> Added:
    """Two masters on a keyway, three changes under each, all on doors."""
    added = extend_system(work, system.id, ExtendForm(grand="A", masters=2, changes_each=3, keyway=keyway))
    with transaction(work.session):
        for keyset in get_system(work.session, system.id).keysets:
            if keyset.symbol in added.symbols and keyset.level.value == "change":
                factories.CylinderFactory(keyset=keyset, keyway=keyway, chambers=6)
    work.session.expire_all()
    return added


def _make_twins(work: Work, system: KeySystem) -> None:
    """Cut AC and what is under it as AA and what is under that: what is on another keyway may be so."""
    cuts = opened(work, system)
    keysets = {one.symbol: one for one in get_system(work.session, system.id).keysets}
    with transaction(work.session):
        pairs = [(keysets[f"AC{number}"], cuts[f"AA{number}"]) for number in ("", 1, 2, 3)]
        reseal_bittings(work, get_system(work.session, system.id), pairs)
    work.session.expire_all()


def opened(work: Work, system: KeySystem) -> dict[str, Cuts]:
    by_id = open_bittings(work.session, work.vault, [system])
    return {one.symbol: by_id[one.id] for one in get_system(work.session, system.id).keysets}


def let_in(work: Work, system: KeySystem) -> set[tuple[str, str]]:
    """Every key that goes into a cylinder and turns it, by a plain loop; each by symbol."""
    keysets, cuts = get_system(work.session, system.id).keysets, opened(work, system)
    by_id = {one.id: one for one in keysets}
    found = set()
    for own in (one for one in keysets if one.cylinders):
        pinned = [cuts[one.symbol] for one in operators_of(own, is_nmk=False, by_id=by_id)]
        for key in keysets:
            is_top = key.symbol == "A"
            enters = is_top or own.section in ENTERS[key.section]
            if enters and all(
                cut in depths for cut, depths in zip(cuts[key.symbol], zip(*pinned, strict=True), strict=True)
            ):
                found.add((own.symbol, key.symbol))
    return found


def test_masters_on_another_keyway_have_the_same_bittings_once_more(work: Work, system: KeySystem) -> None:
    before, room = opened(work, system), system.capacity or 0
    assert keyways_to_add(work, system) == ("AQ2", "AQ3", "AQ4", "AQ5", "AQ6")
    added = add_masters(work, system, "AQ3")
    keysets = {one.symbol: one for one in get_system(work.session, system.id).keysets}
    assert {keysets[symbol].section for symbol in added.symbols} == {"AQ3"}
    assert {keysets[symbol].section for symbol in before} == {"AQ1"}
    assert (get_system(work.session, system.id).capacity or 0) > room
    _make_twins(work, system)
    after = opened(work, system)
    assert {symbol: after[symbol] for symbol in before} == before
    assert let_in(work, system) == {
        (own.symbol, one.symbol)
        for own in keysets.values()
        if own.cylinders
        for one in operators_of(own, is_nmk=False, by_id={one.id: one for one in keysets.values()})
    }
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
    assert check_whole_system(work, system.id).report.is_clean
    # What is drawn later under either goes on so: nothing on AQ1 is used up by what is on AQ3.
    with transaction(work.session):
        [one] = add_keysets(work, get_system(work.session, system.id), 1, "AA")
        [other] = add_keysets(work, get_system(work.session, system.id), 1, "AC")
    later = opened(work, system)
    assert later[one.symbol] == later[other.symbol]


@pytest.mark.parametrize("keyway", ["AQ2", "AQ3"])
def test_the_command_finds_what_the_house_finds(work: Work, system: KeySystem, keyway: str) -> None:
    add_masters(work, system, keyway)
    _make_twins(work, system)  # which interchange with AA's where keys of both keyways go in
    hall = get_system(work.session, system.id)
    by_id = {one.id: one for one in hall.keysets}
    keyed = [one for one in hall.keysets if one.cylinders]
    asked = {
        "spec": {"chambers": 6, "depths": 10},
        "keys": {symbol: "".join(map(str, cuts)) for symbol, cuts in opened(work, system).items()},
        "cylinders": {
            own.symbol: [one.symbol for one in operators_of(own, is_nmk=False, by_id=by_id)] for own in keyed
        },
        "keyways": {own.symbol: own.section for own in keyed},
        "enters": {one.symbol: sorted(ENTERS[one.section]) for one in hall.keysets if one.symbol != "A"},
    }
    done = CliRunner().invoke(main, ["keying", "audit", "-"], input=json.dumps(asked))
    found, report = json.loads(done.stdout), audit_systems(work, [hall])
    told = [re.findall(r"Key (\w+) of Hall would also operate (\w+) ", one.sentence) for one in report.findings]
    assert sorted(pair for [pair] in told) == sorted((key, cylinder) for cylinder, key in found["unintended"])
    assert {(cylinder, key) for cylinder, key in found["unintended"]} == let_in(work, system) - {
        (own, key) for own, meant in asked["cylinders"].items() for key in meant
    }
    assert bool(found["unintended"]) == (keyway == "AQ2")
    assert found["missing"] == [] and sum(found["phantoms"].values()) == report.phantoms


def test_masters_under_a_grand_look_at_its_keyway_whatever_master_is_sent(work: Work, system: KeySystem) -> None:
    add_masters(work, system, "AQ3")
    extend_system(work, system.id, ExtendForm(master="AC", grand="A", masters=1, changes_each=3))
    keysets = {one.symbol: one for one in get_system(work.session, system.id).keysets}
    assert keysets["AE1"].section == "AQ1"
    cuts = opened(work, system)
    assert cuts["AE"] not in {cuts["AA"], cuts["AB"]}
    with pytest.raises(LedgerError) as refused:
        extend_system(work, system.id, ExtendForm(master="AC", changes=1, grand="A", masters=1))
    assert [(one.field, one.message) for one in refused.value.problems] == [
        ("grand", "AC and A are on two keyways: add the changes and the masters one by one.")
    ]


def test_a_lost_master_that_the_page_sends_along_keeps_no_other_from_being_added(work: Work) -> None:
    with transaction(work.session):
        customer = factories.CustomerFactory()
        made = insert_system(work, SystemForm(customer.id, "Pier", 4, "AQ1", 6, grands=2, masters=2, changes=8))
    report_loss(work, LossForm(made.id, "A", Which.UNKNOWN))
    added = extend_system(work, made.id, ExtendForm(master="AA", grand="B", masters=1, changes_each=2))
    assert added.symbols == ("BC", "BC1", "BC2")
    with pytest.raises(LedgerError, match="Keys of A of Pier are lost") as refused:
        extend_system(work, made.id, ExtendForm(master="BA", grand="A", masters=1))
    assert refused.value.problems[0].field == "grand"


def test_masters_come_on_the_systems_own_keyway_under_a_grand_on_another(work: Work) -> None:
    with transaction(work.session):
        customer = factories.CustomerFactory()
        form = SystemForm(customer.id, "Pier", 4, "AQ1", 6, grands=2, masters=2, changes=8, keyways={"B": "AQ3"})
        made = insert_system(work, form)
    extend_system(work, made.id, ExtendForm(grand="B", masters=1, changes_each=2))
    extend_system(work, made.id, ExtendForm(grand="B", masters=1, changes_each=2, keyway="AQ1"))
    keysets = {one.symbol: one for one in get_system(work.session, made.id).keysets}
    assert {symbol: keysets[symbol].keyway for symbol in ("BA", "BC", "BC2", "BD", "BD2", "AA")} == {
        "BA": "AQ3",
        "BC": "AQ3",
        "BC2": "AQ3",
        "BD": "",
        "BD2": "",
        "AA": "",
    }


def test_what_the_array_can_still_make_is_counted_keyway_by_keyway(work: Work, system: KeySystem) -> None:
    add_masters(work, system, "AQ3")
    room = {(one.over.symbol, one.keyway): one for one in room_below(work, get_system(work.session, system.id))}
    assert {*room} == {("A", "AQ1"), ("A", "AQ3"), ("AA", "AQ1"), ("AB", "AQ1"), ("AC", "AQ3"), ("AD", "AQ3")}
    assert room["A", "AQ1"].free == room["A", "AQ1"].holds - 2
    assert room["A", "AQ3"].free == room["A", "AQ3"].holds - 2
    assert all(one.free == one.holds - 3 for (over, _), one in room.items() if over != "A")
    extend_system(work, system.id, ExtendForm(grand="A", masters=room["A", "AQ3"].free, keyway="AQ3"))
    with pytest.raises(NoBittingsLeft):
        extend_system(work, system.id, ExtendForm(grand="A", masters=1, keyway="AQ3"))
    extend_system(work, system.id, ExtendForm(grand="A", masters=1, keyway="AQ1"))


def test_on_a_keyway_that_its_keys_enter_every_bitting_is_another(work: Work, system: KeySystem) -> None:
    add_masters(work, system, "AQ2")  # AK6-12 enters both
    cuts = opened(work, system)
    assert len(set(cuts.values())) == len(cuts)
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_keys_are_cut_of_the_narrowest_blank_that_enters_all_they_open(work: Work, system: KeySystem) -> None:
    order_copies(work, system.id, "A", 2)
    order_copies(work, system.id, "AA1", 1)
    cut_copies(work, system.id, "A", (1,))
    added = add_masters(work, system, "AQ3")
    assert added.to_cut_anew == (
        "Keys of A that are cut do not enter all that these open by now: cut new ones of Ardent Brass AK6-ALL."
    )
    order_copies(work, system.id, "AC1", 1)
    cut_copies(work, system.id, "AC1", (1,))
    cut_copies(work, system.id, "A", (2,))
    issued = [
        issue_keys(work, KeyIssueForm(system.id, symbol, copies, "Ann"))
        for symbol, copies in (("A", (1, 2)), ("AC1", (1,)))
    ]
    words = [[key.blank for key in find_receipt(work.session, one).keys] for one in issued]
    # What was cut before there were doors on AQ3 is not of the blank that enters them.
    assert words == [["Ardent Brass AK6-12", "Ardent Brass AK6-ALL"], ["Ardent Brass AK6-34"]]
    keysets = get_system(work.session, system.id).keysets
    keys = [key for one in keysets for key in one.keys]
    codes = {work.session.get_one(Item, item).code: one for one, item in _blanks(work, keys).items()}
    symbols = {one.id: one.symbol for one in keysets}
    assert {code: symbols[one] for code, one in codes.items()} == {"AK6-ALL": "A", "AK6-12": "AA1", "AK6-34": "AC1"}


def test_a_receipt_printed_years_later_names_the_blank_that_was_cut(work: Work, system: KeySystem) -> None:
    """The maker gives its blank another number, and the system grows, while the key hangs on somebody's ring."""
    order_copies(work, system.id, "A", 1)
    cut_copies(work, system.id, "A", (1,))
    issued = issue_keys(work, KeyIssueForm(system.id, "A", (1,), "Ann"))
    tables = json.loads((MAKERS / "ardent_brass.json").read_text())
    for blank in tables["key_blanks"]:
        blank["number"] = blank["number"].replace("AK6", "NEW6")
    import_maker(work, {**tables, "items": []})
    add_masters(work, get_system(work.session, system.id), "AQ3")
    [key] = find_receipt(work.session, issued).keys
    assert key.blank == "Ardent Brass AK6-12"
    back = take_back_keys(work, TakeBackForm(system.customer_id, "Ann", returned=frozenset({key_of(work, "A").id})))
    assert [one.blank for one in find_receipt(work.session, back.receipt).keys] == ["Ardent Brass AK6-12"]
    again = issue_keys(work, KeyIssueForm(system.id, "A", (1,), "Ben"))
    assert [one.blank for one in find_receipt(work.session, again).keys] == ["Ardent Brass AK6-12"]


def key_of(work: Work, symbol: str) -> Key:
    return work.session.scalars(sa.select(Key).join(Keyset).where(Keyset.symbol == symbol)).one()


def test_of_keys_that_nobody_saw_cut_no_blank_is_said(work: Work, system: KeySystem) -> None:
    order_copies(work, system.id, "AA1", 1)
    key_of(work, "AA1").state = KeyState.CUT
    work.session.commit()
    issued = issue_keys(work, KeyIssueForm(system.id, "AA1", (1,), "Ann"))
    assert [one.blank for one in find_receipt(work.session, issued).keys] == [""]


def test_what_no_blank_enters_and_what_is_cut_otherwise_is_refused(work: Work, system: KeySystem) -> None:
    for keyway, told in (("NH1", "is cut by another bitting spec"), ("ZZ9", "No maker on record has a keyway")):
        with pytest.raises(LedgerError, match=told) as refused:
            extend_system(work, system.id, ExtendForm(grand="A", masters=1, changes_each=1, keyway=keyway))
        assert refused.value.field == "keyway"
        work.session.rollback()
    keyways = [{"name": "R1", "family": "R", "bitting_spec": "Ardent AQ"}]
    tables = {"code": "TWO", "name": "Two", "keyways": keyways, "bitting_specs": {"Ardent AQ": system.spec.spec}}
    maker = factories.MakerFactory(name="Two", tables=tables)
    factories.KeywayFactory(maker=maker, code="R1", spec=system.spec)
    work.session.commit()
    with pytest.raises(LedgerError, match=r"No key blank on record enters AQ1, R1, as keys of A would have to"):
        extend_system(work, system.id, ExtendForm(grand="A", masters=1, changes_each=1, keyway="R1"))
    work.session.rollback()
    add_masters(work, system, "AQ3")
    door = next(one for one in get_system(work.session, system.id).keysets if one.symbol == "AA1").cylinders[0]
    order_copies(work, system.id, "AC1", 1)
    for key in next(one for one in get_system(work.session, system.id).keysets if one.symbol == "AC1").keys:
        key.state = KeyState.CUT
    work.session.commit()
    with pytest.raises(
        LedgerError, match="Keys of AC1 enter AQ3, AQ4, not the cylinder's AQ1, as they are cut: retire"
    ):
        cross_key(work, door.id, ["AC1"])


def test_a_lost_key_exposes_what_it_enters_and_nothing_of_its_twin(work: Work, system: KeySystem) -> None:
    add_masters(work, system, "AQ3")
    _make_twins(work, system)
    assert opened(work, system)["AA1"] == opened(work, system)["AC1"]
    plan = plan_for_loss(work, system.id, "AA1")
    assert [way.label for way in plan.exposed] == ["AA1"] and plan.lost.proven
    assert plan.lost.replace == ("AA1",)
    top = plan_for_loss(work, system.id, "A")
    assert top.exposed_cylinders == top.repinned_cylinders == 12 and top.lost.proven
    other = plan_for_loss(work, system.id, "AC")
    assert other.exposed_cylinders == 3 and other.lost.proven and {one[:2] for one in other.lost.replace} == {"AC"}


def test_a_control_key_and_masters_have_to_enter_all(work: Work, system: KeySystem) -> None:
    add_masters(work, system, "AQ3")
    system = get_system(work.session, system.id)
    needed = {one.symbol: sections_entered(work.session, system)[one.id] for one in system.keysets}
    assert needed["A"] == {"AQ1", "AQ3"} and needed["AA"] == {"AQ1"} and needed["AC1"] == {"AQ3"}
    assert isinstance(system.keysets[0], Keyset)
