"""Logins on record: begun, seen, locked, unlocked, proven anew and ended; a copied cookie dies with its row.

Seeing and locking write no event: they change no record, and would bury the events that matter.
"""

import hashlib
import secrets
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.ledger.people.login_rules import LoginRules
from app.ledger.people.own_secrets import LoginSecret, end_where, forgive, pin_matches, try_secret
from app.ledger.people.passwords import matches
from app.ledger.store.engine import get_row, read, transaction
from app.ledger.store.errors import NotAllowed
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import House, Login, LoginRulesRow, Role, User

SEEN_EVERY = timedelta(minutes=1)
# A clock set right by a minute or two ends nobody's login; one set back further is not a clock to reckon with.
_CLOCK_SLACK = timedelta(minutes=10)
_KEPT = timedelta(days=90)


@dataclass(frozen=True, slots=True)
class Limits:
    """How long a login lasts: without use, and in any case."""

    idle: timedelta
    whole: timedelta

    @classmethod
    def of(cls, config: Config) -> "Limits":
        """The limits that the settings say."""
        return cls(config.idle_limit, timedelta(hours=config.session_hours))

    def hold(self, login: Login | sa.Row[*tuple[Any, ...]], now: datetime) -> bool:
        """Whether the login still lasts. A locked screen may rest for as long as the login may last at all."""
        if not -_CLOCK_SLACK <= now - login.began_at <= self.whole:
            return False
        return login.locked_at is not None or now - login.seen_at <= self.idle


@dataclass(frozen=True, slots=True)
class HeldLogin:
    """The login that a cookie stands for, whose it is, the house's rules, and the name at the head of its pages."""

    login_id: int
    proven_at: datetime
    user_id: int
    name: str
    role: Role
    has_pin: bool
    has_factor: bool
    rules: LoginRules
    house_name: str
    is_locked: bool
    is_due: bool  # it is time to write down that it was seen


def begin(work: Work, user: User, address: str, former: str = "") -> str:
    """A new login of `user`: the words for its cookie. The login of the cookie `former` ends."""
    token = secrets.token_urlsafe(32)
    with transaction(work.session):
        end_where(work, Login.token_hash == _hash(former))
        work.session.execute(sa.delete(Login).where(Login.began_at < work.now - _KEPT))
        work.session.add(
            Login(
                token_hash=_hash(token),
                user_id=user.id,
                stamp=user.session_stamp,
                address=address[:64],
                began_at=work.now,
                seen_at=work.now,
                proven_at=work.now,
            )
        )
    return token


def find(session: Session, token: str, now: datetime, limits: Limits) -> HeldLogin | None:
    """The login that the cookie's words stand for, by one question; None when there is none or it has ended.

    The password, the role and the permission to log in are the user's of now: a change of any ends the login.
    """
    found = read(session, _HELD, {"token": _hash(token)})
    if not found or not limits.hold(found[0], now):
        return None
    login = found[0]
    rules = LoginRules() if login.lock_minutes is None else LoginRules(*login[-len(_RULES) :])
    rested = now - login.seen_at
    # `seen_at` may be a minute old while somebody works, so that minute is given on top.
    is_over = bool(rules.lock_minutes) and rested > timedelta(minutes=rules.lock_minutes) + SEEN_EVERY
    is_locked = login.locked_at is not None or is_over
    return HeldLogin(
        login_id=login.id,
        proven_at=login.proven_at,
        user_id=login.user_id,
        name=login.name,
        role=login.role,
        has_pin=bool(login.pin_hash),
        has_factor=login.factor_sealed is not None,
        rules=rules,
        house_name=login.house_name or "",
        is_locked=is_locked,
        is_due=not is_locked and abs(rested) > SEEN_EVERY,
    )


def see(session: Session, login_id: int, now: datetime) -> None:
    """Write down that the login was used now; callers ask for it at most once a minute."""
    with transaction(session):
        session.execute(sa.update(Login).where(Login.id == login_id).values(seen_at=now))


def lock(work: Work, login_id: int) -> None:
    """Lock the screen of a login until its person unlocks it."""
    with transaction(work.session):
        still_open = (Login.id == login_id, Login.locked_at.is_(None))
        work.session.execute(sa.update(Login).where(*still_open).values(locked_at=work.now))


