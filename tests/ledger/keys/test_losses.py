"""What a lost key still turns, by pins and by the record, and what is refused beside an open loss."""

from collections.abc import Iterator
from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import open_ledger
from app.ledger.keys.calling_in import letters_of, tick_off
from app.ledger.keys.key_queries import find_receipt
from app.ledger.keys.keys import KeyIssueForm, issue_keys, return_key
from app.ledger.keys.loss_plans import left_to_rekey
from app.ledger.keys.losses import (
    LossForm,
    Which,
    close_loss,
    coming_turned,
    list_losses,
    lose_key,
    report_loss,
    state_of_loss,
    still_turned,
    turned_by_losses,
)
from app.ledger.keys.people import TakeBackForm, take_back_keys
from app.ledger.keysystems.bittings import open_bittings, reseal_bittings, seal_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.lost_keysets import keep_lost_bitting, lost_masters
from app.ledger.keysystems.pinned import freeze_pins, seal_pins
from app.ledger.store.engine import Page, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Bitting, CylinderState, Key, Keyset, KeyState, Level, Loss, Stage, User
from app.pricing import RecordsHolder
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, the


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW)
    ledger.close()


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """Two flats under AA whose cylinders stand on F1 (1AA) and F2 (2AA), every key out."""
    made = keyed_job(work, Stage.CLOSED)
    for cylinder in made.cylinders:
        cylinder.state = CylinderState.FITTED
    for key in work.session.scalars(sa.select(Key)):
        key.state = KeyState.OUT
    work.session.commit()
    return made


def lost(work: Work, keyed: Keyed, symbol: str) -> Loss:
    return report_loss(work, LossForm(keyed.system.id, symbol, Which.UNKNOWN)).loss


def doors(work: Work, loss: Loss) -> list[str]:
    return [one.door.opening_number for one in still_turned(work, loss).cylinders if one.door]


def test_a_door_of_another_system_that_the_bitting_turns_is_counted_and_one_of_another_customer_is_not(
    work: Work, keyed: Keyed
) -> None:
    """1AA is 746036. A store of the same customer and one of a stranger's are pinned to it too."""
    for customer, number in ((keyed.system.customer, "S1"), (factories.CustomerFactory(), "S2")):
        system = factories.KeySystemFactory(customer=customer, name="Stores")
        keyset = factories.KeysetFactory(system=system, symbol="SKD1", level=Level.SINGLE)
        seal_bitting(work, system, keyset, (7, 4, 6, 0, 3, 6))
        site = factories.SiteFactory(customer=customer)
        factories.CylinderFactory(keyset=keyset, door=factories.DoorFactory(site=site, opening_number=number))
    work.session.commit()
    assert sorted(doors(work, lost(work, keyed, "1AA"))) == ["F1", "S1"]


def test_pins_decide_and_not_the_record_once_the_keyset_has_another_bitting(work: Work, keyed: Keyed) -> None:
    """AA keeps its symbol: both doors stay open until they are pinned anew; only F1 is here."""
    loss = lost(work, keyed, "AA")
    session, master = work.session, loss.keyset
    with transaction(session):
        freeze_pins(work, keyed.cylinders)
        keep_lost_bitting(work, master, open_bittings(session, work.vault, [keyed.system])[master.id])
        reseal_bittings(work, keyed.system, [(master, (3, 0, 4, 8, 5, 2))])
    assert doors(work, loss) == ["F1", "F2"] and lost_masters(session, [keyed.system.id]) == ()
    keyed.cylinders[0].sealed_pins = None  # pinned anew, by the record
    session.commit()
    assert doors(work, loss) == ["F2"]
    with pytest.raises(LedgerError, match="still turns 1 door: F2"):
        close_loss(work, loss.id, loss.version)
    keyed.cylinders[1].sealed_pins = None
    session.commit()
    # Copy 2, ordered by the job of the plan, is cut to the new bitting: while the loss is open it is no part of it.
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=loss.id, stage=Stage.READY)
    new = factories.KeyFactory(keyset=master, job_id=job.id, copy_number=2, state=KeyState.OUT)
    with pytest.raises(LedgerError, match=f"AA copy 2 is cut to the new bitting that job {job.number} brings"):
        lose_key(work, new.id, new.version)
    assert new.state is KeyState.OUT
    done = close_loss(work, loss.id, loss.version, "pinned anew")
    assert (done.retired, master.is_out_of_use) == ((), False), "AA goes on with its new bitting"
    again = lose_key(work, new.id, new.version)
    assert again.loss.id != loss.id and again.loss.copies == [2]


