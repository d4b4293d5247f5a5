"""A second factor at the login: six digits that a person's phone makes anew every thirty seconds (RFC 6238).

Everybody decides for themselves, unless the house asks their role for it (app/config.py). The secret is sealed, a
code counts once, and a wrong code reads like a wrong password. A locked screen and a password asked again do not ask
for it: it guards the way in from elsewhere.
"""

import base64
import hashlib
import hmac
import secrets
import struct
from datetime import datetime

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.people.own_secrets import check_own_password
from app.ledger.people.users import get_user
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotAllowed
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import Role, User

STEP_SECONDS, DIGITS = 30, 6
_BYTES = 20  # as long as the hash, as RFC 4226 section 4 wants


def new_secret() -> str:
    """A fresh secret in base 32, 32 letters and digits, as authenticator programs take it."""
    return base64.b32encode(secrets.token_bytes(_BYTES)).decode("ascii")


def code_at(secret: str, step: int) -> str:
    """The six digits of one step: HMAC-SHA-1, truncated as RFC 4226 section 5.3 says.

    >>> code_at(base64.b32encode(b"12345678901234567890").decode(), 59 // STEP_SECONDS)
    '287082'
    """
    mac = hmac.new(base64.b32decode(secret), struct.pack(">Q", step), hashlib.sha1).digest()
    start = mac[-1] & 15
    number = int.from_bytes(mac[start : start + 4], "big") & 0x7FFFFFFF
    return f"{number % 10**DIGITS:0{DIGITS}}"


def matching_step(secret: str, code: str, now: datetime, after: int = 0) -> int | None:
    """The step, later than `after`, whose code this is: now's, the one before or the next; None for a wrong code.

    One step to either side: a phone's clock and a person's fingers are not exact (RFC 6238 section 5.2).
    """
    plain = "".join(code.split())
    if not (plain.isascii() and plain.isdigit() and len(plain) == DIGITS):
        return None
    here = int(now.timestamp()) // STEP_SECONDS
    found = [step for step in (here - 1, here, here + 1) if hmac.compare_digest(code_at(secret, step), plain)]
    return next((step for step in found if step > after), None)


def set_factor(work: Work, password: str, secret: str, code: str, login_id: int | None = None) -> User:
    """Give the acting person a second factor: their password, and a code of the new secret as the proof it works.

    Raises LoginRefused on field "current" (`check_own_password`), LedgerError on field "code".
    """
    user = get_user(work.session, work.actor.user_id or 0)
    check_own_password(work, password, login_id)
    step = matching_step(secret, code, work.now)
    if step is None:
        raise LedgerError("code", "This is not the code of now. Is the phone's clock right? Try the next code.")
    return _save(work, user.id, work.vault.seal(secret, factor_context(user.id)), step, "set up a second factor")


def drop_factor(work: Work, user_id: int) -> User:
    """Remove a second factor: one's own, or anybody's by the owner (a phone was lost). Their logins end."""
    if work.actor.role is not Role.OWNER and work.actor.user_id != user_id:
        raise NotAllowed()
    return _save(work, user_id, None, 0, "has no second factor any more")


def asks_code(session: Session) -> bool:
    """Whether anybody who may log in has a second factor, so that the login page has a box for it."""
    return session.scalar(sa.select(User.id).where(User.factor_sealed.is_not(None), User.active).limit(1)) is not None


def secret_of(vault: Vault, user: User) -> str:
    """The secret of a user who has one."""
    return vault.open(user.factor_sealed or b"", factor_context(user.id))


def _save(work: Work, user_id: int, sealed: bytes | None, step: int, words: str) -> User:
    with transaction(work.session):
        if sealed is not None:
            require_current_key(work)
        user = get_user(work.session, user_id)
        user.factor_sealed, user.factor_step = sealed, step
        user.session_stamp += 1  # whoever has the lost phone, or came in without a code, is out
        record(work, "second factor changed", f"user {user.id}", f"{user.name} {words}")
        return user


def factor_context(user_id: int) -> str:
    """What a second factor's sealed secret is bound to."""
    return f"second factor of user {user_id}"
