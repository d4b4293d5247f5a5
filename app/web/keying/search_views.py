"""Searches for bittings in a system in service: on their way, what they found, and sealing it."""

from __future__ import annotations

from flask import abort, flash, redirect, render_template, url_for
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.errors import BitternError
from app.keying import BittingChoice, ExtensionSearch, Progress, choose_bittings, search_extension
from app.ledger.keysystems.crosskeying import CrossAsk, ReadyCross, cost_with, make_cross_ready, seal_cross_search
from app.ledger.keysystems.extending import ExtendForm, ReadyExtension, make_extension_ready, seal_extension
from app.ledger.keysystems.unsealed_system import OpenedSystem
from app.ledger.tables import Role
from app.web.access import roles
from app.web.forms_base import PageForm
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain
from app.web.keying.runs import Found, SearchRun, answer_of, own_run, start_run
from app.web.services import current_work


def start_cross_search(opened: OpenedSystem, asked: CrossAsk, seconds: int) -> Response:
    """Start looking for bittings that make this cross-keying free of interchange; to the page that tells of it."""
    work = current_work()
    ready = make_cross_ready(work, opened, asked)

    def search(on_progress: Progress) -> Found:
        return choose_bittings(
            ready.fixed, ready.candidates, ready.cylinders, seconds=float(seconds), on_progress=on_progress
        )

    run = start_run(work.actor.user_id, ready, seconds, search)
    return redirect(url_for("keying.cross_run", token=run.token), 303)


def start_extend_search(system_id: int, asked: ExtendForm, seconds: int) -> Response:
    """Start looking for bittings beyond the array, the system's keys fixed; to the page that tells of it."""
    work = current_work()
    ready = make_extension_ready(work, system_id, asked)
    rng = work.rng

    def search(on_progress: Progress) -> Found:
        return search_extension(
            ready.spec,
            ready.array.tmk,
            ready.keys,
            ready.cylinders,
            ready.asked,
            rng,
            avoid=frozenset(ready.keys.values()),
            seconds=float(seconds),
            on_progress=on_progress,
        )

    run = start_run(work.actor.user_id, ready, seconds, search)
    return redirect(url_for("keying.extend_run", token=run.token), 303)


@blueprint.get("/cross-key/<token>")
@roles(Role.BENCH)
def cross_run(token: str) -> ResponseReturnValue:
    """How far the search for a cross-keying has come, or what it found."""
    run, ready = own_run(token, ReadyCross)
    return answer_of(run, _cross_page(run, ready, PageForm()))


def _cross_page(run: SearchRun, ready: ReadyCross, form: PageForm) -> str:
    choice = run.found if isinstance(run.found, BittingChoice) else None
    found = choice.bittings if choice else None
    changed = [symbol for symbol, cuts in (found or {}).items() if cuts != ready.all_keys[symbol]]
    return render_template(
        "keying/cross_run.html",
        run=run,
        ready=ready,
        choice=choice,
        cost=cost_with(ready, found) if found else None,
        changed=changed,
        form=form,
    )


@blueprint.post("/cross-key/<token>/seal")
@roles(Role.BENCH)
def cross_seal(token: str) -> ResponseReturnValue:
    """Save the bittings found and cross-key the cylinder."""
    (run, ready), form = own_run(token, ReadyCross), PageForm()
    if not isinstance(run.found, BittingChoice) or run.found.bittings is None:
        abort(400, "This search has found nothing to save.")
    if form.validate_on_submit():
        try:
            changed = seal_cross_search(current_work(), ready, run.found.bittings)
        except BitternError as error:
            attach_plain(form, error)
        else:
            flash(
                f"Cross-keyed. New bittings are sealed for {', '.join(changed)}: destroy bench sheets printed before."
                if changed
                else "Cross-keyed; no bitting had to change."
            )
            return redirect(url_for("keysystems.show", system_id=ready.system_id), 303)
    return _cross_page(run, ready, form), 422


@blueprint.get("/extend/<token>")
@roles(Role.BENCH)
def extend_run(token: str) -> ResponseReturnValue:
    """How far the search for an extension has come, or what it found."""
    run, ready = own_run(token, ReadyExtension)
    return answer_of(run, _extend_page(run, ready, PageForm()))


def _extend_page(run: SearchRun, ready: ReadyExtension, form: PageForm) -> str:
    found = run.found if isinstance(run.found, ExtensionSearch) else None
    return render_template("keying/extend_run.html", run=run, ready=ready, found=found, form=form)


@blueprint.post("/extend/<token>/seal")
@roles(Role.BENCH)
def extend_seal(token: str) -> ResponseReturnValue:
    """Save the keysets found, their bittings sealed."""
    (run, ready), form = own_run(token, ReadyExtension), PageForm()
    if not isinstance(run.found, ExtensionSearch) or run.found.extension is None:
        abort(400, "This search has found nothing to save.")
    if form.validate_on_submit():
        try:
            added = seal_extension(current_work(), ready, run.found.extension)
        except BitternError as error:
            attach_plain(form, error)
        else:
            count = len(added.symbols)
            flash(f"{count} keyset{'s' if count != 1 else ''} added to {added.system.name}, their bittings sealed.")
            return redirect(url_for("keysystems.show", system_id=ready.system_id), 303)
    return _extend_page(run, ready, form), 422
