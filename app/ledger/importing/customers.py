"""Importable rows: customers with their contacts, and contacts alone."""

from collections.abc import Mapping, Sequence
from datetime import date
from itertools import repeat
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem
from app.ledger.catalog.price_queries import tax_places, tier_names
from app.ledger.importing.kinds import (
    NOTHING,
    CellKind,
    ImportColumn,
    ImportKind,
    ImportRows,
    Refuse,
    RowPlan,
    RowPlans,
    RowState,
)
from app.ledger.sites.customers import (
    ContactForm,
    CustomerForm,
    contact_changed,
    customer_changed,
    exemption_problem,
    insert_contacts,
    insert_customers,
    phone_digits,
)
from app.ledger.store.engine import read, rows_by_id
from app.ledger.store.events import record_all
from app.ledger.store.records import set_changed
from app.ledger.store.work import Work
from app.ledger.tables import Contact, Customer, FormerName, Role, longest
from app.spreadsheets import CellLook

ADDRESS = (
    ImportColumn(
        name="address",
        words="Address",
        also=(
            *("street", "street address", "address 1", "address line 1", "mailing address", "billing address"),
            *("full address", "addr", "street 1"),
        ),
        cell=CellKind.LINES,
        most=longest(Customer.address),
    ),
    ImportColumn(
        name="address 2", words="Address, second line", also=("address line 2", "street 2", "suite", "unit")
    ),
    ImportColumn(name="city", words="City", also=("town", "city town")),
    ImportColumn(name="state", words="State", also=("province", "st", "state province")),
    ImportColumn(
        name="zip",
        words="ZIP code",
        also=("postal code", "postcode", "zip postal code"),
        cell=CellKind.CODE,
        most=20,
    ),
)
"""An address, in one cell or in several."""


def address_of(values: Mapping[str, Any]) -> str:
    """The address that a row's cells make, as an envelope has it.

    >>> address_of({"address": "12 Quay", "city": "Saltmarsh", "state": "", "zip": "01999"})
    '12 Quay\\nSaltmarsh 01999'
    """
    place = " ".join(filter(None, (values.get("state"), values.get("zip"))))
    city = values.get("city", "")
    last = f"{city}, {place}" if city and values.get("state") else f"{city} {place}".strip()
    return "\n".join(filter(None, (values.get("address"), values.get("address 2"), last)))


def _named(words: Sequence[str]) -> dict[str, str]:
    return {word: word for word in words}


def tier_choices(session: Session) -> dict[str, str]:
    """The customer tiers."""
    return _named(tier_names(session))


def tax_choices(session: Session) -> dict[str, str]:
    """The places that have a rule of sales tax."""
    return _named(tax_places(session))


NAMES_OF_CUSTOMERS = (
    *("customer name", "company", "company name", "firm", "account name", "client", "client name", "business"),
    *("business name", "bill to", "sold to", "organization", "organisation", "account", "name of customer"),
)
CUSTOMER = ImportColumn(
    name="customer", words="Customer", also=NAMES_OF_CUSTOMERS, most=longest(Customer.name), is_needed=True
)
TAX_PLACE = ImportColumn(
    name="tax place",
    words="Taxed in",
    also=("tax area", "tax code", "county", "tax district"),
    cell=CellKind.CHOICE,
    choices=tax_choices,
)
_PEOPLE = (
    ImportColumn(
        name="contact duty",
        words="What they do",
        also=("duty", "title", "job title", "position", "role", "contact title"),
        most=longest(Contact.duty),
    ),
    ImportColumn(
        name="contact phone",
        words="Contact's phone",
        also=("mobile", "cell", "cell phone", "direct phone", "contact tel", "contact telephone"),
        most=longest(Contact.phone),
    ),
    ImportColumn(
        name="contact email",
        words="Contact's e-mail",
        also=("contact e mail", "contact email address"),
        most=longest(Contact.email),
    ),
)
_PHONES = (
    *("phone number", "telephone", "tel", "tel no", "phone no", "main phone", "office phone", "business phone"),
    "telephone number",
)
_MAILS = ("e mail", "email address", "e mail address", "mail")


def _person_of(values: Mapping[str, Any]) -> ContactForm:
    return ContactForm(
        values.get("contact", ""),
        values.get("contact duty", ""),
        values.get("contact phone", ""),
        values.get("contact email", ""),
    )