def test_an_old_copy_that_is_lost_later_turns_what_still_has_the_old_pins(work: Work, keyed: Keyed) -> None:
    """AA copy 1 is lost, F1 is rekeyed, and copy 1 is found. Then copy 2 is lost, of the old bitting: it opens F2."""
    session, master = work.session, keyed.system.keysets[0]
    factories.KeyFactory(keyset=master, copy_number=2, state=KeyState.OUT)
    first = report_loss(work, LossForm(keyed.system.id, "AA", Which.COPIES, (1,))).loss
    with transaction(session):
        freeze_pins(work, keyed.cylinders)
        keep_lost_bitting(work, master, open_bittings(session, work.vault, [keyed.system])[master.id])
        reseal_bittings(work, keyed.system, [(master, (3, 0, 4, 8, 5, 2))])
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=first.id, stage=Stage.CLOSED)
    new = factories.KeyFactory(keyset=master, job_id=job.id, copy_number=3, state=KeyState.OUT)
    with transaction(session):
        seal_pins(work, keyed.cylinders[:1])
    return_key(work, the(work, "AA").id, the(work, "AA").version)
    assert close_loss(work, first.id, first.version).loss.closed_at is not None
    assert state_of_loss(work, first.id).called_in == (), "F2 has no other AA"
    again = report_loss(work, LossForm(keyed.system.id, "AA", Which.COPIES, (2,))).loss
    assert doors(work, again) == ["F2"] and again.id != first.id
    assert [one.door.opening_number for one in left_to_rekey(work, again) if one.door] == ["F2"]
    assert lost_masters(session, [keyed.system.id]) == (), "nothing new is pinned to what is lost"
    keyed.cylinders[1].state = CylinderState.REMOVED
    session.commit()
    close_loss(work, again.id, again.version)
    lose_key(work, new.id, new.version)
    assert [doors(work, one) for one in session.scalars(sa.select(Loss).where(Loss.closed_at.is_(None)))] == [["F1"]]


@pytest.mark.parametrize("copies", [(), (2, 3)])
def test_of_unknown_copies_each_cutting_that_is_about_may_be_the_lost_one(
    work: Work, keyed: Keyed, copies: tuple[int, ...]
) -> None:
    """AA copy 1 is lost, F1 is rekeyed, and copy 1 is found. Copy 2 is old and turns F2, 3 is new and turns F1."""
    session, master = work.session, keyed.system.keysets[0]
    factories.KeyFactory(keyset=master, copy_number=2, state=KeyState.OUT)
    first = report_loss(work, LossForm(keyed.system.id, "AA", Which.COPIES, (1,))).loss
    with transaction(session):
        freeze_pins(work, keyed.cylinders)
        keep_lost_bitting(work, master, open_bittings(session, work.vault, [keyed.system])[master.id])
        reseal_bittings(work, keyed.system, [(master, (3, 0, 4, 8, 5, 2))])
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=first.id, stage=Stage.CLOSED)
    factories.KeyFactory(keyset=master, job_id=job.id, copy_number=3, state=KeyState.OUT)
    with transaction(session):
        seal_pins(work, keyed.cylinders[:1])
    return_key(work, the(work, "AA").id, the(work, "AA").version)
    close_loss(work, first.id, first.version)
    which = Which.COPIES if copies else Which.UNKNOWN
    assert doors(work, report_loss(work, LossForm(keyed.system.id, "AA", which, copies)).loss) == ["F1", "F2"]


