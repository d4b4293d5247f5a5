"""Keys out: issued, returned, lost, retired; written authority; and what is refused leaves everything as it was."""

import random
from collections.abc import Iterator
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import BitternError, Problems
from app.ledger.care.opening import open_ledger
from app.ledger.keys.key_queries import days_overdue, find_receipt, get_key, held_keys, key_story, system_copies
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies, retire_key, return_key
from app.ledger.keys.losses import lose_key
from app.ledger.keysystems.authority import change_records, require_authority
from app.ledger.keysystems.copy_numbers import read_copies
from app.ledger.keysystems.lost_keysets import exposed_by, where_it_opens
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Actor, Work
from app.ledger.tables import CylinderState, Event, Key, KeyState, KeySystem, Level, Role, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, put, the
from tests.ledger.conftest import by


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW, random.Random(8))
    ledger.close()


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


def issue(work: Work, keyed: Keyed, symbol: str = "1AA", copies: tuple[int, ...] = (1,), **given: object) -> int:
    values: dict[str, object] = {"holder": "Ann Reed", **given}
    return issue_keys(work, KeyIssueForm(keyed.system.id, symbol, copies, **values))  # type: ignore[arg-type]


def events(work: Work, kind: str) -> list[Event]:
    return list(work.session.scalars(sa.select(Event).where(Event.kind == kind).order_by(Event.id)))


def everything(work: Work) -> list[tuple[object, ...]]:
    work.session.rollback()
    keys = sa.select(Key.id, Key.state, Key.holder, Key.due_back, Key.version, Key.changed_at)
    return [tuple(row) for row in work.session.execute(keys.order_by(Key.id))] + [
        (work.session.scalar(sa.select(sa.func.count()).select_from(Event)),)
    ]


def test_a_key_goes_from_order_to_holder_and_back(work: Work, keyed: Keyed) -> None:
    counter, bench = by(work, Role.COUNTER), by(work, Role.BENCH)
    assert order_copies(counter, keyed.system.id, "1aa", 3) == (2, 3, 4)
    cut_copies(bench, keyed.system.id, "1AA", (2, 3))
    due = work.today + timedelta(days=7)
    number = issue(counter, keyed, copies=(2, 3), holder="  Ann   Reed ", phone="555-0190", due_back=due)
    held = the(work, "1AA", 2)
    assert (held.state, held.holder, held.due_back, held.changed_at) == (KeyState.OUT, "Ann Reed", due, NOW)
    receipt = find_receipt(work.session, number)
    assert (receipt.holder_name, receipt.holder_phone) == ("Ann Reed", "555-0190")
    assert [(key.keyset, key.copy_number, key.due_back) for key in receipt.keys] == [("1AA", 2, due), ("1AA", 3, due)]
    assert (receipt.customer_name, receipt.site_name) == ("Harbourmaster's Flats", "The Flats")
    assert {key.opens for key in receipt.keys} == {"F1"}
    assert (receipt.issued_by, receipt.authority) == (counter.actor.name, "")
    back = return_key(counter, held.id, held.version)
    assert (back.state, back.holder, back.due_back) == (KeyState.RETURNED, "", None)
    assert issue(counter, keyed, copies=(2,), holder="Bo") == number + 1
    assert [event.kind for event in key_story(work.session, get_key(work.session, held.id))] == [
        "keys issued", "key returned", "keys issued", "keys cut", "keys ordered",
    ]  # fmt: skip
    # What was signed stays as it was signed, though the key has gone to somebody else.
    assert find_receipt(work.session, number) == receipt
    assert first_broken_link(work.session) is None


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("symbol", "copies", "state", "says"),
    [
        ("1AA", (1,), KeyState.ORDERED, "ordered, and not cut yet"),
        ("1AA", (1,), KeyState.OUT, "out already: Bo has it since Monday 2 November 2026"),
        ("1AA", (1,), KeyState.LOST, "on record as lost"),
        ("1AA", (1,), KeyState.RETIRED, "out of use"),
        ("1AA", (7,), KeyState.CUT, "There is no copy 7 of 1AA; copy 1 alone is on record."),
        ("1AA", (1, 7), KeyState.CUT, "There is no copy 7 of 1AA"),
        ("1AA", (), KeyState.CUT, "Enter the copy numbers"),
        ("9AA", (1,), KeyState.CUT, "No keyset '9AA' is in The Flats"),
    ],
)
def test_what_is_not_in_the_shop_is_not_issued(
    work: Work, keyed: Keyed, symbol: str, copies: tuple[int, ...], state: KeyState, says: str
) -> None:
    put(work, "1AA", state, holder="Bo" if state is KeyState.OUT else "")
    before = everything(work)
    with pytest.raises(BitternError, match=says):
        issue(work, keyed, symbol, copies)
    assert everything(work) == before


