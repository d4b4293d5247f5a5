"""The list of stock, an item with what came and went of it, and the places."""

from collections.abc import Callable

from flask import redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from wtforms import BooleanField, SelectField, StringField
from wtforms.validators import InputRequired

from app.ledger.stock.handling import (
    ItemForm,
    ShelfForm,
    change_item,
    count_item,
    move_between,
    put_found,
    scrap_stock,
    set_place,
)
from app.ledger.stock.items import get_stock_item, name_item
from app.ledger.stock.movements import newest_movement, quantities
from app.ledger.stock.on_order import open_lines
from app.ledger.stock.stock_queries import (
    StockFilter,
    by_place,
    list_places,
    list_stock,
    maker_names,
    movements_of,
    scan,
    steady_use,
    with_pins,
)
from app.ledger.store import Session
from app.ledger.store.errors import NotFound
from app.ledger.tables import SHELF, Item, ItemKind, PlaceKind, Role, StockMovement, StockPlace
from app.web.access import owner_only, roles
from app.web.fields import CentsField, WholeField
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, record_id, text, typed
from app.web.query_args import read_id, read_page, read_text, wants_fragment
from app.web.services import current_work, request_session
from app.web.stock import blueprint


def read_kind(name: str = "kind") -> ItemKind | None:
    """The kind of item that the address or a form names."""
    sent = request.values.get(name, "")
    return ItemKind(sent) if sent in list(ItemKind) else None


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The items of stock; a number or a barcode that is just one of them leads to it."""
    work, words = current_work(), read_text(request.args)
    wanted = StockFilter(
        words,
        read_id(request.args, "maker"),
        read_kind(),
        read_id(request.args, "place"),
        request.args.get("below") == "yes",
    )
    known = scan(work.session, current_user.role, words) if words and not wants_fragment() else None
    if known is not None and len(known) == 1 and "page" not in request.args:
        return redirect(url_for("stock.item", item_id=known[0].id), 303)
    return render_template(
        "stock/_items.html" if wants_fragment() else "stock/index.html",
        found=list_stock(work.session, work.vault, current_user.role, wanted, read_page(request.args)),
        wanted=wanted,
        makers=maker_names(work.session),
        kinds=[kind for kind in ItemKind if kind is not ItemKind.PIN or current_user.role is not Role.COUNTER],
        places=list_places(work.session),
    )


class ShelfPage(PageForm):
    """So many of an item at a place, and what is done with them."""

    place_id = SelectField("Place")
    quantity = WholeField("How many", [InputRequired("Enter how many.")])
    to_id = SelectField("To", validate_choice=False)
    why = text("Why", StockMovement.why)
    mark = StringField("Mark")

    def offer(self, session: Session) -> None:
        """Fill the places."""
        there = {str(one.id): one.name for one in list_places(session)}
        self.place_id.choices, self.to_id.choices = there, {"": "Choose …", **there}

    def read(self) -> ShelfForm:
        """As the use cases take it."""
        return ShelfForm(
            self.quantity.data, typed(self.why), record_id(typed(self.place_id)), record_id(typed(self.mark))
        )


@blueprint.get("/items/<int:item_id>")
@roles(Role.COUNTER, Role.BENCH)
def item(item_id: int) -> ResponseReturnValue:
    """An item: what is there, and what came and went."""
    return _item_page(_seen(item_id))


def _seen(item_id: int) -> Item:
    """The item, where this person may look at it."""
    found = get_stock_item(request_session(), item_id)
    if found.kind is ItemKind.PIN and current_user.role is Role.COUNTER:
        raise NotFound("item of stock")
    return found


def _item_page(found: Item, form: ShelfPage | None = None) -> ResponseReturnValue:
    work = current_work()
    session = work.session
    newest = str(newest_movement(session))
    if form is None:
        form = ShelfPage(formdata=None, data={"place_id": str(SHELF), "mark": newest})
        form.offer(session)
    sums = with_pins(session, work.vault, [found], quantities(session, [found.id]))
    page = render_template(
        "stock/item.html",
        item=found,
        quantity=sums[found.id],
        coming=open_lines(session, [found.id]),
        booked=quantities(session, [found.id])[found.id],
        places=by_place(session, found.id),
        use=None if found.kind is ItemKind.PIN else steady_use(session, found, work.now),
        moved=movements_of(session, found.id, read_page(request.args)),
        form=form,
        newest=newest,
        is_pin=found.kind is ItemKind.PIN,
        name=name_item(found),
    )
    return page, form.status


@blueprint.post("/items/<int:item_id>")
@roles(Role.COUNTER, Role.BENCH)
def handle(item_id: int) -> ResponseReturnValue:
    """Count an item, or put what was found."""
    work, found = current_work(), _seen(item_id)

    def use(form: ShelfPage) -> str:
        if request.form.get("deed") == "found":
            put_found(work, item_id, form.read())
            return f"{form.quantity.data:,} more of {name_item(found)} are on hand."
        difference = count_item(work, item_id, form.read())
        than = "as the sums say" if not difference else f"{abs(difference):,} {'more' if difference > 0 else 'fewer'}"
        return f"{name_item(found)} is counted: {form.quantity.data:,}, {than}."

    return _handled(found, use)


@blueprint.post("/items/<int:item_id>/away")
@owner_only
def send_away(item_id: int) -> ResponseReturnValue:
    """Scrap some of an item, or move some to another place."""
    work, found = current_work(), _seen(item_id)

    def use(form: ShelfPage) -> str:
        if request.form.get("deed") == "scrap":
            scrap_stock(work, item_id, form.read())
            return f"{form.quantity.data:,} of {name_item(found)} are scrapped."
        move_between(work, item_id, form.read(), record_id(typed(form.to_id)))
        return f"{form.quantity.data:,} of {name_item(found)} are moved."

    return _handled(found, use)


def _handled(found: Item, use: Callable[[ShelfPage], str]) -> ResponseReturnValue:
    form = ShelfPage()
    form.offer(request_session())
    if found.kind is ItemKind.PIN:
        return flash_and_redirect("Pins are counted by their sizes, here.", "stock.pins", spec=found.spec_id)
    if done := form.run(lambda: use(form)):
        return flash_and_redirect(done.value, "stock.item", item_id=found.id)
    return _item_page(found, form)


class ItemPage(SavedForm):
    """What is kept of an item."""

    words = text("What it is", Item.words, needed="Enter what it is.")
    bin = text("Bin", Item.bin, hint="Where on its shelf, as A-12.")
    barcode = text("Barcode", Item.barcode, hint="As the reader types it.")
    is_barcode_meant = BooleanField("Keep this barcode as it is")
    cost_cents = CentsField("Cost", [InputRequired("Enter what one costs.")], description="Each.")
    reorder_point = WholeField("Reorder point", description="Order when no more than this are free. Empty: never.")
    reorder_to = WholeField("Order up to", description="Empty: one more than the reorder point.")
    pack_size = WholeField("Pack", [InputRequired("Enter 1 where it comes singly.")], least=1)
    lead_days = WholeField("Lead time", most=5000, description="Working days. Empty: the maker's.")


@blueprint.route("/items/<int:item_id>/edit", methods=["GET", "POST"])
@owner_only
def edit(item_id: int) -> ResponseReturnValue:
    """An item's bin, barcode, cost, reorder point, pack and lead time."""
    found = get_stock_item(request_session(), item_id)
    form = ItemPage(obj=found)
    if done := form.run(
        lambda: change_item(
            current_work(),
            item_id,
            form.version_read,
            form.into(ItemForm),
            is_barcode_meant=form.is_barcode_meant.data,
        )
    ):
        return flash_and_redirect(f"{name_item(done.value)} is saved.", "stock.item", item_id=item_id)
    return render_template("stock/edit_item.html", item=found, form=form, name=name_item(found)), form.status


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