def test_old_copies_are_good_until_the_last_door_is_done_and_out_of_use_then(work: Work, keyed: Keyed) -> None:
    """AA copy 1 is lost; 2 to 5 are old, 4 and 5 in the shop; the job of the loss brings 6. F1 is done, then F2."""
    session, master = work.session, keyed.system.keysets[0]
    states = (KeyState.OUT, KeyState.OUT, KeyState.CUT, KeyState.RETURNED)
    _, three, four, five = (
        factories.KeyFactory(keyset=master, copy_number=copy, state=state, holder="Ada Marsh")
        for copy, state in enumerate(states, 2)
    )
    loss = report_loss(work, LossForm(keyed.system.id, "AA", Which.COPIES, (1,))).loss
    with transaction(session):
        freeze_pins(work, keyed.cylinders)
        keep_lost_bitting(work, master, open_bittings(session, work.vault, [keyed.system])[master.id])
        reseal_bittings(work, keyed.system, [(master, (3, 0, 4, 8, 5, 2))])
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=loss.id, stage=Stage.CLOSED)
    new = factories.KeyFactory(keyset=master, job_id=job.id, copy_number=6, state=KeyState.OUT, holder="Ada Marsh")
    with transaction(session):
        seal_pins(work, keyed.cylinders[:1])
    assert return_key(work, three.id, three.version).state is KeyState.RETURNED
    issue_keys(work, KeyIssueForm(keyed.system.id, "AA", (3,), "Ada Marsh"))
    state = state_of_loss(work, loss.id)
    assert ([key.copy_number for key in state.carried], state.called_in) == ([2, 3], ())
    with transaction(session):
        seal_pins(work, keyed.cylinders[1:])
    state = state_of_loss(work, loss.id)
    assert ([key.copy_number for key in state.called_in], state.carried) == ([2, 3], ())
    assert return_key(work, three.id, three.version).state is KeyState.RETIRED
    done = close_loss(work, loss.id, loss.version)
    assert done.words == (
        "The loss of AA is closed. Call in 1 key that is out. AA copy 2 is cut to the bitting that was lost."
    )
    assert {four.state, five.state} == {KeyState.RETIRED} and new.state is KeyState.OUT
    [letter] = letters_of(work, keyed.system.id)
    assert (letter.holder, letter.pieces) == ("Ada Marsh", (("AA", 2, "AA 2"),))
    assert letter.reason == "they were replaced, and copies with other numbers stay good"
    [two] = done.called_in
    handed_on = TakeBackForm(keyed.system.customer_id, "Ada Marsh", handed_on=(two.id, new.id), successor="Ben Reed")
    with pytest.raises(LedgerError, match="AA copy 2 is cut to the bitting that was lost"):
        take_back_keys(work, handed_on)
    assert tick_off(work, keyed.system.id, [two.id]) == 1 and two.state is KeyState.RETIRED
    two.state, two.holder = KeyState.OUT, "Ada Marsh"  # as where she brings it with her other keys
    session.commit()
    back = TakeBackForm(keyed.system.customer_id, "Ada Marsh", (two.id,), handed_on=(new.id,), successor="Ben Reed")
    receipt = find_receipt(work.session, take_back_keys(work, back).receipt)
    assert [(key.stamp, key.opens) for key in receipt.keys] == [("AA 2", "nothing any more"), ("AA 6", "F1, F2")]
    assert two.state is KeyState.RETIRED
    four.state = KeyState.CUT  # as where the loss was closed by an earlier release
    session.commit()
    with pytest.raises(LedgerError, match="AA copy 4 is cut to the bitting that was lost: every door has the new"):
        issue_keys(work, KeyIssueForm(keyed.system.id, "AA", (4,), "Ben Reed"))
    assert return_key(work, new.id, new.version).state is KeyState.RETURNED


def test_no_door_is_cross_keyed_so_that_an_old_lost_key_opens_it(work: Work, keyed: Keyed) -> None:
    """AA was 346036 when it was lost: the 3 of 2AA (346298) beside 1AA (746036) would let it in on F1."""
    loss = lost(work, keyed, "AA")
    with transaction(work.session):
        keep_lost_bitting(work, loss.keyset, (3, 4, 6, 0, 3, 6))
    close_loss(work, loss.id, loss.version)
    with pytest.raises(LedgerError, match="Keys of AA that are cut as the lost one was would open F1 then"):
        cross_key(work, keyed.cylinders[0].id, ["2AA"])
    work.session.rollback()
    assert not keyed.cylinders[0].operators


def test_where_no_bitting_is_here_levels_tell_and_what_a_job_of_the_loss_brought_is_out_of_it(
    work: Work, keyed: Keyed
) -> None:
    """A factory's system: AA is over F1 and F2. The factory gives AA another bitting, and F1 comes back first."""
    work.session.execute(sa.delete(Bitting))
    keyed.system.records = RecordsHolder.FACTORY
    work.session.commit()
    loss = lost(work, keyed, "AA")
    assert doors(work, loss) == ["F1", "F2"] and doors(work, lost(work, keyed, "2AA")) == ["F2"]
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=loss.id, stage=Stage.CLOSED)
    for cylinder, left in zip(keyed.cylinders, (["F2"], []), strict=True):
        cylinder.state = CylinderState.REMOVED
        factories.CylinderFactory(
            job_id=job.id, door=cylinder.door, keyset=cylinder.keyset, state=CylinderState.FITTED
        )
        assert doors(work, loss) == left
    loss.successors = {"AA": "AA"}
    work.session.commit()
    assert close_loss(work, loss.id, loss.version).retired == (), "AA goes on with the factory's new bitting"


