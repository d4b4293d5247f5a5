"""The book of goods: one list of what is sold, done and kept, a page an item, and one form to add or change it."""

from collections.abc import Callable, Sequence

from flask import Blueprint, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from wtforms import BooleanField, SelectField, StringField
from wtforms.validators import InputRequired

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.item_prices import coming_prices
from app.ledger.catalog.items import PIECES, ItemForm, fill_prices, item_subject, own_price, save_item
from app.ledger.catalog.price_book import code_lines, ruled_categories
from app.ledger.catalog.price_editing import subject_of
from app.ledger.catalog.price_rules import rule_subject, rule_words, rules_for, selling_prices
from app.ledger.stock.handling import ShelfForm, count_item, move_between, put_found, scrap_stock
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
from app.ledger.store.events import events_of
from app.ledger.tables import SHELF, Event, Item, ItemKind, Role, StockMovement
from app.pricing import read_cents
from app.web.access import may, owner_only, roles
from app.web.errors import about
from app.web.fields import CentsField, WholeField
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, record_id, text, typed
from app.web.query_args import read_id, read_page, read_text, wants_fragment
from app.web.services import current_work, request_session

blueprint = Blueprint("goods", __name__, url_prefix="/goods")
KIND_WORDS = {
    ItemKind.PART: "cylinder",
    ItemKind.LOCK: "lock",
    ItemKind.BLANK: "key blank",
    ItemKind.CAM: "cam",
    ItemKind.RING: "ring",
    ItemKind.GOODS: "other goods",
    ItemKind.LABOR: "labor",
    ItemKind.PIN: "pin",
    ItemKind.UNPINNED: "cylinder without pins",
}
_SHOWN = {
    "": "Everything",
    "counted": "Counted",
    "below": "At or below its reorder point",
    "unpriced": "Without a price",
    "unlisted": "No longer in its maker's list",
}


def read_kind(name: str = "kind") -> ItemKind | None:
    """The kind of item that the address or a form names."""
    sent = request.values.get(name, "")
    return ItemKind(sent) if sent in list(ItemKind) else None


def _kinds() -> dict[ItemKind, str]:
    """The kinds that this person may look at."""
    sees_pins = current_user.role is not Role.COUNTER
    return {kind: words for kind, words in KIND_WORDS.items() if sees_pins or kind is not ItemKind.PIN}


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The items; a number or a barcode that is just one of them leads to it."""
    work, words = current_work(), read_text(request.args)
    known = scan(work.session, current_user.role, words) if words and not wants_fragment() else ()
    if len(known) == 1 and "page" not in request.args:
        return redirect(url_for("goods.item", item_id=known[0].id), 303)
    return _list_page({})


def _list_page(refused: dict[str, str]) -> ResponseReturnValue:
    work, shown = current_work(), request.values.get("shown", "")
    wanted = StockFilter(
        read_text(request.values),
        read_id(request.values, "maker"),
        read_kind(),
        read_id(request.values, "place"),
        shown == "below",
        True if shown == "counted" else None,
        shown == "unpriced",
        shown == "unlisted",
    )
    found = list_stock(work.session, work.vault, current_user.role, wanted, read_page(request.values))
    page = render_template(
        "goods/_items.html" if wants_fragment() else "goods/items.html",
        found=found,
        prices=selling_prices(work.session, [row.item for row in found.rows], work.today),
        wanted=wanted,
        shown=shown,
        saved=read_text(request.args, "saved", 10),
        all_shown=_SHOWN,
        makers=maker_names(work.session),
        kinds=_kinds(),
        places=list_places(work.session),
        form=PageForm(formdata=None),
        refused=refused,
    )
    return page, 422 if refused else 200


@blueprint.post("/prices")
@owner_only
def prices() -> ResponseReturnValue:
    """Prices that were typed beside the house's own items."""
    cents: dict[int, int] = {}
    problems: list[Problem] = []
    for name, said in request.form.items():
        if name.startswith("price-") and said.strip():
            try:
                cents[record_id(name.removeprefix("price-"))] = read_cents(said.strip(), name)
            except BitternError as error:
                problems.append(Problem(name, error.message))
    try:
        if problems:
            raise Problems(problems)
        done = fill_prices(current_work(), cents)
    except Problems as error:
        return _list_page({one.field: one.message for one in error.problems})
    return flash_and_redirect(f"{done} priced." if done else "No price was typed.", "goods.index", shown="unpriced")


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


@blueprint.get("/<int:item_id>")
@roles(Role.COUNTER, Role.BENCH)
def item(item_id: int) -> ResponseReturnValue:
    """An item: what it costs, what is there, and what came and went."""
    return _item_page(_seen(item_id))


def _seen(item_id: int) -> Item:
    """The item, where this person may look at it."""
    found = get_stock_item(request_session(), item_id)
    if found.kind is ItemKind.PIN and current_user.role is Role.COUNTER:
        raise NotFound("item")
    return found


