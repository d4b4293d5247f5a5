"""One cylinder's page, which its label opens."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from app.documents import system_sheet
from app.ledger.bench.checkoff import cylinder_record, cylinder_work
from app.ledger.people.login_rules import Proof
from app.ledger.tables import Role
from app.web.access import proven, roles
from app.web.services import current_work, request_session

blueprint = Blueprint("cylinders", __name__, url_prefix="/cylinders")


@blueprint.get("/<int:cylinder_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(cylinder_id: int) -> ResponseReturnValue:
    """What the cylinder is, its door, its keyset and how far it is. Opens no bitting."""
    return render_template("bench/cylinder.html", record=cylinder_record(request_session(), cylinder_id), sheet=None)


@blueprint.post("/<int:cylinder_id>/pins")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def pins(cylinder_id: int) -> ResponseReturnValue:
    """The same page with the key's cuts and the pins, drawn; the look is put on record."""
    work = current_work()
    sheet = system_sheet(cylinder_work(work, cylinder_record(work.session, cylinder_id)))
    return render_template("bench/cylinder.html", record=cylinder_record(work.session, cylinder_id), sheet=sheet)
