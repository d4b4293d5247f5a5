"""Whose data it is: a customer, a login, or a person told by a record that names them; what stands in the way."""

import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, selectinload

from app.ledger.keys.key_queries import RECEIPTS
from app.ledger.money.payments import money_of
from app.ledger.privacy.words import Mark, pattern_of_words, patterns_of_phone, phone_marks, tokens, words_mark
from app.ledger.quoting.mailing import QUOTE_SENT
from app.ledger.search.words import dialect_of, holds, query_of, read_words, word_ids
from app.ledger.store.engine import get_row
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import (
    Contact,
    Customer,
    Event,
    FormerName,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Loss,
    Payment,
    QuoteRevision,
    Role,
    Site,
    Stage,
    User,
)
from app.pricing import show_cents
from app.validation import counted, first_of

SUBJECTS = ("customer", "contact", "login", "key", "job", "event")
_MOST = 40
_OVER = (Stage.HANDED_OVER, Stage.CLOSED, Stage.LOST, Stage.CANCELED)
_CAME_TO_NOTHING = (Stage.LOST, Stage.CANCELED)


@dataclass(frozen=True, slots=True)
class Subject:
    """A customer or a person, told by a row: `kind` customer, contact, login, key (who holds it), job (who accepted
    its quote) or event (who signed or picked up). customer_id: whose records the row is among.
    """

    kind: str
    id: int
    name: str
    about: str
    customer_id: int | None = None

    @property
    def is_row(self) -> bool:
        """Whether a row of their own is about them."""
        return self.kind in ("customer", "contact", "login")


def get_subject(session: Session, kind: str, row_id: int) -> Subject:
    """The customer or person that a row tells of; NotFound where it names nobody."""
    found: Subject | None = None
    match kind:
        case "customer":
            customer = get_row(session, Customer, row_id, "customer")
            found = Subject(kind, row_id, customer.name, "customer", row_id)
        case "contact":
            contact = get_row(session, Contact, row_id, "contact")
            about = f"contact of {contact.customer.name}"
            found = Subject(kind, row_id, contact.name, about, contact.customer_id)
        case "login":
            user = get_row(session, User, row_id, "user")
            found = Subject(kind, row_id, user.name, f"login, {user.role}")
        case "key":
            key = get_row(session, Key, row_id, "key")
            system = key.keyset.system
            about = f"holds {key.keyset.symbol} copy {key.copy_number} of {system.name}"
            found = Subject(kind, row_id, key.holder, about, system.customer_id)
        case "job":
            job = get_row(session, Job, row_id, "job")
            found = Subject(kind, row_id, job.accepted_by, f"accepted the quote of job {job.number}", job.customer_id)
        case "event":
            event = get_row(session, Event, row_id, "event")
            name = event.detail.get("holder") or event.detail.get("taken_by") or ""
            found = Subject(kind, row_id, str(name), "signed for keys or picked up")
    if found is None or not tokens(found.name):
        raise NotFound("person")
    return found


