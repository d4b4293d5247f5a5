"""Texts held against their columns, and rows set to what was said."""

from dataclasses import dataclass

import pytest

from app.errors import Problems
from app.ledger.store.records import check_texts, set_changed, text_problems
from app.ledger.tables import Customer, Lock, Site, longest


@dataclass
class SaidForm:
    name: str = "Tern"
    phone: str = ""
    notes: str = ""
    lock: str = ""
    elsewhere: str = "x" * 9999


def test_every_text_too_long_for_its_column_is_told() -> None:
    form = SaidForm(name="n" * 121, phone="5" * 41, notes="w" * 8001, lock="l" * 201)
    told = text_problems(form, Customer, lock=Lock.description)
    assert [problem.field for problem in told] == ["name", "phone", "notes", "lock"]
    assert told[2].message == "At most 8,000 characters fit here; this has 8,001."
    with pytest.raises(Problems):
        check_texts(form, Customer)


def test_what_just_fits_passes() -> None:
    check_texts(SaidForm(name="n" * 120, phone="5" * 40, notes="w" * 8000), Customer)


def test_a_column_says_how_much_it_takes() -> None:
    assert (longest(Customer.name), longest(Site.address), longest(Customer.exempt_until)) == (120, 2000, 0)


def test_only_what_differs_is_set_and_named() -> None:
    site = Site(name="Yard", address="Quay", tax_place="")
    assert set_changed(site, {"name": "Yard", "address": "Mole", "tax_place": ""}) == ["address"]
    assert site.address == "Mole"
