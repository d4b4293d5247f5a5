"""The pages about one system in service: audited, cross-keyed, extended, corrected, and when a key of it is lost."""

import secrets
from collections.abc import Sequence
from typing import Any

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.errors import BitternError
from app.keying import NoBittingsLeft
from app.ledger.keys.losing import plan_for_loss
from app.ledger.keys.losses import report_loss
from app.ledger.keysystems.auditing import check_whole_system
from app.ledger.keysystems.bittings import room_below
from app.ledger.keysystems.control import add_control, why_no_control
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import cross_key as save_cross_keying
from app.ledger.keysystems.crosskeying import make_cross_ready, price_cross_keying
from app.ledger.keysystems.extending import (
    Added,
    extend_system,
    is_searched_for,
    key_single,
    keyways_to_add,
    make_extension_ready,
    why_not_extend,
)
from app.ledger.keysystems.lost_keysets import lost_masters
from app.ledger.keysystems.planned_doors import planned_cylinders
from app.ledger.keysystems.reserves import add_reserve, release_reserve
from app.ledger.keysystems.selective import add_selective, find_place, selective_of
from app.ledger.keysystems.system_queries import cylinders_keyed, get_system, keyways_beside, sections_of
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.quoting.issuing import keep_draft
from app.ledger.quoting.rekeying import kind_of_levels
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Cylinder, Keyset, KeySystem, LineKind, Role
from app.validation import counted, first_of
from app.web.access import owner_only, roles
from app.web.forms_base import flash_and_redirect, typed
from app.web.keying import blueprint
from app.web.keying.forms import AuditPage, ControlPage, CorrectPage, CrossPage, ExtendPage, LostPage, SelectivePage
from app.web.keying.searches import start_run
from app.web.services import current_work, request_session


@blueprint.route("/systems/<int:system_id>/audit", methods=["GET", "POST"])
@roles(Role.BENCH)
def audit(system_id: int) -> ResponseReturnValue:
    """Offer the audit; on a POST run it and show what was found."""
    system, form = get_system(request_session(), system_id), AuditPage()
    done = form.run(lambda: check_whole_system(current_work(), system_id, int(typed(form.tolerance))))
    page = render_template(
        "keying/audit.html",
        system=system,
        form=form,
        found=done.value if done else None,
        keyways=sorted(keyways_beside(request_session(), sections_of(system))),
    )
    return page, 200 if done else form.status


@blueprint.route("/systems/<int:system_id>/cross-key", methods=["GET", "POST"])
@roles(Role.BENCH)
def cross_key(system_id: int) -> ResponseReturnValue:
    """Show what a cross-keying costs before it is saved; save it on the second press."""
    work, form, cost = current_work(), CrossPage(), None
    opened = open_system(work, system_id)
    form.offer(opened)
    if request.method == "GET":
        form.symbols.data = request.args.get("symbols", "")

    def act() -> ResponseReturnValue | None:
        nonlocal cost
        cylinder_id, deed = int(typed(form.cylinder)), request.form.get("deed")
        cost = price_cross_keying(work, opened, cylinder_id, form.wanted)
        if deed == "search":
            return start_run(
                make_cross_ready(work, opened, cylinder_id, form.wanted), form.seconds.data, "keying.cross_run"
            )
        if deed != "save":
            return None
        if cost.unintended:
            raise LedgerError(
                "symbols",
                f"{', '.join(cost.unintended)} would operate this cylinder too, and must not. Nothing was saved; "
                "see the other ways below.",
            )
        save_cross_keying(work, cylinder_id, form.wanted)
        said = f"The cylinder is operated by {', '.join(form.wanted)} too."
        return flash_and_redirect(said, "keysystems.show", system_id=system_id)

    done = form.run(act)
    if done and done.value:
        return done.value
    page = render_template("keying/cross_key.html", system=opened.system, form=form, cost=cost)
    return page, 200 if done else form.status