class CustomersOnRecord:
    """Customers and their contacts as they stand, by name whatever its letters."""

    def __init__(self, session: Session, *, with_contacts: bool = False) -> None:
        columns = sa.select(*(Customer.__table__.c[name] for name in ("id", *_FIELDS)))
        self.by_name: dict[str, list[Any]] = {}
        for row in read(session, columns.where(Customer.merged_into_id.is_(None)).order_by(Customer.id)):
            self.by_name.setdefault(row.name.casefold(), []).append(row)
        former = sa.select(FormerName.name, FormerName.customer_id).where(FormerName.customer_id.is_not(None))
        names = {row.id: row for rows in self.by_name.values() for row in rows}
        for name, customer_id in read(session, former.order_by(FormerName.id)):
            if customer_id in names and name.casefold() not in self.by_name:
                self.by_name[name.casefold()] = [names[customer_id]]
        self.contacts: dict[tuple[int, str], list[Any]] = {}
        if with_contacts:
            people = sa.select(
                Contact.id, Contact.customer_id, Contact.name, Contact.duty, Contact.phone, Contact.email
            )
            for row in read(session, people.order_by(Contact.id)):
                self.contacts.setdefault((row.customer_id, row.name.casefold()), []).append(row)

    def named(self, row: int, name: str, refuse: Refuse) -> int | None:
        """The one customer of this name; refuses the row where there is none, or more than one."""
        found = self.by_name.get(name.casefold(), ())
        if len(found) == 1:
            return int(found[0].id)
        why = f"{len(found)} customers are" if found else "No customer on record is"
        refuse(row, "customer", f"{why} called {name[:60]}: import or rename customers first.")
        return None


_FIELDS = ("name", "phone", "email", "address", "tier", "tax_place", "exempt_certificate", "exempt_until", "notes")
_LABELS = {name: name.replace("_", " ") for name in _FIELDS}


def _text(value: Any) -> str:
    return value.isoformat() if isinstance(value, date) else value or ""


def field_changes(before: Any, after: Mapping[str, Any]) -> dict[str, tuple[str, str]]:
    """What the values that are said would change on a row."""
    return {
        name: (_text(was), _text(value))
        for name, value in after.items()
        if value and value != (was := getattr(before, name))
    }


def _customer_values(values: Mapping[str, Any]) -> dict[str, Any]:
    found = {name: value for name, label in _LABELS.items() if (value := values.get(label))}
    if address := address_of(values):
        found["address"] = address
    return found


def _plan_customers(session: Session, _: int | None, rows: ImportRows, refuse: Refuse) -> RowPlans:
    has_people, has_exemption = "contact" in rows, "exempt certificate" in rows or "exempt until" in rows
    known = CustomersOnRecord(session, with_contacts=has_people)
    first: dict[str, int] = {}
    people: set[tuple[str, str]] = set()
    plans = RowPlans()
    contacts = rows.columns["contact"] if has_people else repeat("", len(rows.numbers))
    heads = zip(rows.numbers, rows.columns.get("name", ()), contacts, strict=True)
    for place, (row, name, contact) in enumerate(heads):
        key = name.casefold()
        is_first = first.setdefault(key, row) == row
        if is_first and key not in known.by_name and not has_exemption and (contact or not has_people):
            # Most rows of a long table: whatever they say is new.
            plans.add(row, RowState.NEW, name, NOTHING, _NEW)
            continue
        values = rows.at(place)
        if not is_first:
            told = rows.said(first[key])
            if not _agrees(row, values, first[key], told, refuse):
                continue
            if has_people and not has_exemption:
                people.add((key, told["contact"].casefold()))
        on_record = known.by_name.get(key, ())
        if len(on_record) > 1:
            refuse(row, "name", f"{len(on_record)} customers on record are called {name}: change one's name first.")
            continue
        before = on_record[0] if on_record else None
        if has_exemption and (problem := _exemption_of(values, before)):
            refuse(row, _LABELS[problem.field], problem.message)
            continue
        state = RowState.NEW if before is None else RowState.SAME
        fields: dict[str, tuple[str, str]] = {}
        if before is not None and is_first:
            said = {one: value for one, value in _customer_values(values).items() if one != "name"}
            fields = {_LABELS[one]: pair for one, pair in field_changes(before, said).items()}
            state = RowState.CHANGED if fields else state
        contact_id = None
        if has_people and (person := values["contact"].casefold()):
            if (key, person) in people:
                refuse(row, "contact", f"{values['contact']} stands twice among the contacts of {name}.")
                continue
            people.add((key, person))
            if before is not None:
                there = known.contacts.get((before.id, person), ())
                contact_id, found = _person_changes(_person_of(values), there)
                fields |= {f"contact {one}": pair for one, pair in found.items()}
                if found and state is RowState.SAME:
                    state = RowState.CHANGED if contact_id else RowState.NEW
        elif has_people and any(values.get(one.name) for one in _PEOPLE):
            refuse(row, "contact", "Enter the contact's name, or leave the other cells about a contact empty.")
            continue
        plans.add(row, state, name, fields or NOTHING, (before.id, contact_id) if before else _NEW)
    return plans


