"""Customers, their sites and the people there."""

from collections.abc import Sequence

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, SelectField
from wtforms.form import BaseForm
from wtforms.validators import ValidationError

from app.ledger.catalog.price_queries import tax_places, tier_names
from app.ledger.jobs.reminders import reminders_of
from app.ledger.sites import customers as actions
from app.ledger.sites.customer_queries import (
    customer_jobs,
    customer_story,
    customer_systems,
    doors_by_site,
    get_contact,
    get_customer,
    get_site,
    jobs_on_their_doors,
    list_customers,
)
from app.ledger.sites.customers import ContactForm, CustomerForm, SiteForm, exemption_state, is_phone
from app.ledger.sites.former_names import formerly
from app.ledger.sites.likeness import add_unlike, find_like
from app.ledger.tables import Contact, Customer, Role, Site
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField
from app.web.forms_base import SavedForm, area, flash_and_redirect, text, typed
from app.web.query_args import read_page, read_text, wants_fragment
from app.web.services import current_work, request_session


class ListedField(SelectField):
    """A choice of names of the price book; what is on record stays on offer, even when the book has lost it."""

    def offer(self, names: Sequence[str], first: str) -> None:
        """Fill the list, before the form is checked; `first` says what none of them means."""
        kept = self.object_data
        listed = [*names, *([kept] if kept and kept not in names else [])]
        self.choices = {"": first, **{name: name for name in listed}}

    def pre_validate(self, form: BaseForm) -> None:
        if self.data and self.data not in (self.choices or ()):
            raise ValidationError("Choose one of the list.")


class CustomerPage(SavedForm):
    """What is asked about a customer."""

    name = text("Name", Customer.name, hint="A firm, or the person.", needed="Enter the customer's name.")
    phone = text("Phone", Customer.phone, hint="Found by its digits.", render_kw={"type": "tel"})
    email = text("E-mail", Customer.email, render_kw={"type": "email"})
    tier = ListedField("Price tier")
    tax_place = ListedField("Taxed in")
    exempt_certificate = text(
        "Exemption certificate", Customer.exempt_certificate, hint="Its number; empty for who pays tax."
    )
    exempt_until = DayField("Certificate expires")
    address = area("Address", Customer.address)
    notes = area("Notes", Customer.notes, hint="For the house alone; never printed.")


class NewCustomerPage(CustomerPage):
    """The same of one who is not on record yet."""

    is_another = BooleanField("It is another one")


class SitePage(SavedForm):
    """What is asked about a site."""

    # The use case names this field `site`: on the counter page a site's name stands among the customer's.
    site = text("Site", Site.name, hint="As the customer calls it.", needed="Enter the site's name.")
    address = area("Address", Site.address)
    tax_place = ListedField("Taxed in")


class ContactPage(SavedForm):
    """What is asked about a person at a customer's."""

    name = text("Name", Contact.name, needed="Enter the contact's name.")
    duty = text("What they do", Contact.duty, hint="Bursar, manager, caretaker …")
    phone = text("Phone", Contact.phone, render_kw={"type": "tel"})
    email = text("E-mail", Contact.email, render_kw={"type": "email"})