@blueprint.route("/systems/<int:system_id>/extend", methods=["GET", "POST"])
@roles(Role.BENCH)
def extend(system_id: int) -> ResponseReturnValue:
    """Add keysets to a system in service, or key single where it must not be extended."""
    work, form, deed = current_work(), ExtendPage(), request.form.get("deed")
    system = get_system(work.session, system_id)
    form.offer(system, keyways_to_add(work, system))
    is_full = deed == "search"

    def act() -> Added | Response:
        nonlocal is_full
        if deed == "single":
            return key_single(work, system_id, form.singles.data or 0)
        if deed == "reserve":
            return add_reserve(work, system_id, typed(form.reserve))
        if deed == "search" or is_searched_for(system):
            ready = make_extension_ready(work, system_id, form.read())
            return start_run(ready, form.seconds.data, "keying.extend_run")
        try:
            return extend_system(work, system_id, form.read())
        except NoBittingsLeft:
            is_full = True
            raise

    if done := form.run(act):
        if isinstance(done.value, Response):
            return done.value
        added, symbols = done.value.system, done.value.symbols
        said = f"{counted(len(symbols), 'keyset')} added to {added.name}: {first_of(symbols, 8)}."
        if done.value.to_cut_anew:
            flash(done.value.to_cut_anew, "caution")
        return flash_and_redirect(said, "keysystems.show", system_id=added.id)
    page = render_template(
        "keying/extend.html",
        system=system,
        form=form,
        refusal=why_not_extend(work, system),
        is_full=is_full,
        is_searched=is_searched_for(system),
        lost=lost_masters(work.session, [system_id]),
        room=room_below(work, system),
    )
    return page, form.status


@blueprint.post("/systems/<int:system_id>/reserve/release")
@roles(Role.BENCH)
def release(system_id: int) -> ResponseReturnValue:
    """Let any door take what is left of a reserve."""
    name, master = request.form.get("name", ""), request.form.get("master", "")
    try:
        count = release_reserve(current_work(), system_id, name, master)
    except LedgerError as error:
        flash(error.message, "caution")
        return redirect(url_for("keysystems.show", system_id=system_id), 303)
    said = f"{counted(count, 'change')} under {master} may be taken by any door now."
    return flash_and_redirect(said, "keysystems.show", system_id=system_id)


@blueprint.route("/systems/<int:system_id>/selective", methods=["GET", "POST"])
@roles(Role.BENCH)
def selective(system_id: int) -> ResponseReturnValue:
    """The selective master with its cylinders; of a system that has none, what one costs, and on a POST add it."""
    work, form, place, why = current_work(), SelectivePage(), None, ""
    if done := form.run(lambda: add_selective(work, system_id, typed(form.selective))):
        said = f"The selective master {typed(form.selective).upper()} is saved, its bitting sealed."
        return flash_and_redirect(said, "keying.selective", system_id=done.value.top.system_id)
    system = get_system(work.session, system_id)
    there = selective_of(system)
    if there is None:
        try:
            place = find_place(work, system)
        except BitternError as error:
            why = error.message
    page = render_template(
        "keying/selective.html",
        system=system,
        form=form,
        there=there,
        place=place,
        why=why,
        cylinders=[one for one in cylinders_keyed(work.session, system) if there and one.selective == there.symbol],
    )
    return page, form.status


@blueprint.route("/systems/<int:system_id>/control", methods=["GET", "POST"])
@roles(Role.BENCH)
def control(system_id: int) -> ResponseReturnValue:
    """Give a system of interchangeable cores the control key that it lacks: the one in service, or a new one."""
    work, form = current_work(), ControlPage()

    def save() -> Keyset:
        is_drawn = request.form.get("deed") == "draw"
        if not typed(form.control) and not is_drawn:
            raise LedgerError("control", "Enter the control key of the cores in service, or draw a new one.")
        return add_control(work, system_id, "" if is_drawn else typed(form.control), typed(form.from_bow))

    if form.run(save):
        said = "The control key is saved, its bitting sealed."
        return flash_and_redirect(said, "keysystems.show", system_id=system_id)
    system = get_system(work.session, system_id)
    return render_template("keying/control.html", system=system, form=form, why=why_no_control(system)), form.status