def _item_page(found: Item, form: ShelfPage | None = None) -> ResponseReturnValue:
    work = current_work()
    session = work.session
    newest = str(newest_movement(session))
    if form is None:
        form = ShelfPage(formdata=None, data={"place_id": str(SHELF), "mark": newest})
        form.offer(session)
    booked = quantities(session, [found.id])
    is_owners = may("goods.edit")
    page = render_template(
        "goods/item.html",
        item=found,
        kind=KIND_WORDS[found.kind],
        price=selling_prices(session, [found], work.today)[found.id],
        lines=code_lines(session, found.code, work.today) if is_owners and found.kind not in PIECES else (),
        rules=rules_for(session, found, work.today) if is_owners else (),
        rule_words=rule_words,
        rule_subject=rule_subject,
        events=_story(session, found) if is_owners else (),
        quantity=with_pins(session, work.vault, [found], booked)[found.id],
        coming=open_lines(session, [found.id]),
        waiting=coming_prices(session, found.id),
        booked=booked[found.id],
        places=by_place(session, found.id),
        use=None if found.kind is ItemKind.PIN else steady_use(session, found, work.now),
        moved=movements_of(session, found.id, read_page(request.args)),
        form=form,
        newest=newest,
        is_pin=found.kind is ItemKind.PIN,
        is_labor=found.kind is ItemKind.LABOR,
        name=name_item(found),
    )
    return page, form.status


def _story(session: Session, found: Item) -> list[Event]:
    """What happened to the item and to its prices, the newest first."""
    both = [one for about in (item_subject(found.id), subject_of(found.code)) for one in events_of(session, about)]
    return sorted(both, key=lambda one: one.id, reverse=True)[:20]


@blueprint.post("/<int:item_id>")
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


@blueprint.post("/<int:item_id>/away")
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
        return flash_and_redirect(done.value, "goods.item", item_id=found.id)
    return _item_page(found, form)


class ItemPage(SavedForm):
    """What is kept of an item."""

    code = text("Number", Item.code, hint="The maker's part number, or a short code of your own.", needed="Enter it.")
    words = text("What it is", Item.words, hint="As it stands on the quote.", needed="Enter what it is.")
    maker_id = SelectField("Maker", validate_choice=False)
    kind = SelectField("Kind")
    category = text("Category", Item.category, hint="For price rules. Empty: the usual one.")
    list_cents = CentsField("List price", description="The maker's, each.")
    cost_cents = CentsField("Cost", description="Each.")
    price_cents = CentsField(
        "Own price", description="Each, for everybody, from today. Empty: by list, tier and price rules."
    )
    is_thin_meant = BooleanField("Set it in spite of the thin margin")
    is_stocked = BooleanField("Usually on the shelf")
    bin = text("Bin", Item.bin, hint="Where on its shelf, as A-12.")
    barcode = text("Barcode", Item.barcode, hint="As the reader types it.")
    is_barcode_meant = BooleanField("Keep this barcode as it is")
    reorder_point = WholeField("Reorder point", description="Order when no more than this are free. Empty: never.")
    reorder_to = WholeField("Order up to", description="Empty: one more than the reorder point.")
    pack_size = WholeField("Pack", [InputRequired("Enter 1 where it comes singly.")], least=1)
    lead_days = WholeField("Lead time", most=5000, description="Working days. Empty: the maker's.")

    def offer(self, session: Session, found: Item | None) -> None:
        """Fill makers and kinds."""
        self.maker_id.choices = {"": "our own", **{str(maker): name for maker, name in maker_names(session)}}
        kinds = {
            one: words for one, words in KIND_WORDS.items() if one not in PIECES or (found and found.kind is one)
        }
        self.kind.choices = {one.value: words for one, words in kinds.items()}

    def read(self) -> ItemForm:
        """As the use case takes it."""
        sent = typed(self.kind)
        maker = typed(self.maker_id)
        return self.into(
            ItemForm,
            maker_id=record_id(maker) if maker else None,
            kind=ItemKind(sent) if sent in list(ItemKind) else ItemKind.GOODS,
            cost_cents=self.cost_cents.data or 0,
        )


@blueprint.route("/new", methods=["GET", "POST"])
@owner_only
def new() -> ResponseReturnValue:
    """Add an item."""
    maker = read_id(request.args, "maker")
    start = {"code": read_text(request.args, "code", 80), "kind": request.args.get("kind", ItemKind.GOODS.value)}
    form = ItemPage(data={**start, "maker_id": str(maker or ""), "pack_size": 1})
    return _edit(form, None)


@blueprint.route("/<int:item_id>/edit", methods=["GET", "POST"])
@owner_only
def edit(item_id: int) -> ResponseReturnValue:
    """Change an item: its number, words, prices, and how it is kept."""
    work = current_work()
    found = get_stock_item(work.session, item_id)
    about(item_subject(item_id))
    price = own_price(work.session, found.code, work.today) if found.kind not in PIECES else None
    held: dict[str, object] = {"kind": found.kind.value, "maker_id": str(found.maker_id or "")}
    if price is not None:
        held |= {"price_cents": price.unit_cents, "cost_cents": price.cost_cents}
    return _edit(ItemPage(data=_data_of(found) | held), found)


def _data_of(found: Item) -> dict[str, object]:
    names = (*("version", "code", "words", "category", "list_cents", "cost_cents", "is_stocked", "bin", "barcode"),)
    more = ("reorder_point", "reorder_to", "pack_size", "lead_days")
    return {name: getattr(found, name) for name in (*names, *more)}


def _edit(form: ItemPage, found: Item | None) -> ResponseReturnValue:
    work = current_work()
    form.offer(work.session, found)
    item_id = found.id if found else None
    if done := form.run(lambda: save_item(work, form.read(), item_id, form.version_read)):
        return flash_and_redirect(f"{name_item(done.value)} is saved.", "goods.item", item_id=done.value.id)
    categories: Sequence[str] = ruled_categories(work.session)
    page = render_template("goods/edit_item.html", item=found, form=form, categories=categories)
    return page, form.status