blueprint = Blueprint("customers", __name__, url_prefix="/customers")
SIZE = 40


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Everybody on record, or those that hold what was typed."""
    text = read_text(request.args)
    found = list_customers(request_session(), read_page(request.args), SIZE, text)
    template = "sites/_customers.html" if wants_fragment() else "sites/customers.html"
    return render_template(template, found=found, text=text, exemption_state=exemption_state)


@blueprint.get("/<int:customer_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(customer_id: int) -> ResponseReturnValue:
    """One customer: whom to ask, where the doors are, jobs and keys."""
    session = request_session()
    customer = get_customer(session, customer_id)
    if customer.merged_into_id is not None:
        kept = get_customer(session, customer.merged_into_id)
        said = f"{customer.name} was merged into {kept.name}."
        return flash_and_redirect(said, "customers.show", customer_id=kept.id)
    return render_template(
        "sites/customer.html",
        customer=customer,
        exemption_state=exemption_state,
        jobs=customer_jobs(session, customer_id),
        systems=customer_systems(session, customer_id),
        doors=doors_by_site(session, customer_id),
        events=customer_story(session, customer_id),
        formerly=formerly(session, customer),
        elsewhere=jobs_on_their_doors(session, customer_id),
        its_reminders=reminders_of(session, customer_id=customer_id),
    )


@blueprint.route("/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new() -> ResponseReturnValue:
    """Put a customer on record."""
    return _customer_page(None)


@blueprint.route("/<int:customer_id>/edit", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def edit(customer_id: int) -> ResponseReturnValue:
    """Change a customer."""
    about(f"customer {customer_id}")
    return _customer_page(get_customer(request_session(), customer_id))


def _searched_for() -> dict[str, str]:
    """What a search that found nobody leads on with: a name or a phone number."""
    words = read_text(request.args)
    return {"phone" if is_phone(words) else "name": words} if words else {}


def _customer_page(there: Customer | None) -> ResponseReturnValue:
    form, session = CustomerPage(obj=there) if there else NewCustomerPage(data=_searched_for()), request_session()
    form.tier.offer(tier_names(session), "walk-in")
    form.tax_place.offer(tax_places(session), "the house's own place")

    def save() -> Customer:
        values, work = form.into(CustomerForm), current_work()
        if there is None:
            is_another = isinstance(form, NewCustomerPage) and form.is_another.data
            return actions.add_customer(work, values) if is_another else add_unlike(work, values)
        return actions.change_customer(work, there.id, form.version_read, values)

    if done := form.run(save):
        return flash_and_redirect(f"{done.value.name} is saved.", "customers.show", customer_id=done.value.id)
    is_new = isinstance(form, NewCustomerPage)
    like = find_like(session, form.into(CustomerForm)) if is_new and form.name.errors and typed(form.name) else ()
    return render_template("sites/customer_form.html", form=form, customer=there, like=like), form.status


@blueprint.route("/<int:customer_id>/sites/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_site(customer_id: int) -> ResponseReturnValue:
    """Put a site on record."""
    return _site_page(get_customer(request_session(), customer_id), None)


@blueprint.route("/sites/<int:site_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def site(site_id: int) -> ResponseReturnValue:
    """Change a site."""
    about(f"site {site_id}")
    found = get_site(request_session(), site_id)
    return _site_page(found.customer, found)


def _site_page(customer: Customer, there: Site | None) -> ResponseReturnValue:
    form = SitePage(obj=there, data={"site": there.name} if there else None)
    form.tax_place.offer(tax_places(request_session()), "as the customer")

    def save() -> Site:
        values, work = form.into(SiteForm, name=typed(form.site)), current_work()
        if there is None:
            return actions.add_site(work, customer.id, values)
        return actions.change_site(work, there.id, form.version_read, values)

    if done := form.run(save):
        return flash_and_redirect(f"Site {done.value.name} is saved.", "customers.show", customer_id=customer.id)
    return render_template("sites/site.html", form=form, customer=customer, site=there), form.status


@blueprint.route("/<int:customer_id>/contacts/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_contact(customer_id: int) -> ResponseReturnValue:
    """Put a person at a customer's on record."""
    return _contact_page(get_customer(request_session(), customer_id), None)


@blueprint.route("/contacts/<int:contact_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def contact(contact_id: int) -> ResponseReturnValue:
    """Change a contact."""
    found = get_contact(request_session(), contact_id)
    about(f"customer {found.customer_id}")
    return _contact_page(found.customer, found)


def _contact_page(customer: Customer, there: Contact | None) -> ResponseReturnValue:
    form = ContactPage(obj=there, data={"version": customer.version})

    def save() -> Contact:
        values, work = form.into(ContactForm), current_work()
        if there is None:
            return actions.add_contact(work, customer.id, values)
        return actions.change_contact(work, there.id, form.version_read, values)

    if done := form.run(save):
        return flash_and_redirect(f"{done.value.name} is saved.", "customers.show", customer_id=customer.id)
    return render_template("sites/contact.html", form=form, customer=customer, contact=there), form.status
