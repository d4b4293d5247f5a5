"""Who may log in: the use cases, and how slow guessing is."""

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import Ledger, open_ledger
from app.ledger.people import passwords
from app.ledger.people.logins import LoginRefused, log_in, log_out
from app.ledger.people.users import add_user, change_own_password, change_user, list_users, set_password, start_house
from app.ledger.store.errors import LedgerError, NotAllowed, NotFound, Stale, Taken
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, House, LoginAttempt, Role, User
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import PASSWORD, LoginAttemptFactory, UserFactory

__all__ = ["config", "work"]  # the bare house

GOOD = "a heron in the reeds"
HOME = "127.0.0.1"


def events(session: Session) -> list[tuple[str, str]]:
    return [(event.kind, event.summary) for event in session.scalars(sa.select(Event).order_by(Event.id))]


@pytest.fixture
def empty(session: Session, ledger: Ledger) -> Work:
    """The house's own work, with nobody on record."""
    return Work(session, ledger.vault, Actor(None, "the house", Role.OWNER), NOW)


# ---- the first start ----


def test_an_empty_house_is_started_once(empty: Work) -> None:
    user = start_house(empty, "  Fenwick  Quay ", "Ada Marsh", GOOD)
    assert (user.name, user.role, user.active) == ("Ada Marsh", Role.OWNER, True)
    assert empty.session.scalars(sa.select(House.name)).all() == ["Fenwick Quay"]
    assert [kind for kind, _ in events(empty.session)] == ["user added", "house started"]
    with pytest.raises(NotAllowed, match="started already"):
        start_house(empty, "Another", "Bo", GOOD)
    assert len(list_users(empty.session)) == 1


@pytest.mark.parametrize("name", ["", "   ", "x" * 121])
def test_a_house_needs_a_name(empty: Work, name: str) -> None:
    with pytest.raises(LedgerError) as refusal:
        start_house(empty, name, "Ada", GOOD)
    assert refusal.value.field == "house_name"
    assert not list_users(empty.session)


# ---- passwords ----


@pytest.mark.parametrize(
    ("password", "says"),
    [
        ("", "at least 12"),
        ("elevenchars", "at least 12"),
        ("x" * 201, "at most 200"),
        ("ababababababab", "repeats the same few"),
        ("ada marsh reeds", "own name"),
        ("ADA MARSH reeds", "own name"),
        ("tide\x00at low water", "signs and spaces only"),
    ],
)
def test_a_weak_password_is_refused_without_repeating_it(work: Work, password: str, says: str) -> None:
    with pytest.raises(LedgerError, match=says) as refusal:
        add_user(work, "Ada Marsh", Role.COUNTER, password)
    assert refusal.value.field == "password"
    assert not password or password not in str(refusal.value)


@pytest.mark.usefixtures("own_passwords")
def test_a_password_is_kept_as_an_argon2id_hash_with_the_stated_cost(work: Work) -> None:
    user = add_user(work, "Ada Marsh", Role.COUNTER, GOOD)
    assert user.password_hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert GOOD not in user.password_hash
    assert passwords.matches(user.password_hash, GOOD)
    assert not passwords.matches(user.password_hash, GOOD + " ")


def test_composed_and_decomposed_letters_are_the_same_password() -> None:
    assert passwords.matches(passwords.hash_password("zo\u00eb at the quay"), "zoe\u0308 at the quay")


def test_nobody_matches_nothing() -> None:
    assert not passwords.matches(None, "")
    assert not passwords.matches(passwords._NOBODY, "anything at all")


# ---- adding and changing ----


@pytest.mark.parametrize("name", ["", "  ", "x" * 81, "a\x07b"])
def test_a_user_needs_a_name(work: Work, name: str) -> None:
    with pytest.raises(LedgerError) as refusal:
        add_user(work, name, Role.COUNTER, GOOD)
    assert refusal.value.field == "name"


@pytest.mark.postgresql
@pytest.mark.parametrize("again", ["Ada Marsh", "ADA  marsh", " ada marsh "])
def test_one_person_has_one_login(work: Work, again: str) -> None:
    add_user(work, "Ada Marsh", Role.COUNTER, GOOD)
    with pytest.raises(Taken, match="on record"):
        add_user(work, again, Role.BENCH, GOOD)


@pytest.mark.parametrize("role", [Role.COUNTER, Role.BENCH])
def test_only_an_owner_changes_users(work_as: Callable[[Role], Work], owner: User, role: Role) -> None:
    work = work_as(role)
    with pytest.raises(NotAllowed):
        add_user(work, "Bo", Role.OWNER, GOOD)
    with pytest.raises(NotAllowed):
        change_user(work, owner.id, owner.version, Role.COUNTER, False)
    with pytest.raises(NotAllowed):
        set_password(work, owner.id, owner.version, GOOD)


