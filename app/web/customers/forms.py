"""Forms about customers, their sites and the people there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from wtforms import SelectField, TextAreaField
from wtforms.validators import Length

from app.ledger.sites.customers import ContactForm, CustomerForm, SiteForm
from app.validation import length_limit
from app.web.fields import DayField
from app.web.forms_base import SavedForm, text, typed


def _area(label: str, most: int, hint: str = "", rows: int = 3) -> TextAreaField:
    checks = [Length(max=most, message=length_limit(most))]
    return TextAreaField(label, checks, description=hint, render_kw={"rows": rows})


def _choices(names: Sequence[str], first: str, kept: str | None) -> list[tuple[str, str]]:
    """The names to choose from; what is on record stays on offer, even when the price book has lost it."""
    listed = [*names, *([kept] if kept and kept not in names else [])]
    return [("", first), *((name, name) for name in listed)]


class CustomerPage(SavedForm):
    """What is asked about a customer."""

    name = text("Name", 120, hint="A firm, or the person.", needed="Enter the customer's name.")
    phone = text("Phone", 40, hint="Found by its digits.", render_kw={"type": "tel"})
    email = text("E-mail", 200, render_kw={"type": "email"})
    tier = SelectField("Price tier", validate_choice=False)
    tax_place = SelectField("Taxed in", validate_choice=False)
    exempt_certificate = text("Exemption certificate", 80, hint="Its number; empty for who pays tax.")
    exempt_until = DayField("Certificate expires")
    address = _area("Address", 2000)
    notes = _area("Notes", 8000, "For the house alone; never printed.")

    def offer(self, tiers: Sequence[str], places: Sequence[str], customer: Any = None) -> None:
        """Fill the lists to choose from."""
        kept_tier, kept_place = getattr(customer, "tier", ""), getattr(customer, "tax_place", "")
        self.tier.choices = _choices(tiers, "walk-in", kept_tier)
        self.tax_place.choices = _choices(places, "the house's own place", kept_place)
        for field, names, kept in ((self.tier, tiers, kept_tier), (self.tax_place, places, kept_place)):
            if field.data and field.data not in (*names, kept):
                field.errors = ["Choose one of the list."]

    def read(self) -> CustomerForm:
        """The form as the use case takes it."""
        return CustomerForm(
            name=typed(self.name),
            phone=typed(self.phone),
            email=typed(self.email),
            address=typed(self.address).strip(),
            tier=typed(self.tier),
            tax_place=typed(self.tax_place),
            exempt_certificate=typed(self.exempt_certificate),
            exempt_until=self.exempt_until.data,
            notes=typed(self.notes).strip(),
        )


class SitePage(SavedForm):
    """What is asked about a site."""

    # The use case names this field `site`: on the counter page a site's name stands among the customer's.
    site = text("Site", 120, hint="As the customer calls it.", needed="Enter the site's name.")
    address = _area("Address", 2000)
    tax_place = SelectField("Taxed in", validate_choice=False)

    def offer(self, places: Sequence[str], kept: str = "") -> None:
        """Fill the list of tax places."""
        self.tax_place.choices = _choices(places, "as the customer", kept)

    def read(self) -> SiteForm:
        """The form as the use case takes it."""
        return SiteForm(typed(self.site), typed(self.address).strip(), typed(self.tax_place))


class ContactPage(SavedForm):
    """What is asked about a person at a customer's."""

    name = text("Name", 120, needed="Enter the contact's name.")
    duty = text("What they do", 120, hint="Bursar, manager, caretaker …")
    phone = text("Phone", 40, render_kw={"type": "tel"})
    email = text("E-mail", 200, render_kw={"type": "email"})

    def read(self) -> ContactForm:
        """The form as the use case takes it."""
        return ContactForm(typed(self.name), typed(self.duty), typed(self.phone), typed(self.email))
