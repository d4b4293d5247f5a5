"""The page on which the owner corrects a bitting that is wrong on record; it shows none."""

from __future__ import annotations

from flask import flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.system_queries import get_system
from app.web.access import roles
from app.web.forms_base import typed
from app.web.keying.blueprint import blueprint
from app.web.keying.plan_forms import CorrectPage
from app.web.keying.refusals import attach_plain
from app.web.services import current_work


@blueprint.route("/systems/<int:system_id>/correct", methods=["GET", "POST"])
@roles()
def correct(system_id: int) -> ResponseReturnValue:
    """Put the right bitting of a keyset in place of the one on record."""
    work = current_work()
    form, system = CorrectPage(), get_system(work.session, system_id)
    form.offer(system)
    if form.validate_on_submit():
        said = CorrectForm(int(typed(form.keyset)), typed(form.bitting), typed(form.why), bool(form.destroyed.data))
        try:
            done = correct_bitting(work, system_id, said)
        except BitternError as error:
            attach_plain(form, error, {"control_offset": "bitting"})
        else:
            left = f" The audit still has {done.findings} to mend." if done.findings else " The audit is clean."
            lost = " The system has no array any more and cannot be extended." if done.lost_plan else ""
            flash(
                f"The bitting of {done.keyset.symbol} is corrected: destroy bench sheets printed before.{left}{lost}"
            )
            return redirect(url_for("keysystems.show", system_id=system_id), 303)
    status = 422 if form.is_submitted() else 200
    return render_template("keying/correct.html", system=system, form=form), status
