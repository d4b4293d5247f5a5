"""Keys of people: a leaver's keys taken back together, handed on, missing; what each receipt says is held then."""

import random
from collections.abc import Iterator

import pytest
import sqlalchemy as sa
from alembic import command

from app.config import Config
from app.errors import Problems
from app.ledger.care.opening import alembic_config, migrate, open_ledger
from app.ledger.keys.blind_codes import give_blind_code
from app.ledger.keys.key_queries import find_receipt, get_key, held_keys, key_story, keys_held
from app.ledger.keys.keys import KeyIssueForm, issue_keys, order_copies, return_copies, scrap_copies
from app.ledger.keys.people import TakeBackForm, find_holder, take_back_keys
from app.ledger.reports.search import search
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, Key, KeyState, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, put, the


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW, random.Random(8))
    ledger.close()


@pytest.fixture
def keyed(work: Work) -> Keyed:
    return keyed_job(work)


@pytest.fixture
def leaver(work: Work, keyed: Keyed) -> list[Key]:
    """J. Curlew has AA copy 1, 1AA copies 1 and 2, 2AA copy 1."""
    order_copies(work, keyed.system.id, "1AA", 1)
    for symbol, copies in (("AA", (1,)), ("1AA", (1, 2)), ("2AA", (1,))):
        for copy in copies:
            the(work, symbol, copy).state = KeyState.CUT
            work.session.commit()
        issue_keys(work, KeyIssueForm(keyed.system.id, symbol, copies, "J. Curlew", "555-0190"))
    return list(keys_held(work.session, keyed.job.customer_id, "j.  curlew"))


def taken(keyed: Keyed, **ends: object) -> TakeBackForm:
    return TakeBackForm(keyed.job.customer_id, "J. Curlew", **ends)  # type: ignore[arg-type]


def test_a_leavers_keys_come_back_together_on_one_receipt_and_the_successor_signs_for_his(
    work: Work, keyed: Keyed, leaver: list[Key]
) -> None:
    master, first, second, third = (key.id for key in leaver)
    form = taken(
        keyed, returned=(first,), missing=(second,), handed_on=(master,), successor="P. Knot", phone="555-0191"
    )
    done = take_back_keys(work, form)
    states = [work.session.get_one(Key, key_id).state for key_id in (master, first, second, third)]
    assert states == [KeyState.OUT, KeyState.RETURNED, KeyState.LOST, KeyState.OUT]
    receipt = find_receipt(work.session, done.receipt)
    assert receipt.is_back and receipt.holder_name == "J. Curlew" and receipt.holder_phone == "555-0190"
    assert [(key.stamp, key.became) for key in receipt.keys] == [
        ("AA 1", "handed on to P. Knot"), ("1AA 1", "returned"), ("1AA 2", "missing"),
    ]  # fmt: skip
    assert (receipt.holds, receipt.held) == (1, ("2AA copy 1",))
    assert done.successors_receipt is not None
    other = find_receipt(work.session, done.successors_receipt)
    assert not other.is_back and (other.holder_name, other.holder_phone) == ("P. Knot", "555-0191")
    assert [key.stamp for key in other.keys] == ["AA 1"] and (other.holds, other.held) == (1, ("AA copy 1",))
    assert [key.id for key in done.lost] == [second]
    holder = find_holder(work.session, keyed.job.customer_id, "J. Curlew")
    assert [key.id for key in holder.keys] == [third] and [key.id for key in holder.lost] == [second]
    # Four receipts: three that he signed for keys, one for their return; newest first.
    assert [one.is_back for one in holder.receipts] == [True, False, False, False]
    assert [event.kind for event in key_story(work.session, get_key(work.session, master))][:2] == [
        "keys taken back",
        "keys issued",
    ]


def test_a_receipt_of_several_keysets_says_each_and_what_is_held_besides(
    work: Work, keyed: Keyed, leaver: list[Key]
) -> None:
    done = take_back_keys(work, taken(keyed, handed_on=[key.id for key in leaver], successor="P. Knot"))
    assert done.successors_receipt is not None
    receipt = find_receipt(work.session, done.successors_receipt)
    assert [key.stamp for key in receipt.keys] == ["AA 1", "1AA 1", "1AA 2", "2AA 1"]
    assert (receipt.holds, receipt.held) == (4, ("AA copy 1", "1AA copies 1-2", "2AA copy 1"))
    assert (find_receipt(work.session, done.receipt).holds, find_receipt(work.session, done.receipt).held) == (0, ())


def test_a_key_that_somebody_took_back_meanwhile_is_named_and_nothing_is_saved(
    work: Work, keyed: Keyed, leaver: list[Key]
) -> None:
    return_copies(work, keyed.system.id, "1AA", (1,))
    events = work.session.scalar(sa.select(sa.func.count()).select_from(Event))
    with pytest.raises(Problems, match="1AA copy 1 is back in the shop since Wednesday 25 November 2026"):
        take_back_keys(work, taken(keyed, returned=[key.id for key in leaver]))
    assert the(work, "AA").state is KeyState.OUT
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Event)) == events
    with pytest.raises(LedgerError, match="at least one key"):
        take_back_keys(work, taken(keyed))
    with pytest.raises(Problems, match="has them already"):
        take_back_keys(work, taken(keyed, handed_on=[leaver[0].id], successor="j. curlew"))
    with pytest.raises(Problems, match="Enter who takes the key"):
        take_back_keys(work, taken(keyed, handed_on=[leaver[0].id]))


