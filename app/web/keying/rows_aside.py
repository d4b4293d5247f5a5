"""A row of an old list that stands aside: the owner sees what the list says of it, and settles it."""

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.ledger.keysystems.settling import (
    MASTERS,
    SettleForm,
    get_row_aside,
    levels_to_settle,
    reveal_row,
    settle_row,
)
from app.ledger.keysystems.system_queries import get_system
from app.ledger.people.login_rules import Proof
from app.web.access import owner_only, proven
from app.web.forms_base import flash_and_redirect, record_id
from app.web.keying import blueprint
from app.web.keying.forms import SettlePage
from app.web.services import current_work


@blueprint.route("/systems/<int:system_id>/aside/<int:aside_id>", methods=["GET", "POST"])
@owner_only
def row_aside(system_id: int, aside_id: int) -> ResponseReturnValue:
    """Enter the bitting of a row's key, or say why there is none any more."""
    return _page(system_id, aside_id)


@blueprint.post("/systems/<int:system_id>/aside/<int:aside_id>/bitting")
@owner_only
@proven(Proof.BITTINGS)
def show_row_aside(system_id: int, aside_id: int) -> ResponseReturnValue:
    """What the list says of its bitting; each showing is on record."""
    said = reveal_row(current_work(), system_id, aside_id)
    return _page(system_id, aside_id, said or "The list says no bitting.")


def _page(system_id: int, row_id: int, said: str = "") -> ResponseReturnValue:
    work, form = current_work(), SettlePage(formdata=None) if said else SettlePage()
    row, system = get_row_aside(work, system_id, row_id), get_system(work.session, system_id)
    masters = [one for one in system.keysets if one.level in MASTERS]
    form.under.choices = {"": "none"} | {one.symbol: f"{one.symbol}, {one.level.value}" for one in masters}
    form.level.choices = {"": "Choose …"} | {one.value: one.value for one in levels_to_settle(system)}
    if said or not form.is_submitted():
        form.version.data, form.level.data, form.under.data = str(row.version), row.level, row.parent_symbol
    elif done := form.run(
        lambda: settle_row(
            work, system_id, row_id, form.into(SettleForm, version=record_id(request.form.get("version")))
        )
    ):
        return flash_and_redirect(f"Settled. {done.value.settled}.", "keysystems.show", system_id=system_id)
    page = render_template("keying/row_aside.html", system=system, row=row, form=form, said=said)
    return page, 200 if said else form.status