def find_subjects(work: Work, text: str) -> tuple[Subject, ...]:
    """Who is on record under such a name, for the owner: rows of their own first, then each other name once."""
    work.require_owner()
    session, words = work.session, " ".join(text.split())
    if not words:
        return ()
    rows: list[tuple[str, int]] = []
    formerly = sa.select(FormerName.customer_id).where(FormerName.id.in_(_begun(session, FormerName, words)))
    customer = sa.or_(Customer.id.in_(_begun(session, Customer, words)), Customer.id.in_(formerly))
    contact = Contact.id.in_(_begun(session, Contact, words))
    for kind, table, also in (("customer", Customer, customer), ("contact", Contact, contact), ("login", User, None)):
        is_meant = holds(table.name, words) if also is None else sa.or_(holds(table.name, words), also)
        ids = sa.select(table.id).where(is_meant).order_by(table.name, table.id).limit(_MOST)
        rows += [(kind, row_id) for row_id in session.scalars(ids)]
    named: list[tuple[str, int]] = []
    held = sa.or_(holds(Key.holder, words), Key.id.in_(_begun(session, Key, words)))
    for kind, row, is_theirs in (("key", Key.id, held), ("job", Job.id, holds(Job.accepted_by, words))):
        ids = sa.select(row).where(is_theirs).order_by(row.desc()).limit(_MOST)
        named += [(kind, row_id) for row_id in session.scalars(ids)]
    told = sa.cast(Event.detail, sa.Text)
    signed = sa.select(Event.id).where(
        sa.func.lower(told).like(pattern_of_words(words)), sa.or_(told.like('%"holder"%'), told.like('%"taken_by"%'))
    )
    named += [("event", row_id) for row_id in session.scalars(signed.order_by(Event.id.desc()).limit(_MOST))]
    found = [get_subject(session, kind, row_id) for kind, row_id in rows]
    others: dict[tuple[str, ...], Subject] = {}
    wanted = set(tokens(words))
    for kind, row_id in named:
        try:
            subject = get_subject(session, kind, row_id)
        except NotFound:
            continue
        if not wanted.isdisjoint(tokens(subject.name)) or kind != "event":
            others.setdefault(tuple(tokens(subject.name)), subject)
    has_row = {tuple(tokens(one.name)) for one in found}
    return (*found, *(one for name, one in others.items() if name not in has_row))


def _begun(session: Session, model: Any, text: str) -> Sequence[int]:
    """The rows that the search finds by the words, which takes accents and apostrophes as people type them."""
    words, dialect = read_words(text), dialect_of(session)
    if not words:
        return ()
    return session.scalars(word_ids(dialect, model, "asked", _MOST), {"asked": query_of(dialect, words)}).all()


@dataclass(slots=True)
class Identity:
    """By which words a subject is told, what takes their place, and which rows are about them.

    patterns: for SQL, a coarse choice of the texts that may hold such words. rows: (table, id, what is put there).
    """

    marks: list[Mark] = field(default_factory=list)
    patterns: list[str] = field(default_factory=list)
    rows: list[tuple[str, int, str]] = field(default_factory=list)

    def add_words(self, hasher: Vault, text: str, put: str, *, is_own: bool = False) -> None:
        """A name, an e-mail address or an address; nothing where it has no words to be told by."""
        short, comma, _ = text.partition(",")
        if comma and len(tokens(short)) > 1 and "\n" not in text:
            self.add_words(hasher, short, put, is_own=is_own)  # "R. Dunlin, reception" is R. Dunlin elsewhere
        mark = words_mark(hasher, text, put, is_own=is_own)
        if mark is None:
            return
        same = next((place for place, one in enumerate(self.marks) if one.whole == mark.whole), None)
        if same is None:
            self.marks.append(mark)
            self.patterns.append(pattern_of_words(text))
        elif not is_own:
            self.marks[same] = replace(self.marks[same], own=False)

    def add_phone(self, hasher: Vault, phone: str, put: str) -> None:
        """A phone number, however it is written."""
        if marks := phone_marks(hasher, phone, put):
            self.marks += marks
            self.patterns += patterns_of_phone(phone)

    def add_row(self, hasher: Vault, row: Any, put: str, *, is_own: bool = False) -> None:
        """A customer, contact or login: the row, and every word by which it tells of somebody.

        is_own: of a name that somebody else's customer may bear too.
        """
        self.rows.append((row.__tablename__, row.id, put))
        self.add_words(hasher, row.name, put, is_own=is_own)
        if not isinstance(row, User):
            self.add_phone(hasher, row.phone, _GONE)
            self.add_words(hasher, row.email, _GONE)
        if isinstance(row, Customer):
            self.add_address(hasher, row.address)

    def add_site(self, hasher: Vault, site: Site) -> None:
        """A site of a customer who goes: its name tells where they live."""
        put = f"site {site.id}"
        self.rows.append((Site.__tablename__, site.id, put))
        self.add_words(hasher, site.name, put, is_own=True)
        self.add_address(hasher, site.address)

    def add_address(self, hasher: Vault, address: str) -> None:
        """An address as a whole and, among their own records, each line of it with a number."""
        self.add_words(hasher, address, _GONE, is_own=len(tokens(address)) < _WORDS_OF_ADDRESS)
        for line in address.splitlines():
            if any(one.isdigit() for one in line):
                self.add_words(hasher, line, _GONE, is_own=True)


