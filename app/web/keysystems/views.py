"""Pages about key systems. Bittings open only on a POST, and every opening is an event."""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue

from app.documents import bitting_list_pdf, printing, system_sheet
from app.errors import BitternError
from app.ledger.jobs.papers import keyset_work
from app.ledger.keysystems.authority import change_records
from app.ledger.keysystems.control import why_no_control
from app.ledger.keysystems.lost_keysets import LostKeyset, lost_masters
from app.ledger.keysystems.system_queries import KeysetNode, get_system, list_system_rows, system_tree
from app.ledger.people.login_rules import Proof
from app.ledger.store.errors import NotFound
from app.ledger.store.event_queries import events_about
from app.ledger.store.work import Work
from app.ledger.tables import Event, KeySystem, Role
from app.web.access import proven, roles
from app.web.errors import about
from app.web.files import PDF, send
from app.web.forms_base import attach
from app.web.keysystems.bitting_list import bitting_list
from app.web.keysystems.forms import RecordsForm, RevealForm
from app.web.listing import count_pages, read_page, read_text
from app.web.services import current_work, request_session

blueprint = Blueprint("keysystems", __name__, url_prefix="/key-systems")


@dataclass(frozen=True, slots=True)
class SystemPage:
    """A system with its tree and what happened to it, as far as this person may see it."""

    system: KeySystem
    tree: tuple[KeysetNode, ...]
    events: tuple[Event, ...]
    why_no_control: str
    lost: tuple[LostKeyset, ...]


def _page(work: Work, system_id: int) -> SystemPage:
    system = get_system(work.session, system_id)
    events = events_about(work.session, f"key system {system_id}", work.actor.role)
    return SystemPage(
        system,
        system_tree(work.session, system),
        tuple(events),
        why_no_control(system),
        lost_masters(work.session, [system_id]),
    )


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Key systems by customer."""
    text, page = read_text(request.args), read_page(request.args)
    rows, count = list_system_rows(request_session(), text, page)
    return render_template(
        "keysystems/index.html", rows=rows, count=count, text=text, page=page, pages_count=count_pages(count)
    )


@blueprint.get("/<int:system_id>")
@roles(Role.COUNTER, Role.BENCH)
def show(system_id: int) -> ResponseReturnValue:
    """One system: its tree, what hangs on each keyset, who owns it."""
    page = _page(current_work(), system_id)
    form, reveal = RecordsForm(obj=page.system), RevealForm.of(page.system)
    return render_template("keysystems/show.html", page=page, form=form, reveal=reveal)


@blueprint.post("/<int:system_id>/records")
@roles()
def records(system_id: int) -> ResponseReturnValue:
    """Save the owner of record and the note on written authority."""
    about(f"key system {system_id}")
    form, work = RecordsForm(), current_work()
    if form.validate_on_submit():
        try:
            saved = change_records(work, system_id, form.version_read, *form.said)
        except BitternError as error:
            attach(form, error)
        else:
            flash(f"The records of {saved.name} are saved.")
            return redirect(url_for("keysystems.show", system_id=system_id), 303)
    page = _page(work, system_id)
    return render_template("keysystems/show.html", page=page, form=form, reveal=RevealForm.of(page.system)), 422


@blueprint.post("/<int:system_id>/bittings")
@roles(Role.BENCH)
@proven(Proof.BITTINGS)
def bittings(system_id: int) -> ResponseReturnValue:
    """One keyset's bitting and how a cylinder on it is pinned."""
    work = current_work()
    system = get_system(work.session, system_id)
    keyset = RevealForm.of(system).chosen(system)
    if keyset is None:
        raise NotFound("keyset in this key system")
    bench, stopped = keyset_work(work, system, keyset)
    sheet = system_sheet(bench)
    return render_template("keysystems/bittings.html", system=system, keyset=keyset, sheet=sheet, stopped=stopped)


@blueprint.post("/<int:system_id>/bitting-list.pdf")
@roles()
@proven(Proof.BITTING_LIST)
def bitting_list_file(system_id: int) -> ResponseReturnValue:
    """The whole bitting list, for the owner alone."""
    with printing():
        return send(bitting_list_pdf(bitting_list(current_work(), system_id)), f"bitting-list-{system_id}.pdf", PDF)
