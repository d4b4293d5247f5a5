"""Users: put on record, let in or kept out, given a role or a password; and questions about them."""

import unicodedata
from collections.abc import Iterable, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.people.own_secrets import check_own_password
from app.ledger.people.passwords import check_new_password, hash_password
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, NotAllowed, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import House, Role, User, longest


def name_key(name: str) -> str:
    """What two spellings of one login name have in common: case, spacing and composed letters fall away.

    >>> name_key("  Ada   MARSH ") == name_key("ada marsh")
    True
    """
    kept = name.replace("\0", "\ufffd")  # PostgreSQL's text cannot hold a NUL; no name has one
    return " ".join(unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", kept).casefold()).split())


def has_users(session: Session) -> bool:
    """Whether anybody may log in yet; who came with an export and was never let in is nobody to wait for."""
    return session.scalar(sa.select(User.id).where(User.active).limit(1)) is not None


def get_user(session: Session, user_id: int) -> User:
    """The user with this id; NotFound when there is none."""
    return get_row(session, User, user_id, "user")


def user_named(session: Session, name: str) -> User | None:
    """The user who logs in by this name, however it is spelled; None when there is none."""
    return session.scalar(sa.select(User).where(User.name_key == name_key(name)))


def list_users(session: Session) -> Sequence[User]:
    """All users: those who may log in first, then by name."""
    return session.scalars(sa.select(User).order_by(User.active.desc(), User.name_key)).all()


_NAME = longest(User.name)
_NO_PASSWORD = ""  # no password has this hash


def start_house(work: Work, house_name: str, owner_name: str, password: str) -> User:
    """Begin an empty ledger: the house by its name, and its first owner.

    Raises NotAllowed once anybody is on record, LedgerError on the field that cannot be.
    """
    house = " ".join(house_name.split())
    if not house or len(house) > 120:
        raise LedgerError("house_name", "Enter the house's name, at most 120 characters.")
    password_hash = _hash_of(owner_name, password, (house,), name_field="owner_name")
    with transaction(work.session):
        if has_users(work.session):
            raise NotAllowed("This house has been started already. Log in instead.")
        if work.session.scalar(sa.select(House.id).limit(1)) is None:
            work.session.add(House(name=house, first_day=[]))
        user = _insert(work, owner_name, Role.OWNER, password_hash)
        record(work, "house started", "house", f"{house} started with {user.name} as its owner")
        return user


def add_user(work: Work, name: str, role: Role, password: str) -> User:
    """Put a user on record, or let somebody in who came with an export. Taken when somebody has this name already."""
    work.require_owner()
    password_hash = _hash_of(name, password, _house_names(work.session))
    with transaction(work.session):
        return _insert(work, name, role, password_hash)


def enter_people(work: Work, names: Iterable[str]) -> dict[str, int]:
    """Name → id of people put on record for what they did in another house, inside the caller's transaction.

    They cannot log in: they have no password, and the role of least rights, until the owner says otherwise.
    """
    entered = {}
    for name in names:
        user = User(
            name=name,
            name_key=name_key(name),
            role=Role.COUNTER,
            password_hash=_NO_PASSWORD,
            active=False,
            created_at=work.now,
        )
        work.session.add(user)
        work.session.flush()
        record(work, "person entered", f"user {user.id}", f"{name} came with an export and may not log in")
        entered[name] = user.id
    return entered


def check_name(name: str, field: str = "name") -> None:
    """Refuse a name that no login can have."""
    if not name_key(name) or len(name_key(name)) > _NAME or len(name) > _NAME:
        raise LedgerError(field, f"Enter a name of at most {_NAME} characters.")
    if not " ".join(name.split()).isprintable():
        raise LedgerError(field, "Use letters, digits, signs and spaces only.")


def change_user(work: Work, user_id: int, version: int, role: Role, active: bool) -> User:
    """Change a user's role, or whether they may log in; their sessions end. Stale when somebody saved in between.

    Raises LedgerError when nobody would be left who may log in as an owner.
    """
    work.require_owner()
    with transaction(work.session):
        user = get_version(work.session, User, user_id, "user", version)
        if (user.role, user.active) == (role, active):
            return user
        if user.role is Role.OWNER and user.active and not (role is Role.OWNER and active):
            _require_another_owner(work, user, "role" if role is not Role.OWNER else "active")
        words = []
        if user.role is not role:
            words.append(f"role {user.role} → {role}")
        if user.active is not active:
            words.append("may log in again" if active else "may no longer log in")
        user.role, user.active = role, active
        user.session_stamp += 1
        record(work, "user changed", f"user {user.id}", f"{user.name}: {', '.join(words)}")
        return user


def set_password(work: Work, user_id: int, version: int, password: str) -> User:
    """Give a user a new password; their sessions end. Stale when somebody saved in between."""
    work.require_owner()
    password_hash = _hash_of(get_user(work.session, user_id).name, password, _house_names(work.session))
    with transaction(work.session):
        user = get_version(work.session, User, user_id, "user", version)
        user.password_hash = password_hash
        user.session_stamp += 1
        record(work, "password set", f"user {user.id}", f"{user.name}: password set by {work.actor.name}")
        return user


def change_own_password(work: Work, current: str, password: str, login_id: int | None = None) -> User:
    """Change the acting person's own password; all their sessions end.

    `current` must be right (`check_own_password`): LoginRefused on field "current".
    """
    user = get_user(work.session, work.actor.user_id or 0)
    check_own_password(work, current, login_id)
    password_hash = _hash_of(user.name, password, _house_names(work.session))
    with transaction(work.session):
        user = get_user(work.session, user.id)
        user.password_hash = password_hash
        user.session_stamp += 1
        record(work, "password changed", f"user {user.id}", f"{user.name} changed their own password")
        return user


def _house_names(session: Session) -> list[str]:
    """What somebody who knows the house would try first: its name, its street and town, its people."""
    houses = session.execute(sa.select(House.name, House.address, House.tax_place)).all()
    return [*(name for house in houses for name in house), *session.scalars(sa.select(User.name))]


def _hash_of(name: str, password: str, house_names: Iterable[str], name_field: str = "name") -> str:
    """Hash before the transaction: it takes its time on purpose, and nobody else should wait for it."""
    check_name(name, name_field)
    check_new_password(password, " ".join(name.split()), house_names)
    return hash_password(password)


def _insert(work: Work, name: str, role: Role, password_hash: str) -> User:
    name = " ".join(name.split())
    user = work.session.scalar(sa.select(User).where(User.name_key == name_key(name)))
    if user is not None and user.password_hash != _NO_PASSWORD:
        raise Taken("name", f"Somebody is on record as {name} already; choose another name.")
    if user is None:
        user = User(name=name, name_key=name_key(name), created_at=work.now)
        work.session.add(user)
    user.role, user.password_hash, user.active = role, password_hash, True
    work.session.flush()
    record(work, "user added", f"user {user.id}", f"{user.name} may log in as {role}")
    return user


def _require_another_owner(work: Work, user: User, field: str) -> None:
    other = sa.select(User.id).where(User.role == Role.OWNER, User.active, User.id != user.id).limit(1)
    if work.session.scalar(other) is None:
        raise LedgerError(field, f"{user.name} is the last owner who may log in; make somebody else an owner first.")