_GONE = "(removed)"
_WORDS_OF_ADDRESS = 3  # fewer may be a town alone


_REMOVED = re.compile(r"(customer|person) removed [0-9]+(-[0-9]+)?")


def placeholder(subject: Subject, number: int) -> str:
    """What stands in the place of a name from then on."""
    return f"{'customer' if subject.kind == 'customer' else 'person'} removed {number}"


def identity_of(session: Session, hasher: Vault, subject: Subject, number: int, also: str = "") -> Identity:
    """By what a subject is told. also: further names, phones and addresses that are theirs, one a line."""
    found, put = Identity(), placeholder(subject, number)
    if subject.kind == "customer":
        customer = session.get_one(Customer, subject.id)
        found.add_row(hasher, customer, put)
        others = list(dict.fromkeys(_named_with(session, customer)))
        for place, contact in enumerate(customer.contacts, start=2):
            found.add_row(hasher, contact, f"person removed {number}-{place}", is_own=True)
        for place, name in enumerate(others, start=2 + len(customer.contacts)):
            found.add_words(hasher, name, f"person removed {number}-{place}", is_own=True)
        for site in _sites(session, customer):
            found.add_site(hasher, site)
        for quote in _quotes_of(session, customer.id):  # as they were called, and where they were, when it was issued
            found.add_words(hasher, quote["customer_name"], put)
            found.add_phone(hasher, quote["customer_phone"], _GONE)
            found.add_address(hasher, quote["customer_address"])
            found.add_words(hasher, quote["site_name"], "a former site", is_own=True)
            found.add_address(hasher, quote["site_address"])
        for former in _former_names(session, customer):
            found.add_words(hasher, former.name, put, is_own=former.site_id is not None)
        merged = sa.select(Customer).where(Customer.merged_into_id == customer.id).order_by(Customer.id)
        for other in session.scalars(merged):
            found.add_row(hasher, other, put)
        for address in _mailed_to(session, customer.id):
            found.add_words(hasher, address, _GONE, is_own=True)
        for phone in _phones_signed(session, customer_id=customer.id):
            found.add_phone(hasher, phone, _GONE)
    else:
        if subject.is_row:
            found.add_row(hasher, session.get_one(Contact if subject.kind == "contact" else User, subject.id), put)
        found.add_words(hasher, subject.name, put)
        for phone in _phones_signed(session, name=subject.name):
            found.add_phone(hasher, phone, _GONE)
    for line in also.splitlines():
        if any(one.isalpha() for one in line):
            found.add_words(hasher, line, _GONE if "@" in line else put)
        else:
            found.add_phone(hasher, line, _GONE)
    return found


def _quotes_of(session: Session, customer_id: int) -> Iterator[dict[str, Any]]:
    """What each quote of a customer says, as it was issued."""
    rows = sa.select(QuoteRevision.snapshot).join(QuoteRevision.job).where(Job.customer_id == customer_id)
    for text in session.scalars(rows.order_by(QuoteRevision.id)):
        yield json.loads(text)


def _mailed_to(session: Session, customer_id: int) -> list[str]:
    """The addresses that a customer's quotes were sent to."""
    rows = sa.select(Event.summary).join(Job, Job.id == Event.job_id)
    rows = rows.where(Event.kind == QUOTE_SENT, Job.customer_id == customer_id).order_by(Event.id)
    return [address for text in session.scalars(rows) for address in re.findall(r"[^\s,<>]+@[^\s,<>]+", text)]


