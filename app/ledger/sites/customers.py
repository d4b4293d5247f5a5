"""Customers, their contacts and sites: saved, changed, loaded from a table; and a tax exemption in words."""

from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem
from app.ledger.sites.former_names import keep_former
from app.ledger.store.engine import get_row, get_version, insert_rows, transaction
from app.ledger.store.errors import LedgerError, Stale, Taken
from app.ledger.store.events import record, record_all
from app.ledger.store.records import check_texts, set_changed
from app.ledger.store.work import Work
from app.ledger.tables import Contact, Customer, Role, Site
from app.pricing import show_day


@dataclass(frozen=True, slots=True)
class CustomerForm:
    """What is asked about a customer; `exempt_until` belongs to `exempt_certificate`."""

    name: str
    phone: str = ""
    email: str = ""
    address: str = ""
    tier: str = ""
    tax_place: str = ""
    exempt_certificate: str = ""
    exempt_until: date | None = None
    notes: str = ""


@dataclass(frozen=True, slots=True)
class SiteForm:
    """What is asked about a site."""

    name: str
    address: str = ""
    tax_place: str = ""


@dataclass(frozen=True, slots=True)
class ContactForm:
    """What is asked about a person at a customer's; `duty` is what they do there."""

    name: str
    duty: str = ""
    phone: str = ""
    email: str = ""


def phone_digits(phone: str) -> str:
    """The digits of a phone number, which is all a search compares.

    >>> phone_digits("(555) 010-0199")
    '5550100199'
    """
    return "".join(letter for letter in phone if letter.isdecimal() and letter.isascii())


def is_phone(words: str) -> bool:
    """Whether what somebody searched for reads as a phone number, not as a name.

    >>> is_phone("(555) 010"), is_phone("Pier 39"), is_phone("12")
    (True, False, False)
    """
    return len(phone_digits(words)) >= 3 and not any(map(str.isalpha, words))


def _check_customer(form: CustomerForm) -> None:
    check_texts(form, Customer)
    if not form.name.strip():
        raise LedgerError("name", "Enter the customer's name.")
    if problem := exemption_problem(form.exempt_certificate, form.exempt_until):
        raise LedgerError(problem.field, problem.message)


def exemption_problem(certificate: str, until: date | None) -> Problem | None:
    """What an exemption lacks: a certificate and the day on which it ends belong together."""
    if until and not certificate:
        return Problem("exempt_certificate", "Enter the certificate's number, or clear its expiry date.")
    if certificate and not until:
        return Problem("exempt_until", "Enter the day on which the exemption certificate expires.")
    return None


def insert_customer(work: Work, form: CustomerForm) -> Customer:
    """Add a customer inside the caller's transaction."""
    return work.session.get_one(Customer, insert_customers(work, [form])[0])


def insert_customers(work: Work, forms: Sequence[CustomerForm]) -> Sequence[int]:
    """Add customers inside the caller's transaction; their ids."""
    rows = []
    for form in forms:
        _check_customer(form)
        digits = phone_digits(form.phone)
        rows.append({**asdict(form), "name": form.name.strip(), "phone_digits": digits, "created_at": work.now})
    ids = insert_rows(work.session, Customer, rows)
    made = zip(ids, rows, strict=True)
    record_all(work, [("customer added", f"customer {id_}", f"{row['name']} saved") for id_, row in made])
    return ids


def add_customer(work: Work, form: CustomerForm) -> Customer:
    """Put a customer on record. Raises LedgerError on the field that cannot be."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        return insert_customer(work, form)


def change_customer(work: Work, customer_id: int, version: int, form: CustomerForm) -> Customer:
    """Change a customer that was read at `version`; Stale when somebody saved in between."""
    work.require(Role.COUNTER, Role.BENCH)
    _check_customer(form)
    with transaction(work.session):
        customer = get_version(work.session, Customer, customer_id, "customer", version)
        _require_own(customer)
        keep_former(work, customer, form.name)
        changed = set_changed(customer, asdict(form))
        customer.phone_digits = phone_digits(form.phone)
        if changed:
            record_all(work, [customer_changed(customer, changed)])
        return customer


def customer_changed(customer: Customer, names: Iterable[str]) -> tuple[str, str, str]:
    """The event that tells which columns of a customer changed."""
    words = ", ".join(name.replace("_", " ") for name in names if name != "phone_digits")
    return "customer changed", f"customer {customer.id}", f"{customer.name}: {words} changed"


def _require_own(row: Customer | Site) -> None:
    """Refuse to change, or to add to, what was merged: a page that was open since before the merge."""
    if row.merged_into_id is not None:
        raise Stale(f"{row.name} was merged into another record since this page was opened. Nothing was saved.")


def _site_name(form: SiteForm) -> str:
    check_texts(form, Site)
    name = form.name.strip()
    if not name:
        raise LedgerError("site", "Enter the site's name.")
    return name


def _site_id(work: Work, customer_id: int, name: str) -> int | None:
    return work.session.scalar(sa.select(Site.id).where(Site.customer_id == customer_id, Site.name == name))


def insert_site(work: Work, customer_id: int, form: SiteForm) -> Site:
    """Add a site inside the caller's transaction."""
    name = _site_name(form)
    _require_own(get_row(work.session, Customer, customer_id, "customer"))
    if _site_id(work, customer_id, name):
        raise Taken("site", f"This customer has a site named {name} already; choose it from the list.")
    site = Site(**{**asdict(form), "name": name}, customer_id=customer_id)
    work.session.add(site)
    work.session.flush()
    record(work, "site added", f"site {site.id}", f"Site {site.name} saved")
    return site