def test_a_changed_role_ends_the_sessions_and_is_an_event(work: Work) -> None:
    user = UserFactory(name="Bo", role=Role.COUNTER)
    changed = change_user(work, user.id, user.version, Role.BENCH, True)
    assert (changed.role, changed.session_stamp) == (Role.BENCH, 2)
    assert events(work.session) == [("user changed", "Bo: role counter → bench")]


def test_saving_what_stands_already_changes_nothing(work: Work) -> None:
    user = UserFactory(role=Role.COUNTER)
    change_user(work, user.id, user.version, Role.COUNTER, True)
    assert (user.session_stamp, events(work.session)) == (1, [])


def test_a_stale_change_is_refused(work: Work) -> None:
    user = UserFactory(role=Role.COUNTER)
    before = user.version
    change_user(work, user.id, before, Role.BENCH, True)
    with pytest.raises(Stale):
        change_user(work, user.id, before, Role.OWNER, True)
    with pytest.raises(Stale):
        set_password(work, user.id, before, GOOD)


def test_a_missing_user_is_named(work: Work) -> None:
    with pytest.raises(NotFound, match="user"):
        change_user(work, 999, 1, Role.BENCH, True)
    with pytest.raises(NotFound, match="user"):
        set_password(work, 999, 1, GOOD)


@pytest.mark.postgresql
@pytest.mark.parametrize(("role", "active", "field"), [(Role.BENCH, True, "role"), (Role.OWNER, False, "active")])
def test_the_last_owner_stays(work: Work, owner: User, role: Role, active: bool, field: str) -> None:
    UserFactory(role=Role.OWNER, active=False)  # kept out already, so no help
    with pytest.raises(LedgerError, match="last owner") as refusal:
        change_user(work, owner.id, owner.version, role, active)
    assert refusal.value.field == field
    second = UserFactory(role=Role.OWNER)
    change_user(work, owner.id, owner.version, role, active)
    with pytest.raises(LedgerError, match="last owner"):
        change_user(work, second.id, second.version, Role.COUNTER, True)


def test_a_new_password_ends_the_sessions(work: Work, config: Config) -> None:
    user = UserFactory(name="Bo")
    set_password(work, user.id, user.version, GOOD)
    assert user.session_stamp == 2
    assert log_in(work, "Bo", GOOD, HOME, config).id == user.id
    with pytest.raises(LoginRefused):
        log_in(work, "Bo", PASSWORD, HOME, config)


def test_one_s_own_password_needs_the_current_one(work: Work, owner: User) -> None:
    with pytest.raises(LedgerError, match="not your password") as refusal:
        change_own_password(work, "something else", GOOD)
    assert refusal.value.field == "current"
    change_own_password(work, PASSWORD, GOOD)
    assert passwords.matches(owner.password_hash, GOOD)


# ---- logging in ----


def test_a_login_is_an_event_of_that_person(work: Work, config: Config) -> None:
    user = UserFactory(name="Zoë Fairlead")
    assert log_in(work, " zoë  FAIRLEAD ", PASSWORD, HOME, config).id == user.id
    event = work.session.scalars(sa.select(Event)).one()
    assert (event.kind, event.subject, event.actor_id, event.detail) == (
        "login",
        f"user {user.id}",
        user.id,
        {"address": HOME},
    )
    log_out(replace(work, actor=Actor.of(user)))
    assert [kind for kind, _ in events(work.session)] == ["login", "logout"]


@pytest.mark.usefixtures("own_passwords")
def test_unknown_name_wrong_password_and_kept_out_read_the_same_and_cost_the_same(
    work: Work, config: Config, monkeypatch: pytest.MonkeyPatch
) -> None:
    UserFactory(name="Known")
    UserFactory(name="Gone", active=False)
    verified: list[str] = []

    class Counting:
        def verify(self, password_hash: str, password: str) -> bool:
            verified.append(password_hash.rpartition("$")[0].rpartition("$")[0])
            return hasher.verify(password_hash, password)

    hasher = passwords._HASHER
    monkeypatch.setattr(passwords, "_HASHER", Counting())
    said = set()
    for name, password in (("Known", "wrong words here"), ("Nobody", PASSWORD), ("Gone", PASSWORD), ("", "")):
        with pytest.raises(LoginRefused) as refusal:
            log_in(work, name, password, HOME, config)
        said.add((refusal.value.field, refusal.value.message))
    assert len(said) == 1
    assert verified == ["$argon2id$v=19$m=65536,t=3,p=4"] * 4


