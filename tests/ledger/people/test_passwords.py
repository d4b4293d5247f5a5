"""Passwords of twelve characters and more that everybody's list begins with are refused; words in a row are not."""

import threading

import pytest

from app.ledger.people.own_secrets import check_own_password
from app.ledger.people.passwords import check_new_password, hash_password, is_guessable, is_soon_guessed, matches
from app.ledger.people.users import add_user, change_own_password, enter_people, set_password, start_house
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import House, Role, User
from tests.bare import config, work

__all__ = ["config", "work"]  # the bare house

# Made by the patterns that lists of common passwords are known for (from memory), none copied from one.
FIRST_TRIED = [
    "123456789012",
    "qwertyuiop12",
    "QWERTY123456",
    "password1234",
    "Password2026!",
    "P@ssw0rd1234",
    "passwordpassword",
    "1q2w3e4r5t6y",
    "1qaz2wsx3edc",
    "qazwsxedcrfv",
    "zxcvbnm12345",
    "asdfghjkl123",
    "abcdefghijkl",
    "letmein12345",
    "iloveyou1234",
    "welcome123!!",
    "adminadmin12",
    "administrator",
    "sunshine2026",
    "princess1234",
    "987654321098",
    "bittern12345",
    "locksmith2026",
    "ilovethebench",
    "MyPassword!!!",
    "changeme2026",
]
# What our own list lets pass: spelled backwards, stolen elsewhere, a word of a dictionary and digits.
SOON_GUESSED = [
    "drowssap1234",
    "hunter2hunter2",
    "trustno1trustno1",
    "elephant1234",
    "batman!batman!",
]
# The same with what those who know the house would try first.
OF_THE_HOUSE = [
    "Saltmarsh2026!",
    "FenwickQuay12",
    "fenwickquay2026",
    "Kestrel120899",
    "bramkestrel!!1",
    "Corabelle99!!",
]
HOUSE_NAMES = ["Fenwick Quay Hardware", "3 Fenwick Quay, Saltmarsh", "Bram Kestrel", "Corabelle"]
GOOD = [
    "a heron in the reeds",
    "reed bed at low water",
    "low water at the quay",
    "tide-counter-1",
    "tide-bench-12",
    "tide-owner-12",
    "correct marmot stapler",
    "Pfannkuchen mit Speck",
    "vXq8-tRm2-pLw9",
    "съешь ещё этих булок",
    "春眠不覚暁処処聞啼鳥夜来",
    "the key is under a heron",
    "a lantern over the quay at Saltmarsh",
    "low water at the quay " * 9,
]


@pytest.mark.parametrize("password", FIRST_TRIED)
def test_what_is_tried_first_is_refused(password: str) -> None:
    assert len(password) >= 12
    with pytest.raises(LedgerError) as refused:
        check_new_password(password, "Ada Marsh")
    assert password not in refused.value.message


@pytest.mark.parametrize("password", GOOD)
def test_words_that_do_not_belong_together_are_not(password: str) -> None:
    check_new_password(password, "Ada Marsh")


def test_a_run_stays_a_run_however_often_it_is_repeated() -> None:
    assert is_guessable("abc" * 60) and is_guessable("qwer" * 50)


@pytest.fixture
def house(work: Work) -> Work:
    """A house with a town and people."""
    name, address, *people = HOUSE_NAMES
    work.session.add(House(name=name, address=address, tax_place="Saltmarsh"))
    enter_people(work, people)
    work.session.commit()
    return work


@pytest.mark.parametrize("password", SOON_GUESSED)
def test_what_zxcvbn_knows_is_refused_in_words(password: str) -> None:
    assert not is_guessable(password), "our own list finds it already"
    with pytest.raises(LedgerError, match=r"soon guessed.*Use four words") as refused:
        check_new_password(password, "Ada Marsh")
    assert refused.value.field == "password" and password not in refused.value.message


@pytest.mark.parametrize("password", OF_THE_HOUSE)
def test_names_of_the_house_its_people_and_its_town_are_what_is_tried_first(password: str) -> None:
    assert not is_guessable(password), "our own list finds it already"
    with pytest.raises(LedgerError, match=r"soon guessed.*Use four words"):
        check_new_password(password, "Ewan", HOUSE_NAMES)


@pytest.mark.parametrize("password", GOOD)
def test_true_passphrases_pass_in_a_house_that_is_called_alike(password: str) -> None:
    check_new_password(password, "Ewan", HOUSE_NAMES)


@pytest.mark.parametrize("password", ["Saltmarsh2026!", "FenwickQuay12", "Corabelle99!!"])
def test_whoever_sets_a_password_is_told_so(house: Work, password: str) -> None:
    user = house.session.get_one(User, house.actor.user_id)
    before = user.password_hash
    house.session.rollback()
    for set_one in (
        lambda: add_user(house, "Ewan", Role.BENCH, password),
        lambda: set_password(house, user.id, user.version, password),
        lambda: change_own_password(house, "reed bed at low water", password),
    ):
        with pytest.raises(LedgerError, match=r"soon guessed.*Use four words") as refused:
            set_one()
        assert refused.value.field == "password"
    assert user.password_hash == before


def test_the_name_of_a_house_that_begins_is_what_is_tried_first(house: Work) -> None:
    with pytest.raises(LedgerError, match="soon guessed"):
        start_house(house, "Redgauntlet Locks", "Ada Marsh", "Redgauntlet12!")


def test_a_password_that_is_no_longer_accepted_still_lets_in(house: Work) -> None:
    user = house.session.get_one(User, house.actor.user_id)
    user.password_hash = hash_password("drowssap1234")
    house.session.commit()
    assert matches(user.password_hash, "drowssap1234")
    check_own_password(house, "drowssap1234", None)


def test_the_names_of_one_house_are_not_held_against_another() -> None:
    assert is_soon_guessed("Redgauntlet12!", ["Redgauntlet"])
    assert not is_soon_guessed("Redgauntlet12!", [])


def test_many_at_once_are_judged_each_by_its_own_names() -> None:
    judged: list[tuple[bool, bool]] = []

    def judge() -> None:
        for _ in range(20):
            judged.append((is_soon_guessed("Redgauntlet12!", ["Redgauntlet"]), is_soon_guessed("Redgauntlet12!", [])))

    threads = [threading.Thread(target=judge) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert judged == [(True, False)] * 80