def test_a_key_returned_twice_is_said_to_be_a_second_piece(work: Work, keyed: Keyed, leaver: list[Key]) -> None:
    return_copies(work, keyed.system.id, "1AA", (1,))
    with pytest.raises(
        Problems, match=r"back in the shop since Wednesday 25 November 2026.* it is a second piece: put it aside"
    ):
        return_copies(work, keyed.system.id, "1AA", (1,))


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("curlew", 4), ("555-0190", 4), ("5550190", 4), ("1aa", 2), ("1AA-2", 1), ("harbourmaster", 4),
        ("curlew flats", 4), ("boiler", 1), ("K4417B 2", 1), ("k4417b", 2), ("nobody", 0), ("1AA-9", 0),
    ],
)  # fmt: skip
def test_keys_out_are_found_by_any_word(work: Work, keyed: Keyed, leaver: list[Key], words: str, found: int) -> None:
    the(work, "2AA").keyset.purpose = "Boiler room"
    work.session.commit()
    give_blind_code(work, keyed.system.id, "1AA", "k4417b")
    assert held_keys(work.session, work.today, text=words).out == found


@pytest.mark.postgresql
@pytest.mark.parametrize("words", ["curlew", "555-0190", "0190", "harbourmaster", "boiler", "curlew flats", "k4417b"])
def test_the_search_page_finds_a_holder_by_any_word(work: Work, keyed: Keyed, leaver: list[Key], words: str) -> None:
    the(work, "2AA").keyset.purpose = "Boiler room"
    work.session.commit()
    give_blind_code(work, keyed.system.id, "1AA", "K4417B")
    [holder] = search(work.session, words).holders
    assert (holder.name, holder.phone, holder.keys) == ("J. Curlew", "555-0190", 4)
    assert holder.held == ("AA copy 1", "1AA copies 1-2", "2AA copy 1")


def test_a_stamp_or_a_blind_code_answers_with_system_keyway_customer_and_holder(
    work: Work, keyed: Keyed, leaver: list[Key]
) -> None:
    give_blind_code(work, keyed.system.id, "1AA", "K4417B")
    for words in ("K4417B-2", "k4417b 2", "1AA 2"):
        [key] = search(work.session, words).keys
        assert (key.system_name, key.keyway, key.customer_name) == ("The Flats", "AQ1", "Harbourmaster's Flats")
        assert (key.state, key.holder, key.copy_number) == (KeyState.OUT, "J. Curlew", 2)
    found = search(work.session, "K4417B")
    [keyset] = found.keysets
    assert (keyset.symbol, keyset.keyway) == ("1AA", "AQ1") and found.out_of(keyset.keyset_id) == ["J. Curlew"]


@pytest.mark.parametrize("code", ["417250", "AB", "1-2", "4417 B 3", "x" * 30])
def test_a_blind_code_that_could_be_a_bitting_or_run_into_a_copy_is_refused(
    work: Work, keyed: Keyed, code: str
) -> None:
    with pytest.raises(LedgerError, match="that end in a letter") as refused:
        give_blind_code(work, keyed.system.id, "1AA", code)
    assert refused.value.field == "code"


def test_a_blind_code_is_one_keysets_alone(work: Work, keyed: Keyed) -> None:
    give_blind_code(work, keyed.system.id, "1AA", "4417K")
    with pytest.raises(LedgerError, match="4417K is or was stamped on keys of 1AA of The Flats"):
        give_blind_code(work, keyed.system.id, "2AA", "4417K")
    assert the(work, "1AA").stamp == "4417K 1"


def test_a_key_cut_wrong_is_scrapped_and_another_copy_is_to_be_cut(work: Work, keyed: Keyed) -> None:
    put(work, "1AA", KeyState.CUT)
    assert scrap_copies(work, keyed.system.id, "1AA", (1,), "third cut too deep", keyed.job.number) == (2,)
    old, new = the(work, "1AA"), the(work, "1AA", 2)
    assert (old.state, new.state, new.job_id) == (KeyState.RETIRED, KeyState.ORDERED, keyed.job.id)
    assert new.keyset.keys_ordered == 0  # what the customer ordered stays what it was
    event = work.session.scalars(sa.select(Event).where(Event.kind == "keys scrapped")).one()
    assert "1AA copy 1 scrapped (third cut too deep); copy 2 to cut instead" in event.summary
    with pytest.raises(Problems, match="1AA copy 1 is out of use"):
        scrap_copies(work, keyed.system.id, "1AA", (1,))
    put(work, "2AA", KeyState.OUT, holder="P. Knot")
    with pytest.raises(Problems, match="mark it as returned first"):
        scrap_copies(work, keyed.system.id, "2AA", (1,))
    other = factories.JobFactory()
    with pytest.raises(LedgerError, match=f"not of job {other.number}"):
        scrap_copies(work, keyed.system.id, "AA", (1,), job_number=other.number)


@pytest.mark.sqlite
def test_an_upgrade_takes_a_holders_phone_from_the_receipt(
    config: Config, work: Work, keyed: Keyed, leaver: list[Key]
) -> None:
    return_copies(work, keyed.system.id, "1AA", (1,))
    work.session.close()
    command.downgrade(alembic_config(config.url), "0020")
    migrate(config)
    assert (the(work, "AA").holder_phone, the(work, "AA").phone_digits) == ("555-0190", "5550190")
    assert the(work, "1AA").holder_phone == ""  # it is back
    assert held_keys(work.session, work.today, text="5550190").out == 3