def test_one_bad_copy_keeps_all_of_them_in_the_shop(work: Work, keyed: Keyed) -> None:
    order_copies(work, keyed.system.id, "1AA", 9)
    put(work, "1AA", KeyState.CUT)
    before = everything(work)
    with pytest.raises(Problems) as refused:
        issue(work, keyed, copies=(1, 2, 3, 4, 5, 6, 7, 8, 9))
    assert len(refused.value.problems) == 7  # six by name, and how many more
    assert "2 more cannot be issued" in refused.value.problems[-1].message
    assert everything(work) == before


def test_a_key_pressed_twice_goes_out_once(work: Work, keyed: Keyed) -> None:
    put(work, "1AA", KeyState.CUT)
    issue(work, keyed)
    with pytest.raises(Problems, match="out already: Ann Reed"):
        issue(work, keyed)
    assert len(events(work, "keys issued")) == 1


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"holder": "  "}, "holder"),
        ({"holder": "x" * 10_000}, "holder"),
        ({"phone": "5" * 41}, "phone"),
        ({"due_back": NOW.date() - timedelta(days=1)}, "due_back"),
        ({"symbol": "x" * 10_000}, "symbol"),
        ({"symbol": ""}, "symbol"),
    ],
)
def test_a_form_that_says_nonsense_is_refused_by_field(
    work: Work, keyed: Keyed, given: dict[str, object], field: str
) -> None:
    put(work, "1AA", KeyState.CUT)
    before = everything(work)
    with pytest.raises(BitternError) as refused:
        issue(work, keyed, **given)  # type: ignore[arg-type]
    assert refused.value.field == field and len(refused.value.message) < 200
    assert everything(work) == before


@pytest.mark.parametrize("state", [KeyState.ORDERED, KeyState.CUT])
def test_a_key_never_issued_is_not_returned(work: Work, keyed: Keyed, state: KeyState) -> None:
    key = put(work, "1AA", state)
    before = everything(work)
    with pytest.raises(Problems, match="was never issued"):
        return_key(work, key.id, key.version)
    assert everything(work) == before


def test_a_key_is_not_returned_twice_and_an_unknown_one_never(work: Work, keyed: Keyed) -> None:
    key = put(work, "1AA", KeyState.RETURNED)
    with pytest.raises(Problems, match="back in the shop since"):
        return_key(work, key.id, key.version)
    with pytest.raises(NotFound):
        return_key(work, 999, 1)
    with pytest.raises(NotFound):
        order_copies(work, 999, "AA", 1)


def test_a_stale_press_is_told_and_changes_nothing(work: Work, keyed: Keyed) -> None:
    key = put(work, "1AA", KeyState.OUT, holder="Bo")
    read = key.version
    return_key(by(work, Role.BENCH), key.id, read)
    before = everything(work)
    for use in (return_key, lose_key, retire_key):
        with pytest.raises(Stale):
            use(work, key.id, read)
    assert everything(work) == before