def unlock(work: Work, login_id: int, secret: str) -> None:
    """Unlock by the person's PIN, or by their password where they have no PIN.

    Raises LoginRefused on field "secret"; the fifth wrong try in a row ends the login.
    """

    kind = LoginSecret.PIN if work.session.get_one(User, work.actor.user_id).pin_hash else LoginSecret.PASSWORD

    def is_right(user: User) -> bool:
        is_pin = kind is LoginSecret.PIN
        return pin_matches(work.vault, user, secret) if is_pin else matches(user.password_hash, secret)

    try_secret(work, login_id, is_right, kind)
    with transaction(work.session):
        login = work.session.get_one(Login, login_id)
        forgive(work, login, kind)
        login.locked_at, login.seen_at = None, work.now
        record(work, "screen unlocked", f"user {login.user_id}", f"{work.actor.name} unlocked the screen")


def prove(work: Work, login_id: int, password: str) -> str:
    """Give the password once more: new words for the cookie, the former ones open nothing any more.

    Raises LoginRefused on field "secret"; the fifth wrong try in a row ends the login.
    """
    try_secret(work, login_id, lambda user: matches(user.password_hash, password), LoginSecret.PASSWORD)
    token = secrets.token_urlsafe(32)
    with transaction(work.session):
        login = work.session.get_one(Login, login_id)
        forgive(work, login, LoginSecret.PASSWORD)
        login.proven_at, login.seen_at, login.token_hash = work.now, work.now, _hash(token)
        record(work, "password given again", f"user {login.user_id}", f"{work.actor.name} gave the password again")
    return token


def end(work: Work, token: str) -> None:
    """End the login of the cookie's words, if there is one."""
    with transaction(work.session):
        end_where(work, Login.token_hash == _hash(token))


def end_by_number(work: Work, number: int) -> str:
    """End somebody's login by its number in the list; the owner anybody's, everybody their own. Whose it was."""
    with transaction(work.session):
        login = get_row(work.session, Login, number, "login")
        user = work.session.get_one(User, login.user_id)
        if work.actor.role is not Role.OWNER and work.actor.user_id != user.id:
            raise NotAllowed()
        if end_where(work, Login.id == number):
            record(work, "login ended", f"user {user.id}", f"A login of {user.name} ended by {work.actor.name}")
        return user.name


def list_open(
    session: Session, now: datetime, limits: Limits, user_id: int | None = None
) -> list[sa.Row[*tuple[Any, ...]]]:
    """The logins that are open now, last used first; of one person where `user_id` is given.

    Each has `number`, `name`, `address`, `began_at`, `seen_at` and `locked_at`.
    """
    asked = sa.select(
        Login.id.label("number"), User.name, Login.address, Login.began_at, Login.seen_at, Login.locked_at
    )
    asked = asked.join(User, User.id == Login.user_id).where(*_IS_OPEN)
    if user_id is not None:
        asked = asked.where(Login.user_id == user_id)
    rows = session.execute(asked.order_by(Login.seen_at.desc(), Login.id.desc()))
    return [row for row in rows if limits.hold(row, now)]


_IS_OPEN = (Login.ended_at.is_(None), Login.stamp == User.session_stamp, User.active)
_RULES = tuple(getattr(LoginRulesRow, one.name) for one in fields(LoginRules))
# Every page asks this first: columns alone, and the house's name, which every page wants too.
_HELD = (
    sa.select(
        Login.id,
        Login.began_at,
        Login.seen_at,
        Login.proven_at,
        Login.locked_at,
        Login.user_id,
        User.name,
        User.role,
        User.pin_hash,
        User.factor_sealed,
        sa.select(House.name).order_by(House.id).limit(1).scalar_subquery().label("house_name"),
        *_RULES,
    )
    .join(User, User.id == Login.user_id)
    .join(LoginRulesRow, sa.true(), isouter=True)
    .where(Login.token_hash == sa.bindparam("token"), *_IS_OPEN)
    .limit(1)
)


def _hash(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
