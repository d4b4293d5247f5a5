"""The plan of a loss: the ways with what each costs, the one that is chosen, and its phases as quotes to be."""

import secrets

from flask import render_template, request
from flask.typing import ResponseReturnValue

from app.documents import factory_letter_pdf
from app.ledger.keys.loss_plans import LossWayKind, choose_plan, ways_of_loss
from app.ledger.quoting.issuing import IssueForm, keep_asked, keep_draft
from app.ledger.quoting.loss_drafts import drafts_of_loss, plan_of_loss
from app.ledger.quoting.loss_letter import letter_of_loss
from app.ledger.quoting.request import QuoteRequest
from app.ledger.store.engine import get_row
from app.ledger.store.work import Work
from app.ledger.tables import Loss, Role
from app.validation import counted
from app.web.access import roles
from app.web.counter.drafts import draft_of_request
from app.web.files import PDF, send
from app.web.forms_base import flash_and_redirect, record_id, typed
from app.web.keying import blueprint
from app.web.keying.forms import PhasesPage, WaysPage
from app.web.services import current_work


@blueprint.route("/losses/<int:loss_id>/plan", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def loss_plan(loss_id: int) -> ResponseReturnValue:
    """The ways in which a loss can be mended; on a POST one of them is chosen."""
    work = current_work()
    loss, form = get_row(work.session, Loss, loss_id, "loss"), WaysPage()
    done = form.run(lambda: choose_plan(work, loss_id, typed(form.way), record_id(typed(form.version))))
    if done:
        kind = LossWayKind(typed(form.way))
        said = f"The plan is chosen: {kind.words[:1].lower()}{kind.words[1:]}."
        return flash_and_redirect(said, "keying.loss_drafts", loss_id=loss_id)
    form.version.data = form.version.data or str(loss.version)
    ways = ways_of_loss(work, loss_id, is_thorough="longer" in request.args)
    return render_template("keying/loss_plan.html", loss=loss, form=form, ways=ways), form.status


@blueprint.route("/losses/<int:loss_id>/drafts", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def loss_drafts(loss_id: int) -> ResponseReturnValue:
    """The plan as it stands; on a POST what is left of it becomes a draft quote, or one a phase."""
    work = current_work()
    loss, form = get_row(work.session, Loss, loss_id, "loss"), PhasesPage()
    plan = plan_of_loss(work, loss)
    if plan is None:
        return flash_and_redirect("Choose the plan first.", "keying.loss_plan", loss_id=loss_id)
    form.offer(plan)
    done = form.run(lambda: drafts_of_loss(work, loss_id, form.phases))
    if done:
        return _kept(work, done.value)
    return render_template("keying/loss_drafts.html", loss=loss, form=form, plan=plan), form.status


def _kept(work: Work, asks: tuple[QuoteRequest, ...]) -> ResponseReturnValue:
    """One phase stands on the counter page; of several each is saved for later as a job of its own."""
    if len(asks) == 1:
        token, _ = keep_draft(work, secrets.token_hex(16), draft_of_request(asks[0]))
        said = "The plan stands here as a draft quote. Look it over, then issue it."
        return flash_and_redirect(said, "counter.page", draft=token)
    jobs = [
        keep_asked(work, IssueForm(ask, token), draft_of_request(ask))
        for ask in asks
        for token in [secrets.token_hex(16)]
    ]
    numbers = f"{jobs[0].number} to {jobs[-1].number}"
    said = f"{counted(len(jobs), 'phase')} saved for later as jobs {numbers}. This is the first: issue it."
    return flash_and_redirect(said, "counter.page", job=jobs[0].number)


@blueprint.get("/losses/<int:loss_id>/letter.pdf")
@roles(Role.COUNTER, Role.BENCH)
def loss_letter(loss_id: int) -> ResponseReturnValue:
    """The letter that asks the factory for new keysets, where it holds the records."""
    return send(factory_letter_pdf(letter_of_loss(current_work(), loss_id)), f"factory-letter-{loss_id}.pdf", PDF)