def test_a_lost_master_exposes_what_it_turns_but_not_what_only_its_own_key_turns(work: Work, keyed: Keyed) -> None:
    keyset = keyed.cylinders[1].keyset
    assert keyset is not None
    factories.CylinderFactory(keyset=keyset, door=keyed.doors[1], position="inside", is_nmk=True)
    factories.CylinderFactory(keyset=keyset, door=None, state=CylinderState.REMOVED)
    for cylinder in keyed.cylinders:
        cylinder.state = CylinderState.FITTED
    work.session.commit()
    put(work, "AA", KeyState.OUT, holder="P. Harbour")
    done = lose_key(work, the(work, "AA").id, the(work, "AA").version, "left on the ferry")
    key, exposed = the(work, "AA"), done.exposed.cylinders
    assert [(one.door.opening_number, one.keyset.symbol) for one in exposed] == [("F1", "1AA"), ("F2", "2AA")]
    assert (key.state, key.holder) == (KeyState.LOST, "P. Harbour")
    event = events(work, "key lost")[0]
    assert "last with P. Harbour; exposed: 2 doors. left on the ferry" in event.summary
    assert event.detail["cylinders"] == [one.id for one in exposed]
    found = return_key(work, key.id, key.version)
    assert found.state is KeyState.RETURNED
    assert "was lost, and is found" in events(work, "key returned")[0].summary


def test_a_cross_keyed_cylinder_and_a_control_key_are_counted(work: Work, keyed: Keyed) -> None:
    second = the(work, "2AA").keyset
    factories.CylinderOperatorFactory(cylinder_id=keyed.cylinders[0].id, keyset=second)
    assert {one.opening_number for one in exposed_by(work.session, second)} == {"F1", "F2"}
    control = factories.KeysetFactory(system=keyed.system, symbol="CONTROL", level=Level.CONTROL)
    assert len(exposed_by(work.session, control)) == 2
    assert where_it_opens(control, ()) == "takes out the cores of this system"


def test_where_a_key_works_is_told_in_few_words(work: Work, keyed: Keyed) -> None:
    master = the(work, "AA").keyset
    assert where_it_opens(master, exposed_by(work.session, master)) == "F1, F2"
    assert where_it_opens(master, ()) == "no cylinder yet"
    for number in range(3, 12):
        door = factories.DoorFactory(site=keyed.doors[0].site, opening_number=f"F{number:02}")
        factories.CylinderFactory(door=door, keyset=keyed.cylinders[0].keyset)
    assert where_it_opens(master, exposed_by(work.session, master)).endswith("and 3 more")


def test_only_keys_in_the_shop_are_retired(work: Work, keyed: Keyed) -> None:
    key = put(work, "1AA", KeyState.OUT, holder="Bo")
    with pytest.raises(Problems, match="mark it as returned first"):
        retire_key(work, key.id, key.version)
    key = put(work, "1AA", KeyState.RETURNED)
    assert retire_key(work, key.id, key.version, "worn").state is KeyState.RETIRED
    assert events(work, "key retired")[0].summary == "The Flats: 1AA copy 1 is out of use: worn"
    with pytest.raises(LedgerError, match="500"):
        retire_key(work, key.id, key.version, "x" * 501)


def test_an_owner_of_record_must_have_given_written_authority(work: Work, keyed: Keyed) -> None:
    system = change_records(work, keyed.system.id, 1, "Harbour Board", "")
    before = everything(work)
    for worker in (by(work, Role.COUNTER), by(work, Role.BENCH), work):
        for use in (
            lambda w: order_copies(w, system.id, "1AA", 1),
            lambda w: cut_copies(w, system.id, "1AA", (1,)),
        ):
            with pytest.raises(LedgerError, match="Harbour Board, and no written authority") as refused:
                use(worker)
            assert refused.value.field == "override_reason"
    with pytest.raises(LedgerError, match="Only the owner of the house"):
        cut_copies(by(work, Role.BENCH), system.id, "1AA", (1,), "the customer is waiting")
    assert everything(work) == before

    cut_copies(work, system.id, "1AA", (1,), "they wrote; the letter is in the post")
    override = events(work, "authority overridden")[0]
    assert override.subject == f"key system {system.id}"
    assert override.summary.endswith("Reason: they wrote; the letter is in the post")
    assert "cut 1AA copy 1 without written authority of Harbour Board" in override.summary

    change_records(work, system.id, work.session.get_one(KeySystem, system.id).version, "Harbour Board", "Letter 12")
    cut_copies(by(work, Role.BENCH), system.id, "2AA", (1,))
    receipt = find_receipt(work.session, issue(work, keyed, "2AA"))
    assert receipt.authority == "Harbour Board: Letter 12"
    assert len(events(work, "authority overridden")) == 1


