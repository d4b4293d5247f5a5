"""What to order today, by maker; what is ticked becomes orders that are not sent yet."""

from collections.abc import Mapping

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.maker_queries import list_makers
from app.ledger.goods.orders import MOST_PIECES, ChosenToOrder, Ticked, make_drafts
from app.ledger.goods.to_order import what_to_order
from app.ledger.tables import Role
from app.web.access import roles
from app.web.forms_base import PageForm, attach, one_line, record_id
from app.web.query_args import read_id
from app.web.services import current_work

blueprint = Blueprint("orders", __name__, url_prefix="/stock")
MOST_ROWS = 200


class ToOrderForm(PageForm):
    """What is ticked: `tick_ITEM` with `item_ITEM` pieces and `mark_ITEM`, what the page showed; `keying_JOB_MAKER`;
    `from_0`: the maker of goods that are nobody's. `problems`: what is wrong with which row.
    """

    problems: Mapping[str, str] = {}

    def chosen(self) -> ChosenToOrder:
        """What was ticked; Problems on the boxes that hold no number of pieces."""
        sent, items, keying, problems = request.form, [], [], []
        for name in sent:
            kind, _, rest = name.partition("_")
            if kind == "tick" and (item_id := record_id(rest)):
                pieces = one_line(sent.get(f"item_{item_id}")).replace(",", "")
                if not (pieces.isascii() and pieces.isdecimal() and len(pieces) < 10):
                    problems.append(
                        Problem(f"item_{item_id}", f"Enter a whole quantity from 1 to {MOST_PIECES:,}, or untick it.")
                    )
                    continue
                maker = record_id(sent.get("from_0")) or None
                items.append(Ticked(item_id, int(pieces), one_line(sent.get(f"mark_{item_id}")), maker))
            elif kind == "keying":
                job, _, maker_id = rest.partition("_")
                keying.append((record_id(job), record_id(maker_id)))
        if problems:
            raise Problems(problems)
        return ChosenToOrder(items, keying)


@blueprint.get("/to-order")
@roles(Role.COUNTER, Role.BENCH)
def to_order() -> ResponseReturnValue:
    """Everything to order, or that of one maker."""
    return _page(ToOrderForm())


@blueprint.post("/to-order")
@roles(Role.COUNTER)
def draft_orders() -> ResponseReturnValue:
    """Orders of what is ticked."""
    form = ToOrderForm()
    if form.validate_on_submit():
        try:
            drafts = make_drafts(current_work(), form.chosen())
        except Problems as refused:
            form.problems = {one.field: one.message for one in refused.problems}
        except BitternError as error:
            attach(form, error)
        else:
            for draft in drafts:
                flash(f"Order {draft.number} to {draft.maker.name} is made out. Look at it, then send it.")
            if len(drafts) == 1:
                return redirect(url_for("orders.show", order_id=drafts[0].id), 303)
            return redirect(url_for("orders.index", which="not sent"), 303)
    return _page(form)


def _page(form: ToOrderForm) -> ResponseReturnValue:
    work, maker_id = current_work(), read_id(request.args, "maker")
    groups = what_to_order(work)
    shown = [group for group in groups if maker_id is None or (group.maker and group.maker.id == maker_id)]
    page = render_template(
        "goods/to_order.html",
        groups=shown,
        count=len(groups),
        maker_id=maker_id,
        form=form,
        today=work.today,
        most=MOST_ROWS,
        makers=[maker for maker, _, _ in list_makers(work.session)],
        sent=request.form if form.is_submitted() else None,
    )
    return page, form.status
