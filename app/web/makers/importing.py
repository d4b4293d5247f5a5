"""The owner loads a maker's catalogue: sent, read in the background, shown, then put on record."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, Flask, abort, current_app, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError
from app.ledger.care.opening import Ledger
from app.ledger.catalog.catalog_import import CataloguePlan, Progress, load_catalogue, plan_catalogue
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.store.work import Work
from app.web.access import roles
from app.web.asked import is_piece
from app.web.forms_base import FilePage, attach
from app.web.makers.runs import Run, runs
from app.web.services import current_work, request_session, the_ledger
from app.web.waiting import WaitingFile, find_waiting, keep_waiting

blueprint = Blueprint("catalogue", __name__, url_prefix="/makers")


def _purpose(maker_id: int) -> str:
    return f"catalogue {maker_id}"


@blueprint.route("/<int:maker_id>/catalogue/import", methods=["GET", "POST"])
@roles()
def send_file(maker_id: int) -> ResponseReturnValue:
    """Take a catalogue file and begin to read it."""
    work, form = current_work(), FilePage()
    maker = get_maker(work.session, maker_id)
    if form.validate_on_submit():
        try:
            waiting = keep_waiting(work, _purpose(maker_id), form.file.data)
        except BitternError as error:
            attach(form, error)
        else:
            _start("plan", maker_id, work, waiting)
            return redirect(url_for("catalogue.progress", maker_id=maker_id, token=waiting.token), 303)
    return render_template(
        "makers/import_catalogue.html", form=form, maker=maker
    ), 422 if form.is_submitted() else 200


@blueprint.get("/<int:maker_id>/catalogue/import/<token>")
@roles()
def progress(maker_id: int, token: str) -> ResponseReturnValue:
    """How far the file is, what it would change, or what is wrong with it."""
    run = runs().find(token)
    if run is None or run.maker_id != maker_id or run.user_id != current_work().actor.user_id:
        abort(404, "This file is not known any more; send it again. Nothing of it was saved unless its page said so.")
    template = "makers/_run.html" if is_piece() else "makers/run.html"
    return render_template(template, run=run, token=token, maker=get_maker(request_session(), maker_id))


@blueprint.post("/<int:maker_id>/catalogue/import/<token>")
@roles()
def put_on_record(maker_id: int, token: str) -> ResponseReturnValue:
    """Begin to put a catalogue that was shown on record."""
    work = current_work()
    waiting = find_waiting(work, _purpose(maker_id), token)
    get_maker(work.session, maker_id)
    before = runs().find(token)
    if before is None or before.state != "loaded":
        _start("load", maker_id, work, waiting, before.plan if before and before.state == "planned" else None)
    return redirect(url_for("catalogue.progress", maker_id=maker_id, token=token), 303)


def _start(purpose: str, maker_id: int, work: Work, waiting: WaitingFile, shown: CataloguePlan | None = None) -> None:
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]  # the thread outlives the request
    run = Run(maker_id, work.actor.user_id, waiting.name, purpose)
    runs().start(waiting.token, run, _task(purpose, maker_id, work, waiting, the_ledger(), shown), app)


def _task(
    purpose: str, maker_id: int, work: Work, waiting: WaitingFile, ledger: Ledger, shown: CataloguePlan | None
) -> Callable[[Progress], CataloguePlan]:
    """The work of the thread, in a session of its own and in the name of who sent the file."""

    def task(tell: Progress) -> CataloguePlan:
        with ledger.work(work.actor, work.now) as own:
            if purpose == "load":
                return load_catalogue(own, maker_id, waiting.name, waiting.content, tell, shown)
            return plan_catalogue(own.session, maker_id, waiting.name, waiting.content, tell)

    return task