def test_an_override_is_undone_with_what_it_was_for(work: Work, keyed: Keyed) -> None:
    system = change_records(work, keyed.system.id, 1, "Harbour Board", "")
    put(work, "1AA", KeyState.CUT)
    with pytest.raises(Problems, match="cannot be cut"):
        cut_copies(work, system.id, "1AA", (1,), "a reason")
    assert events(work, "authority overridden") == []
    with pytest.raises(LedgerError, match="500"):
        require_authority(work, system, "cut", "x" * 501)


def test_keys_of_one_holder_stand_in_the_order_of_their_keysets(work: Work, keyed: Keyed) -> None:
    for symbol in ("AA", "1AA", "2AA"):
        put(work, symbol, KeyState.OUT)
    tenth = factories.KeysetFactory(system=keyed.system, symbol="10AA")
    factories.KeyFactory(keyset=tenth, state=KeyState.OUT)
    shown = [row.keyset.symbol for row in held_keys(work.session, work.today).rows]
    assert shown == ["AA", "1AA", "2AA", "10AA"]


def test_overdue_keys_stand_first(work: Work, keyed: Keyed) -> None:
    today = work.today
    put(work, "AA", KeyState.OUT, holder="Zoe", due_back=today - timedelta(days=1))
    put(work, "1AA", KeyState.OUT, holder="Bo", due_back=today - timedelta(days=9))
    put(work, "2AA", KeyState.OUT, holder="Ann", due_back=today)
    factories.KeyFactory(keyset=keyed.cylinders[0].keyset, copy_number=2, state=KeyState.OUT, holder="Cy")
    factories.KeyFactory(keyset=keyed.cylinders[0].keyset, copy_number=3, state=KeyState.LOST, holder="Di")
    page = held_keys(work.session, today)
    assert [(row.holder, days_overdue(row, today)) for row in page.rows] == [
        ("Bo", 9),
        ("Zoe", 1),
        ("Ann", 0),
        ("Cy", 0),
    ]
    assert (page.out, page.overdue, page.lost) == (4, 2, 1)
    assert [row.holder for row in held_keys(work.session, today, "lost").rows] == ["Di"]
    assert [row.holder for row in held_keys(work.session, today, "overdue").rows] == ["Bo", "Zoe"]
    assert [row.holder for row in held_keys(work.session, today, text="zo").rows] == ["Zoe"]
    assert held_keys(work.session, today, text="harbourmaster%").rows == []
    last = held_keys(work.session, today, page=99, size=3)
    assert ([row.holder for row in last.rows], last.page, last.pages) == (["Cy"], 2, 2)
    groups = system_copies(work.session, keyed.system.id)
    assert groups.count == 3 and [key.copy_number for key in groups.rows[1].keys] == [1, 2, 3]
    found = system_copies(work.session, keyed.system.id, "Di")
    assert (found.count, found.rows[0].keyset.symbol, found.rows[0].count(KeyState.LOST)) == (1, "1AA", 1)


@pytest.mark.parametrize(
    "typed",
    ["", " , ", "0", "3-1", "1-", "-1", "1.5", "x", "1-500", "9" * 31, "1 2", "²", "1," * 5000, "1-150,200-300"],
)
def test_copy_numbers_that_make_no_sense_are_refused(typed: str) -> None:
    with pytest.raises(LedgerError) as refused:
        read_copies(typed)
    assert refused.value.field == "copies"


def test_a_key_is_due_back_today_at_the_earliest(work: Work, keyed: Keyed) -> None:
    put(work, "1AA", KeyState.CUT)
    before = everything(work)
    with pytest.raises(Problems) as refused:
        issue(work, keyed, due_back=work.today - timedelta(days=1))
    assert [problem.field for problem in refused.value.problems] == ["due_back"]
    assert everything(work) == before
    issue(work, keyed, due_back=work.today)
    assert the(work, "1AA").due_back == work.today