@pytest.mark.sqlite
def test_what_was_typed_as_an_unknown_name_is_not_kept(work: Work, config: Config, ledger: Ledger) -> None:
    slip = "my password in the wrong box"
    with pytest.raises(LoginRefused):
        log_in(work, slip, "x", HOME, config)
    work.session.close()
    with ledger.engine.connect() as connection:
        connection.exec_driver_sql("PRAGMA wal_checkpoint(TRUNCATE)")
    found = b"".join(path.read_bytes() for path in config.instance.glob("*.sqlite3*"))
    assert slip.encode() not in found
    assert b"unknown name" in found


@pytest.mark.postgresql
@pytest.mark.parametrize("name", ["x" * 10_000, "a\x00b", "'; DROP TABLE users; --"])
def test_a_hostile_name_is_an_unknown_name(work: Work, config: Config, name: str) -> None:
    with pytest.raises(LoginRefused, match="do not belong together"):
        log_in(work, name, "y" * 100_000, HOME, config)


def fail(work: Work, config: Config, name: str, address: str = HOME) -> str:
    with pytest.raises(LoginRefused) as refusal:
        log_in(work, name, "not the password", address, config)
    return refusal.value.message


def test_a_name_is_refused_after_five_failures_even_with_the_right_password(work: Work, config: Config) -> None:
    UserFactory(name="Bo")
    assert [fail(work, config, "Bo") for _ in range(5)] == [fail(work, config, "Somebody")] * 5
    with pytest.raises(LoginRefused, match="Wait 15 minutes"):
        log_in(work, "Bo", PASSWORD, "198.51.100.7", config)


def test_the_limit_outlives_a_restart_and_ends_with_its_window(config: Config) -> None:
    first = open_ledger(config)
    with first.work(Actor(None, "the house", Role.OWNER), NOW) as work:
        start_house(work, "Fenwick Quay", "Bo", GOOD)
        for _ in range(5):
            fail(work, config, "Bo")
    first.close()
    second = open_ledger(config)
    with second.work(Actor(None, "the house", Role.OWNER), NOW + timedelta(minutes=14)) as work:
        assert fail(work, config, "Bo") == "Too many failed tries. Wait 1 minute, then try again."
    with second.work(Actor(None, "the house", Role.OWNER), NOW + timedelta(minutes=15)) as work:
        assert log_in(work, "Bo", GOOD, HOME, config).name == "Bo"
    second.close()


def test_a_login_forgives_the_failures_before_it(work: Work, config: Config) -> None:
    UserFactory(name="Bo")
    for _ in range(3):
        for _ in range(4):
            fail(work, config, "Bo")
        log_in(work, "Bo", PASSWORD, HOME, replace(config, login_attempts=5))


def test_an_address_is_refused_after_twenty_failures_under_any_names(work: Work, config: Config) -> None:
    UserFactory(name="Bo")
    for number in range(20):
        LoginAttemptFactory(name_key=f"guess {number}", address="198.51.100.7", at=NOW)
    assert "Too many failed tries" in fail(work, config, "Bo", "198.51.100.7")
    assert log_in(work, "Bo", PASSWORD, HOME, config).name == "Bo"


def test_attempts_are_forgotten_after_ninety_days(work: Work, config: Config) -> None:
    UserFactory(name="Bo")
    LoginAttemptFactory(at=NOW - timedelta(days=91))
    kept = LoginAttemptFactory(at=NOW - timedelta(days=89)).id
    log_in(work, "Bo", PASSWORD, HOME, config)
    assert work.session.scalars(sa.select(LoginAttempt.id).order_by(LoginAttempt.id)).all()[0] == kept


def test_the_refusal_at_the_limit_is_not_counted_and_tells_nothing(work: Work, config: Config) -> None:
    for _ in range(5):
        fail(work, config, "Nobody here")
    assert "Too many" in fail(work, config, "Nobody here")
    assert work.session.scalar(sa.select(sa.func.count()).select_from(LoginAttempt)) == 5


@pytest.mark.usefixtures("own_passwords")
def test_a_hash_of_older_cost_is_made_anew_at_the_next_login(work: Work, config: Config) -> None:
    from argon2 import PasswordHasher

    weak = PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(PASSWORD)
    user = UserFactory(name="Bo", password_hash=weak)
    log_in(work, "Bo", PASSWORD, HOME, config)
    assert user.password_hash.startswith("$argon2id$v=19$m=65536,t=3,p=4$")
    assert user.session_stamp == 1


def test_every_refusal_is_a_bittern_error() -> None:
    assert issubclass(LoginRefused, BitternError)
