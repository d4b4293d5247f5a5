"""What came of an order: scanned or typed by part number, then received."""

import re
import secrets
from collections.abc import Sequence
from typing import Any

from flask import render_template, request
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, RadioField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.ledger.goods.order_lines import good_of, to_come
from app.ledger.goods.order_queries import find_order
from app.ledger.goods.orders import find_scanned
from app.ledger.goods.receiving import Came, CameOfLine, OverDo, receive, scan
from app.ledger.stock.items import get_stock_item, name_item
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Delivery, DeliveryLine, Item, PurchaseLine, PurchaseOrder, Role
from app.validation import counted
from app.web.access import roles
from app.web.fields import DayField, WholeField
from app.web.forms_base import PageForm, flash_and_redirect, record_id, text, typed
from app.web.goods.to_order import blueprint
from app.web.services import current_work

_SCANNED = re.compile(r"(?:(?P<pieces>[0-9]{1,5})\s*[*x×]\s*)?(?P<code>\S.*)", re.IGNORECASE)
_OVER = [SelectChoice(OverDo.KEEP.value, "Keep for the shelf"), SelectChoice(OverDo.SEND_BACK.value, "Send back")]


class ReceiveForm(PageForm):
    """A delivery as it is counted: boxes for each line by its id, and for what nobody ordered by item."""

    code = text("Part number or barcode", 120, hint="Enter counts one piece; 12*NUMBER counts twelve.")
    packing_number = text("Number of the packing slip", Delivery.packing_number)
    token = text("Page", 64, needed="Load the page again.")

    def of(self, what: str, line: PurchaseLine) -> Any:
        """The box of a line."""
        return self[f"{what}_{line.id}"]

    def other(self, item: Item) -> Any:
        """The pieces of an item that nobody ordered."""
        return self[f"other_{item.id}"]

    def over(self, item: Item) -> Any:
        """What happens to them."""
        return self[f"otherover_{item.id}"]


def _others() -> list[Item]:
    """The items on the page that nobody ordered."""
    session = current_work().session
    ids = dict.fromkeys(record_id(name[6:]) for name in request.form if name.startswith("other_"))
    return [get_stock_item(session, item_id) for item_id in ids if item_id]


def _form(order: PurchaseOrder, others: Sequence[Item]) -> ReceiveForm:
    boxes: dict[str, Any] = {}
    for line in order.lines:
        code = line.item.code
        for what in ("good", "damaged", "wrong"):
            boxes[f"{what}_{line.id}"] = WholeField(f"{what.capitalize()}, {code}", most=100_000)
        boxes[f"over_{line.id}"] = RadioField(f"Over, {code}", choices=_OVER, validate_choice=False)
        boxes[f"drop_{line.id}"] = BooleanField("cancel these")
        boxes[f"rest_{line.id}"] = DayField(f"Rest on, {code}")
        boxes[f"note_{line.id}"] = text(f"Note, {code}", DeliveryLine.note)
    for item in others:
        boxes[f"other_{item.id}"] = WholeField(f"Not ordered, {item.code}", most=100_000)
        boxes[f"otherover_{item.id}"] = RadioField(f"Not ordered, {item.code}", choices=_OVER, validate_choice=False)
    made = type("ReceiveForm", (ReceiveForm,), boxes)()
    return made  # type: ignore[no-any-return]  # made of that class


@blueprint.get("/orders/<int:order_id>/receive")
@roles(Role.COUNTER, Role.BENCH)
def receive_page(order_id: int) -> ResponseReturnValue:
    """Count what came."""
    order = find_order(current_work().session, order_id)
    form = _form(order, ())
    form.token.data = secrets.token_hex(16)
    return _render(order, form), 200


def _render(order: PurchaseOrder, form: ReceiveForm, others: Sequence[Item] = (), said: str = "") -> str:
    return render_template(
        "goods/receive.html", order=order, form=form, others=others, said=said, came=good_of, left=to_come
    )


@blueprint.post("/orders/<int:order_id>/receive")
@roles(Role.COUNTER, Role.BENCH)
def receive_goods(order_id: int) -> ResponseReturnValue:
    """Enter in the first box counts a piece; the button receives what is counted."""
    work = current_work()
    order = find_order(work.session, order_id)
    others = _others()
    form = _form(order, others)
    if request.form.get("press") != "receive":
        return _count(order, form, others)

    def save() -> Delivery:
        lines = {line.id: _came_of(form, line) for line in order.lines}
        rest = [
            (item.id, form.other(item).data or 0, _over(form.over(item))) for item in others if form.other(item).data
        ]
        return receive(work, order_id, Came(lines, rest, typed(form.packing_number)), typed(form.token))

    if done := form.run(save):
        good = sum(line.good for line in done.value.lines)
        bad = sum(line.damaged + line.wrong for line in done.value.lines)
        claim = f" {counted(bad, 'piece')} claimed of the maker." if bad else ""
        said = f"Received: {counted(good, 'good piece')} on the shelf.{claim}"
        return flash_and_redirect(said, "orders.show", order_id=order_id)
    return _render(find_order(work.session, order_id), form, others), 422


def _came_of(form: ReceiveForm, line: PurchaseLine) -> CameOfLine:
    return CameOfLine(
        good=form.of("good", line).data or 0,
        damaged=form.of("damaged", line).data or 0,
        wrong=form.of("wrong", line).data or 0,
        over=_over(form.of("over", line)),
        is_sent_again=not form.of("drop", line).data,
        rest_on=form.of("rest", line).data,
        note=typed(form.of("note", line)),
    )


def _over(field: Any) -> OverDo:
    known = {one.value: one for one in OverDo}
    return known.get(typed(field), OverDo.ASK)


def _count(order: PurchaseOrder, form: ReceiveForm, others: list[Item]) -> ResponseReturnValue:
    """One piece more of what was scanned; nothing is on record yet."""
    work, found = current_work(), _SCANNED.fullmatch(typed(form.code))
    form.validate_on_submit()  # what is no number is told beside its box
    if found is None:
        form.code.errors = ["Scan or type a part number, or enter what came in the boxes and press Receive."]
        return _render(order, form, others), 422
    pieces, code = int(found["pieces"] or 1), found["code"]
    known = scan(work, order, code)
    if known is None:
        try:
            item = find_scanned(work.session, code)
            known = item
        except LedgerError:
            known = None
    if known is None:
        form.code.errors = [f"“{code[:80]}” is no part number of this order, nor of the stock. Nothing was counted."]
        form.code.data = ""  # a reader types the next code behind what stands in the box
        return _render(order, form, others), 422
    if isinstance(known, PurchaseLine):
        box, name = form.of("good", known), known.item.code
    else:
        if known not in others:
            others.append(known)
            form = _with(order, form, others)
        box, name = form.other(known), f"{name_item(known)}, not on this order"
    box.data, box.typed = (box.data or 0) + pieces, None
    form.code.data = ""
    return _render(order, form, others, f"{name}: {box.data:,}"), 200


def _with(order: PurchaseOrder, form: ReceiveForm, others: Sequence[Item]) -> ReceiveForm:
    """The form again with a row for what was scanned and is not on the order."""
    again = _form(order, others)
    again.validate_on_submit()
    return again