def site_named(work: Work, customer_id: int, name: str) -> Site:
    """The customer's site of this name, in whatever letters, or a new one, inside the caller's transaction."""
    rows = sa.select(Site).where(Site.customer_id == customer_id).order_by(Site.id)
    same = [site for site in work.session.scalars(rows) if site.name.casefold() == name.casefold()]
    same = [site for site in same if site.name == name] or same
    if not same:
        return insert_site(work, customer_id, SiteForm(name))
    return same[0] if same[0].merged_into_id is None else work.session.get_one(Site, same[0].merged_into_id)


def add_site(work: Work, customer_id: int, form: SiteForm) -> Site:
    """Put a site of a customer on record."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        return insert_site(work, customer_id, form)


def change_site(work: Work, site_id: int, version: int, form: SiteForm) -> Site:
    """Change a site that was read at `version`; Stale when somebody saved in between."""
    work.require(Role.COUNTER, Role.BENCH)
    name = _site_name(form)
    with transaction(work.session):
        site = get_version(work.session, Site, site_id, "site", version)
        _require_own(site)
        if _site_id(work, site.customer_id, name) not in (None, site.id):
            raise Taken("site", f"This customer has another site named {name}; choose another name.")
        keep_former(work, site, name)
        if set_changed(site, {**asdict(form), "name": name}):
            record(work, "site changed", f"site {site.id}", f"Site {site.name} changed")
        return site


def _check_contact(form: ContactForm) -> None:
    check_texts(form, Contact)
    if not form.name.strip():
        raise LedgerError("name", "Enter the contact's name.")


def add_contact(work: Work, customer_id: int, form: ContactForm) -> Contact:
    """Put a person at a customer's on record."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        _require_own(get_row(work.session, Customer, customer_id, "customer"))
        return work.session.get_one(Contact, insert_contacts(work, [(customer_id, form)])[0])


def insert_contacts(work: Work, forms: Sequence[tuple[int, ContactForm]]) -> Sequence[int]:
    """Add people, each at the customer of this id, inside the caller's transaction; their ids."""
    rows = []
    for customer_id, form in forms:
        _check_contact(form)
        rows.append({**asdict(form), "customer_id": customer_id, "phone_digits": phone_digits(form.phone)})
    ids = insert_rows(work.session, Contact, rows)
    record_all(work, [("contact added", f"customer {id_}", f"Contact {form.name} saved") for id_, form in forms])
    return ids


def change_contact(work: Work, contact_id: int, version: int, form: ContactForm) -> Contact:
    """Change a contact. `version` is the customer's, which every change of a contact moves on; Stale as ever."""
    work.require(Role.COUNTER, Role.BENCH)
    _check_contact(form)
    with transaction(work.session):
        contact = get_row(work.session, Contact, contact_id, "contact")
        customer = get_version(work.session, Customer, contact.customer_id, "customer", version)
        set_changed(contact, asdict(form) | {"phone_digits": phone_digits(form.phone)})
        flag_modified(customer, "name")
        record_all(work, [contact_changed(contact)])
        return contact


def contact_changed(contact: Contact) -> tuple[str, str, str]:
    """The event that tells of a change of a contact."""
    return "contact changed", f"customer {contact.customer_id}", f"Contact {contact.name} changed"


SOON_DAYS = 45  # how early the counter asks for the next certificate


@dataclass(frozen=True, slots=True)
class ExemptionState:
    """`kind` is the mark beside it: "" for no certificate, "good", or "caution" when it ends soon or has ended."""

    kind: str
    words: str


def exemption_state(certificate: str, until: date | None, today: date) -> ExemptionState:
    """What the counter reads about a certificate; it holds up to and including the day `until`.

    >>> exemption_state("EX-1", date(2027, 3, 1), date(2026, 11, 25)).words
    'Exempt under certificate EX-1 until Monday 1 March 2027.'
    >>> exemption_state("EX-1", date(2026, 11, 24), date(2026, 11, 25)).kind
    'caution'
    """
    if not certificate or until is None:
        return ExemptionState("", "Pays sales tax: no exemption certificate on record.")
    left = (until - today).days
    if left < 0:
        return ExemptionState(
            "caution",
            f"Certificate {certificate} expired on {show_day(until)}: sales tax is charged until there is a new one.",
        )
    if left <= SOON_DAYS:
        days = "today" if left == 0 else "tomorrow" if left == 1 else f"in {left} days"
        return ExemptionState(
            "caution",
            f"Exempt under certificate {certificate}; it ends {days}, on {show_day(until)}. Ask for a new one.",
        )
    return ExemptionState("good", f"Exempt under certificate {certificate} until {show_day(until)}.")
