"""The places where goods lie."""

from flask import render_template, request
from flask.typing import ResponseReturnValue
from wtforms import SelectField

from app.ledger.stock.handling import (
    set_place,
)
from app.ledger.stock.stock_queries import (
    list_places,
)
from app.ledger.tables import PlaceKind, StockPlace
from app.web.access import owner_only
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.query_args import read_id
from app.web.services import current_work, request_session
from app.web.stock import blueprint


class PlacePage(SavedForm):
    """A place."""

    name = text("Name", StockPlace.name, needed="Enter the place's name.")
    kind = SelectField("Kind", choices={one.value: one.value for one in PlaceKind})


@blueprint.route("/places", methods=["GET", "POST"])
@owner_only
def places() -> ResponseReturnValue:
    """The places where goods lie; one is added, or gets another name."""
    session, place_id = request_session(), read_id(request.values, "place")
    there = list_places(session)
    edited = next((one for one in there if one.id == place_id), None)
    form = PlacePage(obj=edited)
    if done := form.run(
        lambda: set_place(
            current_work(),
            typed(form.name),
            PlaceKind(form.kind.data),
            edited.id if edited else None,
            form.version_read,
        )
    ):
        return flash_and_redirect(f"{done.value.name} is saved.", "stock.places")
    page = render_template("stock/places.html", places=there, edited=edited, form=form)
    return page, form.status