def test_a_door_that_the_factory_rekeyed_is_open_again_where_it_is_crossed_with_what_was_lost(
    work: Work, keyed: Keyed
) -> None:
    """2AA copy 1 is found when F2 has 3AA from the factory: it is let in on F2 again, and then lost for good."""
    work.session.execute(sa.delete(Bitting))
    keyed.system.records = RecordsHolder.FACTORY
    work.session.commit()
    loss = report_loss(work, LossForm(keyed.system.id, "2AA", Which.COPIES, (1,))).loss
    loss.successors = {"2AA": "3AA"}
    new = factories.KeysetFactory(system=keyed.system, symbol="3AA", parent=loss.keyset.parent)
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=loss.id, stage=Stage.CLOSED)
    was = keyed.cylinders[1]
    was.state = CylinderState.REMOVED
    done = factories.CylinderFactory(job_id=job.id, door=was.door, keyset=new, state=CylinderState.FITTED)
    work.session.commit()
    return_key(work, the(work, "2AA").id, the(work, "2AA").version)
    assert doors(work, loss) == []
    cross_key(work, done.id, ["2AA"])
    report_loss(work, LossForm(keyed.system.id, "2AA", Which.COPIES, (1,)))
    assert doors(work, loss) == ["F2"] and left_to_rekey(work, loss) == (done,)
    with pytest.raises(LedgerError, match="still turns 1 door: F2"):
        close_loss(work, loss.id, loss.version)


def test_a_loss_of_what_a_job_rekeys_just_now_is_recorded_with_words_about_that_job(work: Work, keyed: Keyed) -> None:
    loss = lost(work, keyed, "AA")
    loss.successors = {"AA": "AB", "1AA": "1AB"}
    job = factories.JobFactory(customer=keyed.system.customer, loss_id=loss.id, stage=Stage.ON_THE_BENCH)
    for symbol, is_among in (("1AA", True), ("2AA", False)):
        done = report_loss(work, LossForm(keyed.system.id, symbol, Which.COPIES, (1,)))
        assert done.words.startswith(f"The loss of {symbol} is on record. It exposes 1 door.")
        assert f"The Flats is being rekeyed just now by job {job.number}, after a loss." in done.words
        assert (f"{symbol} is among what is replaced there" in done.words) is is_among


def test_a_loss_of_copies_that_becomes_one_of_unknown_copies_stays_so_when_a_copy_is_found(
    work: Work, keyed: Keyed
) -> None:
    form = LossForm(keyed.system.id, "1AA", Which.COPIES, (1,))
    loss = report_loss(work, form).loss
    report_loss(work, replace(form, which=Which.UNKNOWN, copies=()))
    key = the(work, "1AA")
    key.state = KeyState.RETURNED
    work.session.commit()
    state = state_of_loss(work, loss.id)
    assert (state.is_found, state.turned.doors, state.keys) == (False, 1, ())
    assert state.why_open == "The lost key of 1AA still turns 1 door: F1."


def test_what_a_report_has_said_is_not_said_again_by_the_next_one(work: Work, keyed: Keyed) -> None:
    for note in ("seen in town", "", "seen again"):
        loss = report_loss(work, LossForm(keyed.system.id, "AA", Which.ELSEWHERE, note=note)).loss
    assert loss.note == "A key that this shop never cut. seen in town\nseen again"


def test_a_list_of_losses_says_of_each_what_the_loss_itself_says(work: Work, keyed: Keyed) -> None:
    """1AA turns F1 and is to turn F3; AA turns both flats, and what comes to F3 and F1, where something hangs."""
    factories.CylinderFactory(door=keyed.doors[0], keyset=keyed.cylinders[0].keyset, state=CylinderState.ORDERED)
    site = keyed.doors[0].site
    new = factories.DoorFactory(site=site, opening_number="F3")
    factories.CylinderFactory(door=new, keyset=keyed.cylinders[0].keyset, state=CylinderState.PINNED)
    losses = [lost(work, keyed, symbol) for symbol in ("AA", "1AA", "2AA")]
    found = turned_by_losses(work, losses)
    assert [(open.doors, len(coming)) for open, coming in found.values()] == [(2, 1), (1, 1), (1, 0)]
    for loss in losses:
        standing = still_turned(work, loss)
        assert found[loss.id] == (standing, coming_turned(work, loss, standing))
    assert list_losses(work.session, 2, 2) == Page([losses[2]], 3, 2, 2)


def test_no_keyset_has_two_open_losses(work: Work, keyed: Keyed) -> None:
    keyset_id = lost(work, keyed, "AA").keyset_id
    with pytest.raises((BitternError, sa.exc.IntegrityError)), transaction(work.session):
        work.session.add(Loss(system_id=keyed.system.id, keyset_id=keyset_id, reported_at=NOW))
        work.session.flush()
    assert work.session.scalar(sa.select(sa.func.count(Loss.id))) == 1


def test_a_retired_master_takes_no_more_changes_once_its_loss_is_closed(work: Work, keyed: Keyed) -> None:
    loss = lost(work, keyed, "AA")
    for cylinder in keyed.cylinders:
        cylinder.state = CylinderState.REMOVED
    work.session.commit()
    assert close_loss(work, loss.id, loss.version).retired == ("AA",)
    assert [
        one.symbol for one in work.session.scalars(sa.select(Keyset).order_by(Keyset.id)) if one.is_out_of_use
    ] == ["AA"]