def _sites(session: Session, customer: Customer) -> Sequence[Site]:
    """A customer's sites, those that became part of another one too."""
    return session.scalars(sa.select(Site).where(Site.customer_id == customer.id).order_by(Site.id)).all()


def _former_names(session: Session, customer: Customer) -> Sequence[FormerName]:
    sites = [site.id for site in _sites(session, customer)]
    merged = sa.select(Customer.id).where(Customer.merged_into_id == customer.id)
    own = sa.or_(FormerName.customer_id == customer.id, FormerName.customer_id.in_(merged))
    theirs = sa.or_(own, FormerName.site_id.in_(sites))
    return session.scalars(sa.select(FormerName).where(theirs).order_by(FormerName.id)).all()


def _named_with(session: Session, customer: Customer) -> Iterator[str]:
    """Who accepted, signed or picked up for a customer, and who owns its key systems; no login of the house."""
    logins = {tuple(tokens(name)) for name in session.scalars(sa.select(User.name))}
    jobs = sa.select(Job.accepted_by).where(Job.customer_id == customer.id, Job.accepted_by != "").order_by(Job.id)
    owners = sa.select(KeySystem.owner_of_record).where(KeySystem.customer_id == customer.id).order_by(KeySystem.id)
    holders = sa.select(Key.holder).join(Key.keyset).join(Keyset.system)
    holders = holders.where(KeySystem.customer_id == customer.id, Key.holder != "").order_by(Key.id)
    names = [*session.scalars(jobs), *session.scalars(owners), *session.scalars(holders)]
    for detail in _details_of(session, customer.id):
        names += [str(detail.get("holder") or ""), str(detail.get("taken_by") or "")]
    for name in names:
        if tokens(name) and tuple(tokens(name)) not in {*logins, tuple(tokens(customer.name))}:
            yield " ".join(name.split())


def _details_of(session: Session, customer_id: int) -> list[dict[str, Any]]:
    """The details of what happened to a customer's jobs and key systems."""
    systems = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id)
    subjects = [f"key system {one}" for one in session.scalars(systems)]
    jobs = sa.select(Job.id).where(Job.customer_id == customer_id)
    rows = sa.select(Event.detail).where(sa.or_(Event.subject.in_(subjects), Event.job_id.in_(jobs)))
    return list(session.scalars(rows.order_by(Event.id)))


def _phones_signed(session: Session, *, name: str = "", customer_id: int | None = None) -> list[str]:
    """The phone numbers on receipts for keys and with keys, beside this name or for this customer."""
    held = sa.select(Key.holder, Key.holder_phone).join(Key.keyset).join(Keyset.system).where(Key.holder_phone != "")
    if customer_id is not None:
        keys = session.execute(held.where(KeySystem.customer_id == customer_id).order_by(Key.id)).all()
        phones = [str(one["phone"]) for one in _details_of(session, customer_id) if one.get("phone")]
        return list(dict.fromkeys([*(phone for _, phone in keys), *phones]))
    keys = session.execute(held.where(holds(Key.holder, name.split()[0])).order_by(Key.id)).all()
    rows = sa.select(Event.detail).where(Event.kind.in_(RECEIPTS)).order_by(Event.id)
    pattern = pattern_of_words(name)
    rows = rows.where(sa.func.lower(sa.cast(Event.detail, sa.Text)).like(pattern))
    same = [one for one in session.scalars(rows) if tokens(str(one.get("holder", ""))) == tokens(name)]
    phones = [phone for holder, phone in keys if tokens(holder) == tokens(name)]
    return list(dict.fromkeys([*phones, *(str(one["phone"]) for one in same if one.get("phone"))]))


def what_stands_in_the_way(work: Work, subject: Subject) -> tuple[str, ...]:
    """Why this cannot be deleted yet, and what to do first; nothing where it can be."""
    session = work.session
    if _REMOVED.fullmatch(subject.name):
        return (f"This was deleted already: it reads {subject.name}.",)
    if subject.kind == "customer":
        return tuple(_of_customer(session, subject.id))
    found = list(_of_person(session, subject))
    if subject.kind == "login":
        found += _of_login(work, subject)
    return tuple(found)