_NEW = (None, None)


def _exemption_of(values: Mapping[str, Any], before: Any) -> Problem | None:
    certificate = values.get("exempt certificate") or (before.exempt_certificate if before else "")
    return exemption_problem(certificate, values.get("exempt until") or (before.exempt_until if before else None))


def _agrees(row: int, values: Mapping[str, Any], first: int, said: Mapping[str, Any], refuse: Refuse) -> bool:
    """Whether a further row of a customer brings another contact and contradicts the first one in nothing."""
    told, name = _customer_values(said), values["name"]
    for one, value in _customer_values(values).items():
        if one != "name" and told.get(one, value) != value:
            refuse(row, _LABELS[one], f"Row {first} says it otherwise of {name}: write the same in both.")
            return False
    if not values.get("contact"):
        refuse(row, "name", f"{name} stands in row {first} already.")
        return False
    return True


def _person_changes(person: ContactForm, there: Sequence[Any]) -> tuple[int | None, dict[str, tuple[str, str]]]:
    """The id of the contact of this name, and what would change on it; of one who is not on record all is new."""
    said = {"name": person.name, "duty": person.duty, "phone": person.phone, "email": person.email}
    if not there:
        return None, {name: ("", value) for name, value in said.items() if value}
    before = there[0]
    return before.id, field_changes(before, {name: value for name, value in said.items() if name != "name"})


def _save_customers(work: Work, _: int | None, plans: Sequence[RowPlan], rows: ImportRows) -> None:
    forms: dict[str, dict[str, Any]] = {}
    ids: dict[str, int] = {}
    changes: dict[int, dict[str, Any]] = {}
    said = {plan.row: rows.said(plan.row) for plan in plans}
    for plan in plans:
        customer_id, _contact = plan.value
        key = plan.title.casefold()
        if customer_id is not None:
            ids[key] = customer_id
        told = forms.setdefault(key, {}) if customer_id is None else changes.setdefault(customer_id, {})
        for name, value in _customer_values(said[plan.row]).items():
            told.setdefault(name, value)
    made = insert_customers(work, [CustomerForm(**told) for told in forms.values()])
    ids |= zip(forms, made, strict=True)
    told_of = []
    customers = rows_by_id(work.session, Customer, changes)
    for customer_id, told in changes.items():
        customer = customers[customer_id]
        values = {name: value for name, value in told.items() if name != "name"}
        if "phone" in values:
            values["phone_digits"] = phone_digits(values["phone"])
        if changed := set_changed(customer, values):
            told_of.append(customer_changed(customer, changed))
    record_all(work, told_of)
    _save_people(work, [(ids[one.title.casefold()], _person_of(said[one.row]), one.value[1]) for one in plans])


def _save_people(work: Work, people: Sequence[tuple[int, ContactForm, int | None]]) -> None:
    new = [(customer_id, person) for customer_id, person, there in people if person.name and there is None]
    insert_contacts(work, new)
    told_of = []
    contacts = rows_by_id(work.session, Contact, [there for _, __, there in people if there is not None])
    owners = rows_by_id(work.session, Customer, {one.customer_id for one in contacts.values()})
    for _, person, there in people:
        if there is not None:
            contact = contacts[there]
            said = {"duty": person.duty, "phone": person.phone, "email": person.email}
            values = {name: value for name, value in said.items() if value}
            if "phone" in values:
                values["phone_digits"] = phone_digits(person.phone)
            if set_changed(contact, values):
                flag_modified(owners[contact.customer_id], "name")
                told_of.append(contact_changed(contact))
    record_all(work, told_of)


