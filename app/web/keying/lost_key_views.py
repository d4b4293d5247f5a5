"""The page of a lost key: what it exposes, the rekey plan, and a draft quote of it for the counter page."""

from __future__ import annotations

import secrets
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.keys.losing import LossPlan, RekeyGroup, plan_for_loss
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.quoting.issuing import keep_draft
from app.ledger.quoting.rekeying import keyed_as
from app.ledger.tables import LineKind, Role
from app.web.access import may, roles
from app.web.forms_base import typed
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain
from app.web.keying.forms import LostPage
from app.web.services import current_work

MOST_DOORS = 40


@blueprint.route("/systems/<int:system_id>/lost-key", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def lost_key(system_id: int) -> ResponseReturnValue:
    """What a lost key exposes and the rekey plan; on request a draft quote on the counter page, where one can be."""
    work = current_work()
    opened = open_system(work, system_id)
    form, plan = LostPage(), None
    form.offer(opened)
    if form.validate_on_submit():
        try:
            plan = plan_for_loss(work, system_id, typed(form.keyset))
        except BitternError as error:
            attach_plain(form, error, {"symbol": "keyset"})
    if plan is not None and plan.can_be_quoted and request.form.get("deed") == "quote" and may("counter.page"):
        token = secrets.token_hex(16)
        keep_draft(work, token, _draft_of_loss(plan))
        flash("The rekey plan stands here as a draft quote. Look it over before it is issued.")
        return redirect(url_for("counter.page", draft="yes"), 303)
    status = 422 if form.is_submitted() and plan is None else 200
    return render_template("keying/lost_key.html", system=opened.system, form=form, plan=plan), status


def _draft_of_loss(plan: LossPlan) -> dict[str, Any]:
    """A draft with a rekey line a kind of cylinder, and the new keys of each keyset that is replaced."""
    system = plan.system
    lines = [
        {
            "kind": LineKind.REKEY.value,
            "quantity": str(len(line.cylinders)),
            "type": line.cylinders[0].type,
            "chambers": str(line.chambers),
            "keyway": line.keyway,
            "keys_each": "0",
            **_keying(line),
            "remark": _remark(plan, line),
            "standing": " ".join(str(one.id) for one in line.cylinders),
        }
        for line in plan.lines
    ]
    lines += [
        {
            "kind": LineKind.KEYS.value,
            "quantity": str(count),
            "keyway": system.keyway,
            "symbol": symbol,
            "remark": f"new keys in place of {symbol}",
        }
        for symbol, count in plan.keys
    ]
    sites = {one.door.site_id for line in plan.lines for one in line.cylinders if one.door}
    return {
        "customer_id": str(system.customer_id),
        "site_id": str(sites.pop() if len(sites) == 1 else system.site_id or ""),
        "system_id": str(system.id) if system.levels > 1 else "",
        "replaced": " ".join(plan.lost.replace),
        "title": f"Rekey after a lost key of {plan.lost.symbol}"[:120],
        "lines": lines,
    }


def _keying(line: RekeyGroup) -> dict[str, str]:
    """How the line's cylinders are keyed now, and will be, as typed."""
    keying = keyed_as(line.keyset, len(line.cylinders))
    return {"keying": keying.kind.value, "master": keying.master, "set_size": str(keying.set_size or "")}


def _remark(plan: LossPlan, line: RekeyGroup) -> str:
    """Why and where, and what is special about these cylinders, which stays so."""
    openings = [one.door.opening_number for one in line.cylinders if one.door]
    doors = ", ".join(openings[:MOST_DOORS]) + (" and more" if len(openings) > MOST_DOORS else "")
    crossed = ", ".join(f"{symbol} (new)" if symbol in plan.lost.replace else symbol for symbol in line.operators)
    parts = (
        f"after the loss of a key of {plan.lost.symbol}",
        f"doors {doors}" if doors else "",
        f"stays cross-keyed with {crossed}" if crossed else "",
        "stays NMK" if line.is_nmk else "",
    )
    return "; ".join(filter(None, parts))[:500]
