"""The losses that are open, and one loss: what its key still turns, what carries its plan out, and its end."""

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from app.ledger.keys.losses import (
    close_loss,
    get_loss,
    list_losses,
    state_of_loss,
    turned_by_losses,
)
from app.ledger.quoting.loss_drafts import plan_of_loss
from app.ledger.quoting.loss_lines import in_open_quotes
from app.ledger.tables import Loss, Role
from app.web.access import roles
from app.web.errors import about
from app.web.forms_base import SavedForm, area, flash_and_redirect, typed
from app.web.query_args import read_page
from app.web.services import current_work

blueprint = Blueprint("losses", __name__, url_prefix="/keys/losses")


class CloseForm(SavedForm):
    """The end of a loss."""

    note = area("How it ended", Loss.closing_note, hint="It stays on record.", rows=2)


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """The open losses, the oldest first, with how many doors each still opens; on request those that are over."""
    work, show_closed = current_work(), request.args.get("show") == "closed"
    losses = list_losses(work.session, read_page(request.args), closed=show_closed)
    return render_template(
        "keys/losses.html",
        losses=losses,
        turned={} if show_closed else turned_by_losses(work, losses.rows),
        show_closed=show_closed,
    )


@blueprint.get("/<int:loss_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(loss_id: int) -> ResponseReturnValue:
    """One loss."""
    return _page(loss_id), 200


def _page(loss_id: int, form: CloseForm | None = None) -> str:
    work = current_work()
    state = state_of_loss(work, loss_id)
    form = form or CloseForm(formdata=None, data={"version": str(state.loss.version)})
    plan = plan_of_loss(work, state.loss) if state.loss.closed_at is None else None
    quoted = in_open_quotes(work.session, loss_id)
    return render_template("keys/loss.html", state=state, loss=state.loss, plan=plan, quoted=quoted, form=form)


@blueprint.post("/<int:loss_id>/close")
@roles(Role.COUNTER, Role.BENCH)
def close(loss_id: int) -> ResponseReturnValue:
    """Close a loss whose key turns nothing any more."""
    form, work = CloseForm(), current_work()
    about(f"key system {get_loss(work.session, loss_id).system_id}", form)
    if done := form.run(lambda: close_loss(work, loss_id, form.version_read, typed(form.note))):
        return flash_and_redirect(done.value.words, "losses.show", loss_id=loss_id)
    return _page(loss_id, form), 422