CUSTOMERS = ImportKind(
    "customers",
    "Customers",
    "customer",
    (
        ImportColumn(
            name="name",
            words="Customer's name",
            also=NAMES_OF_CUSTOMERS,
            most=longest(Customer.name),
            is_needed=True,
        ),
        ImportColumn(name="phone", words="Phone", also=_PHONES, look=CellLook.PHONE, most=longest(Customer.phone)),
        ImportColumn(name="email", words="E-mail", also=_MAILS, look=CellLook.MAIL, most=longest(Customer.email)),
        *ADDRESS,
        ImportColumn(
            name="tier",
            words="Price tier",
            also=("price level", "pricing", "customer type", "class", "discount group", "price group"),
            cell=CellKind.CHOICE,
            choices=tier_choices,
        ),
        TAX_PLACE,
        ImportColumn(
            name="exempt certificate",
            words="Exemption certificate",
            also=("exemption no", "resale number", "resale certificate", "tax exempt number", "certificate"),
            cell=CellKind.CODE,
            most=longest(Customer.exempt_certificate),
        ),
        ImportColumn(
            name="exempt until",
            words="Certificate expires",
            also=("exemption expires", "expires", "valid until", "expiration", "expiration date"),
            look=CellLook.DAY,
            cell=CellKind.DAY,
        ),
        ImportColumn(
            name="notes",
            words="Notes",
            also=("note", "remarks", "comments", "memo"),
            cell=CellKind.LINES,
            most=longest(Customer.notes),
        ),
        ImportColumn(
            name="contact",
            words="Contact's name",
            also=("contact name", "contact person", "attention", "attn", "primary contact", "contact"),
            most=longest(Contact.name),
        ),
        *_PEOPLE,
    ),
    _plan_customers,
    _save_customers,
    hint="A row a customer; several rows of one name are its several contacts.",
)


def _plan_contacts(session: Session, customer_id: int | None, rows: ImportRows, refuse: Refuse) -> list[RowPlan]:
    known = CustomersOnRecord(session, with_contacts=True)
    seen: dict[tuple[int, str], int] = {}
    plans = []
    for row, values in rows:
        owner = customer_id or known.named(row, values["customer"], refuse)
        if owner is None:
            continue
        person = _person_of(values)
        number = seen.setdefault((owner, person.name.casefold()), row)
        if number != row:
            refuse(row, "contact", f"{person.name} stands in row {number} already.")
            continue
        there, fields = _person_changes(person, known.contacts.get((owner, person.name.casefold()), ()))
        state = RowState.NEW if there is None else RowState.CHANGED if fields else RowState.SAME
        plans.append(RowPlan(row, state, person.name, fields, (owner, person, there)))
    return plans


def _save_contacts(work: Work, _: int | None, plans: Sequence[RowPlan], __: ImportRows) -> None:
    _save_people(work, [plan.value for plan in plans])


CONTACTS = ImportKind(
    "contacts",
    "Contacts",
    "contact",
    (
        CUSTOMER,
        ImportColumn(
            name="contact",
            words="Contact's name",
            also=("name", "person", "full name", "contact name", "contact person"),
            most=longest(Contact.name),
            is_needed=True,
        ),
        ImportColumn(name="contact duty", words="What they do", also=_PEOPLE[0].also, most=longest(Contact.duty)),
        ImportColumn(
            name="contact phone",
            words="Phone",
            also=("phone", *_PHONES, *_PEOPLE[1].also),
            look=CellLook.PHONE,
            most=longest(Contact.phone),
        ),
        ImportColumn(
            name="contact email",
            words="E-mail",
            also=("email", *_MAILS, *_PEOPLE[2].also),
            look=CellLook.MAIL,
            most=longest(Contact.email),
        ),
    ),
    _plan_contacts,
    _save_contacts,
    roles=(Role.COUNTER, Role.BENCH),
    hint="A row a person at a customer's.",
    about="customer",
    about_columns=("customer",),
)
