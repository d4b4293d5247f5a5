"""Use cases: log in and out, with guessing made slow in a way that a restart does not forget."""

import math
from dataclasses import replace
from datetime import timedelta

import sqlalchemy as sa

from app.config import Config
from app.ledger.people.own_secrets import LoginRefused
from app.ledger.people.passwords import hash_password, is_outdated, matches
from app.ledger.people.second_factor import asks_code, matching_step, secret_of
from app.ledger.people.users import name_key
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import LoginAttempt, User
from app.validation import counted

# One address may be a whole shop behind one machine: it gets more tries than one name.
_ADDRESS_FACTOR = 4
_KEPT = timedelta(days=90)


_REFUSED = "Name and password do not belong together. Check both and try again."
_REFUSED_CODE = "Name, password and code do not belong together. Check them and try again with the code of now."


def log_in(work: Work, name: str, password: str, address: str, config: Config, code: str = "") -> User:
    """The user with this name and password, and the code of now where they have a second factor.

    Raises LoginRefused on field "password", also when `config.login_attempts` tries of this name, or four
    times as many from this address, failed within `config.login_window_minutes`; then the password is not
    even compared.
    """
    attempt_id, user = _begin_attempt(work, name, address, config)
    # Hashing takes its time on purpose: outside a transaction, so that nobody else waits for it.
    stored = user.password_hash if user is not None and user.active else None
    step = _step_of(work, user, code)  # looked at in any case, so that a wrong code reads like a wrong password
    if not matches(stored, password) or user is None or step is None:
        _record_failure(work, user, address)
        raise LoginRefused("password", _REFUSED_CODE if asks_code(work.session) else _REFUSED)
    fresh_hash = hash_password(password) if is_outdated(user.password_hash) else None
    with transaction(work.session):
        attempt = work.session.get_one(LoginAttempt, attempt_id)
        attempt.succeeded = True
        work.session.execute(sa.delete(LoginAttempt).where(LoginAttempt.at < work.now - _KEPT))
        user = work.session.get_one(User, user.id)
        if user.factor_sealed is not None and user.factor_step >= step:
            raise LoginRefused("password", _REFUSED_CODE)  # the code was used a moment ago
        user.factor_step = max(step, user.factor_step)
        if fresh_hash:
            user.password_hash = fresh_hash
        record(
            replace(work, actor=Actor.of(user)), "login", f"user {user.id}", f"{user.name} logged in", address=address
        )
    return user


def _step_of(work: Work, user: User | None, code: str) -> int | None:
    """The step of a right code; 0 where none is asked for; None for a wrong, an old or a missing one."""
    if user is None or user.factor_sealed is None:
        return 0
    return matching_step(secret_of(work.vault, user), code, work.now, user.factor_step)


def log_out(work: Work) -> None:
    """Record that the acting person logged out."""
    with transaction(work.session):
        record(work, "logout", f"user {work.actor.user_id}", f"{work.actor.name} logged out")


def _begin_attempt(work: Work, name: str, address: str, config: Config) -> tuple[int, User | None]:
    """Write the try down before the password is compared, so that tries at the same time all count."""
    key = name_key(name)
    with transaction(work.session):
        user = work.session.scalar(sa.select(User).where(User.name_key == key))
        if user is None:
            # A password typed into the wrong box must not stand here: an unknown name is kept as a keyed hash.
            key = work.vault.fingerprint(key, "login attempt").hex()
        _refuse_too_many(work, key, address, config)
        attempt = LoginAttempt(name_key=key, address=address, at=work.now, succeeded=False)
        work.session.add(attempt)
        work.session.flush()
        return attempt.id, user


def _refuse_too_many(work: Work, key: str, address: str, config: Config) -> None:
    since = work.now - timedelta(minutes=config.login_window_minutes)
    succeeded = sa.select(sa.func.coalesce(sa.func.max(LoginAttempt.id), 0)).where(
        LoginAttempt.name_key == key, LoginAttempt.succeeded
    )
    of_name = (LoginAttempt.name_key == key, LoginAttempt.id > succeeded.scalar_subquery())
    of_address = (LoginAttempt.address == address,)
    for which, most in ((of_name, config.login_attempts), (of_address, config.login_attempts * _ADDRESS_FACTOR)):
        failed = work.session.scalars(
            sa.select(LoginAttempt.at)
            .where(*which, LoginAttempt.at > since, sa.not_(LoginAttempt.succeeded))
            .order_by(LoginAttempt.at.desc())
            .limit(most)
        ).all()
        if len(failed) >= most:
            minutes = max(1, math.ceil((failed[-1] - since).total_seconds() / 60))
            waits = counted(minutes, "minute")
            raise LoginRefused("password", f"Too many failed tries. Wait {waits}, then try again.")


def _record_failure(work: Work, user: User | None, address: str) -> None:
    with transaction(work.session):
        if user is None:
            record(work, "login failed", "login", "Login failed: unknown name", address=address)
        else:
            record(work, "login failed", f"user {user.id}", f"Login failed for {user.name}", address=address)
