"""The pages about one system in service: audit, cross-keying, extension, its control key, a bitting corrected."""

from __future__ import annotations

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.keying import CrossCost, NoBittingsLeft
from app.ledger.keysystems.auditing import check_whole_system
from app.ledger.keysystems.control import add_control, why_no_control
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import CrossAsk, price_cross_keying
from app.ledger.keysystems.crosskeying import cross_key as save_cross_keying
from app.ledger.keysystems.extending import ExtendForm, extend_system, key_single, why_not_extend
from app.ledger.keysystems.lost_keysets import lost_masters
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.errors import LedgerError
from app.ledger.tables import Role
from app.web.access import owner_only, roles
from app.web.forms_base import typed
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain
from app.web.keying.forms import SECONDS, AuditPage, ControlPage, CorrectPage, CrossPage, ExtendPage
from app.web.keying.search_views import start_cross_search, start_extend_search
from app.web.services import current_work, request_session


@blueprint.route("/systems/<int:system_id>/audit", methods=["GET", "POST"])
@roles(Role.BENCH)
def audit(system_id: int) -> ResponseReturnValue:
    """Offer the audit; on a POST run it and show what was found."""
    system = get_system(request_session(), system_id)
    form, found = AuditPage(), None
    form.offer()
    if form.validate_on_submit():
        found = check_whole_system(current_work(), system_id, int(typed(form.tolerance)))
    status = 422 if form.is_submitted() and found is None else 200
    return render_template("keying/audit.html", system=system, form=form, found=found), status


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
            if request.form.get("deed") == "search":
                return start_cross_search(opened, asked, form.seconds.data or SECONDS)
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


@blueprint.route("/systems/<int:system_id>/extend", methods=["GET", "POST"])
@roles(Role.BENCH)
def extend(system_id: int) -> ResponseReturnValue:
    """Add keysets to a system in service, or key single where it must not be extended."""
    work = current_work()
    system = get_system(work.session, system_id)
    form, is_full = ExtendPage(), request.form.get("deed") == "search"
    form.offer(system)
    if form.validate_on_submit():
        try:
            if request.form.get("deed") == "search":
                return start_extend_search(system_id, _asked(form), form.seconds.data or SECONDS)
            if request.form.get("deed") == "single":
                added = key_single(work, system_id, form.singles.data or 0)
            else:
                added = extend_system(work, system_id, _asked(form))
        except BitternError as error:
            is_full = isinstance(error, NoBittingsLeft)
            attach_plain(form, error, _names(form))
        else:
            count = len(added.symbols)
            flash(f"{count} keyset{'s' if count != 1 else ''} added to {added.system.name}: {_few(added.symbols)}.")
            return redirect(url_for("keysystems.show", system_id=added.system.id), 303)
    status = 422 if form.is_submitted() else 200
    refusal = why_not_extend(work, system)
    page = render_template(
        "keying/extend.html",
        system=system,
        form=form,
        refusal=refusal,
        is_full=is_full,
        lost=lost_masters(work.session, [system_id]),
    )
    return page, status


def _asked(form: ExtendPage) -> ExtendForm:
    return ExtendForm(
        typed(form.master),
        form.changes.data or 0,
        typed(form.grand),
        form.masters.data or 0,
        form.changes_each.data or 0,
    )


def _names(form: ExtendPage) -> dict[str, str]:
    """The engine names the master or the grand that it could not serve."""
    return {
        f"changes.{typed(form.master)}": "changes",
        f"masters.{typed(form.grand)}": "masters",
        "quantity": "singles",
        "bittings": "singles",
    }


def _few(symbols: tuple[str, ...]) -> str:
    return ", ".join(symbols[:8]) + (f" and {len(symbols) - 8} more" if len(symbols) > 8 else "")


@blueprint.route("/systems/<int:system_id>/control", methods=["GET", "POST"])
@roles(Role.BENCH)
def control(system_id: int) -> ResponseReturnValue:
    """Give a system of interchangeable cores the control key that it lacks: the one in service, or a new one."""
    work, form = current_work(), ControlPage()
    if form.validate_on_submit():
        entered = typed(form.control) if request.form.get("deed") != "draw" else ""
        try:
            if not entered and request.form.get("deed") != "draw":
                raise LedgerError("control", "Enter the control key of the cores in service, or draw a new one.")
            add_control(work, system_id, entered)
        except BitternError as error:
            attach_plain(form, error, {"keying": "control", "control_offset": "control", "bitting": "control"})
        else:
            flash("The control key is saved, its bitting sealed.")
            return redirect(url_for("keysystems.show", system_id=system_id), 303)
    system = get_system(work.session, system_id)
    status = 422 if form.is_submitted() else 200
    return render_template("keying/control.html", system=system, form=form, why=why_no_control(system)), status


@blueprint.route("/systems/<int:system_id>/correct", methods=["GET", "POST"])
@owner_only
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
