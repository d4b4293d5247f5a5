"""Customers, their sites and the people there."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField, TextAreaField
from wtforms.validators import Length

from app.errors import BitternError
from app.ledger.catalog.price_queries import tax_places, tier_names
from app.ledger.sites import customers as actions
from app.ledger.sites.customer_queries import (
    customer_jobs,
    customer_systems,
    doors_by_site,
    get_contact,
    get_customer,
    get_site,
    list_customers,
)
from app.ledger.sites.customers import ContactForm, CustomerForm, SiteForm, exemption_state
from app.ledger.store.events import events_of
from app.ledger.tables import Role
from app.validation import length_limit
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField
from app.web.forms_base import SavedForm, attach, flash_and_redirect, text, typed
from app.web.query_args import read_page, read_text, wants_fragment
from app.web.services import current_work, request_session, the_time


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


blueprint = Blueprint("customers", __name__, url_prefix="/customers")
SIZE = 40


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Everybody on record, or those that hold what was typed."""
    text, page = read_text(request.args), read_page(request.args)
    found, count = list_customers(request_session(), page, SIZE, text)
    template = "sites/_customers.html" if wants_fragment() else "sites/customers.html"
    return render_template(
        template,
        customers=found,
        count=count,
        text=text,
        page=page,
        pages=-(-count // SIZE),
        exemption_of=lambda c: exemption_state(c.exempt_certificate, c.exempt_until, the_time().astimezone().date()),
    )


@blueprint.get("/<int:customer_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(customer_id: int) -> ResponseReturnValue:
    """One customer: whom to ask, where the doors are, jobs and keys."""
    session = request_session()
    customer = get_customer(session, customer_id)
    today = the_time().astimezone().date()
    return render_template(
        "sites/customer.html",
        customer=customer,
        exemption=exemption_state(customer.exempt_certificate, customer.exempt_until, today),
        jobs=customer_jobs(session, customer_id),
        systems=customer_systems(session, customer_id),
        doors=doors_by_site(session, customer_id),
        events=events_of(session, f"customer {customer_id}", limit=12),
    )


@blueprint.route("/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new() -> ResponseReturnValue:
    """Put a customer on record."""
    form, session = CustomerPage(), request_session()
    is_valid = form.validate_on_submit()
    form.offer(tier_names(session), tax_places(session))
    if is_valid and not form.errors:
        try:
            customer = actions.add_customer(current_work(), form.read())
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(f"{customer.name} is saved.", "customers.show", customer_id=customer.id)
    return render_template("sites/new_customer.html", form=form), form.status


@blueprint.route("/<int:customer_id>/edit", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def edit(customer_id: int) -> ResponseReturnValue:
    """Change a customer."""
    about(f"customer {customer_id}")
    session = request_session()
    customer = get_customer(session, customer_id)
    form = CustomerPage(obj=customer)
    is_valid = form.validate_on_submit()
    form.offer(tier_names(session), tax_places(session), customer)
    if is_valid and not form.errors:
        try:
            actions.change_customer(current_work(), customer_id, form.version_read, form.read())
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect(f"{typed(form.name)} is saved.", "customers.show", customer_id=customer_id)
    return render_template("sites/edit_customer.html", form=form, customer=customer), form.status


@blueprint.route("/<int:customer_id>/sites/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_site(customer_id: int) -> ResponseReturnValue:
    """Put a site on record."""
    session, form = request_session(), SitePage()
    customer = get_customer(session, customer_id)
    form.offer(tax_places(session))
    if done := form.run(lambda: actions.add_site(current_work(), customer_id, form.read())):
        return flash_and_redirect(f"Site {done.value.name} is saved.", "customers.show", customer_id=customer_id)
    return render_template("sites/site.html", form=form, customer=customer, site=None), form.status


@blueprint.route("/sites/<int:site_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def site(site_id: int) -> ResponseReturnValue:
    """Change a site."""
    about(f"site {site_id}")
    session = request_session()
    found = get_site(session, site_id)
    form = SitePage(obj=found, data={"site": found.name})
    form.offer(tax_places(session), found.tax_place)
    if form.run(lambda: actions.change_site(current_work(), site_id, form.version_read, form.read())):
        return flash_and_redirect(
            f"Site {typed(form.site)} is saved.", "customers.show", customer_id=found.customer_id
        )
    return render_template("sites/site.html", form=form, customer=found.customer, site=found), form.status


@blueprint.route("/<int:customer_id>/contacts/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_contact(customer_id: int) -> ResponseReturnValue:
    """Put a person at a customer's on record."""
    customer, form = get_customer(request_session(), customer_id), ContactPage()
    given = form.read()
    if form.run(
        lambda: actions.add_contact(current_work(), customer_id, given.name, given.duty, given.phone, given.email)
    ):
        return flash_and_redirect(f"{given.name} is saved.", "customers.show", customer_id=customer_id)
    return render_template("sites/contact.html", form=form, customer=customer, contact=None), form.status


@blueprint.route("/contacts/<int:contact_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def contact(contact_id: int) -> ResponseReturnValue:
    """Change a contact."""
    found = get_contact(request_session(), contact_id)
    about(f"customer {found.customer_id}")
    form = ContactPage(obj=found, data={"version": found.customer.version})
    if form.run(lambda: actions.change_contact(current_work(), contact_id, form.version_read, form.read())):
        return flash_and_redirect(f"{typed(form.name)} is saved.", "customers.show", customer_id=found.customer_id)
    return render_template("sites/contact.html", form=form, customer=found.customer, contact=found), form.status