@blueprint.route("/systems/<int:system_id>/correct", methods=["GET", "POST"])
@owner_only
def correct(system_id: int) -> ResponseReturnValue:
    """Put the right bitting of a keyset in place of the one on record."""
    work, form = current_work(), CorrectPage()
    system = get_system(work.session, system_id)
    form.offer(system)
    if done := form.run(
        lambda: correct_bitting(work, system_id, form.into(CorrectForm, keyset_id=int(typed(form.keyset))))
    ):
        found = done.value
        lost = " The system has no array any more: what is added to it is searched for." if found.lost_plan else ""
        symbol = found.keyset.symbol
        said = f"The bitting of {symbol} is corrected: destroy bench sheets printed before."
        return flash_and_redirect(
            f"{f'{symbol} is kept as it is cut.' if found.is_kept else said}{lost} {found.audit.words}",
            "keysystems.show",
            system_id=system_id,
        )
    return render_template("keying/correct.html", system=system, form=form), form.status


@blueprint.post("/systems/<int:system_id>/planned-doors")
@roles(Role.COUNTER)
def quote_planned(system_id: int) -> ResponseReturnValue:
    """A draft quote of new cylinders for the planned doors that are ticked, on the counter page."""
    session = request_session()
    system, ticked = get_system(session, system_id), set(request.form.getlist("planned"))
    wanted = [one for one in planned_cylinders(session, system) if str(one.id) in ticked]
    if not wanted:
        return flash_and_redirect("Tick the doors to quote.", "keysystems.show", system_id=system_id)
    token, _ = keep_draft(current_work(), secrets.token_hex(16), _draft_of_planned(system, wanted))
    said = "The planned doors stand here as a draft quote. Say what cylinders they get."
    return flash_and_redirect(said, "counter.page", draft=token)


def _draft_of_planned(system: KeySystem, cylinders: Sequence[Cylinder]) -> dict[str, Any]:
    # What is keyed to a master brings no keys of it by itself: each would open all that is under it.
    of_masters, keyways = {one.id for one in system.keysets if one.level.is_upper}, sections_of(system)
    lines = [
        {
            "kind": LineKind.CYLINDER.value,
            "quantity": str(len(alike)),
            "chambers": str(system.chambers),
            "keyway": keyway,
            "keys_each": keys_each,
            "keying": kind_of_levels(system.levels).value,
            "standing": " ".join(str(one.id) for one in alike),
        }
        for keyway in keyways
        for here in [[one for one in cylinders if one.keyset is not None and one.keyset.section == keyway]]
        for keys_each, alike in (
            ("2", [one for one in here if one.keyset_id not in of_masters]),
            ("0", [one for one in here if one.keyset_id in of_masters]),
        )
        if alike
    ]
    # A key to each who carries a master that has none yet; those to the doors come with the cylinders.
    keys = [
        {
            "kind": LineKind.KEYS.value,
            "quantity": str(one.carriers),
            "keyway": system.keyway if len(keyways) == 1 else "",
            "symbol": one.symbol,
        }
        for one in system.keysets
        if one.level.is_upper and one.carriers and not one.keys and not one.is_out_of_use
    ]
    return {
        "customer_id": str(system.customer_id),
        "site_id": str(system.site_id or ""),
        "system_id": str(system.id),
        "title": system.name[:120],
        "lines": [*lines, *keys],
    }


@blueprint.route("/systems/<int:system_id>/lost-key", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def lost_key(system_id: int) -> ResponseReturnValue:
    """A loss is reported; or what a lost key exposes and the rekey plan, and on request a draft quote."""
    work, form = current_work(), LostPage()
    opened = open_system(work, system_id)
    form.offer(opened)
    if request.method == "GET":
        form.keyset.data = request.args.get("keyset", "")
    if request.form.get("deed") == "report":
        if reported := form.run(lambda: report_loss(work, form.read(system_id))):
            return flash_and_redirect(reported.value.words, "losses.show", loss_id=reported.value.loss.id)
        return render_template("keying/lost_key.html", system=opened.system, form=form, plan=None), form.status
    done = form.run(lambda: plan_for_loss(work, system_id, typed(form.keyset)))
    plan = done.value if done else None
    return render_template("keying/lost_key.html", system=opened.system, form=form, plan=plan), (
        200 if plan else form.status
    )
