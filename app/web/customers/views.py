"""The customers' pages."""

from __future__ import annotations

from flask import Blueprint, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

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
from app.ledger.sites.customers import exemption_state
from app.ledger.store.event_queries import events_of
from app.ledger.tables import Role
from app.web.access import roles
from app.web.asked import asked_page, asked_text, is_piece
from app.web.customers.forms import ContactPage, CustomerPage, SitePage
from app.web.errors import about
from app.web.forms_base import attach, typed
from app.web.services import current_work, request_session, the_time

blueprint = Blueprint("customers", __name__, url_prefix="/customers")
SIZE = 40


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Everybody on record, or those that hold what was typed."""
    text, page = asked_text("q"), asked_page()
    found, count = list_customers(request_session(), page, SIZE, text)
    template = "customers/_list.html" if is_piece() else "customers/index.html"
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
        "customers/show.html",
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
            flash(f"{customer.name} is on record.")
            return redirect(url_for("customers.show", customer_id=customer.id), 303)
    return render_template("customers/new.html", form=form), 422 if form.is_submitted() else 200


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
            flash(f"{typed(form.name)} is saved.")
            return redirect(url_for("customers.show", customer_id=customer_id), 303)
    return render_template("customers/edit.html", form=form, customer=customer), 422 if form.is_submitted() else 200


@blueprint.route("/<int:customer_id>/sites/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_site(customer_id: int) -> ResponseReturnValue:
    """Put a site on record."""
    session, form = request_session(), SitePage()
    customer = get_customer(session, customer_id)
    form.offer(tax_places(session))
    if form.validate_on_submit():
        try:
            site = actions.add_site(current_work(), customer_id, form.read())
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Site {site.name} is on record.")
            return redirect(url_for("customers.show", customer_id=customer_id), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("customers/site.html", form=form, customer=customer, site=None), status


@blueprint.route("/sites/<int:site_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def site(site_id: int) -> ResponseReturnValue:
    """Change a site."""
    about(f"site {site_id}")
    session = request_session()
    found = get_site(session, site_id)
    form = SitePage(obj=found, data={"site": found.name})
    form.offer(tax_places(session), found.tax_place)
    if form.validate_on_submit():
        try:
            actions.change_site(current_work(), site_id, form.version_read, form.read())
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"Site {typed(form.site)} is saved.")
            return redirect(url_for("customers.show", customer_id=found.customer_id), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("customers/site.html", form=form, customer=found.customer, site=found), status


@blueprint.route("/<int:customer_id>/contacts/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def new_contact(customer_id: int) -> ResponseReturnValue:
    """Put a person at a customer's on record."""
    customer, form = get_customer(request_session(), customer_id), ContactPage()
    if form.validate_on_submit():
        given = form.read()
        try:
            actions.add_contact(current_work(), customer_id, given.name, given.duty, given.phone, given.email)
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"{given.name} is on record.")
            return redirect(url_for("customers.show", customer_id=customer_id), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("customers/contact.html", form=form, customer=customer, contact=None), status


@blueprint.route("/contacts/<int:contact_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def contact(contact_id: int) -> ResponseReturnValue:
    """Change a contact."""
    found = get_contact(request_session(), contact_id)
    about(f"customer {found.customer_id}")
    form = ContactPage(obj=found, data={"version": found.customer.version})
    if form.validate_on_submit():
        given = form.read()
        try:
            actions.change_contact(current_work(), contact_id, form.version_read, given)
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"{given.name} is saved.")
            return redirect(url_for("customers.show", customer_id=found.customer_id), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("customers/contact.html", form=form, customer=found.customer, contact=found), status