def _of_customer(session: Session, customer_id: int) -> Iterator[str]:
    jobs = session.scalars(
        sa.select(Job)
        .where(Job.customer_id == customer_id)
        .options(selectinload(Job.payments).load_only(Payment.cents, Payment.means), selectinload(Job.revisions))
        .order_by(Job.number)
    ).all()
    is_open = [str(job.number) for job in jobs if job.stage not in _OVER]
    if is_open:
        yield f"Not over yet: job {', '.join(is_open)}. Finish it, lose its quote or cancel it first."
    for job in jobs:
        money, due = money_of(session, job)
        owed = money.balance_cents if due or job.stage not in _CAME_TO_NOTHING else -money.paid_cents
        if job.stage in _OVER and owed > 0:
            yield f"Job {job.number}: {show_cents(owed)} is not paid. Take it, or let it off the price, first."
        elif job.stage in _OVER and owed < 0:
            yield f"Job {job.number}: {show_cents(-owed)} was paid too much. Give it back first."
    out = _keys(session, Key.state == KeyState.OUT, KeySystem.customer_id == customer_id)
    if out:
        yield f"{counted(len(out), 'key')} of this customer out: {_listed(out)}. Their return first, or their loss."
    lost = sa.select(Loss.id).join(Loss.system).where(KeySystem.customer_id == customer_id, Loss.closed_at.is_(None))
    if session.scalar(lost.limit(1)) is not None:
        yield "A loss of keys of this customer is not mended yet. Carry its plan out, or close it, first."


def _of_person(session: Session, subject: Subject) -> Iterator[str]:
    name = tokens(subject.name)
    coarse = holds(Key.holder, subject.name.split()[0])
    held = [one for one in _keys(session, Key.state == KeyState.OUT, coarse) if tokens(one.holder) == name]
    if held:
        yield f"{subject.name} still holds {_listed(held)}. Take the return of the keys first, or mark them as lost."
    systems = sa.select(KeySystem).where(KeySystem.owner_of_record != "").order_by(KeySystem.id)
    owned = [one.name for one in session.scalars(systems) if tokens(one.owner_of_record) == name]
    if owned:
        yield f"{subject.name} is the owner of record of {', '.join(owned)}. Enter another owner of record first."
    if subject.kind != "customer":
        customers = sa.select(Customer).where(holds(Customer.name, subject.name.split()[0])).order_by(Customer.id)
        if any(tokens(one.name) == name for one in session.scalars(customers)):
            yield f"{subject.name} is on record as a customer too. Delete that customer; it takes this name with it."


def _of_login(work: Work, subject: Subject) -> Iterator[str]:
    if subject.id == work.actor.user_id:
        yield "This is your own login. Another owner has to delete it."
    user = work.session.get_one(User, subject.id)
    other = sa.select(User.id).where(User.role == Role.OWNER, User.active, User.id != subject.id).limit(1)
    if user.role is Role.OWNER and user.active and work.session.scalar(other) is None:
        yield f"{user.name} is the last owner who may log in; make somebody else an owner first."


def _keys(session: Session, *conditions: sa.ColumnElement[bool]) -> Sequence[Key]:
    rows = sa.select(Key).join(Key.keyset).join(Keyset.system).where(*conditions)
    return session.scalars(rows.order_by(Keyset.symbol, Key.copy_number, Key.id)).all()


def _listed(keys: Sequence[Key]) -> str:
    return first_of([f"{key.keyset.symbol} copy {key.copy_number}" for key in keys], _SAID)


_SAID = 8


def require_deletable(work: Work, subject: Subject) -> None:
    """Raise LedgerError with everything that stands in the way."""
    if found := what_stands_in_the_way(work, subject):
        raise LedgerError("", " ".join(found))
