"""Customers on record who may be the one that is about to be saved: by phone, e-mail, or a name spelled otherwise."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.sites.customers import CustomerForm, add_customer, phone_digits
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Contact, Customer, FormerName, Role

_SAYS_NOTHING = frozenset({"the", "and", "of", "inc", "llc", "ltd", "co", "company", "corp"})
_SOUNDS = (
    ("ph", "f"), ("ck", "k"), ("c", "k"), ("z", "s"), ("dt", "t"),
    ("ai", "e"), ("ay", "e"), ("ei", "e"), ("ey", "e"), ("ie", "i"), ("y", "i"),
)  # fmt: skip
_LOCAL = 7  # digits of a number without its area code
MOST = 5


@dataclass(frozen=True, slots=True)
class LikeCustomer:
    """A customer on record, and what is alike, in words."""

    customer: Customer
    why: str


@lru_cache(maxsize=65536)
def sound(word: str) -> str:
    """A word as it sounds, whichever of the usual ways it is spelled.

    >>> sound("smyth") == sound("smith"), sound("meier") == sound("mayer"), sound("jon") == sound("john")
    (True, True, True)
    >>> sound("hall") == sound("hill")
    False
    """
    for written, heard in _SOUNDS:
        word = word.replace(written, heard)
    word = word[:1] + word[1:].replace("h", "")
    return re.sub(r"(.)\1+", r"\1", word)


def _words(name: str) -> list[str]:
    bare = re.sub(r"['’]", "", name.casefold())
    words = re.findall(r"[^\W_]+", bare)
    return [word for word in words if word not in _SAYS_NOTHING] or words


def _one_slip(one: str, other: str) -> bool:
    """Whether two words differ by one letter: another, a missing one, or two that changed places."""
    if min(len(one), len(other)) < 5 or abs(len(one) - len(other)) > 1 or not (one + other).isalpha():
        return False
    at = next((place for place, pair in enumerate(zip(one, other, strict=False)) if pair[0] != pair[1]), None)
    if at is None:
        return True
    a, b = one[at:], other[at:]
    return a[1:] == b[1:] or a[1:] == b or a == b[1:] or (a[:2] == b[1::-1] and a[2:] == b[2:])


def _alike(mine: Sequence[str], theirs: Sequence[str]) -> bool:
    """Whether two names may be one person's or firm's: the same words, in any order, each as it sounds or slipped.

    >>> _alike(_words("Jon Smyth"), _words("Smith, John")), _alike(_words("Flat 12"), _words("Flat 13"))
    (True, False)
    >>> _alike(_words("Lantern Row Dental"), _words("The Lantern Row Dentel Co."))
    True
    >>> _alike(_words("Jon Hall"), _words("Jon Hill"))
    False
    """
    if len(mine) != len(theirs):
        return False
    pairs = zip(sorted(mine, key=sound), sorted(theirs, key=sound), strict=True)
    return all(sound(one) == sound(other) or _one_slip(one, other) for one, other in pairs)


def find_like(session: Session, form: CustomerForm, but: int = 0) -> tuple[LikeCustomer, ...]:
    """The customers who may be this one, the surest first: by phone, e-mail, name; `but`: the id of one who is.

    Former names, and those of customers who were merged, lead to who has them now.
    """
    found: dict[int, str] = {}
    current = sa.func.coalesce(Customer.merged_into_id, Customer.id)
    digits = phone_digits(form.phone)[-_LOCAL:]
    if len(digits) == _LOCAL:
        own = sa.select(current).where(Customer.phone_digits.endswith(digits))
        theirs = sa.select(Contact.customer_id).where(Contact.phone_digits.endswith(digits))
        found |= dict.fromkeys([*session.scalars(theirs), *session.scalars(own)], "the same phone number")
    if email := form.email.strip().lower():
        own = sa.select(current).where(sa.func.lower(Customer.email) == email)
        theirs = sa.select(Contact.customer_id).where(sa.func.lower(Contact.email) == email)
        for one in (*session.scalars(own), *session.scalars(theirs)):
            found.setdefault(one, "the same e-mail address")
    once = sa.select(current.label("id"), FormerName.name, sa.literal("a name like one it had").label("why"))
    own_names = sa.select(current.label("id"), Customer.name, sa.literal("a name like it").label("why"))
    names = sa.union_all(own_names, once.join(FormerName, FormerName.customer_id == Customer.id)).subquery()
    words = _words(form.name)
    for one, name, why in session.execute(sa.select(names).order_by(names.c.why, names.c.id)) if words else ():
        if one not in found and _alike(words, _words(name)):
            found[one] = why
    found.pop(but, None)
    if not found:
        return ()
    whole = sa.select(Customer).where(Customer.id.in_(list(found)[:200]), Customer.merged_into_id.is_(None))
    by_id = {one.id: one for one in session.scalars(whole)}
    return tuple(LikeCustomer(by_id[one], why) for one, why in found.items() if one in by_id)[:MOST]


def add_unlike(work: Work, form: CustomerForm) -> Customer:
    """Put a customer on record who is like none there; LedgerError on `name` where one is, and as `add_customer`."""
    work.require(Role.COUNTER, Role.BENCH)
    require_unlike(work.session, form)
    return add_customer(work, form)


def require_unlike(session: Session, form: CustomerForm) -> None:
    """Refuse, on `name`, a new customer like one on record, until somebody says that it is another one."""
    if form.name.strip() and (like := find_like(session, form)):
        raise LedgerError("name", say_like(like))


def say_like(like: Sequence[LikeCustomer]) -> str:
    """Who is on record, in a sentence with what to do."""
    named = "; ".join(
        f"{one.customer.name}{f', {one.customer.phone}' if one.customer.phone else ''} ({one.why})" for one in like
    )
    return f"On record already: {named}. Choose that customer, or tick that this is another one."
