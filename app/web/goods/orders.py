"""Orders to makers: the list, one as a draft and as it was sent, its papers and e-mail, what the maker confirmed."""

from email.message import EmailMessage
from functools import partial
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs

from app.documents import (
    MailText,
    order_mail_text,
    order_message,
    purchase_order_pdf,
    purchase_order_table,
)
from app.errors import BitternError
from app.ledger.goods.moved_promises import calls_to_make, mark_called, promise_earlier
from app.ledger.goods.order_lines import good_of, to_come
from app.ledger.goods.order_queries import (
    WhichOrders,
    count_orders,
    find_order,
    jobs_on,
    list_orders,
    pieces_to_come,
    received_cents,
)
from app.ledger.goods.order_snapshot import order_as_sent
from app.ledger.goods.orders import (
    Confirmation,
    ConfirmedLine,
    DraftForm,
    cancel_pieces,
    change_draft,
    confirm_order,
    delete_draft,
    mail_order,
    send_order,
)
from app.ledger.store.events import events_of
from app.ledger.tables import Marking, OrderKind, OrderState, PurchaseLine, PurchaseOrder, Role
from app.web.access import roles
from app.web.errors import about
from app.web.fields import CentsField, DayField, WholeField
from app.web.files import CSV, PDF, XLSX, send
from app.web.forms_base import (
    PageForm,
    SavedForm,
    area,
    flash_and_redirect,
    record_id,
    text,
    typed,
    with_boxes,
)
from app.web.goods.to_order import blueprint
from app.web.mail import MailedPaper, mail_page
from app.web.query_args import read_page, read_text
from app.web.services import current_work, the_config

MARKINGS = [SelectChoice(one.value, one.value) for one in Marking]


@blueprint.get("/orders")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Orders: open, late, not sent, or all."""
    work, words = current_work(), read_text(request.args)
    asked = read_text(request.args, "which")
    which = WhichOrders(asked) if asked in {one.value for one in WhichOrders} else WhichOrders.OPEN
    return render_template(
        "goods/orders.html",
        page=list_orders(work.session, work.today, which, words, read_page(request.args)),
        which=which,
        kinds=WhichOrders,
        counts=count_orders(work.session, work.today),
        calls=calls_to_make(work),
        text=words,
        today=work.today,
        left=pieces_to_come,
    )


class LinesForm(SavedForm):
    """A form with boxes for each line of an order, named by what and the line's id."""

    def of(self, what: str, line: PurchaseLine) -> Any:
        """The box of a line."""
        return self[f"{what}_{line.id}"]


class DraftLines(LinesForm):
    """A draft: its lines, and what stands on it besides."""

    add_code = text("Add a part number", 80, hint="A part number of the maker, or a barcode.")
    add_quantity = WholeField("Pieces", least=1, most=100_000)
    charges_cents = CentsField("Keying and other charges, as far as known")
    mark_keys = SelectField("Mark keys", choices=MARKINGS)
    mark_cylinders = SelectField("Mark cylinders", choices=MARKINGS)
    note = area("Note to the maker", PurchaseOrder.note, rows=2)


class ConfirmLines(LinesForm):
    """What the maker confirmed."""

    maker_number = text("The maker's number of it", PurchaseOrder.maker_number)
    all_on = DayField("All of it on", description="Fills every line whose own day is not typed.")
    confirmed_charges_cents = CentsField("Keying and other charges")


class CancelLines(LinesForm):
    """How many of each line do not come any more, and why."""

    reason = text("Why it does not come", 300)


def _draft_form(order: PurchaseOrder) -> DraftLines:
    boxes: dict[str, Any] = {}
    for line in order.lines:
        boxes[f"line_{line.id}"] = WholeField(f"Pieces of {line.item.code}", most=100_000)
        boxes[f"cents_{line.id}"] = CentsField(f"Price of {line.item.code}")
    form = with_boxes(DraftLines, boxes)(obj=order)
    if not form.is_submitted():
        for line in order.lines:
            form.of("line", line).data, form.of("cents", line).data = line.quantity, line.unit_cents
    return form


def _confirm_form(order: PurchaseOrder, *, is_sent: bool) -> ConfirmLines:
    boxes: dict[str, Any] = {}
    for line in order.lines:
        boxes[f"cents_{line.id}"] = CentsField(f"Price of {line.item.code}")
        boxes[f"day_{line.id}"] = DayField(f"Day of {line.item.code}")
    kind = with_boxes(ConfirmLines, boxes)
    form = kind() if is_sent else kind(formdata=None, obj=order)
    if not is_sent:
        for line in order.lines:
            form.of("cents", line).data = line.unit_cents if line.confirmed_cents is None else line.confirmed_cents
            form.of("day", line).data = line.expected_on
        form.confirmed_charges_cents.data = (
            order.charges_cents if order.confirmed_charges_cents is None else order.confirmed_charges_cents
        )
    return form


