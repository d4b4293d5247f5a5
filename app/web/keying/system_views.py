"""The pages about one system in service: audit, cross-keying, extension, a lost key."""

from __future__ import annotations

__all__ = ["audit", "cross_key"]

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.keying import CrossCost
from app.ledger.errors import LedgerError
from app.ledger.keysystems.checking import check_whole_system
from app.ledger.keysystems.crosskeying import cross_key as save_cross_keying
from app.ledger.keysystems.crosspricing import CrossAsk, price_cross_keying
from app.ledger.keysystems.opened import open_system
from app.ledger.keysystems.queries import get_system
from app.ledger.users.models import Role
from app.web.access import roles
from app.web.forms_base import typed
from app.web.keying.blueprint import blueprint
from app.web.keying.plan_forms import CrossPage
from app.web.keying.refusals import attach_plain
from app.web.services import current_work, request_session


@blueprint.route("/systems/<int:system_id>/audit", methods=["GET", "POST"])
@roles(Role.BENCH)
def audit(system_id: int) -> ResponseReturnValue:
    """Ask for the audit; on a POST run it and tell what was found."""
    system = get_system(request_session(), system_id)
    found = check_whole_system(current_work(), system_id) if request.method == "POST" else None
    return render_template("keying/audit.html", system=system, found=found)


@blueprint.route("/systems/<int:system_id>/cross-key", methods=["GET", "POST"])
@roles(Role.BENCH)
def cross_key(system_id: int) -> ResponseReturnValue:
    """Show what a cross-keying costs before it is saved; save it on the second press."""
    work = current_work()
    opened = open_system(work, system_id)
    form, cost = CrossPage(), None
    form.offer(opened)
    if form.validate_on_submit():
        asked = CrossAsk(int(typed(form.cylinder)), form.wanted)
        try:
            cost = price_cross_keying(work, opened, asked)
            if request.form.get("deed") == "save":
                _refuse_interchange(cost)
                save_cross_keying(work, asked.cylinder_id, asked.symbols)
                flash(f"The cylinder is operated by {', '.join(asked.symbols)} too.")
                return redirect(url_for("keysystems.show", system_id=system_id), 303)
        except BitternError as error:
            attach_plain(form, error, {"operators": "symbols", "keys": "symbols", "keying": "symbols"})
    status = 422 if form.is_submitted() and (cost is None or form.errors or form.form_errors) else 200
    page = render_template("keying/cross_key.html", system=opened.system, form=form, cost=cost)
    return page, status


def _refuse_interchange(cost: CrossCost) -> None:
    if cost.unintended:
        raise LedgerError(
            "symbols",
            f"{', '.join(cost.unintended)} would operate this cylinder too, and must not. Nothing was saved; "
            "see the other ways below.",
        )