def _cancel_form(order: PurchaseOrder, *, is_sent: bool) -> CancelLines:
    boxes = {f"cancel_{line.id}": WholeField(f"Cancel of {line.item.code}", most=100_000) for line in order.lines}
    kind = with_boxes(CancelLines, boxes)
    return kind() if is_sent else kind(formdata=None, obj=order)


@blueprint.get("/orders/<int:order_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(order_id: int) -> ResponseReturnValue:
    """An order: as a draft with boxes, later with what came and what was confirmed."""
    return _page(find_order(current_work().session, order_id)), 200


def _page(order: PurchaseOrder, **refused: PageForm) -> str:
    work = current_work()
    is_draft = order.state is OrderState.DRAFT
    forms: dict[str, PageForm | None] = {"draft": None, "confirm": None, "cancel": None}
    if is_draft:
        forms["draft"] = refused.get("draft") or _draft_form(order)
    elif order.state.is_open:
        forms["confirm"] = _confirm_form(order, is_sent=False)
        forms["cancel"] = _cancel_form(order, is_sent=False)
    jobs = jobs_on(work, order)
    return render_template(
        "goods/order.html",
        order=order,
        numbers={one.job.id: one.job.number for one in jobs},
        is_keying=order.kind is OrderKind.KEYING,
        jobs=jobs,
        came=good_of,
        left=to_come,
        owed=received_cents(order),
        today=work.today,
        is_owner=work.actor.role is Role.OWNER,
        events=events_of(work.session, f"order {order.id}", work.actor.role),
        **forms | refused,
    )


def _done(order_id: int, said: str) -> ResponseReturnValue:
    return flash_and_redirect(said, "orders.show", order_id=order_id)


@blueprint.post("/orders/<int:order_id>/draft")
@roles(Role.COUNTER)
def save_draft(order_id: int) -> ResponseReturnValue:
    """Save a draft; `press` says whether it is sent, too, or its e-mail is written next."""
    work = current_work()
    order = find_order(work.session, order_id)
    form = _draft_form(order)
    about(f"order {order_id}", form)

    def save() -> PurchaseOrder:
        lines = {
            line.id: (form.of("line", line).data or 0, form.of("cents", line).data or 0)
            for line in order.lines
            if f"line_{line.id}" in request.form
        }
        typed_in = DraftForm(
            lines=lines,
            note=typed(form.note),
            charges_cents=form.charges_cents.data or 0,
            mark_keys=Marking(typed(form.mark_keys) or Marking.NONE),
            mark_cylinders=Marking(typed(form.mark_cylinders) or Marking.NONE),
            add_code=typed(form.add_code),
            add_quantity=form.add_quantity.data or 0,
        )
        saved = change_draft(work, order_id, form.version_read, typed_in)
        if request.form.get("press") == "send":
            return send_order(work, order_id, saved.version)
        return saved

    if done := form.run(save):
        press = request.form.get("press")
        if press == "mail":
            return redirect(url_for("orders.mail", order_id=order_id), 303)
        if press == "send":
            return _done(order_id, f"Order {order.number} is sent, and stays as it is from now on. Print or mail it.")
        return _done(order_id, f"Order {done.value.number} saved.")
    return _page(find_order(work.session, order_id), draft=form), 422


@blueprint.post("/orders/<int:order_id>/delete")
@roles(Role.COUNTER)
def delete(order_id: int) -> ResponseReturnValue:
    """Drop a draft."""
    form, work = SavedForm(), current_work()
    order = find_order(work.session, order_id)
    number = order.number
    if form.run(lambda: delete_draft(work, order_id, form.version_read)):
        return flash_and_redirect(
            f"Order {number} deleted; what it was for is to be ordered again.", "orders.to_order"
        )
    return _page(order, draft=_draft_form(order)), 422


@blueprint.post("/orders/<int:order_id>/confirm")
@roles(Role.COUNTER)
def confirm(order_id: int) -> ResponseReturnValue:
    """What the maker confirmed, line by line."""
    work = current_work()
    order = find_order(work.session, order_id)
    form = _confirm_form(order, is_sent=True)
    about(f"order {order_id}", form)

    def to_call() -> set[int]:
        return {call.job.id for call in calls_to_make(work) if call.moves}

    def save() -> int:
        before = to_call()
        lines = {}
        for line in order.lines:
            day = form.of("day", line).data
            if form.all_on.data and day == line.expected_on and to_come(line):
                day = form.all_on.data
            lines[line.id] = ConfirmedLine(form.of("cents", line).data, day)
        said = Confirmation(typed(form.maker_number), form.confirmed_charges_cents.data, lines)
        confirm_order(work, order_id, form.version_read, said)
        return len(to_call() - before)

    if done := form.run(save):
        calls = (
            f" {done.value} promise{'' if done.value == 1 else 's'} moved: call the customer." if done.value else ""
        )
        return _done(order_id, f"Order {order.number}: what the maker confirmed is saved.{calls}")
    return _page(find_order(work.session, order_id), confirm=form), 422


@blueprint.post("/orders/<int:order_id>/cancel")
@roles(Role.COUNTER)
def cancel(order_id: int) -> ResponseReturnValue:
    """Pieces that do not come; `press` "all" takes all that is still to come."""
    work = current_work()
    order = find_order(work.session, order_id)
    form = _cancel_form(order, is_sent=True)
    about(f"order {order_id}", form)

    def save() -> PurchaseOrder:
        if request.form.get("press") == "all":
            pieces = {line.id: to_come(line) for line in order.lines}
        else:
            pieces = {line.id: form.of("cancel", line).data or 0 for line in order.lines}
        return cancel_pieces(work, order_id, form.version_read, pieces, typed(form.reason))

    if done := form.run(save):
        state = f" It is {done.value.state.value} now." if not done.value.state.is_open else ""
        return _done(order_id, f"Canceled. What was for jobs is to be ordered again.{state}")
    return _page(find_order(work.session, order_id), cancel=form), 422


class EarlierForm(PageForm):
    """An earlier day to promise."""

    day = DayField("Day")


@blueprint.post("/orders/<int:order_id>/jobs/<int:job_id>/earlier")
@roles(Role.COUNTER)
def earlier(order_id: int, job_id: int) -> ResponseReturnValue:
    """Promise a job for the earlier day on which its parts let it be ready."""
    form, work = EarlierForm(), current_work()
    if form.validate_on_submit() and form.day.data:
        try:
            promise_earlier(work, order_id, job_id, form.day.data)
        except BitternError as error:
            flash(error.message, "caution")
        else:
            flash("Promised for the earlier day. The customer stands on the list of calls.")
    return redirect(url_for("orders.show", order_id=order_id), 303)


@blueprint.get("/calls")
@roles(Role.COUNTER, Role.BENCH)
def calls() -> ResponseReturnValue:
    """Whom to call about a promise that moved, or an order that is late."""
    work = current_work()
    return render_template("goods/calls.html", calls=calls_to_make(work))


@blueprint.post("/calls")
@roles(Role.COUNTER)
def called() -> ResponseReturnValue:
    """A customer was called; `job` and `newest` say about what."""
    form, work = PageForm(), current_work()
    if form.validate_on_submit():
        job_id, newest = record_id(request.form.get("job")), record_id(request.form.get("newest"))
        job = mark_called(work, job_id, newest)
        flash(f"{job.customer.name} is called about job {job.number}.")
    return redirect(url_for("orders.calls"), 303)


@blueprint.get("/orders/<int:order_id>/order.<any(pdf, csv, xlsx):kind>")
@roles(Role.COUNTER, Role.BENCH)
def paper(order_id: int, kind: str) -> ResponseReturnValue:
    """The order as paper, or as a table."""
    work = current_work()
    order = order_as_sent(work, find_order(work.session, order_id))
    name = f"order-{order.number}.{kind}"
    if kind == "pdf":
        return send(purchase_order_pdf(order), name, PDF)
    table = purchase_order_table(order)
    return send(table.csv() if kind == "csv" else table.xlsx(), name, CSV if kind == "csv" else XLSX)


@blueprint.route("/orders/<int:order_id>/mail", methods=["GET", "POST"])
@roles(Role.COUNTER)
def mail(order_id: int) -> ResponseReturnValue:
    """Write an order's e-mail; with it a draft is sent: it stays as it is from then on."""
    work = current_work()
    order = find_order(work.session, order_id)

    def message(to: tuple[str, ...], words: MailText) -> EmailMessage:
        frozen = order_as_sent(work, order)
        sender = the_config().mail_from or frozen.house.email
        made = order_message(frozen, to, words, sender, work.now)  # refused before anything is on record
        if order.state is not OrderState.DRAFT:
            return made
        send_order(work, order_id, order.version, f"by e-mail to {', '.join(to)}")
        frozen = order_as_sent(work, find_order(work.session, order_id))
        return order_message(frozen, to, words, sender, work.now)

    paper = MailedPaper(
        f"Order {order.number}",
        f"order-{order.number}.eml",
        url_for("orders.show", order_id=order_id),
        lambda: (order.maker.email, order_mail_text(order_as_sent(work, order))),
        message,
        partial(mail_order, work, order_id),
    )
    return mail_page(paper, "goods/order_mail.html", order=order)
